"""What to take off a lot's boards first, where to stop, and whether to strip one board before deciding."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.bid import Part
from gradeest.decision.stripping import MOST_KINDS, Choice
from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER
from gradeest.workflow.ahead import Ahead, look_ahead
from gradeest.workflow.believing import FORWARD_DRAWS, State, state_of
from gradeest.workflow.gates import closed_of
from gradeest.workflow.hazard_lines import BoardCaution, RouteCautions, board_cautions, route_cautions
from gradeest.workflow.licences import unlicensed_of
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.outlook import Trust, basis_of, load_prices, say_invented, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.prices import Prices
    from gradeest.decision.stripping import Stripping
    from gradeest.decision.summary import Interval

Array = NDArray[np.float64]
NOTHING = Choice((), ())
CLEAR = 2.0  # Monte Carlo errors


@dataclass(frozen=True)
class PartRow:
    """One kind of part still on the boards. Money in the user's currency.

    `step` is its place in the order, None where it stays on. `net`: what the parts bring by their use, less costs,
    work on them and the hours of taking them off. `gain`: what taking them off adds to the rows above it (for one that
    stays on: would add to the best set), the fall of what the boards sell for taken off; `alone`: if only these were
    taken off.
    """

    kind: str
    step: int | None
    use: str  # process, sell, keep
    mass_kg: Interval
    metal_g: Mapping[str, Interval]  # contained, by metal
    hours: Interval  # of taking them off
    net: Interval
    gain: Interval
    alone: Interval
    gain_per_hour: float
    why: str


@dataclass(frozen=True)
class Trial:
    """Stripping one board before deciding: what it is worth, and what it costs beyond what is done anyway."""

    worth: float
    worth_mcse: float
    cost: float
    advice: str


@dataclass(frozen=True)
class StripShown:
    """The order as shown; `whole`: what the boards bring as they are, `gain` of the best set over that."""

    lot: str
    boards: tuple[str, ...]  # addresses
    refused: tuple[str, ...]
    cautions: tuple[BoardCaution, ...]
    currency: str
    rows: tuple[PartRow, ...]
    most_hours: float | None
    hours: Interval
    whole: Interval
    gain: Interval
    chance_of_gain: float
    trial: Trial | None
    route_cautions: tuple[RouteCautions, ...]
    gates_closed: tuple[str, ...]  # routes of what is to be processed whose gate has to be passed first
    no_licence: tuple[str, ...]  # not counted: routes that take what the bench has declared to have no licence for
    defer: str
    notes: tuple[str, ...]
    prices_file: str
    changes: tuple[str, ...]
    invented: str
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def show_strip_order(
    place: Place,
    lot: str | None = None,
    *,
    pile: str | None = None,
    hours: float | None = None,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> StripShown:
    """What to take off the boards of a lot, in which order. Raises InputError without prices or boards."""
    with open_bench(place) as opened:
        state = state_of(opened)
        name = lot_named(opened, lot).name if lot is not None else _lot_with_boards(state)
        found, file = load_prices(opened, prices, changes)
        ahead = look_ahead(opened, state, name, pile, report=report)
        if ahead is None:
            raise InputError(f"nothing is to be taken off boards of {name}", _say_why(opened, name))
        return _make(opened, state, ahead, found, file, hours)


def _lot_with_boards(state: State) -> str:
    """The only lot that has boards. Raises InputError where there are none or several."""
    lots = [lot.name for lot in state.bench.lots.values() if lot.boards]
    if len(lots) == 1:
        return lots[0]
    if not lots:
        raise InputError("no lot has boards", "write them down with `gradeest lot add`, as [[boards]]")
    raise InputError("several lots have boards", f"name one: {', '.join(lots)}")


def _say_why(opened: Opened, lot: str) -> str:
    boards = [opened.catalogue.boards[pile.kind] for pile in opened.bench.lots[lot].boards]
    if boards and all(board.stop for board in boards):
        hazard = opened.catalogue.hazards[boards[0].stop]
        return f"they are refused: {hazard.line} [{hazard.authority}]"
    return "boards are written down with `gradeest lot add`" if not boards else f"`gradeest forecast {lot}`"


def weigh_sets(opened: Opened, ahead: Ahead, prices: Prices) -> Stripping:
    """The value of every set of kinds that may be taken off."""
    from gradeest.decision.stripping import Stripping

    return Stripping(ahead.parts, basis_of(opened, prices, len(ahead.parts.hours)))


@dataclass(frozen=True)
class BoardsOnOffer:
    """Boards of a lot on offer by their best use: stripped of a set of parts, or sold as they are (`decision.bid`).

    `chosen` holds one set for all boards, or one for each pile where their kinds together are too many to weigh.
    """

    prices: Prices
    chosen: tuple[tuple[Stripping, Choice], ...]
    mass_kg: float
    hours: Array
    parts: tuple[Part, ...]
    recovered_g: Array
    routes: tuple[str, ...]  # of the parts that are processed
    asked_of: tuple[str, ...]  # usual routes of all parts
    posterior: Posterior  # of the lot with its parts: fractions run by it go together with the boards draw by draw

    def worth(self, prices: Prices, metal: float = 1.0) -> Array:
        """(draw,); at other prices the boards are stripped as they would be now, or not at all if that is better."""
        total = np.zeros(FORWARD_DRAWS)
        for now, choice in self.chosen:
            sets = now if prices is self.prices else now.at_prices(prices)
            value = sets.draw(choice, metal)
            if choice.taken and prices is not self.prices:
                whole = sets.draw(NOTHING)
                value = value if value.mean() >= whole.mean() else whole
            total = total + value
        return total


def boards_on_offer(
    opened: Opened, state: State, lot: str, prices: Prices, *, report: Report = say_nothing
) -> BoardsOnOffer | None:
    """What the boards of a lot are worth by their best use; None where it has none that may be counted."""
    together = look_ahead(opened, state, lot, report=report)
    if together is None:
        return None
    found = [together]
    if len(together.parts.kinds) > MOST_KINDS:
        each = (look_ahead(opened, state, lot, pile, report=report) for pile in together.piles)
        found = [ahead for ahead in each if ahead is not None]
    chosen, parts, routes, kg = [], [], list[str](), 0.0
    hours, grams = np.zeros(FORWARD_DRAWS), np.zeros(len(together.parts.outcome.metals))
    for ahead in found:
        sets = weigh_sets(opened, ahead, prices)
        choice = sets.best()
        chosen.append((sets, choice))
        parts.append(_offered(state, ahead, sets, choice))
        kg += parts[-1].mass_kg
        hours = hours + sets.draw_hours(choice)
        routes += routes_of(sets, choice)
        at = [sets.runs[ahead.parts.kinds[k]] for k in choice.processed]
        grams = grams + ahead.parts.outcome.recovered_g[:, at, :].sum(axis=1).mean(axis=0)
    for address in together.refused:
        pile = state.bench.pile(address)
        parts.append(Part(pile.name, pile.kind, pile.mass_kg or 0.0, "not counted", 0.0, "refused (STOP)"))
    used = tuple(dict.fromkeys(routes))
    return BoardsOnOffer(
        prices, tuple(chosen), kg, hours, tuple(parts), grams, used, usual_routes(opened, together), together.posterior
    )


def usual_routes(opened: Opened, ahead: Ahead) -> tuple[str, ...]:
    """Usual routes of the parts of boards, whether they may be run or not."""
    found = (opened.catalogue.kinds[kind].usual_route for kind in ahead.parts.kinds)
    return tuple(dict.fromkeys(route for route in found if route))


def routes_of(sets: Stripping, choice: Choice) -> tuple[str, ...]:
    """Routes of what a choice processes, in the order in which it comes off."""
    runs, kinds = sets.parts.outcome.runs, sets.parts.kinds
    processed = [k for k in sets.order(choice.taken) if k in choice.processed]
    return tuple(dict.fromkeys(runs[sets.runs[kinds[k]]].route for k in processed))


def _offered(state: State, ahead: Ahead, sets: Stripping, choice: Choice) -> Part:
    """Boards as a part of a bid: what is done with them."""
    kept = [address for address in ahead.piles if address not in ahead.refused]
    names = [ahead.parts.kinds[k] for k in sets.order(choice.taken)]
    why = f"take off {', '.join(names)}" if names else "no set of parts is expected to bring more"
    kinds = ", ".join(dict.fromkeys(state.bench.pile(address).kind for address in kept))
    name = ", ".join(address.partition("/")[2] for address in kept)
    kg = float(sum(heap.kg.mean() for heap in ahead.parts.heaps))
    return Part(name, kinds, kg, "strip" if names else "sell", float(sets.draw(choice).mean()), why)


def _make(
    opened: Opened, state: State, ahead: Ahead, prices: Prices, file: Path, most_hours: float | None
) -> StripShown:
    from gradeest.decision.summary import Interval

    sets = weigh_sets(opened, ahead, prices)
    best = sets.best(most_hours)
    whole = sets.draw(sets.of(())[1])
    gain = sets.draw(best) - whole
    rows = tuple(_rows(sets, ahead, best, whole))
    boards = [state.bench.pile(address).kind for address in ahead.piles]
    routes = routes_of(sets, best)
    return StripShown(
        ahead.lot,
        ahead.piles,
        ahead.refused,
        board_cautions(opened.catalogue, boards),
        prices.currency,
        rows,
        most_hours,
        Interval.of(ahead.parts.hours[:, list(best.taken)].sum(axis=1)),
        Interval.of(whole),
        Interval.of(gain),
        float((gain > 0).mean()),
        _trial(sets, ahead, best, most_hours),
        tuple(route_cautions(opened.catalogue, route) for route in routes),
        closed_of(opened, routes),
        unlicensed_of(opened, usual_routes(opened, ahead)),
        DEFER,
        tuple(_notes(prices, ahead)),
        str(file),
        prices.changes,
        say_invented([state.bench.lots[ahead.lot]]),
        trust_in(ahead.posterior),
        opened.catalogue.version,
        opened.place.seed,
        opened.place.engine,
    )


def _rows(sets: Stripping, ahead: Ahead, best: Choice, whole: Array) -> list[PartRow]:
    """The best set in its order, each with what it adds; then what stays on, the least loss first."""
    order = list(sets.order(best.taken))
    rows, before = [], whole
    for n, k in enumerate(order):
        after = sets.draw(sets.of(sorted(order[: n + 1]))[1])
        rows.append(_row(sets, ahead, k, n + 1, best, after - before, whole))
        before = after
    others = []
    for k in range(len(ahead.parts.kinds)):
        if k not in order:
            _, choice = sets.of(sorted([*order, k]))
            others.append(_row(sets, ahead, k, None, choice, sets.draw(choice) - before, whole))
    return rows + sorted(others, key=lambda row: -row.gain.mean)


def _row(sets: Stripping, ahead: Ahead, k: int, step: int | None, choice: Choice, gain: Array, whole: Array) -> PartRow:
    from gradeest.decision.summary import Interval

    parts, kind = ahead.parts, ahead.parts.kinds[k]
    is_run = k in choice.processed
    hours = parts.hours[:, k]
    net = (sets.draw_processed(k) if is_run else sets.as_is[:, k]) - sets.rate * hours
    contained = {metal: Interval.of(draws) for metal, draws in ahead.contained_g[kind].items()}
    alone = sets.draw(sets.of((k,))[1]) - whole
    use = "process" if is_run else sets.alternatives[k]
    return PartRow(
        kind,
        step,
        use,
        Interval.of(parts.mass_kg[:, k]),
        contained,
        Interval.of(hours),
        Interval.of(net),
        Interval.of(gain),
        Interval.of(alone),
        float(gain.mean() / hours.mean()),
        _explain(step, use, float(gain.mean()), float(net.mean()), ahead.reasons.get(kind, "")),
    )


def _explain(step: int | None, use: str, gain: float, net: float, reason: str) -> str:
    if step is None and gain > 0:
        return "does not fit into the hours"
    if step is None:
        return "the boards then lose more of their price" if net > 0 else "brings less than it costs to take off"
    if gain < 0:
        return "pays only together with what comes after it"
    said = {"process": "to be processed", "sell": "to be sold as it is", "keep": "to be kept"}[use]
    return f"{said}; {reason}" if reason else said


def _trial(sets: Stripping, ahead: Ahead, best: Choice, most_hours: float | None) -> Trial | None:
    """One board stripped of everything first; None where there is only one, or nothing to choose."""
    if ahead.boards < 2:
        return None
    signals = ahead.weights_seen
    if sets.rate > 0:  # unpaid hours change no choice
        signals = np.concatenate([signals, ahead.minutes_seen], axis=1)
    worth = sets.worth_of_trial(signals, most_hours, ahead.parts.outcome.origin)
    everything = sets.of(range(len(ahead.parts.kinds)))[0]
    cost = max(sets.of(best.taken)[0] - everything, 0.0) / ahead.boards
    net = worth.value - cost
    advice = "do it" if net > CLEAR * worth.mcse else "do not" if net < -CLEAR * worth.mcse else "hardly matters"
    return Trial(worth.value, worth.mcse, cost, advice)


def _notes(prices: Prices, ahead: Ahead) -> list[str]:
    notes = [f"tried: {change}" for change in prices.changes]
    assumed = [key for key in prices.assumed if key.startswith("boards.")]
    typed = any(key.startswith(("whole_per_kg.", "picked_per_kg.")) for key in prices.boards)
    if assumed and not typed:
        notes.append("what boards sell for, whole and picked, is a guess: type your buyer's prices under [boards]")
    notes += [f"{kind}: {reason}" for kind, reason in ahead.reasons.items()]
    return [*notes, *(str(issue) for issue in prices.warnings)]
