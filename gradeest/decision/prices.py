"""What the user is paid and pays: metal prices, refiner's terms, costs and hours by route, what a scrap buyer gives."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradeest.decision.terms import Band, Terms
from gradeest.errors import InputError, Issue
from gradeest.materials.catalogue import Catalogue, Quantiles

Z95 = 1.6448536269514722  # standard normal 95 % point


@dataclass(frozen=True)
class HoursTold:
    """Hands-on hours recorded of a closed batch, h, and its mass in kg.

    `hours`: of all the work; None where only some of its steps were told. `steps`: those of single steps.
    """

    route: str
    mass_kg: float
    hours: float | None
    steps: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class DaysTold:
    """Days from the start of a closed batch to its last result."""

    route: str
    days: int


@dataclass(frozen=True)
class RouteCosts:
    """What one batch by a route costs: money in the user's currency, hands-on time in hours.

    Money rows are the user's own; None: counted item by item (`costs.py`).
    """

    cost_fixed: Quantiles | None
    cost_per_kg: Quantiles | None
    hours_fixed: Quantiles
    hours_per_kg: Quantiles


@dataclass(frozen=True)
class Prices:
    """The user's prices and terms; every amount in `currency`, a single typed number has q5 = q50 = q95."""

    currency: str
    metal_per_g: Mapping[str, float]  # fine metal, by metal
    hours_rate: float  # what an hour of hands-on work is worth; 0: unpaid
    routes: Mapping[str, RouteCosts]
    payable: Mapping[str, Quantiles]  # share of the fine metal that is paid, by metal
    settlement_fee: Quantiles  # least fee of one settlement, however small
    fee_per_g: Mapping[str, float]  # charge per g of fine metal, by metal; the larger of this and the least fee is paid
    deduction_g: Mapping[str, float]  # g of fine metal of a settlement that are never paid, by metal
    as_is_share: Mapping[str, Quantiles]  # by class or kind: share of the usual metal value a buyer pays
    as_is_per_kg: Mapping[str, Quantiles]  # by kind: what a buyer offered per kg; replaces the share
    boards: Mapping[str, Quantiles] = field(default_factory=dict)  # "share.whole", "whole_per_kg.KIND", "picked" too
    assumed: tuple[str, ...] = ()  # rows the file does not hold: taken from the priors
    changes: tuple[str, ...] = ()  # "Au=-12%": changes tried on top of the file
    warnings: tuple[Issue, ...] = ()
    items: Mapping[str, Quantiles] = field(default_factory=dict)  # what an item of a batch costs, per its unit
    hours_told: tuple[HoursTold, ...] = ()  # recorded at the bench: the hours of runs to come learn from them
    days_told: tuple[DaysTold, ...] = ()  # and so their days
    assay_hours: Quantiles | None = None  # hands-on hours to take, grind and send a sample; None: the priors
    assay_days: Quantiles | None = None  # days until a laboratory's result; None: the priors
    buyers: tuple[Terms, ...] = ()  # named buyers; without any, the table [settlement] is the only one

    def terms(self) -> tuple[Terms, ...]:
        """The terms of all buyers: the named ones, or the table [settlement]."""
        if self.buyers:
            return self.buyers
        payable = {metal: (Band(0.0, share),) for metal, share in self.payable.items()}
        fee, per_g, never = self.settlement_fee, self.fee_per_g, self.deduction_g
        return (Terms("", payable, fee, fee_per_g=per_g, deduction_g=never),)

    def as_dict(self) -> dict[str, Any]:
        """Plain values, to be kept with what was shown; every 5/50/95 row as a list of three numbers."""
        return _plain(
            {key: value for key, value in self.__dict__.items() if key != "warnings"}
            | {"warnings": [str(issue) for issue in self.warnings]}
        )


