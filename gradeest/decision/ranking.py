"""Which fraction first: expected gain per hands-on hour, with its Monte Carlo error, bad case and tail guard.

A ratio of means, E[gain] / E[hours]: hours spent are hours spent, whatever they brought. A row whose gain rests on the
best 5 % of draws is placed by its gain without them. A row that is not expected to gain is never ranked by the ratio,
in which more hours would look better. The ratio may be one per kilogram, litre of acid or day instead, and for a
careful person the sure amount worth as much (`careful.py`) stands where the gain does; who rests on the tail is asked
of the gain itself.

Within a rank the rows whose gain rests on the tail stand last: what can be relied on goes first where it costs nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from gradeest.belief.outcome import Outcome
from gradeest.decision.careful import Careful, find_stake
from gradeest.decision.economics import (
    Alternative,
    Economics,
    value_runs,
    value_unprocessed,
)
from gradeest.decision.information import first_draws, mean_by_origin
from gradeest.decision.placing import TAIL, Standing, chance_best, share_ranks, weigh_run
from gradeest.decision.prices import Basis, NamedDraws, Prices
from gradeest.decision.summary import Interval, estimate_mean, estimate_ratio, mcse, mean_of_worst
from gradeest.decision.testing import perfect_worth, read_product, worth_for_others
from gradeest.materials.catalogue import Catalogue

NEXT_TO_NONE = 1e-3  # litres or days

Per = Literal["hour", "kg", "acid", "day"]
PER_WORDS: Mapping[Per, str] = {"hour": "per h", "kg": "per kg", "acid": "per L acid", "day": "per day"}
Verdict = Literal["process", "sample first", "sell", "keep", "blocked"]


@dataclass(frozen=True)
class Blocked:
    """A fraction that must not be ranked: a STOP kind, or a route whose declarations are missing."""

    address: str
    kind: str
    mass_kg: float
    route: str  # "" where the kind has none
    reason: str  # one line, naming the authority


@dataclass(frozen=True)
class RankedRun:
    """One fraction in the ranking. Money in the user's currency; None where blocked."""

    address: str
    kind: str
    route: str
    mass_kg: float
    verdict: Verdict
    rank: int | None  # shared by rows that cannot be told apart; None below the line and where blocked
    why: str
    alternative: Alternative  # the better of selling as it is and keeping
    alternative_value: Interval
    gain: Interval | None = None  # expected gain = gain.mean, bad case = gain.q5
    gain_mcse: float | None = None
    hours: Interval | None = None
    gain_per_hour: float | None = None  # E[gain] / E[hours]
    gain_per_hour_mcse: float | None = None
    sure_gain: float | None = None  # sure amount worth as much to a careful person; None: averages alone count
    per_unit: float | None = None  # gain, or sure gain, per expected unit of what the ranking counts per
    per_unit_mcse: float | None = None
    placed_by: float | None = None  # the value it is ranked by: per_unit, or the guarded one
    placed_by_mcse: float | None = None
    gain_per_kg: float | None = None
    chance_of_gain: float | None = None
    chance_best: float | None = None  # chance that its gain per expected hour is the largest, and positive
    worst_mean: float | None = None  # mean of the worst 5 %
    tail_share: float | None = None  # share of the expected gain that the best 5 % of draws carry; None: not looked at
    rests_on_tail: bool = False
    knowing_all: float | None = None  # what knowing its outcome beforehand would be worth: bounds every test of it
    knowing_all_mcse: float | None = None
    tells_others: float | None = None  # what its result is expected to bring by better choices on the other rows
    tells_others_mcse: float | None = None
    revenue: Interval | None = None
    cost: Interval | None = None  # money, without hours
    metal_value: Interval | None = None  # of the fine metal at full price, before terms
    metal_value_share: Mapping[str, float] | None = None  # of the expected metal value, by metal


@dataclass(frozen=True)
class Ranking:
    """All fractions: the ranked ones in order, then those below the line, then the blocked ones."""

    rows: tuple[RankedRun, ...]
    currency: str
    draws: int
    shared_fee: float  # expected settlement fee that no single fraction causes
    total_gain: Interval  # of all fractions expected to gain, settled together, the shared fee taken off
    notes: tuple[str, ...]
    per: Per = "hour"
    careful: Careful = "low"
    stake: float | None = None  # to win twice as much or lose it, one to one, is worth nothing; None: averages count
    hours_rate: float = 0.0  # what an hour counts as a cost
    lacking: float = 0.0  # what all together fall short of a settlement's fee that they would share; 0: nothing


