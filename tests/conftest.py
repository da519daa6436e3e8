"""Settings of every test run: the same examples each time, no stopwatch on any of them, no terminal."""

from __future__ import annotations

import pytest
from hypothesis import settings

settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci")


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is printed must not depend on where the tests run."""
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
