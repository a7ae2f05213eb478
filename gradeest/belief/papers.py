"""What refiners' papers and assays of products say, as evidence: of their own metals, and of others that came along.

A line of a paper counts where all that it speaks of is followed: the metal of a product that is not would else be told
of those that are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from gradeest.records.domain import Bench, ProductAssay, SettledMetal, Settlement

if TYPE_CHECKING:
    from gradeest.belief.evidence import BatchMetal

    Followed = Mapping[tuple[str, str], BatchMetal]  # by batch and metal


@dataclass(frozen=True)
class CarriedLine:
    """What a refiner's paper says of a metal that none of its products is of: they all may have carried it over."""

    metal: str
    fineness: float
    melted_g: float
    products: tuple[str, ...]  # BATCH/PRODUCT
    paper: int  # number among the settlements
    event: int


def read_papers(
    bench: Bench, followed: Followed, notes: list[str]
) -> tuple[tuple[Settlement, ...], tuple[CarriedLine, ...]]:
    """The settlements with those lines that count of the products' own metals, and the lines of other metals.

    Parameters: followed, all batch metals that say something; notes, to which is added what does not count.
    """
    papers, carried = [], []
    for number, paper in enumerate(bench.settlements):
        own = [line for line in paper.metals if _products_of(line.name, paper, bench)]
        others = [line for line in paper.metals if line not in own and line.fineness > 0]
        kept = [line for line in own if _counts([line], _products_of(line.name, paper, bench), bench, followed, notes)]
        papers.append(replace(paper, metals=tuple(kept)))
        if others and _counts(others, paper.products, bench, followed, notes):
            carried += [
                CarriedLine(line.name, line.fineness, paper.melted_g, paper.products, number, paper.event)
                for line in others
            ]
    return tuple(papers), tuple(carried)


def read_assays(bench: Bench, followed: Followed, notes: list[str]) -> tuple[ProductAssay, ...]:
    """The assays of products that are followed; to `notes` is added of which others nothing is told.

    Products whose weights are left out, to see what they tell, take their assays along.
    """
    there = [a for a in bench.product_assays if bench.has_product(a.address)]
    lost = dict.fromkeys(a.address for a in there if not _is_followed(a.address, bench, followed))
    notes += [f"the assay of {address} tells nothing: what went into it is not followed" for address in lost]
    return tuple(one for one in there if one.address not in lost)


def _products_of(metal: str, paper: Settlement, bench: Bench) -> list[str]:
    return [address for address in paper.products if bench.product(address).metal == metal]


def _counts(
    lines: Iterable[SettledMetal], products: Iterable[str], bench: Bench, followed: Followed, notes: list[str]
) -> bool:  # fmt: skip
    """Whether all of some products are followed; else it is said that what a refiner found in them tells nothing."""
    lost = [address for address in products if not _is_followed(address, bench, followed)]
    if lost:
        metals, listed = ", ".join(line.name for line in lines), ", ".join(lost)
        notes.append(f"what a refiner found of {metals} tells nothing: what went into {listed} is not followed")
    return not lost


def _is_followed(address: str, bench: Bench, followed: Followed) -> bool:
    batch, _, name = address.partition("/")
    item = followed.get((batch, bench.product(address).metal))
    return item is not None and any(product.name == name for product in item.products)
