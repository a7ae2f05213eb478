"""What the sorted fractions will give, and which to process first; what is shown is kept with its prices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gradeest.belief.outcome import Run
from gradeest.errors import InputError, LedgerError
from gradeest.materials.hazards import DEFER, check_batch
from gradeest.records.domain import Lot
from gradeest.workflow import cache
from gradeest.workflow.ahead import OnBoards, forecast_boards
from gradeest.workflow.believing import State, believe, kept_path, run_forward, state_of, stream
from gradeest.workflow.hazard_lines import RouteCautions, explain_marks, hazard_mark, route_cautions
from gradeest.workflow.opening import Opened, Place, lot_named, open_bench
from gradeest.workflow.plain import plain
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome
    from gradeest.belief.posterior import Posterior
    from gradeest.decision.careful import Careful
    from gradeest.decision.forecast import Forecast
    from gradeest.decision.prices import Basis, Prices
    from gradeest.decision.ranking import Blocked, Per, Ranking

LEAST_KG = 1e-6  # less than this is nothing left


@dataclass(frozen=True)
class Trust:
    """How far the fit behind the numbers can be trusted; `diagnostics` is for those who know the terms."""

    settled: bool
    notes: tuple[str, ...]
    diagnostics: Any


@dataclass(frozen=True)
class ForecastShown:
    """A forecast as shown. `marks` are hazard marks by address; `not_processed` are fractions that must not be."""

    lot: str  # "" for all lots
    forecast: Forecast
    not_processed: tuple[Blocked, ...]
    marks: Mapping[str, str]
    marks_explained: str
    cautions: tuple[RouteCautions, ...]
    unsorted_kg: Mapping[str, float]  # by lot
    on_boards: tuple[OnBoards, ...]  # parts of boards not taken apart
    invented: str  # "", "invented", or "partly invented"
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str
    kept: bool


@dataclass(frozen=True)
class RankingShown:
    """A ranking as shown, with the prices it rests on."""

    lot: str
    ranking: Ranking
    blocked: tuple[Blocked, ...]
    marks: Mapping[str, str]
    marks_explained: str
    cautions: tuple[RouteCautions, ...]  # one line per route named
    gates_closed: tuple[str, ...]  # routes named whose gate has to be passed before a batch is begun
    no_licence: tuple[str, ...]  # routes named that take what the bench has declared to have no licence for
    defer: str  # to whom all this defers
    prices: Mapping[str, Any]
    prices_file: str
    assumed: tuple[str, ...]  # price rows taken from the priors
    changes: tuple[str, ...]
    invented: str  # "", "invented", or "partly invented"
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str
    kept: bool


def trust_in(posterior: Posterior) -> Trust:
    """What the fit says about itself."""
    found = posterior.diagnostics
    return Trust(found.settled, tuple(found.notes), found)


def split_fractions(
    opened: Opened, state: State, lot: str | None, routes: Mapping[str, str] = {}
) -> tuple[tuple[Run, ...], tuple[Blocked, ...]]:
    """What is left to process, each fraction by its kind's usual route, and what must not be processed.

    A route that lacks only the bench's declarations is in both: it is forecast, but not ranked. `routes`: by address,
    where another than the usual one was asked for.
    """
    from gradeest.decision.ranking import Blocked

    bench, runs, blocked = state.bench, [], []
    settings = {s.name: s.value for s in bench.settings.values()}
    for address in bench.addresses():
        if lot is not None and not address.startswith(f"{lot}/"):
            continue
        left = bench.left_kg(address)
        if left < LEAST_KG:
            continue
        kind = opened.catalogue.kinds[bench.fraction(address).kind]
        route = routes.get(address) or kind.usual_route
        refusals = [i.message for i in check_batch([kind.id], route, settings, opened.catalogue)]
        if refusals or not route:
            reason = refusals[0] if refusals else "no route is offered for this kind"
            blocked.append(Blocked(address, kind.id, left, route, reason))
        if route and not kind.stop:
            runs.append(Run(address, left, route))
    return tuple(runs), tuple(blocked)


def forecast_lot(place: Place, lot: str | None = None, *, report: Report = say_nothing) -> ForecastShown:
    """What a lot (or every lot) will give by the usual routes: fine metal, and the weight to expect on the balance."""
    with open_bench(place) as opened:
        if lot is not None:
            lot_named(opened, lot)
        posterior = believe(opened, report=report)
        return make_forecast(opened, state_of(opened), posterior, lot, report=report)


def make_forecast(
    opened: Opened, state: State, posterior: Posterior, lot: str | None, *, report: Report = say_nothing
) -> ForecastShown:
    """The forecast of a state, kept in the ledger beside its events."""
    from gradeest.decision.forecast import Forecast, summarise_outcome

    lot = lot or only_lot(state)
    runs, blocked = split_fractions(opened, state, lot)
    kinds = {a: state.bench.fraction(a).kind for a in state.bench.addresses()}
    forecast = Forecast((), (), 0)
    if runs:
        forecast = summarise_outcome(run_forward(opened, posterior, runs), kinds, posterior.rests_on)
    lots = [state.bench.lots[lot]] if lot is not None else list(state.bench.lots.values())
    on_boards = tuple(row for each in lots for row in forecast_boards(opened, state, each.name, report=report))
    content = {"lot": lot or "", "forecast": forecast, "on_boards": on_boards, **ground(opened)}
    routes = {run.route: kinds[run.address] for run in runs}
    found = marks(opened, kinds, runs, blocked)
    return ForecastShown(
        lot or "",
        forecast,
        blocked,
        found,
        explain_marks(found.values()),
        tuple(route_cautions(opened.catalogue, route) for route in routes),
        {each.name: each.unsorted_kg for each in lots if each.unsorted_kg},
        on_boards,
        say_invented(lots),
        trust_in(posterior),
        opened.catalogue.version,
        opened.place.seed,
        opened.place.engine,
        keep(opened, "forecast", content),
    )


def only_lot(state: State) -> str | None:
    """The name of the lot where there is just one: then it is what `all lots` means."""
    return next(iter(state.bench.lots)) if len(state.bench.lots) == 1 else None


def say_invented(lots: Sequence[Lot]) -> str:
    """Whether lots are invented ones, in a word."""
    kinds = {lot.invented for lot in lots}
    return "" if True not in kinds else "invented" if kinds == {True} else "partly invented"


def ground(opened: Opened) -> dict[str, Any]:
    """What every number shown rests on."""
    return {
        "catalogue_version": opened.catalogue.version,
        "seed": opened.place.seed,
        "engine": opened.place.engine,
    }


def keep(opened: Opened, what: str, content: Mapping[str, Any]) -> bool:
    """Keep what is shown, to be held against what comes; it is shown even where the ledger cannot be written."""
    try:
        opened.ledger.keep_shown(what, plain(content), recorded_at=opened.place.now)
    except LedgerError:
        return False
    return True


def marks(opened: Opened, kinds: Mapping[str, str], runs: Sequence[Run], blocked: Sequence[Blocked]) -> dict[str, str]:
    """Hazard marks by address."""
    pairs = [(run.address, run.route) for run in runs] + [(item.address, item.route) for item in blocked]
    return {address: hazard_mark(opened.catalogue, kinds[address], route) for address, route in pairs}


def load_prices(opened: Opened, path: Path | None, changes: Sequence[str] = ()) -> tuple[Prices, Path]:
    """The user's prices with the changes to try. Raises InputError: no file, or every problem in it."""
    from gradeest.decision.price_file import read_prices
    from gradeest.decision.prices import apply_change
    from gradeest.workflow.hands_on import days_told, hours_told

    file = path or opened.place.prices
    if not file.exists():
        raise InputError(
            f"no prices: there is no file {file}",
            "no metal price is ever shipped: write a file with `gradeest prices new` and fill it in, or use --prices",
        )
    prices = read_prices(file, opened.catalogue, today=opened.place.today)
    for change in changes:
        prices = apply_change(prices, change)
    told = hours_told(opened.bench, opened.catalogue)
    return replace(prices, hours_told=told, days_told=days_told(opened.bench, opened.catalogue)), file