def rank_runs(
    outcome: Outcome,
    kinds: Mapping[str, str],
    prices: Prices,
    catalogue: Catalogue,
    rng: np.random.Generator,
    *,
    blocked: Sequence[Blocked] = (),
    origin: NDArray[np.int_] | None = None,
    per: Per = "hour",
    careful: Careful = "low",
) -> Ranking:
    """Rank the runs of an outcome by expected gain per hands-on hour (or per kg, litre of acid, or day).

    Parameters: outcome, recovered_g (draw, run, metal) in g, one run per fraction, blocked ones left out, at least
    20,000 draws for money; kinds, kind id by address; origin, shape (draw,), the posterior draw behind each forward
    draw (for the Monte Carlo error; None: independent draws); careful, how much of an average gain is given up for a
    sure one. A price paid for the lot is sunk and does not enter.
    Raises InputError where the prices do not cover a route or metal; ValueError for a run that must not be ranked.
    Equation: model section 6.
    """
    refused = {row.address for row in blocked} & {run.address for run in outcome.runs}
    if refused:
        raise ValueError(f"blocked fractions must not be ranked: {sorted(refused)}")
    basis = Basis(prices, catalogue, NamedDraws(rng, outcome.recovered_g.shape[0]))
    at = _place(outcome, kinds, basis, origin, per, careful)
    money, standings = at.money, at.standings
    best = chance_best(money.advantage, at.uses)
    rows = [
        _ranked(outcome, i, kinds, prices, money, standings[i], at.ranks.get(i), float(best[i]), origin, per)
        for i in at.order
    ]
    rows = _with_telling(rows, outcome, money.advantage, prices, origin)
    rows += [_blocked(row, basis) for row in blocked]
    total = Interval.of(money.pool_advantage)
    notes = _notes(outcome, prices, money)
    return Ranking(
        tuple(rows),
        prices.currency,
        basis.named.draws,
        money.shared_fee,
        total,
        notes,
        per,
        careful,
        at.stake,
        prices.hours_rate,
        money.lacking,
    )


def find_ranks(
    outcome: Outcome,
    kinds: Mapping[str, str],
    prices: Prices,
    catalogue: Catalogue,
    rng: np.random.Generator,
    *,
    origin: NDArray[np.int_] | None = None,
) -> dict[str, int | None]:
    """The ranks per hour that `rank_runs` gives, by address, where nothing else is asked."""
    basis = Basis(prices, catalogue, NamedDraws(rng, outcome.recovered_g.shape[0]))
    at = _place(outcome, kinds, basis, origin, "hour", "low")
    return {run.address: at.ranks.get(i) for i, run in enumerate(outcome.runs)}


@dataclass(frozen=True)
class _Placed:
    """Money of all runs, how each stands, and their order: the ranked ones first; ranks of those by index."""

    money: Economics
    uses: NDArray[np.float64]
    stake: float | None
    standings: Sequence[Standing]
    order: Sequence[int]
    ranks: Mapping[int, int]


def _place(
    outcome: Outcome,
    kinds: Mapping[str, str],
    basis: Basis,
    origin: NDArray[np.int_] | None,
    per: Per,
    careful: Careful,
) -> _Placed:
    money = value_runs(outcome, kinds, basis)
    stake = find_stake(careful, money.advantage, money.alternative, basis.catalogue.constants)
    uses = uses_of(per, outcome, money, kinds, basis)
    standings = [weigh_run(money.advantage[:, i], uses[:, i], origin, stake) for i in range(len(outcome.runs))]
    above = sorted(
        (i for i, at in enumerate(standings) if at.is_above_line), key=lambda i: (-standings[i].placed.value, i)
    )
    below = sorted(set(range(len(standings))) - set(above), key=lambda i: (-standings[i].gain.value, i))
    ranks = dict(zip(above, share_ranks([standings[i].placed for i in above], origin), strict=True))
    above.sort(key=lambda i: (ranks[i], standings[i].rests_on_tail))  # stable: by the value placed by, within these
    return _Placed(money, uses, stake, standings, (*above, *below), ranks)


