"""A what-if as JSON: documented in docs/alter.md, versioned, SI units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from flyback.report.alter_text import TO_LEARN_FROM
from flyback.report.data import to_data as check_data
from flyback.report.json_pieces import as_text, head, number
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.assessment import Step
    from flyback.studies.alter import Altered
    from flyback.studies.compared import ClaimMove, Ladder, Modes, Reached, Row

FORMAT = "flyback alter"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Altered) -> str:
    """The what-if as JSON text."""
    return as_text(to_data(found))


def to_data(found: Altered) -> dict[str, Any]:
    """The what-if as plain lists, dicts, strings and numbers."""
    at_load, at_limit = found.modes
    return {
        **head(FORMAT, FORMAT_VERSION, found.after.version),
        "exit_code": found.exit_code,
        "moved": found.moved,
        "changes": [{"text": str(change), "idle": change in found.idle} for change in found.changes],
        "made": [
            {
                "designator": made.designator,
                "role": made.role,
                "key": made.key,
                "before": made.before,
                "after": made.after,
            }
            for made in found.made
        ],
        "kept": list(found.kept),
        "claims": [_claim(claim) for claim in found.claims],
        "ladders": [_ladder(ladder) for ladder in found.ladders],
        "at_load": {"load_A": found.load, "unfed": list(found.unfed), **_points(found.at_load, at_load)},
        "at_limit": _points(found.at_limit, at_limit),
        "small_currents": [_row(row) for row in found.small],
        "worse": list(found.worse),
        "load_tests": None
        if found.readings is None
        else {"before": found.readings[0], "after": found.readings[1]},
        "before": check_data(found.before),
        "after": check_data(found.after),
        "cautions": [TO_LEARN_FROM, *CAUTIONS],
    }


def _claim(claim: ClaimMove) -> dict[str, Any]:
    return {
        "text": claim.text,
        "unit": DIMENSIONS[claim.dimension].si_symbol,
        "word_before": claim.before.word.value,
        "word_after": claim.after.word.value,
        "moved": claim.moved,
        "turn": claim.turn.value,
        "lines": [
            {"line": at.line, "before": _reached(at.before), "after": _reached(at.after)}
            for at in claim.lines
        ],
    }


def _reached(reached: Reached | None) -> dict[str, Any] | None:
    if reached is None:
        return None
    return {
        "nominal": number(reached.nominal),
        "low_95": number(reached.low),
        "high_95": number(reached.high),
        "met": reached.met.value,
    }


def _ladder(ladder: Ladder) -> dict[str, Any]:
    return {
        "output_V": ladder.voltage,
        "ceilings": [_row(row) for row in ladder.rows],
        "first": [
            {
                "line": first.line,
                "before": _step(first.before),
                "after": _step(first.after),
                "changed": first.changed,
            }
            for first in ladder.firsts
        ],
    }


def _step(step: Step | None) -> dict[str, str] | None:
    return None if step is None else {"name": step.rung.name, "parts": step.parts}


def _points(rows: Sequence[Row], modes: Modes) -> dict[str, Any]:
    return {
        "figures": [_row(row) for row in rows],
        "conduction": [{"line": line, "before": old, "after": new} for line, old, new in modes.cells],
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "name": row.name,
        "unit": DIMENSIONS[row.dimension].si_symbol,
        "parts_before": row.parts[0],
        "parts_after": row.parts[1],
        "moved": row.moved,
        "turn": row.turn.value,
        "lines": [
            {
                "line": cell.line,
                "before": number(cell.before),
                "after": number(cell.after),
                "change": cell.change,
            }
            for cell in row.cells
        ],
    }
