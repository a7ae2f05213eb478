"""Published grades of whole circuit boards, g/t. They are the check of composition times grades: no row of
priors/grades.csv or priors/composition.csv was made from them. Values of `KIN` share a campaign or page with a row of
the composition (the share of chips, say); they are shown and not counted.

`source` as found: published works by name where known. `what`: "assay" of boards, "sum" of the parts of old boards.
Blank cells of the nine-column table were collapsed where it was read, so its values belong to no study by name.
`why`: what explains a value outside the 90 % interval that composition times grades predicts. Between studies of
such boards grades differ by a factor of 2.6 (gold) to 4.1 (silver), geometric sd, of which the digestion is a part: one
study of methods found that the protocol alone moves most metals.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PublishedBoard:
    """One value, the kind of board it is taken as, and where it stands."""

    board: str
    metal: str
    value_g_per_t: float
    source: str
    why: str = ""

    @property
    def is_counted(self) -> bool:
        """Whether it is independent of the rows it is held against."""
        return self.source not in KIN


NINE = "nine columns of a review, circuit boards in general (to 2022), read"
ROME = "Delfini et al. 2011 and Bonelli et al. 2019, boards with circuits and processors (abstracts; one campaign)"
HAGELUEKEN = "Hagelueken 2006, from memory"
PHONES_2008 = "105 t of mobile phones without battery (2008), read"
PHONE_UNIT = "one mobile phone of 90 g, mg per unit (2008), calculated"
OLD_PARTS = "sum of the parts of old motherboards, a hobby page"
KIN = (ROME, OLD_PARTS)
STUDY = "one study of nine: boards and digestion differ between them"
OLD_CAPS = "boards of before about 2000, whose ceramic capacitors held palladium"
PURE = "one published work, boards of personal computers (2011-13), from memory"

PUBLISHED_BOARDS: tuple[PublishedBoard, ...] = (
    *(PublishedBoard("boards-mixed", "Au", value, NINE, STUDY) for value in (110, 1000, 80, 350, 250, 140, 68)),
    PublishedBoard("boards-mixed", "Au", 7250, NINE, "an outlier by its own review: thirty times its median"),
    *(PublishedBoard("boards-mixed", "Ag", value, NINE, STUDY) for value in (280, 3300, 2230, 1340, 450, 79)),
    *(PublishedBoard("boards-mixed", "Pd", value, NINE, OLD_CAPS) for value in (250, 210, 220, 30)),
    PublishedBoard("boards-mixed", "Au", 343, ROME),
    PublishedBoard("boards-main-old", "Au", 190, OLD_PARTS),
    *(
        PublishedBoard("boards-mixed", metal, value, f"boards of personal computers, {HAGELUEKEN}")
        for metal, value in (("Au", 250), ("Ag", 1000), ("Pd", 110))
    ),
    *(
        PublishedBoard("boards-power", metal, value, f"boards of television sets, {HAGELUEKEN}")
        for metal, value in (("Au", 20), ("Ag", 280), ("Pd", 10))
    ),
    *(
        PublishedBoard("boards-power", metal, value, f"boards of disc players, {HAGELUEKEN}")
        for metal, value in (("Au", 15), ("Ag", 115), ("Pd", 4))
    ),
    *(
        PublishedBoard("boards-phone", metal, value, f"mobile phones, {HAGELUEKEN}")
        for metal, value in (("Au", 350), ("Ag", 1380), ("Pd", 210))
    ),
    *(PublishedBoard("boards-phone", metal, value, PHONES_2008) for metal, value in (("Au", 347), ("Pd", 151))),
    *(
        PublishedBoard("boards-phone", metal, value, PHONE_UNIT, "silver pastes and solder of that handset")
        for metal, value in (("Au", 267), ("Ag", 2780), ("Pd", 100))
    ),
    *(
        PublishedBoard("boards-mixed", metal, value, PURE, "one study of a few boards")
        for metal, value in (("Au", 130), ("Ag", 704), ("Pd", 27), ("Au", 1300), ("Ag", 1600))
    ),
)
