"""How long material may be kept: spans as people type them, and what they mean."""

from __future__ import annotations

import pytest

from gradeest.errors import InputError
from gradeest.materials.catalogue import load_catalogue
from gradeest.records.domain import Bench
from gradeest.records.rules import check_payload
from gradeest.records.storage import storage_days
from gradeest.units import parse_days
from gradeest.workflow.unfinished import is_over
from tests.recorder import DAY, Recorder

CATALOGUE = load_catalogue()


@pytest.mark.parametrize(
    ("text", "days"),
    [("180 days", 180), ("1 day", 1), ("26 weeks", 182), ("6 months", 180), ("1 year", 365), ("90d", 90)],
)
def test_a_span_of_time_is_read_in_days(text: str, days: int) -> None:
    assert parse_days(text) == days


@pytest.mark.parametrize("text", ["180", "soon", "3 moons", "0 days", "-5 days", "0.4 days", "1e9 years"])
def test_what_is_no_span_of_time_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_days(text)


def test_the_clock_is_the_last_one_set_and_no_takes_it_away() -> None:
    recorder = Recorder(CATALOGUE)
    assert storage_days(recorder.bench) is None
    recorder.add("setting", {"name": "storage-clock", "value": "1 year"})
    recorder.add("setting", {"name": "storage-clock", "value": "180 days"})
    assert storage_days(recorder.bench) == 180
    recorder.add("setting", {"name": "storage-clock", "value": "no"})
    assert storage_days(recorder.bench) is None


@pytest.mark.parametrize(
    ("name", "value", "field"),
    [("storage-clock", "180", "value"), ("storage-clock", "yes", "value"), ("storage-clock:jars", "2 days", "name")],
)
def test_a_clock_that_means_nothing_is_refused(name: str, value: str, field: str) -> None:
    issues = check_payload(Bench(), "setting", {"name": name, "value": value}, CATALOGUE, happened_on=DAY)
    assert [(issue.severity, issue.field) for issue in issues] == [("error", field)]


def test_the_clock_is_over_the_day_after_its_last() -> None:
    last = DAY.fromordinal(DAY.toordinal() + 180)
    assert not is_over(DAY, last, 180)
    assert is_over(DAY, last.fromordinal(last.toordinal() + 1), 180)
    assert not is_over(DAY, last, None)