def basis_of(opened: Opened, prices: Prices, draws: int) -> Basis:
    """What money is counted on here; the draws of the price rows are those of the seed, whatever is asked."""
    from gradeest.decision.prices import Basis, NamedDraws

    return Basis(prices, opened.catalogue, NamedDraws(stream(opened.place, "prices"), draws))


def rank_lots(
    place: Place,
    lot: str | None = None,
    *,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    per: Per = "hour",
    careful: Careful = "low",
    report: Report = say_nothing,
) -> RankingShown:
    """Which fraction to process first, by expected gain per hands-on hour (or `per` kg, litre of acid, day).

    `careful`: how much of an average gain is given up for a sure one. Raises InputError without prices.
    """
    with open_bench(place) as opened:
        if lot is not None:
            lot_named(opened, lot)
        found, file = load_prices(opened, prices, changes)  # before the long fit
        posterior = believe(opened, report=report)
        return make_ranking(opened, state_of(opened), posterior, lot, found, file, per=per, careful=careful)


def ranking_path(
    opened: Opened,
    state: State,
    runs: Sequence[Run],
    blocked: Sequence[Blocked],
    prices: Prices,
    per: Per = "hour",
    careful: Careful = "low",
) -> Path:
    """Where the ranking of runs at prices is kept."""
    return kept_path(opened, "ranking", state, [repr(runs), repr(blocked), repr(prices), per, careful])