def uses_of(
    per: Per,
    outcome: Outcome,
    money: Economics,
    kinds: Mapping[str, str],
    basis: Basis,
) -> NDArray[np.float64]:
    """What the runs take of what the ranking counts per: hours, kg, litres of acid, or days; shape (draw, run).

    A run that takes none of it counts as taking next to none, so that it leads.
    """
    if per == "hour":
        return money.hours
    if per == "kg":
        return np.broadcast_to(np.array([run.mass_kg for run in outcome.runs]), money.hours.shape)
    from gradeest.decision.needs import find_needs

    needs = find_needs(outcome, kinds, basis)
    return np.maximum(needs.acid if per == "acid" else needs.days, NEXT_TO_NONE)


def _ranked(
    outcome: Outcome,
    i: int,
    kinds: Mapping[str, str],
    prices: Prices,
    money: Economics,
    standing: Standing,
    rank: int | None,
    best: float,
    origin: NDArray[np.int_] | None,
    per: Per,
) -> RankedRun:
    run, advantage = outcome.runs[i], money.advantage[:, i]
    knowing, knowing_error = perfect_worth(advantage, origin)
    per_hour = estimate_ratio(standing.gain, estimate_mean(money.hours[:, i]))
    value = outcome.recovered_g[:, i, :] * np.array([prices.metal_per_g[m] for m in outcome.metals])
    mean_value = value.mean(axis=0)
    shares = {m: float(v / mean_value.sum()) for m, v in zip(outcome.metals, mean_value, strict=True) if v > 0}
    row = RankedRun(
        address=run.address,
        kind=kinds[run.address],
        route=run.route,
        mass_kg=run.mass_kg,
        verdict=judge(standing, money.alternatives[i]),
        rank=rank,
        why="",
        alternative=money.alternatives[i],
        alternative_value=Interval.of(money.alternative[:, i]),
        gain=Interval.of(advantage),
        gain_mcse=standing.gain_mcse,
        hours=Interval.of(money.hours[:, i]),
        gain_per_hour=per_hour.value,
        gain_per_hour_mcse=mcse(per_hour.influence, origin),
        sure_gain=None if standing.counted is standing.gain else standing.counted.value,
        per_unit=standing.per_unit.value,
        per_unit_mcse=mcse(standing.per_unit.influence, origin),
        placed_by=standing.placed.value,
        placed_by_mcse=mcse(standing.placed.influence, origin),
        gain_per_kg=standing.gain.value / run.mass_kg,
        chance_of_gain=float((advantage > 0).mean()),
        chance_best=best,
        worst_mean=mean_of_worst(advantage, TAIL),
        tail_share=standing.tail_share,
        rests_on_tail=standing.rests_on_tail,
        knowing_all=knowing,
        knowing_all_mcse=knowing_error,
        revenue=Interval.of(money.revenue[:, i]),
        cost=Interval.of(money.cost[:, i]),
        metal_value=Interval.of(value.sum(axis=1)),
        metal_value_share=shares,
    )
    spent = float((money.cost[:, i] + money.labour[:, i]).mean())
    return replace(row, why=explain(row, standing, spent, prices.currency, per))


def _with_telling(
    rows: Sequence[RankedRun],
    outcome: Outcome,
    advantage: NDArray[np.float64],
    prices: Prices,
    origin: NDArray[np.int_] | None,
) -> list[RankedRun]:
    """The rows with what the result of each tells about the others (richness of the lot, means of the class)."""
    at = {run.address: i for i, run in enumerate(outcome.runs)}
    counts = [prices.metal_per_g[metal] > 0 for metal in outcome.metals]
    averaged, first = mean_by_origin(advantage, origin), first_draws(origin, len(advantage))
    found = []
    for row in rows:
        i = at[row.address]
        shown = read_product(outcome.recovered_g[first, i], counts)
        worth, error = worth_for_others(averaged, i, shown)
        found.append(replace(row, tells_others=worth, tells_others_mcse=error))
    return found


def judge(standing: Standing, alternative: Alternative) -> Verdict:
    """What to do with a run: process, sample first (a gain that cannot be relied on), or the alternative."""
    if standing.gain.value <= 0 or not (standing.is_worth_its_risk or standing.rests_on_tail):
        return alternative
    return "process" if standing.is_clear and not standing.rests_on_tail else "sample first"


