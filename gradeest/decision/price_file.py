"""The prices file: reads and writes `prices.toml`, every problem at once with its line."""

from __future__ import annotations

from pathlib import Path

from gradeest.decision.prices import Prices
from gradeest.materials.catalogue import Catalogue


def parse_metal_price(text: object, currency: str) -> float:
    """Price of fine metal in currency per g from "100 / g", "3110 per ozt", "100 USD/g"; a unit is needed."""
    raise NotImplementedError


def read_prices(path: Path, catalogue: Catalogue) -> Prices:
    """Read `prices.toml`. Raises InputError with every problem; rows it lacks are taken from the priors (`assumed`)."""
    raise NotImplementedError


def write_prices(path: Path, catalogue: Catalogue, *, currency: str = "USD") -> None:
    """Write a prices file with metal prices empty and all else from the priors. InputError where the file exists."""
    raise NotImplementedError
