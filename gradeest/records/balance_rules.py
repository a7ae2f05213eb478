"""Balances: what lets one in, a check with a known weight, and whether a reading fits the balance it names."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gradeest.records.domain import Bench
from gradeest.records.findings import Findings, is_number, suggest
from gradeest.records.lot_rules import check_name
from gradeest.records.references import Context

DIGIT = 1e-6  # a reading is a whole number of steps up to this share of a step
NO_NAME = "bench"  # a record that names no balance


def check_balance(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a balance."""
    name, step = payload["name"], payload["readability_g"]
    if check_name(found, "name", name) and name.lower() in {known.lower() for known in context.bench.balances}:
        found.error("name", f"there is a balance '{name}' already", "another name, or `gradeest amend`")
    if not is_number(step) or step <= 0:
        found.error("readability", f"{step} cannot be a balance's step", "its last digit, e.g. 0.01 g")


def check_check(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """Add what speaks against a check of a balance with a known weight."""
    weight, reads = payload["weight_g"], payload["reads_g"]
    balance = context.bench.balances.get(payload["balance"])
    if balance is None:
        found.error("balance", f"there is no balance '{payload['balance']}'", balances_hint(context.bench, payload))
    usable = True
    for name, value in (("weight", weight), ("reads", reads)):
        if not is_number(value) or value <= 0:
            found.error(name, f"{value} cannot be a weight", "above zero with its unit, e.g. 5 g")
            usable = False
    if not usable:
        return
    limit = context.catalogue.constants["balance.check_absurd"]
    if abs(reads / weight - 1) > limit * (1 + DIGIT):
        found.ask(
            "reads",
            f"{reads:g} g for a weight of {weight:g} g is off by {reads / weight - 1:+.1%}",
            "check the unit, the digits and that the pan was empty at zero",
        )
    if balance is not None and not fits(reads, balance.readability_g):
        found.ask("reads", f"{reads:g} g does not fit steps of {balance.readability_g:g} g", "the reading as shown")
    if balance is not None and weight < balance.readability_g:
        found.error("weight", f"{balance.name} cannot show {weight:g} g (steps of {balance.readability_g:g} g)")


def check_named_balance(payload: Mapping[str, Any], context: Context, found: Findings) -> None:
    """What to ask or say about the balance that a weight names."""
    name, step = payload.get("balance") or NO_NAME, payload["readability_g"]
    balance = context.bench.balances.get(name)
    if balance is None and name != NO_NAME:
        hint = balances_hint(context.bench, payload)
        found.warn("balance", f"there is no balance '{name}': it counts as one that was never checked", hint)
    elif balance is not None and is_number(step) and abs(step / balance.readability_g - 1) > DIGIT:
        found.ask(
            "readability",
            f"{name} shows steps of {balance.readability_g:g} g, not {step:g} g",
            "leave --readability out, or name another balance",
        )


def with_readability(bench: Bench, payload: Mapping[str, Any], found: Findings) -> dict[str, Any]:
    """The payload of a product with the step of the balance it names filled in where none was given.

    A range from an old note stands for the whole reading: a tenth of it then stands in for the step.
    """
    filled = dict(payload)
    if filled.get("readability_g") is not None:
        return filled
    balance = bench.balances.get(filled.get("balance") or NO_NAME)
    if balance is not None:
        filled["readability_g"] = balance.readability_g
    elif filled.get("interval_g"):
        filled["readability_g"] = filled["interval_g"] / 10
    elif len(bench.balances) == 1 and not filled.get("balance"):
        (only,) = bench.balances.values()
        filled |= {"balance": only.name, "readability_g": only.readability_g}
        found.warn("balance", f"weighed on {only.name}, the only balance there is: steps of {only.readability_g:g} g")
    else:
        name = filled.get("balance")
        message = f"there is no balance '{name}'" if name else "which balance, or its smallest step, is missing"
        found.error("balance", message, balances_hint(bench, payload))
    return filled


def last_used(bench: Bench) -> str | None:
    """The balance to offer: the one used last, else the one added last."""
    weighed = sorted((p.event, p.balance) for b in bench.batches.values() for p in b.products)
    named = [name for _, name in weighed if name in bench.balances]
    return named[-1] if named else next(reversed(bench.balances), None)


def fits(reading_g: float, step_g: float) -> bool:
    """Whether a reading is a whole number of steps."""
    steps = reading_g / step_g
    return abs(steps - round(steps)) <= DIGIT * max(1.0, steps)


def balances_hint(bench: Bench, payload: Mapping[str, Any]) -> str:
    """Which balances there are."""
    if not bench.balances:
        return 'give its step (readability), or add it first: gradeest balance add NAME --readability "0.01 g"'
    names = list(bench.balances)
    return suggest(str(payload.get("balance")), names, f"balances: {', '.join(names)}")