def _plain(value: Any) -> Any:
    if isinstance(value, Quantiles):
        return [value.q5, value.q50, value.q95]
    if isinstance(value, RouteCosts | HoursTold | DaysTold | Terms | Band):
        return {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value


def apply_change(prices: Prices, change: str) -> Prices:
    """Prices with a change tried: "Au=-12%", "Pd=+5%", "Au=110/g"; several separated by ";".

    Raises InputError with every part that cannot be used.
    """
    from gradeest.decision.price_file import parse_metal_price

    metals = dict(prices.metal_per_g)
    issues: list[Issue] = []
    parts = [part.strip() for part in change.split(";") if part.strip()]
    for part in parts:
        name, _, amount = (piece.strip() for piece in part.partition("="))
        metal = {known.lower(): known for known in metals}.get(name.lower())
        try:
            if metal is None or not amount:
                raise InputError(f"'{part}' is not a change", 'type it like "Au=-12%" or "Au=110/g"')
            metals[metal] = _changed(metals[metal], amount, prices.currency, parse_metal_price)
        except InputError as err:
            issues.append(Issue("error", err.message, err.hint, field="--if"))
    if not parts:
        issues.append(Issue("error", "no change given", 'type it like "Au=-12%"', field="--if"))
    if issues:
        raise InputError("the change of prices cannot be used", issues=issues)
    return replace(prices, metal_per_g=metals, changes=(*prices.changes, *parts))


def _changed(price: float, amount: str, currency: str, parse: Any) -> float:
    if not amount.endswith("%"):
        return float(parse(amount, currency))
    try:
        percent = float(amount[:-1].strip().replace(" ", "").replace("\N{MINUS SIGN}", "-").replace(",", "."))
    except ValueError:
        raise InputError(f"'{amount}' is not a number of per cent", 'type it like "-12%"') from None
    if not percent >= -100 or percent > 1e6:
        raise InputError(f"a change of {amount} leaves no price", "a price can fall by 100 % at most")
    return price * (1 + percent / 100)


@dataclass(frozen=True)
class Basis:
    """What money is counted on: prices, what is known of kinds and routes, and the draws of the price and cost rows."""

    prices: Prices
    catalogue: Catalogue
    named: NamedDraws


class NamedDraws:
    """Draws of price and cost rows that depend on the seed and the row's name only.

    Adding a fraction, or trying another price, leaves the draws of all other rows as they were: comparisons are paired.
    """

    def __init__(self, rng: np.random.Generator, draws: int) -> None:
        self._seed = int(rng.integers(2**62))
        self._kept: dict[tuple[str, str, float, float, float], NDArray[np.float64]] = {}
        self.draws = draws

    def normals(self, name: str) -> NDArray[np.float64]:
        """Standard normals of the row `name`, shape (draw,)."""
        return np.random.default_rng([self._seed, zlib.crc32(name.encode())]).standard_normal(self.draws)

    def amount(self, name: str, row: Quantiles) -> NDArray[np.float64]:
        """Draws of a positive amount, shape (draw,): ln-normal on each side of q50, so that all three points hold."""
        return self._keep("amount", name, row, self._amount)

    def _amount(self, name: str, row: Quantiles) -> NDArray[np.float64]:
        low, mid, high = np.log((row.q5, row.q50, row.q95))
        z = self.normals(name)
        return np.asarray(np.exp(mid + z / Z95 * np.where(z < 0, mid - low, high - mid)))

    def share(self, name: str, row: Quantiles) -> NDArray[np.float64]:
        """Draws of a share in 0-1, shape (draw,): logit-normal, centre logit q50, the lower side sets the spread."""
        return self._keep("share", name, row, self._share)

    def _share(self, name: str, row: Quantiles) -> NDArray[np.float64]:
        low, mid = (np.log(p / (1 - p)) for p in (row.q5, row.q50))
        return np.asarray(1 / (1 + np.exp(-(mid + (mid - low) / Z95 * self.normals(name)))))

    def _keep(
        self, sort: str, name: str, row: Quantiles, draw: Callable[[str, Quantiles], NDArray[np.float64]]
    ) -> NDArray[np.float64]:
        """The draws of a row, made once, for one row is asked for many times; nobody may write into them."""
        key = (sort, name, row.q5, row.q50, row.q95)
        if key not in self._kept:
            self._kept[key] = np.full(self.draws, row.q50) if row.q5 == row.q95 else draw(name, row)
            self._kept[key].flags.writeable = False
        return self._kept[key]
