"""The bar: on a terminal only, only where it takes long, and gone at the end."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterable

import pytest

from flyback.report.progress import bar


class Terminal(io.StringIO):
    """A standard error that is a terminal."""

    def isatty(self) -> bool:
        return True


def ticking(seconds: Iterable[float]) -> Callable[[], float]:
    """A clock that shows the given times one after the other."""
    times = iter(seconds)
    return lambda: next(times)


def shown(err: io.StringIO, clock: Callable[[], float], monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setenv("TERM", "xterm")
    with bar("simulating", clock=clock) as tell:
        for share in (0.1, 0.2, 0.2001, 1.0):
            tell(share)
    return err.getvalue()


def test_long_work_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    text = shown(Terminal(), ticking([0.0, 0.5, 1.5]), monkeypatch)
    assert "simulating" in text
    assert "100%" in text
    # the line is erased again
    assert text.rstrip().endswith("\x1b[2K")


def test_short_work_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(Terminal(), ticking([0.0, 0.1, 0.2, 0.3, 0.9]), monkeypatch) == ""


def test_work_without_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(io.StringIO(), ticking([]), monkeypatch) == ""


def test_it_goes_when_the_work_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    err = Terminal()
    monkeypatch.setattr(sys, "stderr", err)
    monkeypatch.setenv("TERM", "xterm")
    with pytest.raises(KeyboardInterrupt), bar("simulating", clock=ticking([0.0, 2.0])) as tell:  # noqa: PT012
        tell(0.5)
        raise KeyboardInterrupt
    assert err.getvalue().rstrip().endswith("\x1b[2K")
