"""Law lines on demand: those of where the bench stands, of another place, or all that are held."""

from __future__ import annotations

from dataclasses import dataclass

from gradeest.materials.catalogue import Catalogue, Law, load_catalogue
from gradeest.materials.hazards import DEFER
from gradeest.materials.laws import JURISDICTION, in_jurisdiction, jurisdictions, read_jurisdiction
from gradeest.workflow.opening import Place, open_bench

ALL = "all"


@dataclass(frozen=True)
class LawsShown:
    """Law lines as asked for; `of`: the place, "" for the general lines, "all"; `stands_in`: of the bench."""

    of: str
    stands_in: str
    rows: tuple[Law, ...]
    known: tuple[str, ...]
    defer: str


def list_laws(place: Place, of: str | None = None) -> LawsShown:
    """Law lines of a place (by default of where the bench stands), or all. Raises InputError for one not known."""
    catalogue, stands_in = load_catalogue(place.priors), ""
    if place.ledger.exists():
        with open_bench(place) as opened:
            setting = opened.bench.settings.get(JURISDICTION)
            stands_in = "" if setting is None else read_jurisdiction(setting.value, catalogue.laws)
    if of is not None and of.strip().lower() == ALL:
        rows, where = catalogue.laws, ALL
    else:
        where = stands_in if of is None else read_jurisdiction(of, catalogue.laws)
        rows = _shown_in(catalogue, where)
    return LawsShown(where, stands_in, rows, jurisdictions(catalogue.laws), DEFER)


def _shown_in(catalogue: Catalogue, where: str) -> tuple[Law, ...]:
    """The lines as they are printed with routes and purchases there."""
    shown = in_jurisdiction(catalogue, where).hazards.values()
    return tuple(Law(h.id, where, h.line, h.authority, h.status, h.dated) for h in shown if h.level == "law")
