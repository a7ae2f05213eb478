"""What may be done with one fraction, in one table: process, test first, sell as it is, save up, keep. Only reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Run
from gradeest.errors import InputError
from gradeest.materials.hazards import DEFER
from gradeest.records.storage import storage_days
from gradeest.workflow.believing import believe, next_address, run_pooled, state_of
from gradeest.workflow.gates import say_before
from gradeest.workflow.hazard_lines import RouteCautions, route_cautions
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, load_prices, split_fractions, trust_in
from gradeest.workflow.saving import DAYS_A_MONTH
from gradeest.workflow.telling import Report, say_nothing
from gradeest.workflow.testing import Testing

if TYPE_CHECKING:
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.alternatives import Use
    from gradeest.decision.prices import Prices
    from gradeest.decision.testing import Option

MONTHS = (1, 2, 3, 4, 6, 9, 12)


@dataclass(frozen=True)
class UsesShown:
    """The uses of one fraction as shown, the best first; money in `currency`."""

    address: str
    kind: str
    mass_kg: float
    route: str  # "" where the kind has none
    currency: str
    hours_rate: float
    uses: tuple[Use, ...]
    notes: tuple[str, ...]
    cautions: tuple[RouteCautions, ...]
    defer: str
    prices_file: str
    changes: tuple[str, ...]
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def compare_uses(
    place: Place,
    address: str,
    *,
    monthly_kg: float | None = None,
    volatility: float | None = None,
    fee: float | None = None,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> UsesShown:
    """Everything that may be done with a fraction, by what it is expected to bring.

    Parameters: monthly_kg, what comes in of its kind a month (None: saving up is not weighed); volatility, spread of
    the metal price over a year as a share; fee, of one assay (None: the laboratory's fee is left out, and it is said).
    Raises InputError for an address of which nothing is left.
    """
    from gradeest.decision.alternatives import mark_best

    with open_bench(place) as opened:
        found, file = load_prices(opened, prices, changes)
        state = state_of(opened)
        runs, blocked = split_fractions(opened, state, None)
        barred = {item.address: item for item in blocked}
        runs = tuple(run for run in runs if run.address not in barred)
        if address not in {run.address for run in runs} | set(barred):
            raise InputError(f"there is nothing left at '{address}'", "`gradeest lot list` names what is there")
        posterior = believe(opened, state, report=report)
        spread = opened.catalogue.constants["test.assay_u"]
        bench = Testing(opened, state, posterior, found, runs, spread, fee)
        fraction = _Fraction(opened, posterior, bench, found, address, state.bench.fraction(address).kind)
        if address in barred:
            item = barred[address]
            mass, route, uses = item.mass_kg, item.route, fraction.unprocessed(item.mass_kg, item.reason)
        else:
            run = next(run for run in runs if run.address == address)
            mass, route, uses = run.mass_kg, run.route, fraction.uses(monthly_kg, volatility)
        return UsesShown(
            address,
            fraction.kind,
            mass,
            route,
            found.currency,
            found.hours_rate,
            mark_best(uses),
            (*_notes(found, fee, address in barred), *say_before(opened, () if address in barred else (route,))),
            () if address in barred else (route_cautions(opened.catalogue, route),),
            DEFER,
            str(file),
            found.changes,
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _notes(prices: Prices, fee: float | None, is_blocked: bool) -> list[str]:
    notes = ["worth: expected money after costs and paid hours; what was paid for the lot is spent and does not count"]
    if not is_blocked:
        notes.append("processing is settled with the other fractions that gain, saving up by itself")
        if fee is None:
            notes.append("an assay is not called the best as long as its fee is not known (--fee)")
    if any(row.startswith("sell_as_is.") for row in prices.assumed):
        notes.append("what a scrap buyer pays is still as shipped (a guess): type your buyer's offer")
    return notes


class _Fraction:
    """One fraction with its draws and its money."""

    def __init__(
        self,
        opened: Opened,
        posterior: Posterior,
        bench: Testing,
        prices: Prices,
        address: str,
        kind: str,
    ) -> None:
        self.opened, self.posterior, self.bench, self.prices = opened, posterior, bench, prices
        self.address, self.kind = address, kind

    def uses(self, monthly_kg: float | None, volatility: float | None) -> list[Use]:
        """The uses of a fraction that may be processed."""
        from gradeest.decision.alternatives import use_of

        i = next(i for i, run in enumerate(self.bench.outcome.runs) if run.address == self.address)
        run, money, origin = self.bench.outcome.runs[i], self.bench.money, self.bench.origin
        net = money.advantage[:, i] + money.alternative[:, i]
        buyer = f", to {money.buyers[i]}" if money.buyers[i] else ""
        found = [use_of("process", net, float(money.hours[:, i].mean()), f"by {run.route}{buyer}", origin)]
        found += self.tests(i)
        found += self.sell(run.mass_kg, self.bench.outcome.contained_g[:, i, :]) + self.keep()
        found.append(self.save_up(run, money.alternative[:, i], monthly_kg, volatility))
        return found

    def unprocessed(self, mass_kg: float, reason: str) -> list[Use]:
        """The uses of a fraction that must not be processed.

        What is refused outright counts only with an offer or terms of the user's own: no guess speaks for it.
        """
        from gradeest.decision.alternatives import Use

        posterior = self.posterior
        at = posterior.fractions.index(self.address)
        held = posterior.rest_grade_g_per_t[self.origin(), at] * mass_kg * float(posterior.dry_share[at]) / 1000
        found = [Use("process", None, None, None, None, reason)]
        if self.opened.catalogue.kinds[self.kind].stop:
            sold = self.sell(mass_kg, held, is_guessed=False)
            return found + sold + (self.keep() if sold else [])
        return found + self.sell(mass_kg, held) + self.keep()

    def origin(self) -> NDArray[np.int_]:
        """Which forward draws share a posterior draw, (draw,): these are reused in turn, whatever their order."""
        return np.resize(np.arange(self.posterior.draws), self.bench.outcome.recovered_g.shape[0])

    def tests(self, i: int) -> list[Use]:
        """The best assay and the best trial run; each is worth the best use without it and what it brings more."""
        from gradeest.decision.alternatives import Use
        from gradeest.decision.testing import size_of

        money = self.bench.money
        without = max(float(money.advantage[:, i].mean()), 0.0) + float(money.alternative[:, i].mean())
        found = []
        going = self.bench.going.get(self.address)
        options: list[Option] = self.bench.assays(i)
        options += [] if going else [trial.option for trial in self.bench.trials(i)]
        for sort, name in (("assay", "assay first"), ("trial run", "trial first")):
            if going and sort == "trial run":
                found.append(Use(name, None, None, None, None, f"wait: its trial {going} is open"))
                continue
            best = max((o for o in options if o.sort == sort), key=lambda o: o.net, default=None)
            if best is None:
                found.append(Use(name, None, None, None, None, "a sample of it would hold too few pieces"))
                continue
            remark = f"{size_of(best)}: a better choice brings {best.worth:.3g}, it costs {best.cost:.3g}"
            is_partial = sort == "assay" and self.bench.fee is None
            remark += ", less the laboratory's fee" if is_partial else ""
            found.append(Use(name, without + best.net, best.net_mcse, None, None, remark, is_partial))
        return found

    def sell(self, mass_kg: float, contained_g: np.ndarray, *, is_guessed: bool = True) -> list[Use]:
        """Selling it as it is: to each buyer who settles it at terms, and to a scrap buyer, whose price may be guessed.

        Parameters: contained_g, (draw, metal), what is in it.
        """
        from gradeest.decision.alternatives import Use, use_of
        from gradeest.decision.economics import draw_as_is_per_kg
        from gradeest.decision.settlement import settle_as_is

        kind = self.opened.catalogue.kinds[self.kind]
        metals = self.posterior.metals
        at_terms = settle_as_is(kind, mass_kg, contained_g, metals, self.bench.basis)
        remark, origin = "as it is, at its terms", self.origin()
        found = [use_of(f"sell to {name}", money, 0.0, remark, origin) for name, money in at_terms.items()]
        is_offer = kind.id in self.prices.as_is_per_kg
        as_is = mass_kg * draw_as_is_per_kg(kind, self.bench.basis)
        if as_is.any() and (is_offer or is_guessed):
            remark = "your buyer's offer" if is_offer else "a share of its usual metal value"
            found.append(use_of("sell", as_is, 0.0, remark))
        if not found and is_guessed:
            hint = "no buyer's offer is known: type one in [sell_as_is.per_kg]"
            found.append(Use("sell", None, None, None, None, hint))
        return found

    def keep(self) -> list[Use]:
        """Keeping it."""
        from gradeest.decision.alternatives import use_of

        return [use_of("keep", np.zeros(self.bench.outcome.recovered_g.shape[0]), 0.0, "nothing now")]

    def save_up(self, run: Run, alternative: np.ndarray, monthly_kg: float | None, volatility: float | None) -> Use:
        """A later batch with what comes in month by month, within what the storage clock leaves of its days."""
        from gradeest.decision.alternatives import Later, Use, save_up_with

        if monthly_kg is None:
            return Use("save up", None, None, None, None, "say what comes in a month: --monthly")
        days = storage_days(self.opened.bench)
        age = (self.opened.place.today - self.opened.bench.since(self.address)).days
        months = [n for n in MONTHS if days is None or age + n * DAYS_A_MONTH <= days]
        if not months:
            remark = f"the storage clock allows no month more: there for {age} of {days} days"
            return Use("save up", None, None, None, None, remark)
        choices = []
        for n in months:
            new = Run(next_address(self.kind), n * monthly_kg, run.route)
            together = run_pooled(self.opened, self.posterior, run.route, [run, new])
            alone = run_pooled(self.opened, self.posterior, run.route, [new])
            choices.append(Later(self.posterior.metals, n, n * monthly_kg, together, alone))
        return save_up_with(run, self.kind, alternative, choices, self.bench.basis, self.origin(), volatility)
