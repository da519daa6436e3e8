"""Suspicions as JSON: documented in docs/json_suspects.md, SI units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flyback.report.json_pieces import as_text, head, line_data
from flyback.report.safety import CAUTIONS
from flyback.studies.suspect_words import check, headline, innocent
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.studies.figure import Figure
    from flyback.studies.suspects import Explanation, Finding, Suspicions
    from flyback.studies.tested import Told
    from flyback.studies.untraced import Missing

FORMAT = "flyback suspects"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Suspicions) -> str:
    """Suspicions as JSON text."""
    return as_text(to_data(found))


def to_data(found: Suspicions) -> dict[str, Any]:
    """Suspicions as plain lists, dicts, strings and numbers."""
    board = found.board
    return {
        **head(FORMAT, FORMAT_VERSION, found.version, board),
        "exit_code": found.exit_code,
        "seed": found.seed,
        "findings": [_finding(one, found) for one in found.findings],
        "odd": [_figure(one) for one in found.odd],
        "not_traced": [_missing(one) for one in found.missing],
        "figures": [_figure(one) for one in found.figures.values()],
        "boards_tried": found.slips,
        "readings_weighed": found.tested,
        "notices": list(found.notices),
        "cautions": list(CAUTIONS),
    }


def _finding(one: Finding, found: Suspicions) -> dict[str, Any]:
    return {
        "grade": one.grade.value,
        "chance": one.chance,
        "explanations": [_explanation(explanation, found) for explanation in one.explanations],
        "further": one.further,
    }


def _explanation(one: Explanation, found: Suspicions) -> dict[str, Any]:
    slip = one.slip
    return {
        "text": headline(one, found.board),
        "kind": slip.kind.value,
        "parts": list(slip.parts),
        "all_of_them": slip.alike,
        "reading": slip.reading or None,
        "slip": None if slip.how is None else slip.how.value,
        "other_readings": [other.reading for other in one.others],
        "odds": one.odds,
        "share": one.share,
        "figures": [{"as_traced": _figure(old), "then": _figure(new)} for old, new in one.moved],
        "load_test_gain": one.of_test,
        "load_test": None if one.told is None else _told(*one.told),
        "innocent": innocent(one),
        "check": check(one, found.board),
    }


def _told(traced: Told, then: Told) -> dict[str, Any]:
    reading = traced.reading
    return {
        "where": reading.observed.where,
        "line": line_data(reading.line),
        "voltage_V": reading.observed.V_o,
        "current_A": reading.current,
        "at_the_limit": reading.sags,
        "as_traced_A": traced.I_o,
        "then_A": then.I_o,
    }


def _figure(one: Figure) -> dict[str, Any]:
    low, high = one.ends
    return {
        "name": one.row.figure,
        "of": list(one.of),
        "parts": list(one.parts),
        "value": one.told,
        "low": low,
        "high": high,
        "unit": DIMENSIONS[one.dimension].si_symbol,
        "outside": one.outside,
        "oddness": one.oddness,
        "over": one.row.over or None,
        "source": one.row.source,
        "basis": one.row.basis,
    }


def _missing(one: Missing) -> dict[str, str]:
    return {
        "name": one.name,
        "grade": one.grade.value,
        "why": one.why,
        "innocent": one.innocent,
        "check": one.check,
    }