def explain(row: RankedRun, standing: Standing, spent: float, currency: str, per: Per = "hour") -> str:
    """One short line: why the row stands where it stands. `spent` is the expected cost with hours, in currency."""
    assert row.gain is not None
    assert row.metal_value is not None
    instead = "selling as it is" if row.alternative == "sell" else "keeping it"
    if row.gain.mean <= 0:
        if not row.metal_value.q95:
            return "nothing that it brings has a price here"
        if row.metal_value.q95 < spent:
            most = row.metal_value.q95 / row.mass_kg
            return f"metal worth at most {most:.3g} {currency}/kg (95 %), a run costs {spent / row.mass_kg:.3g}"
        return f"{instead} brings more; processing gains in {100 * (row.chance_of_gain or 0):.0f} of 100 cases"
    if row.rests_on_tail:
        return f"rests on the tail: sample first{_say_guard(row, per)}"
    if not standing.is_worth_its_risk:
        return f"gains on average, too little for its risk; {instead} is better"
    if not standing.is_clear:
        return f"cannot be told from {instead}: sample first"
    shares = sorted((row.metal_value_share or {}).items(), key=lambda item: -item[1])
    metal = f"mostly {shares[0][0]}" if shares[0][1] >= 0.8 else " and ".join(m for m, _ in shares[:2])
    if row.gain.q5 > 0:
        return f"{metal}; beats {instead} even in the bad case"
    return f"{metal}; beats {instead} in {100 * (row.chance_of_gain or 0):.0f} of 100 cases"


def _say_guard(row: RankedRun, per: Per) -> str:
    """What a row that rests on the tail is placed by; nothing where its sure gain is even less than the guarded one."""
    assert row.placed_by is not None
    if row.placed_by == row.per_unit:
        return ""
    if row.placed_by <= 0:
        return "; without its best 5 of 100 cases it gains nothing"
    return f"; placed by {row.placed_by:.2g} {PER_WORDS[per]}, what it gains without its best 5 of 100 cases"


def _blocked(row: Blocked, basis: Basis) -> RankedRun:
    best = value_unprocessed(basis.catalogue.kinds[row.kind], row.mass_kg, basis)
    return RankedRun(
        row.address, row.kind, row.route, row.mass_kg, "blocked", None, row.reason, best.name, Interval.of(best.values)
    )


def _notes(outcome: Outcome, prices: Prices, money: Economics) -> tuple[str, ...]:
    notes = [f"tried: {change}" for change in prices.changes]
    if money.lacking > 0:
        notes.append(
            f"some would gain if others paid the settlement's fee with them; all together they lack "
            f"{money.lacking:.3g} {prices.currency}: collect more before you process any"
        )
    guessed = [
        route
        for route in dict.fromkeys(run.route for run in outcome.runs)
        if any(row.startswith((f"routes.{route}.", *_items_of(route, prices))) for row in prices.assumed)
    ]
    if guessed:
        notes.append(f"costs and hours still as shipped (guesses, overwrite them) for: {', '.join(guessed)}")
    if money.unpriced:
        notes.append(f"without a price, left out of the cost (type one under [items]): {', '.join(money.unpriced)}")
    notes += _buyer_notes(outcome, prices, money)
    if any(row.startswith("settlement.") for row in prices.assumed):
        notes.append("settlement terms still as shipped (guesses): type your refiner's own")
    return (*notes, *(str(issue) for issue in prices.warnings))


def _items_of(route: str, prices: Prices) -> tuple[str, ...]:
    """Where the rows stand that a route's money is counted by: none where the user typed it all."""
    rows = prices.routes[route]
    return ("items.",) if rows.cost_fixed is None or rows.cost_per_kg is None else ()


def _buyer_notes(outcome: Outcome, prices: Prices, money: Economics) -> list[str]:
    """Who is settled with which buyer, and what a buyer takes unprocessed at terms."""
    notes = []
    for name in dict.fromkeys(terms.name for terms in prices.buyers):
        sent = [outcome.runs[i].address for i in money.pool if money.buyers[i] == name]
        if sent:
            notes.append(f"settled with {name}: {', '.join(sent)}")
    for i, (run, to) in enumerate(zip(outcome.runs, money.sold_to, strict=True)):
        if to and i not in money.pool:
            notes.append(f"{run.address} as it is: to {to}, at its terms")
        priced = [m for m, metal in enumerate(outcome.metals) if prices.metal_per_g[metal] > 0]
        if not money.revenue[:, i].any() and outcome.recovered_g[:, i, priced].any():
            notes.append(f"no buyer takes what comes of {run.address}")
    return notes
