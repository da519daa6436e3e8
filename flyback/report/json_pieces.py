"""What every JSON format is made of: its head, the board it is about, numbers, lines, assumed values."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.bulk import Line
    from flyback.board.model import Board, Value


def as_text(data: dict[str, Any]) -> str:
    """Data as JSON text; a number that JSON does not know is an error and not written."""
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False)


def head(name: str, version: int, program: str, board: Board | None = None) -> dict[str, Any]:
    """The first keys of a format.

    Args:
        version: of the format; raised whenever a key changes its meaning or goes, not for new ones.
        program: version of the program.
        board: what it is about, if it is about one board.
    """
    found: dict[str, Any] = {
        "format": name,
        "format_version": version,
        "flyback_version": program,
    }
    if board is not None:
        found["board"] = board_data(board)
    return found


def board_data(board: Board) -> dict[str, Any]:
    """Which board, and which state of its file."""
    return {
        "name": board.name,
        "file": None if board.path is None else str(board.path),
        "digest": board.digest,
    }


def number(value: Any) -> float | None:
    """A number, or null for an absent limit."""
    return None if value is None or math.isinf(float(value)) else float(value)


def line_data(line: Line) -> dict[str, Any]:
    """What feeds the supply."""
    return {
        "name": line.full_name,
        "mains_V": number(line.V_ac),
        "frequency_Hz": number(line.f_line),
        "dc_V": number(line.V_fixed),
    }


def assumed_data(value: Value) -> dict[str, Any]:
    """A value that the handbook lent."""
    return {
        "key": value.key,
        "low": value.low,
        "nominal": value.nominal,
        "high": value.high,
        "unit": DIMENSIONS[value.dimension].si_symbol,
        "source": value.source,
        "basis": value.basis,
    }
