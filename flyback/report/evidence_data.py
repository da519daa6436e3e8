"""Load tests weighed with the parts, as JSON: documented in docs/json_evidence.md, SI units."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from flyback.report.json_pieces import as_text, assumed_data, head, line_data
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.bulk import Line
    from flyback.studies.curve import Candidate, CurveReading
    from flyback.studies.evidence import Evidence, Verdict
    from flyback.studies.implied import Implied
    from flyback.studies.readings import Detail
    from flyback.studies.reconcile import Chance, Interval, Reconciled

FORMAT = "flyback evidence"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Evidence, curves: Sequence[tuple[Line | None, CurveReading]]) -> str:
    """The evidence as JSON text."""
    return as_text(to_data(found, curves))


def to_data(found: Evidence, curves: Sequence[tuple[Line | None, CurveReading]]) -> dict[str, Any]:
    """The evidence as plain lists, dicts, strings and numbers."""
    board, readings = found.check.board, found.readings
    return {
        **head(FORMAT, FORMAT_VERSION, found.check.version, board),
        "exit_code": found.exit_code,
        "seed": found.check.seed,
        "claims": [_verdict(one) for one in found.verdicts],
        "readings": [_detail(one) for one in readings.details],
        "curves": [_curve(line, curve) for line, curve in curves],
        "together": None if found.reconciled is None else _together(found.reconciled),
        "notices": [*found.notices, *readings.notices],
        "taken": list(readings.taken),
        "assumed": [assumed_data(value) for value in readings.assumed],
        "cautions": list(CAUTIONS),
    }


def _verdict(one: Verdict) -> dict[str, Any]:
    outcome = one.parts.outcome
    shown = one.readings.detail
    return {
        "text": one.text,
        "parts_alone": one.parts.word.value,
        "parts_alone_share": None if outcome is None else outcome.both.value,
        "readings_alone": one.readings.showing.value,
        "reading": None if shown is None else shown.observed.where,
        "word": one.word.value,
        "also": None if one.also is None else one.also.value,
        "share": None if one.chance is None else _chance(one.chance),
        "reason": one.reason,
    }


def _chance(chance: Chance) -> dict[str, float]:
    low, high = chance.interval
    return {"before": chance.before, "after": chance.after, "low": low, "high": high}


def _detail(detail: Detail) -> dict[str, Any]:
    seen = detail.observed
    return {
        "where": seen.where,
        "line": None if seen.line is None else line_data(seen.line),
        "voltage_V": seen.V_o,
        "voltage_u_V": seen.u_V,
        "current_A": seen.I_o,
        "current_u_A": seen.u_I,
        "power_W": detail.P_o,
        "power_bar_W": detail.U_P_o,
        "wall_power_W": seen.P_wall,
        "efficiency": detail.eta,
        "efficiency_bar": None if detail.eta is None else detail.U_eta,
        "parts_allow_A": None if detail.band is None else list(detail.band),
        "place": detail.place.value,
        "notices": list(detail.notices),
    }


def _curve(line: Line | None, curve: CurveReading) -> dict[str, Any]:
    knee = curve.knee
    return {
        "line": None if line is None else line_data(line),
        "kind": curve.word,
        "certain": curve.certain,
        "candidates": [_candidate(one) for one in curve.candidates],
        "knee": None
        if knee is None
        else {
            "current_A": knee.I_o,
            "current_u_A": knee.u_I,
            "voltage_V": knee.V_o,
            "voltage_u_V": knee.u_V,
        },
        "tells_apart": curve.tells_apart,
        "notices": list(curve.notices),
    }


def _candidate(one: Candidate) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "probability": one.probability,
        "chi_squared": one.chi2,
        "numbers": [
            {"name": number.name, "value": number.value, "u": number.u, "unit": number.unit or "1"}
            for number in one.parameters
        ],
        "explained": one.explained,
    }


def _together(found: Reconciled) -> dict[str, Any]:
    wrong = found.contradiction
    return {
        "samples": found.samples,
        "effective_samples": found.effective,
        "method": found.method,
        "share_of_boards_like_this": found.p,
        "chi_squared": found.misfit,
        "numbers_read": found.terms,
        "power_at_set_voltage": [
            {
                "line": line_data(one.line),
                "before_W": _interval(one.before),
                "after_W": _interval(one.after),
            }
            for one in found.delivered
        ],
        "moved": [
            {
                "key": one.value.key,
                "unit": DIMENSIONS[one.value.dimension].si_symbol,
                "before": _interval(one.before),
                "after": _interval(one.after),
            }
            for one in found.moved
        ],
        "implied": [_implied(one) for one in found.implied],
        "contradiction": None
        if wrong is None
        else {
            "kind": wrong.kind.value,
            "words": wrong.words,
            "reading": wrong.reading.observed.where,
            "parts_give_A": {"low": wrong.low, "nominal": wrong.nominal, "high": wrong.high},
            "alternatives": [
                {"words": other.words, "current_A": other.I_o, "explains": other.plausible}
                for other in wrong.alternatives
            ],
        },
    }


def _interval(found: Interval) -> dict[str, float]:
    return {"median": found.median, "low_95": found.low, "high_95": found.high}


def _implied(one: Implied) -> dict[str, Any]:
    return {
        "parts": one.name,
        "unit": DIMENSIONS[one.dimension].si_symbol,
        "traced": one.traced,
        "median": one.median,
        "low_95": None if one.open_below else one.low,
        "high_95": None if one.open_above else one.high,
    }
