"""What to take off boards first, and where to stop: sets of kinds of parts, weighed jointly.

A set S of kinds is taken off all boards that carry them. Of these a set P is processed and settled together, the rest
sold as it is or kept. Draw by draw,

    V(S) = settlement(P) - sum_P (costs + labour) + sum_(S - P) as is - sum_S stripping hours x rate + boards(S)

with boards(S) what a buyer gives for the boards afterwards: whole ones have one price, boards of which anything was
taken another, and no more for what is gone. P is chosen by expectation for each S, and S among all sets: parts cannot
be judged one by one, for the first that is taken off costs the boards their price. The gain is V(S) - V(nothing).
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.economics import (
    Alternative,
    usual_metal_value_per_kg,
    value_runs,
    value_unprocessed,
)
from gradeest.decision.information import Worth, worth_of_signal
from gradeest.decision.prices import Basis, Prices
from gradeest.decision.settlement import draw_settlements, settle_with_one
from gradeest.errors import InputError
from gradeest.materials.boards import STRIPPED
from gradeest.materials.catalogue import Board, Catalogue

Array = NDArray[np.float64]
MOST_KINDS = 12  # sets of more than these are too many to weigh each
TRIED = 24  # sets, the best ones, among which a trial board may decide


@dataclass(frozen=True)
class Heap:
    """Boards of one kind in one state: `kg` (draw,) what they weigh, `on_kg` (draw, kind) what would come off of each
    kind, `gone` the kinds that were taken off before (none: they are whole)."""

    board: str
    kg: Array
    on_kg: Array
    gone: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Parts:
    """Parts still on boards, by kind. `hours` (draw, kind): of taking them off. `outcome` holds a run per kind that may
    be processed, at its expected mass, with recovered metal drawn at the mass of each draw."""

    kinds: tuple[str, ...]
    heaps: tuple[Heap, ...]
    hours: Array
    outcome: Outcome

    @property
    def mass_kg(self) -> Array:
        """(draw, kind)."""
        total: Array = sum((heap.on_kg for heap in self.heaps), np.zeros_like(self.hours))
        return total


@dataclass(frozen=True)
class Choice:
    """A set of kinds to take off, and the ones of it to process; both by their place in `Parts.kinds`."""

    taken: tuple[int, ...]
    processed: tuple[int, ...]


class Stripping:
    """The value of every set of kinds, draw by draw and expected; money in the user's currency."""

    def __init__(self, parts: Parts, basis: Basis) -> None:
        count = len(parts.kinds)
        if count > MOST_KINDS:
            message = f"{count} kinds of parts are too many to weigh every set of them"
            raise InputError(message, f"at most {MOST_KINDS}: name some of the boards with --from")
        self.parts, self.basis = parts, basis
        self.rate = basis.prices.hours_rate
        self.buyers = draw_settlements(parts.outcome.metals, basis.prices, basis.named)
        self.runs = {run.address: n for n, run in enumerate(parts.outcome.runs)}  # an address is its kind here
        self.spent, self.run_hours = self._spent()
        self.alternatives, self.as_is = self._as_is()

    def at_prices(self, prices: Prices) -> Stripping:
        """The same parts, hours and costs at other metal prices."""
        tried = copy.copy(self)
        tried.__dict__.pop("values", None)
        tried.basis = replace(self.basis, prices=prices)
        tried.buyers = draw_settlements(self.parts.outcome.metals, prices, self.basis.named)
        tried.alternatives, tried.as_is = tried._as_is()
        return tried

    # -- draws -----------------------------------------------------------------------------------------------------

    def draw(self, choice: Choice, metal: float = 1.0) -> Array:
        """V of a choice, (draw,); with only a share `metal` of what is recovered."""
        rest = [k for k in choice.taken if k not in choice.processed]
        value = self._settled(choice.processed, metal) - self.spent[:, list(choice.processed)].sum(axis=1)
        value = value + self.as_is[:, rest].sum(axis=1) + self.draw_boards(choice.taken)
        return value - self.rate * self.parts.hours[:, list(choice.taken)].sum(axis=1)

    def draw_processed(self, kind: int) -> Array:
        """What processing one kind brings less costs and labour, settled alone, (draw,)."""
        return self._settled((kind,)) - self.spent[:, kind]

    def draw_boards(self, taken: Sequence[int]) -> Array:
        """What a buyer gives for all boards once kinds were taken off, (draw,)."""
        total = np.zeros(self.basis.named.draws)
        for heap in self.parts.heaps:
            board = self.basis.catalogue.boards[heap.board]
            here = [k for k in taken if self.parts.kinds[k] in board.parts and self.parts.kinds[k] not in heap.gone]
            gone = heap.gone.union(self.parts.kinds[k] for k in here)
            left = heap.kg - heap.on_kg[:, here].sum(axis=1)
            total = total + left * draw_price_per_kg(board, gone, self.basis)
        return total

    def draw_hours(self, choice: Choice) -> Array:
        """Hands-on hours of taking off and processing a choice, (draw,)."""
        total: Array = self.parts.hours[:, list(choice.taken)].sum(axis=1)
        return total + self.run_hours[:, list(choice.processed)].sum(axis=1)

    def _settled(self, processed: Sequence[int], metal: float = 1.0) -> Array:
        if not processed:
            return np.zeros(self.basis.named.draws)
        at = [self.runs[self.parts.kinds[k]] for k in processed]
        fine, weight = (
            metal * grams[:, at, :].sum(axis=1)
            for grams in (self.parts.outcome.recovered_g, self.parts.outcome.weight_g)
        )
        kinds = [self.basis.catalogue.kinds[self.parts.kinds[k]] for k in processed]
        return settle_with_one(self.buyers, fine, weight, kinds, self.basis.catalogue)

    def _spent(self) -> tuple[Array, Array]:
        """Costs and labour, and hours, of processing each kind, (draw, kind); nan where it may not be processed.

        Costs are a fixed part and a part per kg: two masses tell them apart, and each draw has the cost of its mass.
        """
        kinds = {run.address: run.address for run in self.parts.outcome.runs}
        spent = np.full(self.parts.hours.shape, np.nan)
        hours = np.full(self.parts.hours.shape, np.nan)
        if not kinds:
            return spent, hours
        mass = self.parts.mass_kg
        one, two = (value_runs(_at_mass(self.parts.outcome, factor), kinds, self.basis) for factor in (1.0, 2.0))
        for kind, n in self.runs.items():
            k = self.parts.kinds.index(kind)
            more = mass[:, k] / self.parts.outcome.runs[n].mass_kg - 1
            cost = one.cost[:, n] + more * (two.cost[:, n] - one.cost[:, n])
            hours[:, k] = one.hours[:, n] + more * (two.hours[:, n] - one.hours[:, n])
            spent[:, k] = cost + self.rate * hours[:, k]
        return spent, hours

    def _as_is(self) -> tuple[tuple[Alternative, ...], Array]:
        """The better of selling and keeping each kind once it is off, and its draws (draw, kind)."""
        mass = self.parts.mass_kg
        names, values = [], np.zeros(mass.shape)
        for k, kind in enumerate(self.parts.kinds):
            row = self.basis.catalogue.kinds[kind]
            best = value_unprocessed(row, 1.0, self.basis)
            names.append(best.name)
            values[:, k] = best.values * mass[:, k]
        return tuple(names), values

    # -- expectations over all sets --------------------------------------------------------------------------------

    @cached_property
    def values(self) -> list[tuple[float, Choice]]:
        """E[V] of every set with its best pool; sets are numbered by their members' bits."""
        count = len(self.parts.kinds)
        members = [tuple(k for k in range(count) if number >> k & 1) for number in range(2**count)]
        over_as_is = self._expect_pools()
        best = np.arange(2**count)
        for k in range(count):  # the best pool within a set is its own, or that of the set without one member
            for number in range(2**count):
                smaller = best[number & ~(1 << k)]
                if over_as_is[smaller] > over_as_is[best[number]]:
                    best[number] = smaller
        as_is, hours = self.as_is.mean(axis=0), self.parts.hours.mean(axis=0)
        boards = self._expect_boards(members)
        values = []
        for number, taken in enumerate(members):
            at = list(taken)
            value = over_as_is[best[number]] + as_is[at].sum() - self.rate * hours[at].sum() + boards[number]
            values.append((float(value), Choice(taken, members[best[number]])))
        return values

    def _expect_pools(self) -> Array:
        """What processing a pool is expected to bring over its parts as they are, by number; -inf: not to be processed.

        Pools grow one kind at a time, so that what goes to a buyer together is added up once for each.
        """
        outcome = self.parts.outcome
        found = np.full(2 ** len(self.parts.kinds), -np.inf)
        found[0] = 0.0
        instead = (self.spent + self.as_is).mean(axis=0)
        waiting: list[tuple[int, tuple[int, ...], Array | float, Array | float]] = [(0, (), 0.0, 0.0)]
        while waiting:
            number, pool, fine, weight = waiting.pop()
            for k in range(pool[-1] + 1 if pool else 0, len(self.parts.kinds)):
                n = self.runs.get(self.parts.kinds[k])
                if n is None:
                    continue
                grown = (*pool, k)
                more = fine + outcome.recovered_g[:, n], weight + outcome.weight_g[:, n]
                kinds = [self.basis.catalogue.kinds[self.parts.kinds[m]] for m in grown]
                paid = settle_with_one(self.buyers, *more, kinds, self.basis.catalogue)
                found[number | 1 << k] = paid.mean() - instead[list(grown)].sum()
                waiting.append((number | 1 << k, grown, *more))
        return found

    def _expect_boards(self, members: Sequence[tuple[int, ...]]) -> Array:
        """What a buyer is expected to give for all boards, set by set: for each heap mass times price, both linear."""
        found = np.zeros(len(members))
        for heap in self.parts.heaps:
            board = self.basis.catalogue.boards[heap.board]
            here = [k for k, kind in enumerate(self.parts.kinds) if kind in board.parts and kind not in heap.gone]
            for state in ("whole", "picked"):
                unit = draw_unit(board, state, self.basis)
                worth: dict[frozenset[str], float] = {}
                mass, on = (unit * heap.kg).mean(), (unit[:, None] * heap.on_kg).mean(axis=0)
                for number, taken in enumerate(members):
                    off = [k for k in taken if k in here]
                    gone = heap.gone.union(self.parts.kinds[k] for k in off)
                    if ("picked" if gone else "whole") == state:
                        if gone not in worth:
                            worth[gone] = worth_of_unit(board, gone, self.basis)
                        found[number] += worth[gone] * (mass - on[off].sum())
        return found

    def of(self, taken: Sequence[int]) -> tuple[float, Choice]:
        """E[V] of a set, and what of it is processed."""
        return self.values[sum(1 << k for k in taken)]

    def best(self, most_hours: float | None = None) -> Choice:
        """The set of the largest expected value, taking off no longer than `most_hours` are expected to allow."""
        hours = self.parts.hours.mean(axis=0)
        fits = [
            (value, -len(choice.taken), choice)
            for value, choice in self.values
            if most_hours is None or hours[list(choice.taken)].sum() <= most_hours
        ]
        return max(fits, key=lambda item: item[:2])[2]

    def order(self, chosen: Sequence[int]) -> Iterator[int]:
        """A chosen set in the order to take it off: what adds least per hour to the rest comes last, and so on down.

        Seen from its end, for at its beginning every kind costs the boards their price as whole ones.
        """
        hours = self.parts.hours.mean(axis=0)
        left, order = list(chosen), []
        while left:
            now = self.of(left)[0]
            last = min(left, key=lambda k: (now - self.of([m for m in left if m != k])[0]) / hours[k])
            order.append(last)
            left.remove(last)
        yield from reversed(order)

    def worth_of_trial(self, signals: Array, most_hours: float | None, origin: NDArray[np.int_] | None) -> Worth:
        """What seeing `signals` (draw, signal) before the choice is worth: among the best sets within the hours."""
        hours = self.parts.hours.mean(axis=0)
        fits = [
            item
            for item in self.values
            if most_hours is None or hours[list(item[1].taken)].sum() <= most_hours or not item[1].taken
        ]
        tried = sorted(fits, key=lambda item: -item[0])[:TRIED]
        payoffs = np.stack([self.draw(choice) for _, choice in tried], axis=1)
        return worth_of_signal(payoffs, signals, origin)


