"""Design check of small mains flyback supplies: traced parts in, verdict on the label out.

>>> import flyback
>>> board = flyback.load("worked_examples/wall_charger.toml")
>>> result = flyback.check(board)
>>> [(judged.text, judged.word.value) for judged in result.claims]
[('2 A', 'very likely')]
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flyback.board.model import Board
    from flyback.verdict.check import Check

__all__ = ["__version__", "check", "load"]
__version__ = "0.1.0"


def load(path: str | os.PathLike[str]) -> Board:
    """Read a board file; see `flyback.board.file.load`."""
    from flyback.board import file

    return file.load(path)


def check(board: Board, **options: Any) -> Check:
    """Judge every claim of a board's label; see `flyback.verdict.check.check` for the options."""
    from flyback.verdict import check as checking

    return checking.check(board, **options)
