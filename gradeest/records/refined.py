"""Products that were melted or refined again in a batch of their own."""

from __future__ import annotations

from gradeest.records.domain import Batch, Bench
from gradeest.records.references import sort_of_address


def takes_products(batch: Batch) -> bool:
    """Whether a batch refines products again."""
    return any(sort_of_address(charge.address) == "product" for charge in batch.charges)


def share_standing(bench: Bench, address: str) -> float:
    """Share (0-1) of a product that counts as such: what was refined again is in what came of it, once weighed."""
    taken = [batch for batch in bench.batches.values() if batch.products]
    gone = sum(1000 * c.mass_kg for batch in taken for c in batch.charges if c.address == address)
    weight = bench.product(address).weight_g
    return max(1 - gone / weight, 0.0) if weight > 0 else 1.0
