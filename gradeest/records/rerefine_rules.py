"""What lets products into a batch of their own: powders melted into one button, gold that is refined once more."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from gradeest.records.domain import EXACT_G, Batch, Bench
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.references import Context, began_by, find_earlier, sort_of_address
from gradeest.records.refined import takes_products
from gradeest.records.stock_rules import OVER, where_it_went

G_PER_KG = 1000.0


def check_product_charge(address: str, mass_kg: Any, name: str, context: Context, found: Findings) -> bool:
    """Whether `address` is a product that batch `name` may take whole; what speaks against it is added.

    A product is weighed before the batch that takes it begins, so metal never runs in a circle.
    """
    bench, (head, _, called) = context.bench, address.partition("/")
    earlier = find_earlier(address, name, "gives", context, found)
    if earlier is None:
        return False
    if not bench.has_product(address):
        there = [f"{head}/{product.name}" for product in earlier.products]
        otherwise = ", ".join(there) or f"nothing was weighed of {head} yet"
        found.error("charge", f"{head} has no product '{called}'", suggest(address, there, otherwise))
        return False
    began_by(found, context, bench.product(address).date, address)
    _check_whole(address, mass_kg, bench, found)
    return True


def _check_whole(address: str, mass_kg: Any, bench: Bench, found: Findings) -> None:
    taken, left = bench.taken_by(address), bench.product_left_g(address)
    papers = [paper.event for paper in bench.settlements if address in paper.products]
    if taken:
        of_it = [f"{taken[0]}/{product.name}" for product in bench.batches[taken[0]].products]
        hint = f"what came of it is {', '.join(of_it)}" if of_it else f"first record what comes of {taken[0]}"
        found.error("charge", f"{address} went into {taken[0]} already", hint)
    elif papers:
        hint = "name what is still here; `gradeest undo N` takes the settlement back"
        found.error("charge", f"{address} was settled in event {papers[0]}: it is with the refiner", hint)
    elif left <= EXACT_G:
        found.error("charge", f"nothing is left of {address}", where_it_went(bench, address))
    elif mass_kg is None:
        return
    elif not is_number(mass_kg) or mass_kg * G_PER_KG > left * OVER:
        said = f"{mass_kg * G_PER_KG:.6g} g is more" if is_number(mass_kg) else f"{mass_kg} cannot be a weight"
        found.error("charge", f"{address} has {left:.6g} g left, {said}", f"leave the mass out: --charge {address}")
    elif mass_kg * G_PER_KG < left / OVER:
        found.error(
            "charge",
            f"{address} has {left:.6g} g left, {mass_kg * G_PER_KG:.6g} g is only a part: a product is refined whole",
            f"leave the mass out: --charge {address}",
        )


def check_products_alone(addresses: Sequence[str], route: str, context: Context, found: Findings) -> None:
    """Add what speaks against products and route together: products go by themselves, by a route for them."""
    catalogue, bench = context.catalogue, context.bench
    products = [address for address in addresses if sort_of_address(address) == "product"]
    others = [address for address in addresses if address not in products]
    for_products = [one.id for one in catalogue.routes.values() if one.takes == "products"]
    known = catalogue.routes.get(route)
    if products and others:
        found.error(
            "charge",
            f"{', '.join(products)} with {', '.join(others)}: products go into a batch by themselves",
            "one batch of the products, another one of the rest",
        )
    elif products and known is None and not route:
        found.error("route", "a batch of products needs a route", f"--route {' or --route '.join(for_products)}")
    elif products and known is not None and known.takes != "products":
        hint = f"one of: {', '.join(for_products)}"
        found.error("route", f"{route} is for scrap, {', '.join(products)} was weighed before", hint)
    elif not products and known is not None and known.takes == "products":
        hint = "--charge BATCH/PRODUCT; for scrap leave --route out, or name another"
        found.error("route", f"{route} takes what was weighed before, {', '.join(others)} is none", hint)
    if products and known is not None and known.takes == "products":
        for address in (a for a in products if bench.has_product(a)):
            metal = bench.product(address).metal
            if metal not in known.recovery:
                ways = [key for key in for_products if metal in catalogue.routes[key].recovery]
                hint = f"--route {' or --route '.join(ways)}" if ways else "sell it as it is, or have it settled"
                found.error("route", f"{route} brings no {metal} into a product, {address} is {metal}", hint)


def check_comes_of_products(metal: str, batch: Batch, bench: Bench, found: Findings) -> None:
    """Add an error where a batch of products gives a metal that none of them is of."""
    if not takes_products(batch):
        return
    metals = {bench.product(c.address).metal for c in batch.charges if bench.has_product(c.address)}
    if metal not in metals:
        found.error(
            "metal",
            f"{batch.name} took no product of {metal}, only of {', '.join(sorted(metals))}",
            "check metal and batch; what a product holds beside its own metal: `gradeest record product-assay`",
        )
