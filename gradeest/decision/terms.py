"""A buyer's terms, as typed: what share of which metal is paid, and every fee. All money in the user's currency."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from gradeest.materials.catalogue import Catalogue, Kind, Quantiles

NOTHING = Quantiles(0.0, 0.0, 0.0)
SUBSTANCES = ("cadmium", "mercury", "beryllium", "lead")  # how hazards of a kind begin, and what buyers ask about


@dataclass(frozen=True)
class Band:
    """The share (0-1) of the fine metal that is paid from a purity (0-1) of what is received on."""

    from_purity: float
    share: Quantiles


@dataclass(frozen=True)
class Terms:
    """One buyer's terms. A metal that `payable` does not name is not paid.

    What is paid: sum over metals of price x share x (fine g - deduction), of a metal only where there is more of it
    than its threshold. What is taken: the larger of the least fee and the charges by weight, an assay fee for each
    metal paid, shipping, and surcharges for what some kinds bring along; each once per settlement.
    """

    name: str  # "" for the table [settlement]
    payable: Mapping[str, tuple[Band, ...]]  # by metal, purities rising
    fee: Quantiles = NOTHING  # least fee of a settlement
    shipping: Quantiles = NOTHING  # carriage and insurance of one parcel
    fee_per_g_received: float = 0.0  # charge per g of what is received
    fee_per_g: Mapping[str, float] = field(default_factory=dict)  # charge per g of fine metal
    deduction_g: Mapping[str, float] = field(default_factory=dict)  # g of fine metal never paid
    threshold_g: Mapping[str, float] = field(default_factory=dict)  # g of fine metal below which none of it is paid
    assay_fee: Mapping[str, float] = field(default_factory=dict)
    surcharge: Mapping[str, float] = field(default_factory=dict)  # by kind, class or substance
    rejects: tuple[str, ...] = ()  # kinds, classes or substances
    takes_as_is: tuple[str, ...] = ()  # kinds or classes bought unprocessed at these terms


def words_of(kind: Kind, catalogue: Catalogue) -> frozenset[str]:
    """By which words terms may speak of a kind: its id, its class, and the substances its hazards name."""
    heads = {
        catalogue.hazards[key].id.partition("-")[0] for key in (*kind.hazards, *([kind.stop] if kind.stop else []))
    }
    return frozenset({kind.id, kind.cls} | (heads & set(SUBSTANCES)))


def rejects(terms: Terms, kind: Kind, catalogue: Catalogue) -> bool:
    """Whether a buyer does not take what comes of a kind."""
    return bool(words_of(kind, catalogue) & set(terms.rejects))


def takes_as_is(terms: Terms, kind: Kind, catalogue: Catalogue) -> bool:
    """Whether a buyer settles a kind unprocessed."""
    return bool(words_of(kind, catalogue) & set(terms.takes_as_is)) and not rejects(terms, kind, catalogue)
