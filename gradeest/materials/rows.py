"""The rows of `priors/`, frozen: kinds and their grades, routes, forms, hazards.

Every number carries its source and says whether it was read, is from memory, or is a judgement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

METALS: tuple[str, ...] = ("Au", "Ag", "Pd")
TAKES = ("feed", "products")  # what goes into a route: fractions and streams, or products that are refined again

Status = Literal["read", "from memory", "judgement"]
Founded = Literal["several assays", "some", "one source", "judgement"]
Level = Literal["STOP", "gate", "law", "caution"]
Applies = Literal["always", "with heat", "practice", "purchase"]


@dataclass(frozen=True)
class Quantiles:
    """The 5 %, 50 % and 95 % points of a quantity, with where they come from."""

    q5: float
    q50: float
    q95: float
    source: str = ""  # id of a row in priors/sources.csv
    status: Status = "judgement"
    unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Constant:
    """One number of the model that is not a row of a table."""

    value: float
    unit: str
    source: str
    status: Status
    why: str


@dataclass(frozen=True)
class GradeRow:
    """Prior of the grade of one kind and metal, given present. Grades in g/t of dry feed; gsd are geometric sds."""

    kind: str
    metal: str
    q5: float
    q50: float
    q95: float
    p_absent: float
    gsd_between: float
    gsd_class_mean: float
    max_g_per_t: float  # L of the logit scale
    founded: Founded
    source: str
    status: Status
    why: str
    basis: str  # "own row", "as KIND" or "unlikely"


@dataclass(frozen=True)
class MetalCorrelation:
    """Two metals of one kind that go together. `second_needs_first`: second is absent whenever first is."""

    first: str
    second: str
    correlation: float
    second_needs_first: bool = False
    source: str = ""
    status: Status = "judgement"
    why: str = ""


@dataclass(frozen=True)
class Kind:
    """One kind of material, below a class of the trade."""

    id: str
    cls: str
    name: str
    how_to_tell: str
    piece_mass_g: float
    piece_cv: float
    usual_route: str  # "" where no route is offered
    stop: str  # id of the hazard that refuses this kind, or ""
    hazards: tuple[str, ...]
    ask_wet: bool
    grades: Mapping[str, GradeRow]  # by metal, all of METALS
    correlation: MetalCorrelation | None = None


@dataclass(frozen=True)
class Route:
    """One way of processing: the acid family only; no sequence, strength or temperature."""

    id: str
    line: str
    recovery: Mapping[
        str, Quantiles
    ]  # share of the metal in work that reaches the product; a metal without a row: none
    stays_in: Mapping[str, str]  # for metals without a row: "residue", "solution", ...
    usual_form: Mapping[str, str]  # metal -> form id weighed as a rule
    hazards: tuple[str, ...]  # ids of hazard rows (gates, STOPs, precursor law)
    needs: tuple[str, ...]  # declarations: "fit-equipment", "permit", "licence"
    heats: bool = False  # the material itself is melted, torched or burnt
    takes: str = "feed"  # one of TAKES


@dataclass(frozen=True)
class Form:
    """A form in which a metal is weighed. Metal share of the dry thing = `factor` x purity."""

    id: str
    metal: str
    name: str
    purity: Quantiles
    factor: float  # gravimetric factor (1 for metal), from chemistry
    holdup_factor: float  # share of the melt's hold-up constant a that applies (powders and salts: half)
    compound: str = ""  # formula of the salt that is weighed, or ""

    @property
    def largest_share(self) -> float:
        """Largest possible metal share of the form (1 for a metal, the gravimetric factor for a salt)."""
        return self.factor


@dataclass(frozen=True)
class Hazard:
    """One hazard in one line, with the authority to ask. What `level` does is said in `hazards.py`."""

    id: str
    level: Level
    applies: Applies  # always; only on a route that heats; to what is done beside the route; to buying and selling
    short: str  # a few words, for a line that lists several
    line: str
    authority: str
    status: Status
    dated: str = ""  # year the law line was read


@dataclass(frozen=True)
class Law:
    """What a law (the id of a hazard row) says in a jurisdiction, "" for the general line; `dated`: the year read."""

    law: str
    jurisdiction: str
    line: str
    authority: str
    status: Status
    dated: str


@dataclass(frozen=True)
class Board:
    """One kind of circuit board as collected, and what may be taken off it: shares (0-1) of its mass by kind of part.

    What no row names (laminate, sheet metal, coils) is the rest of the board.
    """

    id: str
    name: str
    how_to_tell: str
    piece_mass_g: Quantiles
    stop: str  # id of the hazard that refuses these boards, or ""
    hazards: tuple[str, ...]
    parts: Mapping[str, Quantiles]  # kind id -> share of the board's mass


@dataclass(frozen=True)
class Item:
    """Something a batch uses up: a reagent, a filter, fuel, or the waste that is handed over."""

    id: str
    name: str
    unit: str  # in which it is bought and priced
    formula: str  # "" for what is no reagent
    mol_per_unit: float  # amount of substance in a unit as sold; 0 for what is no reagent
    pack: float  # least that one buys, in units
    price: Quantiles | None  # per unit in the user's currency; None: no default
    law: str = ""  # the law line that asks for a licence to hold it, "" for none


@dataclass(frozen=True)
class WorkStep:
    """Hands-on minutes of a step of the work, per batch or per kg (`by`), at the routes named, or at all."""

    step: str
    by: str
    routes: tuple[str, ...]
    minutes: Quantiles


@dataclass(frozen=True)
class Use:
    """How much of an item a route takes.

    `by`: "batch" or "kg" (units of the item per batch or kg of feed); a family of `reactions.py`, or FAMILY:METAL
    (times what its equations ask for); "acidity" (times what neutralises the acid bought, less what left as gas);
    "liquids" (times the liquids bought).
    """

    route: str
    item: str
    by: str
    amount: Quantiles


@dataclass(frozen=True)
class Catalogue:
    """All rows of `priors/`, overlaid and validated. `version` is a hash of everything a number can depend on."""

    classes: Mapping[str, str]  # id -> name
    kinds: Mapping[str, Kind]
    routes: Mapping[str, Route]
    forms: Mapping[str, Form]
    constants: Mapping[str, float]  # "grade.richness_share" ... from priors/model.toml
    shares: Mapping[str, Quantiles]  # other 5/50/95 rows by id: "moisture", "hours-fixed:ROUTE", ...
    sources: Mapping[str, str]  # id -> text
    version: str
    hazards: Mapping[str, Hazard]
    constant_rows: Mapping[str, Constant]  # the same numbers as `constants`, with unit, source, status and why
    boards: Mapping[str, Board] = field(default_factory=dict)
    # kind, or class where the kind has no rows -> metal -> share of the feed
    base_metals: Mapping[str, Mapping[str, Quantiles]] = field(default_factory=dict)
    items: Mapping[str, Item] = field(default_factory=dict)
    uses: tuple[Use, ...] = ()
    work_steps: tuple[WorkStep, ...] = ()  # how the hours of a batch part among the steps of the work
    laws: tuple[Law, ...] = ()  # by jurisdiction; the law rows of `hazards` hold what is shown of them
