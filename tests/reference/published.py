"""Published recovered weights and assays, as data: what a prior predictive is held against.

No independent proof of the priors, which were compiled from the same pages. Values in g/t of the sorted fraction.
"recovered": weight of what was weighed per feed, losses and impurity included; "assay": content by analysis;
"declared": content as a maker declares it; "said": a figure without a method. Results of one `group` are not
independent of each other (same author, page or campaign). Sources are ids of priors/sources.csv.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

What = Literal["recovered", "assay", "declared", "said"]


@dataclass(frozen=True)
class Published:
    """One published figure. `weight_g` and `feed_kg` where the source gives them (then value = weight / feed)."""

    kind: str
    metal: str
    value_g_per_t: float
    what: What
    source: str
    group: str
    year: int | None
    purity: float | None = None  # of what was weighed, where it was measured
    weight_g: float | None = None
    feed_kg: float | None = None
    note: str = ""


PUBLISHED: tuple[Published, ...] = (
    Published(
        *("fingers-memory", "Au", 2729, "recovered", "hobby-fingers", "hobby-fingers", None),
        weight_g=1.97,
        feed_kg=0.722,
        note="hobby page; very close-cut",
    ),
    Published(
        *("chips-mixed", "Au", 2400, "assay", "delfini-2011", "rome", 2011),
        note="Delfini et al. 2011: chips and processors taken by hand off PC boards, about 21 t of equipment",
    ),
    Published(
        *("chips-mixed", "Au", 2109, "assay", "bonelli-2019", "rome", 2019),
        note="Bonelli et al. 2019: automatic removal; probably the campaign of Delfini et al. 2011",
    ),
    Published(
        *("chips-to-2008", "Au", 1214, "recovered", "hobby-chip-series", "hobby-chip-series", 2018),
        weight_g=0.7,
        feed_kg=0.5765,
        note="hobby page; thick flat packs, ash only: wires and dies were left out",
    ),
    Published(
        *("chips-to-2008", "Au", 1500, "said", "hobby-board-parts", "hobby-board-parts", None),
        note="hobby page; plastic flat packs of old boards",
    ),
    Published(
        *("chips-to-2008", "Au", 750, "said", "hobby-board-parts", "hobby-board-parts", None),
        note="hobby page; chip carriers of old boards, 700-800",
    ),
    Published(
        *("chips-mixed", "Au", 1150, "said", "hobby-board-parts", "hobby-board-parts", None),
        note="hobby page; mixed chips of old motherboards",
    ),
    Published(
        *("chips-2009-2013", "Au", 2564, "recovered", "hobby-motherboards", "hobby-motherboards", 2012),
        weight_g=0.5,
        feed_kg=0.195,
        note="hobby page; mixed chips of 16 motherboards recent in 2012",
    ),
    Published(
        *("chips-from-2014", "Au", 5099, "declared", "maker-declarations", "maker-declarations", 2023),
        note="one small package with gold wire",
    ),
    Published(
        *("chips-from-2014", "Au", 1.4, "declared", "maker-declarations", "maker-declarations", 2023),
        note="one flat pack with palladium-coated copper wire: the poor half of the kind, below its present part",
    ),
    Published(
        *("bga-wirebond", "Au", 9783, "recovered", "hobby-chip-series", "hobby-chip-series", 2018),
        weight_g=0.14,
        feed_kg=0.01431,
        note="hobby page; 12 pieces, balance of 0.01 g: +-4-7 %",
    ),
    Published(
        *("bga-wirebond", "Au", 9300, "recovered", "stefko-2019", "stefko-2019", 2019),
        note="Stefko, Wachter, Martinka 2019: mechanically concentrated first",
    ),
    Published(
        *("bga-wirebond", "Au", 6500, "said", "hobby-board-parts", "hobby-board-parts", None),
        note="hobby page; old motherboards",
    ),
    Published(
        *("cpu-ceramic", "Au", 4240, "recovered", "ceramic-pages", "hobby-processors", None),
        note="hobby page; gold below and on top",
    ),
    Published(
        *("cpu-ceramic", "Au", 3590, "recovered", "ceramic-pages", "hobby-processors", None),
        note="hobby page; gold below",
    ),
    Published(
        *("cpu-ceramic", "Au", 2530, "recovered", "ceramic-pages", "hobby-processors", None),
        note="hobby page; gold on top",
    ),
    Published(
        *("cpu-ceramic", "Au", 1780, "recovered", "ceramic-pages", "hobby-processors", None),
        note="hobby page; plain",
    ),
    Published(
        *("cpu-ceramic", "Au", 9690, "said", "ceramic-pages", "refiner-ceramic", None),
        note="one refiner's page; the richest of six families (to 2,200 for the poorest)",
    ),
    Published(
        *("cpu-ceramic", "Au", 2200, "said", "ceramic-pages", "refiner-ceramic", None),
        note="one refiner's page; the poorest of six families",
    ),
    Published(
        *("cpu-ceramic", "Au", 6860, "said", "ceramic-pages", "refiner-rule", 2014),
        note="one refiner's rule of thumb: a troy ounce in ten pounds",
    ),
    Published(
        *("cpu-organic", "Au", 630, "recovered", "hobby-cpu-pages", "hobby-processors", None),
        note="hobby page; large ones",
    ),
    Published(
        *("cpu-organic", "Au", 760, "recovered", "hobby-cpu-pages", "hobby-processors", None),
        note="hobby page; small ones",
    ),
    Published(
        *("cpu-organic", "Au", 600, "said", "hobby-cpu-pages", "page-processors", None),
        weight_g=6.0,
        feed_kg=10.0,
        note="informational page; late 1990s to 2000s",
    ),
    Published(
        *("cpu-pinless", "Au", 179, "recovered", "hobby-wiki", "hobby-wiki", None),
        note="hobby page; 5 +- 2.5 mg each with lid, over about 28 g each (mass from memory)",
    ),
    Published(
        *("pins-selective", "Au", 600, "recovered", "stefko-2019", "stefko-2019", 2019),
        note="Stefko, Wachter, Martinka 2019: motherboard pins",
    ),
    Published(
        *("connectors", "Au", 100, "recovered", "stefko-2019", "stefko-2019", 2019),
        note="Stefko, Wachter, Martinka 2019: processor sockets with their plastic",
    ),
    Published(
        *("connectors", "Au", 125, "said", "hobby-board-parts", "hobby-board-parts", None),
        note="hobby page; motherboard connectors, 100-150",
    ),
    Published(
        *("mlcc-unsorted", "Ag", 4670, "assay", "sideris-2023", "sideris-2023", 2023),
        note="Sideris et al. 2023: capacitors of lighting drivers",
    ),
    Published(
        *("mlcc-unsorted", "Pd", 1050, "assay", "sideris-2023", "sideris-2023", 2023),
        note="Sideris et al. 2023: capacitors of lighting drivers",
    ),
    Published(
        *("mlcc-nonmagnetic", "Pd", 10714, "recovered", "mlcc-pages", "mlcc-pages", None),
        weight_g=15.0,
        feed_kg=1.4,
        note="scrap-advice page, second-hand",
    ),
    Published(
        *("relays-power", "Ag", 4400, "recovered", "wachter-2020", "wachter-2020", 2020),
        purity=0.949,
        note="Wachter et al. 2020: used electronic relays of one kind",
    ),
    Published(
        *("switches-mixed", "Ag", 5400, "recovered", "wachter-2020", "wachter-2020", 2020),
        purity=0.95,
        note="Wachter et al. 2020: mixed electronic relays, above 95 % pure",
    ),
    Published(
        *("tantalum-wet", "Ag", 250_000, "recovered", "hobby-wiki", "hobby-wiki", None),
        note="hobby page; one case style, share of part mass",
    ),
    Published(
        *("tantalum-wet", "Ag", 400_000, "recovered", "hobby-wiki", "hobby-wiki", None),
        note="hobby page; another case style",
    ),
    Published(
        *("pins-full", "Au", 68_600, "said", "hobby-wiki", "plating-history", None),
        note="hobby page; a recollection of over-plated pins of the 1930s and 1940s, an ounce in a pound: falls out",
    ),
)