def _at_mass(outcome: Outcome, factor: float) -> Outcome:
    """The same runs of more feed; what they give is not looked at."""
    return replace(outcome, runs=tuple(replace(run, mass_kg=run.mass_kg * factor) for run in outcome.runs))


def draw_price_per_kg(board: Board, gone: frozenset[str], basis: Basis) -> Array:
    """What a buyer gives per kg of boards without the kinds `gone`, (draw,).

    As typed for whole or picked boards of the kind; else the share of the metal value that ordinary boards hold, or
    would still hold. Boards that are refused are worth nothing here.
    """
    unit = draw_unit(board, "picked" if gone else "whole", basis)
    return unit * worth_of_unit(board, gone, basis)


def draw_unit(board: Board, state: str, basis: Basis) -> Array:
    """The part of a board's price that is drawn, (draw,): the price per kg as typed, else the share of its metal."""
    prices, named = basis.prices, basis.named
    typed, share = prices.boards.get(f"{state}_per_kg.{board.id}"), prices.boards.get(f"share.{state}")
    if board.stop or (typed is None and share is None):
        return np.zeros(named.draws)
    if typed is not None:
        return named.amount(f"boards-{state}-per-kg:{board.id}", typed)
    assert share is not None
    return named.share(f"as-is:boards-{state}", share)


def worth_of_unit(board: Board, gone: frozenset[str], basis: Basis) -> float:
    """What that part is of: 1 where a price per kg was typed, else the metal value per kg."""
    state = "picked" if gone else "whole"
    if f"{state}_per_kg.{board.id}" in basis.prices.boards:
        return 1.0
    return usual_value_per_kg(board, gone, basis.prices, basis.catalogue)


def usual_value_per_kg(board: Board, gone: frozenset[str], prices: Prices, catalogue: Catalogue) -> float:
    """Recoverable metal value per kg of ordinary boards without the kinds `gone`, from the catalogue alone."""
    shares: Mapping[str, float] = {part: row.q50 for part, row in board.parts.items()}
    left = {part: share for part, share in shares.items() if part not in gone}
    rest = 1 - sum(shares.values())
    value = rest * usual_metal_value_per_kg(catalogue.kinds[STRIPPED], prices, catalogue)
    value += sum(s * usual_metal_value_per_kg(catalogue.kinds[p], prices, catalogue) for p, s in left.items())
    return value / (rest + sum(left.values()))
