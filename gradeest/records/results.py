"""What others than the balance said of a batch: spot tests of its liquid, assays of its products, settlements."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

SpotResult = Literal["negative", "faint", "clear", "strong"]
Moment = Literal["before-drop", "after-drop"]


@dataclass(frozen=True)
class SpotTest:
    """What a spot test of a batch's liquid showed, before or after the drop; `volume_l` litres of it there were."""

    batch: str
    metal: str
    result: SpotResult
    volume_l: float
    moment: Moment
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class ProductAssay:
    """What a laboratory or an XRF instrument says a product holds of one metal: a share of its dry weight, 0-1."""

    address: str  # BATCH/PRODUCT
    metal: str
    share: float
    u: float  # standard uncertainty (1 sd), on the same scale
    method: str  # fire, wet or xrf
    date: dt.date
    event: int = 0


@dataclass(frozen=True)
class SettledMetal:
    """One line of a refiner's paper. `payable` is the share of the metal that is paid for (0: not paid)."""

    name: str  # Au, Ag, Pd
    fineness: float  # 0-1
    payable: float = 0.0
    price_per_g: float = 0.0  # the refiner's, in the user's currency


@dataclass(frozen=True)
class Settlement:
    """A refiner's paper on products melted together; `paid` is what came so far, `due` what is still to come."""

    products: tuple[str, ...]  # BATCH/PRODUCT, whole
    received_g: float
    melted_g: float
    metals: tuple[SettledMetal, ...]
    charges: float
    paid: float
    due: float
    date: dt.date
    to: str = ""
    event: int = 0