def rank_by_money(
    opened: Opened,
    state: State,
    posterior: Posterior,
    runs: Sequence[Run],
    blocked: Sequence[Blocked],
    prices: Prices,
    *,
    per: Per = "hour",
    careful: Careful = "low",
    outcome: Outcome | None = None,
) -> Ranking:
    """The ranking itself, from the cache where the same runs were ranked at the same prices.

    `outcome` is that of the runs, where it was made already.
    """
    from gradeest.decision.ranking import Ranking, rank_runs

    path = ranking_path(opened, state, runs, blocked, prices, per, careful)
    ranking = cache.read(path, Ranking)
    if ranking is None:
        kinds = {run.address: state.bench.fraction(run.address).kind for run in runs}
        outcome = outcome or run_forward(opened, posterior, runs)
        rng = stream(opened.place, "prices")
        ranking = rank_runs(
            outcome,
            kinds,
            prices,
            opened.catalogue,
            rng,
            blocked=blocked,
            origin=outcome.origin,
            per=per,
            careful=careful,
        )
        cache.write(path, ranking)
    return ranking


def rankable_runs(opened: Opened, state: State, lot: str | None) -> tuple[tuple[Run, ...], tuple[Blocked, ...]]:
    """What is left to process and may be ranked, and what must not be."""
    runs, blocked = split_fractions(opened, state, lot)
    barred = {item.address for item in blocked}
    return tuple(run for run in runs if run.address not in barred), blocked


def ranks_of(
    opened: Opened, state: State, posterior: Posterior, lot: str | None, prices: Prices
) -> dict[str, int | None]:
    """The ranks of a state by address, of a ranking that is not shown itself."""
    from gradeest.decision.ranking import Ranking, find_ranks

    runs, blocked = rankable_runs(opened, state, lot or only_lot(state))
    ranking = cache.read(ranking_path(opened, state, runs, blocked, prices), Ranking)
    if ranking is not None:
        return {row.address: row.rank for row in ranking.rows}
    kinds = {run.address: state.bench.fraction(run.address).kind for run in runs}
    outcome, rng = run_forward(opened, posterior, runs), stream(opened.place, "prices")
    ranks = find_ranks(outcome, kinds, prices, opened.catalogue, rng, origin=outcome.origin)
    return ranks | {item.address: None for item in blocked}


def make_ranking(
    opened: Opened,
    state: State,
    posterior: Posterior,
    lot: str | None,
    prices: Prices,
    file: Path,
    *,
    per: Per = "hour",
    careful: Careful = "low",
) -> RankingShown:
    """The ranking of a state, kept in the ledger with its prices."""
    lot = lot or only_lot(state)
    runs, blocked = rankable_runs(opened, state, lot)
    kinds = {a: state.bench.fraction(a).kind for a in state.bench.addresses()}
    ranking = rank_by_money(opened, state, posterior, runs, blocked, prices, per=per, careful=careful)
    lots = [state.bench.lots[lot]] if lot is not None else list(state.bench.lots.values())
    content = {"lot": lot or "", "ranking": ranking, "prices": prices.as_dict(), **ground(opened)}
    from gradeest.workflow import gates, licences

    named = dict.fromkeys(row.route for row in ranking.rows if row.route)
    found = marks(opened, kinds, runs, blocked)
    found |= {run.address: found[run.address] + gates.gate_mark(opened, run.route) for run in runs}
    return RankingShown(
        lot or "",
        ranking,
        blocked,
        found,
        explain_marks(found.values()),
        tuple(route_cautions(opened.catalogue, route) for route in named),
        gates.closed_of(opened, named),
        licences.unlicensed_of(opened, named),
        DEFER,
        prices.as_dict(),
        str(file),
        prices.assumed,
        prices.changes,
        say_invented(lots),
        trust_in(posterior),
        opened.catalogue.version,
        opened.place.seed,
        opened.place.engine,
        keep(opened, "ranking", content),
    )
