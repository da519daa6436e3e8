"""What to measure next as JSON: documented in docs/json_next.md, SI units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flyback.report.json_pieces import as_text, head, line_data, number
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.leverage import Saving
    from flyback.studies.settle import Next, Row

FORMAT = "flyback next"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Next) -> str:
    """What to measure next as JSON text."""
    return as_text(to_data(found))


def to_data(found: Next) -> dict[str, Any]:
    """What to measure next as plain lists, dicts, strings and numbers."""
    board, (low, high) = found.check.board, found.band
    return {
        **head(FORMAT, FORMAT_VERSION, found.check.version, board),
        "exit_code": found.exit_code,
        "samples": found.samples,
        "seed": found.check.seed,
        "load_test_counted": found.weighed,
        "claim": found.claim,
        "word": found.word.value,
        "line": line_data(found.line),
        "needed_W": found.needed,
        "low_95_W": number(low),
        "high_95_W": number(high),
        "call": "holds" if found.holds else "does not hold",
        "chance_of_wrong": found.chance,
        "way": found.answer.way.value,
        "answer": list(found.answer.words),
        "unpowered_together": _saving(found.together),
        "readings": [_row(row) for row in found.rows],
        "notices": list(found.notices),
        "cautions": list(CAUTIONS),
    }


def _saving(saving: Saving) -> dict[str, float]:
    return {"chance": saving.chance, "standard_error": saving.error}


def _row(row: Row) -> dict[str, Any]:
    return {
        "name": row.name,
        "parts": row.parts,
        "within": row.within,
        "kind": row.kind.value,
        "unit": DIMENSIONS[row.dimension].si_symbol,
        "expected": number(row.expected),
        "low_95": number(row.low),
        "high_95": number(row.high),
        "how": row.how,
        "access": row.access.value,
        "variable_transformer": row.transformer,
        "caution": row.caution,
        "accuracy": row.accuracy,
        "accuracy_needed": row.accuracy_needed,
        "saves": _saving(row.saved),
        "saves_if_exact": _saving(row.known),
        "narrows_by_W": row.narrowing,
        "narrows_by_share": row.narrowing_share,
        "variance_alone": row.first,
        "variance_in_all": row.total,
    }
