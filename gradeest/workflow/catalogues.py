"""What is known before anyone weighs: kinds, routes, forms and their priors to list, show and check; a price file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gradeest.errors import InputError
from gradeest.materials.boards import ShareCheck, check_boards
from gradeest.materials.catalogue import Catalogue, Form, GradeRow, Kind, Route, load_catalogue, nearest
from gradeest.materials.prior_check import PriorCheck, check_catalogue
from gradeest.workflow.believing import stream
from gradeest.workflow.hazard_lines import cautions
from gradeest.workflow.opening import Place, catalogue_here


@dataclass(frozen=True)
class KindLine:
    """One kind in a list; `stop` is why it may not be processed, or ""."""

    id: str
    cls: str
    class_name: str
    name: str
    how_to_tell: str
    usual_route: str
    stop: str
    ask_wet: bool
    grades: dict[str, tuple[float, float, float]]  # metal -> 5/50/95 % in g/t where present


@dataclass(frozen=True)
class KindShown:
    """One kind with its rows; `draws_g_per_t` are draws of its prior for one fraction, traces included."""

    kind: KindLine
    rows: dict[str, GradeRow]
    sources: dict[str, str]
    quantiles: dict[str, tuple[float, float, float]]  # metal -> 5/50/95 % of the whole prior, g/t
    histograms: dict[str, tuple[float, ...]]  # metal -> share per bin of `edges_g_per_t`
    edges_g_per_t: tuple[float, ...]
    cautions: tuple[str, ...]  # of the kind by its usual route, in full


def kind_line(kind: Kind, catalogue: Catalogue) -> KindLine:
    """A kind as a row."""
    return KindLine(
        kind.id,
        kind.cls,
        catalogue.classes[kind.cls],
        kind.name,
        kind.how_to_tell,
        kind.usual_route,
        catalogue.hazards[kind.stop].line if kind.stop else "",
        kind.ask_wet,
        {metal: (row.q5, row.q50, row.q95) for metal, row in kind.grades.items()},
    )


def list_kinds(place: Place) -> list[KindLine]:
    """All kinds, class by class."""
    catalogue = load_catalogue(place.priors)
    order = list(catalogue.classes)
    kinds = sorted(catalogue.kinds.values(), key=lambda kind: order.index(kind.cls))
    return [kind_line(kind, catalogue) for kind in kinds]


def list_routes(place: Place) -> list[Route]:
    """All routes that are offered."""
    return list(load_catalogue(place.priors).routes.values())


def list_forms(place: Place) -> list[Form]:
    """All forms in which a metal is weighed."""
    return list(load_catalogue(place.priors).forms.values())


def show_kind(place: Place, name: str) -> KindShown:
    """One kind's rows and its prior, drawn. Raises InputError with the nearest ids."""
    catalogue = catalogue_here(place)
    if name not in catalogue.kinds:
        near = nearest(name, [*catalogue.kinds, *catalogue.boards])
        hint = f"did you mean {' or '.join(near)}?" if near else "`gradeest priors list` names them all"
        raise InputError(f"there is no kind '{name}'", hint)
    kind = catalogue.kinds[name]
    edges = np.logspace(-1, 6, 57)
    quantiles: dict[str, tuple[float, float, float]] = {}
    histograms: dict[str, tuple[float, ...]] = {}
    for metal, draws in draw_kind(kind, catalogue, place).items():
        q5, q50, q95 = np.quantile(draws, [0.05, 0.5, 0.95])
        quantiles[metal] = (float(q5), float(q50), float(q95))
        counts, _ = np.histogram(np.clip(draws, edges[0], edges[-1] * (1 - 1e-9)), edges)
        histograms[metal] = tuple(float(c) for c in counts / draws.size)
    used = {row.source for row in kind.grades.values()}
    sources = {s: catalogue.sources[s] for s in sorted(used) if s in catalogue.sources}
    return KindShown(
        kind_line(kind, catalogue),
        dict(kind.grades),
        sources,
        quantiles,
        histograms,
        tuple(float(e) for e in edges),
        cautions(catalogue, kind.usual_route, [kind.id]),
    )


def draw_kind(kind: Kind, catalogue: Catalogue, place: Place, draws: int = 20_000) -> dict[str, NDArray[np.float64]]:
    """Draws of the grade of one fraction of a kind before any evidence, in g/t by metal."""
    from gradeest.workflow.believing import draw_fraction

    posterior = draw_fraction(kind.id, catalogue, place, draws)
    return {metal: posterior.grade_g_per_t[:, 0, i] for i, metal in enumerate(posterior.metals)}


@dataclass(frozen=True)
class PriorsChecked:
    """What `priors check` found: grade rows and shares of boards, and how many fail or are named."""

    rows: tuple[PriorCheck, ...]
    shares: tuple[ShareCheck, ...]
    failed: int
    named: int


def check_priors(place: Place, folder: Path | None) -> PriorsChecked:
    """Read the priors (with `folder` laid over them) and hold each row against its own prior predictive."""
    if folder is not None and not folder.is_dir():
        raise InputError(f"there is no folder {folder}", "name the folder that holds your changed rows")
    place = replace(place, priors=folder or place.priors)
    catalogue = load_catalogue(place.priors)
    rows = tuple(check_catalogue(catalogue))
    shares = tuple(check_boards(catalogue, stream(place, "boards")))
    verdicts = [row.verdict for row in rows] + [row.verdict for row in shares]
    return PriorsChecked(rows, shares, verdicts.count("fails"), verdicts.count("named"))


def new_prices(place: Place, path: Path | None, *, replace_old: bool = False) -> Path:
    """Write a price file: metal prices empty, every other row filled from the priors."""
    from gradeest.decision.price_file import write_prices

    target = path or place.prices
    if target.exists() and not replace_old:
        raise InputError(f"{target} exists already", "edit it, name another file, or say --force to replace it")
    write_prices(target, load_catalogue(place.priors), dated=place.today, replace_old=replace_old)
    return target
