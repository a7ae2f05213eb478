"""The storage clock: how long the bench may keep material, as its owner set it."""

from __future__ import annotations

from gradeest.records.domain import STORAGE_CLOCK, Bench

NO_CLOCK = ("", "no", "none", "off")


def read_storage_days(value: str) -> int | None:
    """Days a storage clock allows; None where the value takes it away. Raises InputError for what is no span."""
    from gradeest.units import parse_days

    return None if value.strip().lower() in NO_CLOCK else parse_days(value)


def storage_days(bench: Bench) -> int | None:
    """Days after which material is over the bench's storage clock; None where no clock is set."""
    setting = bench.settings.get(STORAGE_CLOCK)
    return None if setting is None else read_storage_days(setting.value)
