"""Settings of every test run: the same examples each time, and no stopwatch on any of them."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci")
