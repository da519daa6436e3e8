"""What is printed, as it comes out on paper: no terminal, no colour."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

from rich.cells import cell_len

from flyback.report.pieces import WIDTH, console
from flyback.report.safety import CAUTIONS


def printed(show: Callable[..., None], *what: Any, width: int = WIDTH) -> str:
    """What a function of `flyback.report` prints of something on the console it takes last."""
    out = console(width)
    out.file = io.StringIO()
    show(*what, out)
    text = out.file.getvalue()
    assert isinstance(text, str)
    return text


def flat(text: str) -> str:
    """Text without its line breaks and columns."""
    return " ".join(text.split())


def misfits(text: str, width: int = WIDTH) -> list[str]:
    """Lines that are too wide, or end in blanks that nobody sees.

    >>> misfits("wide enough\\nblank \\ntoo wide", width=7)
    ['wide enough', 'blank ', 'too wide']
    >>> misfits("床头充电器 fits", width=15)
    []
    """
    return [line for line in text.splitlines() if cell_len(line) > width or line != line.rstrip()]


def cautioned(text: str) -> bool:
    """True where every caution stands in a text, however it is broken.

    >>> cautioned("\\n".join(CAUTIONS).replace(" ", "\\n")), cautioned(" ".join(CAUTIONS[1:]))
    (True, False)
    """
    return all(flat(caution) in flat(text) for caution in CAUTIONS)
