"""Whether a test before processing pays, for every fraction or, with trial runs, for one. Only reads."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome, Run
from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER
from gradeest.records.domain import Bench
from gradeest.workflow.believing import FORWARD_DRAWS, State, believe, run_forward, state_of, stream
from gradeest.workflow.gates import closed_of
from gradeest.workflow.licences import unlicensed_of, without_licence
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, basis_of, load_prices, split_fractions, trust_in
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.economics import Economics, Spent
    from gradeest.decision.prices import Prices
    from gradeest.decision.ranking import Blocked
    from gradeest.decision.settlement import Market
    from gradeest.decision.testing import Option, Tested
    from gradeest.materials.catalogue import Quantiles

Array = NDArray[np.float64]
TINY_KG = 1e-9  # a run of next to nothing


@dataclass(frozen=True)
class TrialRun:
    """A trial on record, of a fraction that is shown; its result counts as that of any batch."""

    batch: str
    address: str
    mass_kg: float
    is_open: bool


@dataclass(frozen=True)
class TestsShown:
    """Tests as shown; `address` is "" for all fractions (then without trial runs). `u` is relative."""

    address: str
    currency: str
    rows: tuple[Tested, ...]
    u: float
    fee: float | None
    trials: tuple[TrialRun, ...]
    blocked: tuple[Blocked, ...]  # not weighed: what must not be processed
    gates_closed: tuple[str, ...]  # routes of the rows whose gate has to be passed before a batch or a trial is begun
    no_licence: tuple[str, ...]  # not weighed: routes that take what the bench has declared to have no licence for
    notes: tuple[str, ...]
    defer: str
    prices_file: str
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def weigh_tests(
    place: Place,
    address: str | None = None,
    *,
    u: float | None = None,
    fee: float | None = None,
    prices: Path | None = None,
    report: Report = say_nothing,
) -> TestsShown:
    """What an assay of each fraction (and a trial run, where one is named) would be worth before deciding on it.

    Parameters: u, relative standard uncertainty of the laboratory (the priors' where None); fee, of one assay, in the
    user's currency (None: not known, its limit is told). Raises InputError for an address that cannot be processed.
    """
    with open_bench(place) as opened:
        found, file = load_prices(opened, prices)
        state = state_of(opened)
        runs, blocked = split_fractions(opened, state, None)
        asked_of = [run.route for run in runs if address in (None, run.address)]
        runs, blocked = without_licence(opened, state, runs, blocked)
        barred = {item.address: item.reason for item in blocked}
        if address is not None and address not in {run.address for run in runs}:
            reason = barred.get(address, "there is nothing left to process there")
            raise InputError(f"{address} cannot be tested for processing: {reason}", "`gradeest rank` names what can")
        posterior = believe(opened, state, report=report)
        spread = opened.catalogue.constants["test.assay_u"] if u is None else u
        bench = Testing(opened, state, posterior, found, runs, spread, fee)
        rows = tuple(bench.look_at(i, is_one=address is not None) for i in bench.order(address))
        trials = trials_of(state.bench, {row.address for row in rows})
        return TestsShown(
            address or "",
            found.currency,
            rows,
            spread,
            fee,
            trials,
            () if address else blocked,
            closed_of(opened, (bench.outcome.runs[i].route for i in bench.order(address))),
            unlicensed_of(opened, asked_of),
            tuple(_notes(bench, is_one=address is not None)),
            DEFER,
            str(file),
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _notes(bench: Testing, *, is_one: bool) -> list[str]:
    from gradeest.decision.summary import Interval

    days, hours = Interval.of(bench.assay_days), float(bench.assay_hours.mean())
    notes = [
        "an assay's worth counts the pieces a sample happens to hold and the laboratory's uncertainty",
        f"an assay takes {hours:.2g} of your hours and {days.q50:.2g} days ({days.q5:.2g}-{days.q95:.2g}) until its "
        "result; type your own under [time] of the price file",
    ]
    if bench.fee is None:
        notes.append("without --fee a laboratory's fee is not counted: what an assay may cost at most is told")
    return notes if is_one else [*notes, "trial runs: name one fraction"]


def finest_step(bench: Bench, unknown: float) -> float:
    """The step of the finest balance of a bench, g; where it has none on record that of its results."""
    steps = [balance.readability_g for balance in bench.balances.values()]
    steps = steps or [product.readability_g for batch in bench.batches.values() for product in batch.products]
    return min(steps, default=unknown)


def trials_of(bench: Bench, addresses: Collection[str]) -> tuple[TrialRun, ...]:
    """The trials on record of fractions."""
    found = [batch for batch in bench.batches.values() if batch.trial and batch.charges[0].address in addresses]
    return tuple(TrialRun(b.name, b.charges[0].address, b.charges[0].mass_kg, b.is_open) for b in found)


class Testing:
    """Everything that can be processed, with its draws and its money."""

    def __init__(
        self,
        opened: Opened,
        state: State,
        posterior: Posterior,
        prices: Prices,
        runs: tuple[Run, ...],
        u: float,
        fee: float | None,
        drawn: tuple[Outcome, Economics] | None = None,
    ) -> None:
        """`drawn`: the outcome of the runs and its money, where they are there already."""
        from gradeest.decision.economics import value_runs

        self.basis = basis_of(opened, prices, FORWARD_DRAWS)
        self.opened, self.posterior, self.prices, self.u, self.fee = opened, posterior, prices, u, fee
        self.kinds = {run.address: state.bench.fraction(run.address).kind for run in runs}
        if drawn is None:
            outcome = run_forward(opened, posterior, runs)
            drawn = outcome, value_runs(outcome, self.kinds, self.basis)
        self.outcome, self.money = drawn
        self.origin = self.outcome.origin
        self._fixed: dict[str, float] = {}  # by route
        self.step_g = finest_step(state.bench, opened.catalogue.constants["test.readability_g"])
        self.going = {trial.address: trial.batch for trial in trials_of(state.bench, set(self.kinds)) if trial.is_open}

    @property
    def assay_hours(self) -> Array:
        """Hands-on hours of one assay, (draw,)."""
        return self._of_assay("assay-hours", self.prices.assay_hours)

    @property
    def assay_days(self) -> Array:
        """Days until the result of an assay, (draw,); all assays go to one laboratory."""
        return self._of_assay("assay-days", self.prices.assay_days)

    def _of_assay(self, name: str, typed: Quantiles | None) -> Array:
        return self.basis.named.amount(name, typed or self.opened.catalogue.shares[name])

    @property
    def cost_of_assay(self) -> float:
        """Money of one assay as expected: the fee, where it is known, and paid hours."""
        paid = self.prices.hours_rate
        return (self.fee or 0.0) + (paid * float(self.assay_hours.mean()) if paid else 0.0)

    def order(self, address: str | None) -> list[int]:
        """Runs to look at: the one named, or all."""
        return [i for i, run in enumerate(self.outcome.runs) if address in (None, run.address)]

    def advise(self, address: str, perfect: float, error: float, options: Sequence[Option]) -> str:
        """What to do of these tests: nothing else while a trial is going."""
        from gradeest.decision.testing import advise

        if address in self.going:
            return f"wait: its trial {self.going[address]} is open"
        return advise(perfect, error, options, self.fee, self.prices.currency)

    def look_at(self, i: int, *, is_one: bool) -> Tested:
        """What testing run `i` is worth; `is_one` adds trial runs and what its result tells about the others."""
        from gradeest.decision.information import first_draws, mean_by_origin
        from gradeest.decision.summary import Interval
        from gradeest.decision.testing import Tested, best_option, perfect_worth, read_product, worth_for_others

        run, gain = self.outcome.runs[i], self.money.advantage[:, i]
        perfect, error = perfect_worth(gain, self.origin)
        options: list[Option] = []
        if perfect > 0:
            options += self.assays(i)
            options += [trial.option for trial in self.trials(i)] if is_one else []
        best = best_option(options)
        others: tuple[float | None, float | None] = (None, None)
        if is_one and len(self.outcome.runs) > 1:
            first = first_draws(self.origin, len(gain))
            counts = [self.prices.metal_per_g[metal] > 0 for metal in self.outcome.metals]
            product = read_product(self.outcome.recovered_g[first, i], counts)
            others = worth_for_others(mean_by_origin(self.money.advantage, self.origin), i, product)
        now = "process" if gain.mean() > 0 else self.money.alternatives[i]
        advice = self.advise(run.address, perfect, error, options)
        kind, mass = self.kinds[run.address], run.mass_kg
        return Tested(
            run.address, kind, mass, now, Interval.of(gain), perfect, error, tuple(options), best, advice, *others
        )

    def sizes_that_could_pay(self, i: int) -> tuple[float, ...]:
        """Shares of run `i` of which a trial could be worth what it costs at least: no other is looked at.

        A part s of a run that gains g and costs c however small brings s (g + c) - c, or less where metal hangs up; to
        go on brings g - c, to keep the part's product no more than -c. Who chose knowing all would have the best of
        these in every draw: no trial brings more.
        """
        from gradeest.decision.testing import CLEAR, TRIAL_SHARES, perfect_worth

        worth, error = perfect_worth(self.money.advantage[:, i], self.origin)
        if worth <= CLEAR * error:
            return ()
        fixed, gain = self.fixed_cost(self.outcome.runs[i]), self.money.advantage[:, i]
        now = max(float(gain.mean()), 0.0)

        def most(share: float) -> float:
            return float(np.maximum(np.maximum(gain, share * (gain + fixed)), 0.0).mean()) - fixed

        return tuple(share for share in TRIAL_SHARES if most(share) > now)

    def fixed_cost(self, run: Run) -> float:
        """What a run of a route costs however small, money and paid hours, as expected."""
        from gradeest.decision.economics import count_spent

        if run.route not in self._fixed:
            nothing = np.zeros((self.basis.named.draws, 1, len(self.outcome.metals)))
            tiny = Outcome(
                (dataclasses.replace(run, mass_kg=TINY_KG),),
                self.outcome.metals, nothing, nothing, nothing, nothing.astype(bool), ({},),
            )  # fmt: skip
            spent = count_spent(tiny, self.kinds, self.basis)
            self._fixed[run.route] = float((spent.cost + spent.labour).mean())
        return self._fixed[run.route]

    def counted(self, i: int) -> list[int]:
        """Metals that the run brings out and that have a price."""
        brought = self.outcome.recovered_g[:, i].max(axis=0) > 0
        return [m for m, name in enumerate(self.outcome.metals) if brought[m] and self.prices.metal_per_g[name] > 0]

    def assays(self, i: int) -> list[Option]:
        """Assays of samples by size.

        Draws of one origin are averaged: what is new in the run says nothing about what is in the fraction, which is
        all that an assay sees of it.
        """
        from gradeest.decision.information import first_draws, mean_by_origin
        from gradeest.decision.testing import Material, assay_options

        run = self.outcome.runs[i]
        at = self.posterior.fractions.index(run.address)
        pieces = float(self.posterior.pieces_per_kg[at] * self.posterior.dry_share[at])
        first = first_draws(self.origin, len(self.money.advantage))
        pair = np.stack([self.money.advantage[:, i], self.money.alternative[:, i]], axis=1)
        averaged = mean_by_origin(pair, self.origin)
        return assay_options(
            averaged[:, 0],
            averaged[:, 1],
            self.outcome.contained_g[first, i][:, self.counted(i)],
            Material(run.mass_kg, pieces),
            u=self.u,
            fee=self.cost_of_assay,
            rng=stream(self.opened.place, f"assay {run.address}"),
        )

    def trials(self, i: int, shares: Sequence[float] | None = None) -> list[Trial]:
        """Trial runs by size."""
        from gradeest.decision.testing import TRIAL_SHARES

        return [self.trial(i, share) for share in (TRIAL_SHARES if shares is None else shares)]

    def trial(self, i: int, share: float) -> Trial:
        """A trial run of a share of run `i`, settled beside the other fractions as ranked, before the rest."""
        from gradeest.decision.economics import count_spent
        from gradeest.decision.testing import read_on_balance, trial_option

        whole, buyer = self.outcome.runs[i], self.money.buyer_of[i]
        others = [j for j in self.money.pool if j != i and self.money.buyer_of[j] == buyer]
        parts = [dataclasses.replace(whole, mass_kg=part * whole.mass_kg) for part in (share, 1 - share)]
        drawn = run_forward(self.opened, self.posterior, parts, closing=True)
        spent = count_spent(drawn, self.kinds, self.basis)
        added = self.market.add_parts(buyer, others, i, drawn)
        trial, rest = (added[part] - spent.total[:, part] for part in (0, 1))
        weight, rng = drawn.weight_g[:, 0][:, self.counted(i)], stream(self.opened.place, f"trial {whole.address}")
        shown = read_on_balance(weight, self.step_g, self.opened.catalogue.constants["balance.unchecked_handling"], rng)
        option = trial_option(
            parts[0].mass_kg, self.money.advantage[:, i], trial, rest, -spent.total[:, 0], shown, self.origin
        )
        return Trial(whole.address, share, option, drawn, spent)

    def items_of(self, trial: Trial) -> dict[str, Array]:
        """What a trial takes of each item, (draw,)."""
        from gradeest.decision.needs import find_needs

        needs = find_needs(trial.drawn.only(0), self.kinds, self.basis)
        return {key: table[:, 0] for key, table in needs.items.items()}

    @cached_property
    def market(self) -> Market:
        """All runs with all buyers."""
        from gradeest.decision.settlement import Market

        return Market(self.outcome, self.kinds, self.basis)


@dataclass(frozen=True)
class Trial:
    """A trial run and what is left after it, in this order in `drawn` and `spent`, and what the trial is worth."""

    address: str
    share: float  # of the fraction
    option: Option
    drawn: Outcome
    spent: Spent
