"""What lets in hours, money and waste of a batch, and a gate passed, and how their events become records."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from gradeest.materials.work_steps import minutes_of
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.payloads import date_of
from gradeest.records.references import Context, began_by, find_batch
from gradeest.records.work import GatePassed, Spending, Waste, WorkHours

FAR_OFF = 10.0  # times beyond the route's own 5 and 95 % points: a unit or a decimal point slipped
MOST_L = 1e5
WORK_KINDS = ("hours", "spending", "waste", "gate")  # events that say nothing of grades


def check_hours(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against hours put into a batch."""
    batch = _check_batch(payload, context, found)
    hours, step = payload["hours"], payload.get("step")
    if step and batch is not None:
        steps = minutes_of(batch.route, context.catalogue.work_steps)
        if step not in steps:
            known = f"one of: {', '.join(steps)}; or no step: all other work"
            found.error("step", f"'{step}' is no step of {batch.route}", known)
    if not is_number(hours) or hours <= 0:
        found.error("hours", f"{hours} cannot be hours", "hands-on hours with their unit, such as 3.5 h")
    elif batch is not None:
        shares = context.catalogue.shares
        fixed, per_kg = (shares.get(f"{name}:{batch.route}") for name in ("hours-fixed", "hours-per-kg"))
        if fixed is not None and per_kg is not None:
            most = FAR_OFF * (fixed.q95 + per_kg.q95 * batch.mass_kg)
            if hours > most:
                found.ask("hours", f"{hours:g} h for {batch.mass_kg:g} kg is very long", "waiting is no hands-on time")


def check_spending(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against money spent on a batch."""
    _check_batch(payload, context, found)
    amount = payload["amount"]
    if not is_number(amount) or amount < 0:
        found.error("amount", f"{amount} cannot have been spent", "an amount of 0 or more, such as 42.50")


def check_waste(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against liquid waste of a batch."""
    _check_batch(payload, context, found)
    volume = payload["volume_l"]
    if not is_number(volume) or not 0 < volume <= MOST_L:
        found.error("volume_l", f"{volume} L cannot be", "a volume with its unit, such as 6 L")


def _check_batch(payload: Mapping[str, Any], context: Context, found: Findings) -> Any:
    batch = find_batch(payload["batch"], context, found)
    if batch is not None:
        began_by(found, context, batch.date, batch.name)
    return batch


def hours_from(payload: Mapping[str, Any], happened_on: dt.date, number: int) -> WorkHours:
    """The hours of an "hours" event."""
    date = date_of(payload, happened_on)
    return WorkHours(payload["batch"], float(payload["hours"]), payload.get("step") or "", date, number)


def spending_from(payload: Mapping[str, Any], happened_on: dt.date, number: int) -> Spending:
    """The money of a "spending" event."""
    date = date_of(payload, happened_on)
    return Spending(payload["batch"], float(payload["amount"]), payload.get("what") or "", date, number)


def waste_from(payload: Mapping[str, Any], happened_on: dt.date, number: int) -> Waste:
    """The waste of a "waste" event."""
    date, litres = date_of(payload, happened_on), float(payload["volume_l"])
    return Waste(payload["batch"], litres, payload["what"], payload["went"], date, number)


def check_gate(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a gate passed."""
    route, routes = str(payload["route"]), context.catalogue.routes
    if route not in routes:
        found.error("route", f"there is no route '{route}'", suggest(route, routes, "a route"))


def gate_from(payload: Mapping[str, Any], happened_on: dt.date, number: int) -> GatePassed:
    """The gate of a "gate" event."""
    return GatePassed(payload["route"], payload["text"], date_of(payload, happened_on), number)
