"""What a lot on offer is worth, before it is bought. Only reads."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from gradeest.materials.hazards import DEFER
from gradeest.records.intake import read_lot
from gradeest.records.payloads import lot_payload
from gradeest.workflow.believing import NEXT_LOT, State, believe, digest, run_forward, state_of, stream
from gradeest.workflow.gates import closed_of
from gradeest.workflow.hazard_lines import BoardCaution, RouteCautions, board_cautions, route_cautions
from gradeest.workflow.licences import unlicensed_of, without_licence
from gradeest.workflow.opening import Opened, Place, open_bench
from gradeest.workflow.outlook import Trust, load_prices, split_fractions, trust_in
from gradeest.workflow.stripping import BoardsOnOffer, boards_on_offer
from gradeest.workflow.telling import Report, say_nothing

if TYPE_CHECKING:
    from gradeest.belief.outcome import Outcome, Run
    from gradeest.decision.bid import Bid, Unprocessed
    from gradeest.decision.prices import Prices
    from gradeest.decision.ranking import Blocked

OFFER = f"{NEXT_LOT}offer"  # no lot of the user's can be called so


@dataclass(frozen=True)
class BidShown:
    """A bid as shown."""

    lot: str
    bid: Bid
    unsorted_kg: float
    cautions: tuple[RouteCautions, ...]  # of the routes that its worth rests on
    gates_closed: tuple[str, ...]  # of these whose gate has to be passed before a batch is begun
    no_licence: tuple[str, ...]  # not counted: routes that take what the bench has declared to have no licence for
    board_cautions: tuple[BoardCaution, ...]
    defer: str
    prices_file: str
    changes: tuple[str, ...]
    assumed: tuple[str, ...]
    notes: tuple[str, ...]
    trust: Trust
    catalogue_version: str
    seed: int
    engine: str


def bid_on(
    place: Place,
    path: Path,
    *,
    chance: float,
    asked: float | None = None,
    prices: Path | None = None,
    changes: Sequence[str] = (),
    report: Report = say_nothing,
) -> BidShown:
    """The highest price for the lot of a file at a chance of gain (0-1), by the belief of this bench; nothing is saved.

    Without a ledger the priors alone speak. `asked` is a price to judge (by default the file's price_paid).
    """
    with open_bench(place, create=True) as opened:
        file_lot, issues = read_lot(path, opened.catalogue, today=place.today)
        found, file = load_prices(opened, prices, changes)
        lot = dataclasses.replace(file_lot, name=OFFER)
        now = state_of(opened)
        bench = dataclasses.replace(now.bench, lots={**now.bench.lots, OFFER: lot})
        state = State(bench, digest([now.head, json.dumps(lot_payload(lot), sort_keys=True, default=str)]))
        runs, blocked = split_fractions(opened, state, OFFER)
        asked_of = [run.route for run in runs]
        runs, blocked = without_licence(opened, state, runs, blocked)
        boards = boards_on_offer(opened, state, OFFER, found, report=report) if lot.boards else None
        posterior = believe(opened, state, report=report) if boards is None else boards.posterior
        outcome = run_forward(opened, posterior, runs)
        kinds = {a: bench.fraction(a).kind for a in bench.addresses()}
        price = file_lot.price_paid if asked is None else asked
        bid = _bid(opened, outcome, kinds, found, blocked, chance, price, boards)
        routes = _routes_used(bid, runs, boards)
        return BidShown(
            file_lot.name,
            bid,
            lot.unsorted_kg,
            tuple(route_cautions(opened.catalogue, route) for route in routes),
            closed_of(opened, routes),
            unlicensed_of(opened, [*asked_of, *(boards.asked_of if boards is not None else ())]),
            board_cautions(opened.catalogue, [pile.kind for pile in lot.boards]),
            DEFER,
            str(file),
            found.changes,
            found.assumed,
            tuple(str(issue) for issue in (*issues, *found.warnings)),
            trust_in(posterior),
            opened.catalogue.version,
            place.seed,
            place.engine,
        )


def _routes_used(bid: Bid, runs: Sequence[Run], boards: BoardsOnOffer | None) -> tuple[str, ...]:
    """Routes by which something of the lot is processed in what it is worth."""
    processed = {f"{OFFER}/{part.address}" for part in bid.parts if part.use == "process"}
    found = [run.route for run in runs if run.address in processed]
    return tuple(dict.fromkeys([*found, *(() if boards is None else boards.routes)]))


def _bid(
    opened: Opened,
    outcome: Outcome,
    kinds: dict[str, str],
    prices: Prices,
    blocked: Sequence[Blocked],
    chance: float,
    asked: float | None,
    boards: BoardsOnOffer | None,
) -> Bid:
    from gradeest.decision.bid import Unprocessed, value_bid

    kept: list[Unprocessed] = []
    for item in blocked:
        is_sold = not opened.catalogue.kinds[item.kind].stop
        kept.append(Unprocessed(item.address, item.kind, item.mass_kg, item.reason, is_sold))
    bid = value_bid(
        outcome,
        kinds,
        prices,
        opened.catalogue,
        stream(opened.place, "prices"),
        chance=chance,
        asked=asked,
        unprocessed=kept,
        boards=boards,
    )
    parts = tuple(dataclasses.replace(p, address=p.address.removeprefix(f"{OFFER}/")) for p in bid.parts)
    return dataclasses.replace(bid, parts=parts)
