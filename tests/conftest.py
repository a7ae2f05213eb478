"""What all tests share: gates are open, except where a test is about them (`@pytest.mark.gates`)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from gradeest.workflow import gates

AS_SHIPPED = gates.is_closed


@pytest.fixture(scope="session", autouse=True)
def gates_open() -> Iterator[None]:
    """Nobody sits at a terminal in a test to type the word of a route's gate; `tests/cli/test_gates.py` does."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gates, "is_closed", lambda *_: False)
        yield


@pytest.fixture(autouse=True)
def gates_as_shipped(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests that are about gates."""
    if request.node.get_closest_marker("gates") is not None:
        monkeypatch.setattr(gates, "is_closed", AS_SHIPPED)
