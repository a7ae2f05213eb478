"""Gates, stops and law lines by kind and route. No safety authority and no procedure: one line each.

A STOP is never ranked and never accepted for a bench; a gate is shown with the route; a law line names what to ask
the authority. Which rows belong to which kind and route stands in `priors/`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from gradeest.errors import Issue
from gradeest.materials.rows import Catalogue, Hazard
from gradeest.materials.tables import suggest

SELL_OR_HAND_OVER = "sell it as it is, or hand it to a licensed handler"
DEFER = "Defer to local codes and licensed practice; if unsure, sell it as it is."
_UNSAID = ("", "no", "none", "false", "0", "off")

DECLARATION_TEXT: Mapping[str, str] = {
    "fit-equipment": "equipment fit for the fumes",
    "permit": "a permit",
    "licence": "a licence for the acids",
}


def list_hazards(kind: str, route: str, catalogue: Catalogue) -> tuple[Hazard, ...]:
    """All hazard rows of a kind, a route, or both together, each once, in that order.

    Parameters: ids of the catalogue, "" for none. Raises KeyError for an unknown id.
    """
    ids = [
        *(catalogue.kinds[kind].hazards if kind else ()),
        *(catalogue.routes[route].hazards if route else ()),
    ]
    return tuple(catalogue.hazards[key] for key in dict.fromkeys(ids))


def stop_reason(kind: str, route: str, catalogue: Catalogue) -> Hazard | None:
    """The STOP that refuses this kind, this route, or this kind on this route; None where there is none.

    A kind that may hold cadmium is stopped only on a route that heats it.
    Parameters: ids of the catalogue, "" for none. Raises KeyError for an unknown id.
    """
    if kind and catalogue.kinds[kind].stop:
        return catalogue.hazards[catalogue.kinds[kind].stop]
    heats = bool(route) and catalogue.routes[route].heats
    for hazard in list_hazards(kind, route, catalogue):
        if hazard.level == "STOP" and (hazard.applies == "always" or (hazard.applies == "with heat" and heats)):
            return hazard
    return None


def gates_for(kind: str, route: str, catalogue: Catalogue) -> tuple[Hazard, ...]:
    """The gates to show with a kind on a route, "" for none. Raises KeyError for an unknown id."""
    return tuple(hazard for hazard in list_hazards(kind, route, catalogue) if hazard.level == "gate")


def law_lines(route: str, catalogue: Catalogue) -> tuple[str, ...]:
    """The law lines of a route, each with the year it was read. Raises KeyError for an unknown route."""
    return tuple(_dated(hazard) for hazard in list_hazards("", route, catalogue) if hazard.level == "law")


def purchase_lines(catalogue: Catalogue) -> tuple[str, ...]:
    """The law lines that touch buying, moving and selling, each with the year it was read."""
    return tuple(_dated(h) for h in catalogue.hazards.values() if h.level == "law" and h.applies == "purchase")


def _dated(hazard: Hazard) -> str:
    return f"{hazard.line} [read {hazard.dated}]" if hazard.dated else f"{hazard.line} [{hazard.authority}]"


def missing_declarations(route: str, settings: Mapping[str, str], catalogue: Catalogue) -> tuple[str, ...]:
    """What the route needs and the bench has not declared, such as "fit-equipment".

    Parameters: settings, name -> value as declared; an empty value or "no" declares nothing. Raises KeyError.
    """
    needs = catalogue.routes[route].needs
    return tuple(name for name in needs if settings.get(name, "").strip().lower() in _UNSAID)


def is_denied(name: str, settings: Mapping[str, str]) -> bool:
    """Whether the bench has said that it does not have something ("licence": "no"); unsaid is not denied."""
    return name in settings and settings[name].strip().lower() in _UNSAID


def check_batch(kinds: Iterable[str], route: str, settings: Mapping[str, str], catalogue: Catalogue) -> list[Issue]:
    """Every reason to refuse a batch of these kinds by this route: STOPs, and what the bench has not declared.

    Parameters: kinds, ids of the fractions charged; route, an id, or "" where the kind has no route; settings, what
        the bench declared (name -> value).
    Returns: Issues of severity "error", none where the batch may be recorded.
    """
    if route and route not in catalogue.routes:
        return [Issue("error", f"route {route!r} is not known", suggest(route, catalogue.routes), field="route")]
    issues: list[Issue] = []
    of_route = stop_reason("", route, catalogue) if route else None
    if of_route is not None:
        issues.append(_refuse(f"route {route!r}", of_route, "route"))
    for kind in dict.fromkeys(kinds):
        if kind not in catalogue.kinds:
            hint = suggest(kind, catalogue.kinds)
            issues.append(Issue("error", f"kind {kind!r} is not known", hint, field="charge"))
            continue
        hazard = stop_reason(kind, route, catalogue)
        if hazard is not None and hazard != of_route:
            by_kind = bool(catalogue.kinds[kind].stop)
            issues.append(_refuse(repr(kind) if by_kind else f"{kind!r} by route {route!r}", hazard, "charge"))
        elif not route:
            message = f"no route is offered for {kind!r}"
            issues.append(Issue("error", message, "sell it as it is, or name a route", field="route"))
    for name in missing_declarations(route, settings, catalogue) if route else ():
        message = f"route {route!r} needs {DECLARATION_TEXT[name]}, which this bench has not declared"
        hint = f'once it is so: gradeest bench set {name} "what it is"; else {SELL_OR_HAND_OVER}'
        issues.append(Issue("error", message, hint, field="route"))
    return issues


def _refuse(what: str, hazard: Hazard, field: str) -> Issue:
    message = f"{what} is refused (STOP): {hazard.line} [{hazard.authority}]"
    return Issue("error", message, SELL_OR_HAND_OVER, field=field)
