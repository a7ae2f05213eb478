"""What lets a spot test of a batch's liquid in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from gradeest.records.domain import Moment, SpotResult
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.references import Context, find_batch, is_metal
from gradeest.records.refined import takes_products
from gradeest.records.result_rules import check_route_gives
from gradeest.records.stream_rules import MOST_L

RESULTS: tuple[str, ...] = get_args(SpotResult)
MOMENTS: tuple[str, ...] = get_args(Moment)


def check_spot_test(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a spot test; without the volume a colour says nothing about grams."""
    volume, metal = payload["volume_l"], payload["metal"]
    if not is_number(volume) or volume <= 0:
        found.error("volume", f"{volume} cannot be a volume", "how much liquid was tested of, e.g. 4.2 L")
    elif volume > MOST_L:
        found.error("volume", f"{volume:g} L is more than any bench holds", "check the unit")
    for name, known in (("result", RESULTS), ("moment", MOMENTS)):
        word = str(payload[name])
        if word not in known:
            found.error(name, f"'{word}' is none of the answers", suggest(word, known, ", ".join(known)))
    is_known = is_metal(metal, found)
    batch = find_batch(payload["batch"], context, found)
    if batch is None or not is_known:
        return
    route = context.catalogue.routes.get(batch.route)
    check_route_gives(route, batch, metal, found)
    if takes_products(batch):
        if route is not None and route.heats:
            found.error("batch", f"{batch.name} melts: there is no liquid of it", "the batch whose liquid was tested")
        elif all(product.metal != metal for product in batch.products):
            found.warn(
                "batch", f"it counts beside the weight of what comes of {batch.name}: without one it tells nothing"
            )
    said = [n for n in batch.nondetects if n.metal == metal and n.liquid == "tested-negative"]
    if said and payload["result"] in ("clear", "strong") and payload["moment"] == "after-drop":
        found.ask(
            "result",
            f"the liquid of {batch.name} is noted as tested negative for {metal} (event {said[-1].event}), "
            f"a {payload['result']} test after the drop says the opposite",
            "was it another batch, or before the drop?",
        )
