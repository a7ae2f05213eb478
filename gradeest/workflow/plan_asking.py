"""What a plan is asked for, as typed and by a plan file; every problem of both is told at once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from gradeest.errors import InputError, Issue
from gradeest.materials.tables import suggest
from gradeest.workflow.opening import Opened
from gradeest.workflow.outlook import split_fractions
from gradeest.workflow.plan_file import PlanFile, Wish, read_plan_file
from gradeest.workflow.supplies import Limits, read_limits

if TYPE_CHECKING:
    from gradeest.belief.outcome import Run
    from gradeest.decision.ranking import Blocked
    from gradeest.workflow.believing import State


@dataclass(frozen=True)
class Asking:
    """What was typed: limits, addresses that must be in the plan, an assay's fee, and a file that says the same."""

    limits: Limits
    must: tuple[str, ...]
    fee: float | None
    plan_file: Path | None


@dataclass(frozen=True)
class Asked:
    """What holds of it: typed limits before those of the file, and what must be in the plan by both."""

    limits: Limits
    amounts: Mapping[str, float]  # of items by id, in the item's unit
    fee: float | None
    must: tuple[str, ...]
    runs: tuple[Run, ...]
    blocked: tuple[Blocked, ...]
    notes: tuple[str, ...]


def ask_for(opened: Opened, state: State, lot: str | None, asking: Asking) -> Asked:
    """What a plan is asked for on a bench. Raises InputError with every problem of what was typed and of the file."""
    read = PlanFile() if asking.plan_file is None else read_plan_file(asking.plan_file)
    typed = asking.limits
    given = {"--hours": typed.hours, "--cash": typed.cash, "--days": typed.days, "--fee": asking.fee}
    issues = [*read.issues, *refuse_amounts(given, typed.at_once)]
    limits = typed.over(read.limits)
    amounts: Mapping[str, float] = {}
    try:
        amounts = read_limits(limits.items, opened.catalogue)
    except InputError as err:
        issues += [
            issue if typed.items else replace(issue, file=str(asking.plan_file), line=read.limits_line)
            for issue in err.issues
        ]
    if (limits.at_once or 1) > 1 and limits.days is None:
        issues.append(Issue("error", "no days are given", "type how many there are, like --days 30", field="--at-once"))
    wishes = (*read.wishes, *(Wish(address, must=True) for address in asking.must))
    routes = {wish.address: wish.route for wish in wishes if wish.route}
    runs, blocked = split_fractions(opened, state, lot, routes)
    issues += refuse_wishes(wishes, {run.address for run in runs}, blocked, opened)
    if issues:
        raise InputError("the plan cannot be made as it is asked for", issues=issues)
    notes = [
        f"{run.address} by {run.route}, as the plan file has it, not by its usual route"
        for run in runs
        if routes.get(run.address, "") not in ("", _usual(opened, state, run.address))
    ]
    must = tuple(dict.fromkeys(wish.address for wish in wishes if wish.must))
    fee = read.fee if asking.fee is None else asking.fee
    return Asked(limits, amounts, fee, must, runs, blocked, tuple(notes))


def refuse_amounts(given: Mapping[str, float | None], at_once: int | None = None) -> list[Issue]:
    """Amounts below 0 and such as are no number, by the option they were typed with, and no run at all at once."""
    issues = [
        Issue("error", f"{value:g} cannot be", "type a number from 0 on", field=name)
        for name, value in given.items()
        if value is not None and not (math.isfinite(value) and value >= 0)
    ]
    if at_once is not None and at_once < 1:
        issues.append(Issue("error", f"{at_once} runs at once cannot be", "type 1 or more", field="--at-once"))
    return issues


def _usual(opened: Opened, state: State, address: str) -> str:
    return opened.catalogue.kinds[state.bench.fraction(address).kind].usual_route


def refuse_wishes(wishes: Sequence[Wish], known: set[str], blocked: Sequence[Blocked], opened: Opened) -> list[Issue]:
    """What cannot be wished for: nothing left there, no such route, or a run that must not be."""
    reasons, issues = {item.address: item.reason for item in blocked}, []
    for wish in wishes:
        if wish.route and wish.route not in opened.catalogue.routes:
            issues.append(
                wish.refuse(f"there is no route '{wish.route}'", suggest(wish.route, opened.catalogue.routes))
            )
        elif wish.address in reasons:
            by = f" by {wish.route}" if wish.route else ""
            issues.append(wish.refuse(f"{wish.address} must not be processed{by}", reasons[wish.address]))
        elif wish.address not in known:
            hint = "`gradeest lot list` names what is there"
            issues.append(wish.refuse(f"there is nothing left to process at '{wish.address}'", hint))
        elif not (wish.must or wish.route):
            issues.append(wish.refuse(f"nothing is said of {wish.address}", "must = true, or a route"))
    return issues
