"""A check as JSON: documented in docs/json.md, versioned, SI units in the key names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flyback.analysis.assessment import Assessment, Band, Column, Step
from flyback.analysis.load_point import LoadPoint
from flyback.analysis.tolerance import Share
from flyback.board.model import LoadTest
from flyback.equations.formula import Input
from flyback.equations.glossary import GLOSSARY
from flyback.report.json_pieces import as_text, assumed_data, board_data, head, line_data, number
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS
from flyback.verdict.check import Check
from flyback.verdict.words import Judgement

if TYPE_CHECKING:
    from flyback.studies.evidence import Evidence

FORMAT = "flyback check"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(check: Check, evidence: Evidence | None = None) -> str:
    """The check as JSON text."""
    return as_text(to_data(check, evidence))


def to_data(check: Check, evidence: Evidence | None = None) -> dict[str, Any]:
    """The check as plain lists, dicts, strings and numbers; an absent limit is null.

    Args:
        evidence: the load tests weighed with it.
    """
    board = check.board
    return {
        **head(FORMAT, FORMAT_VERSION, check.version),
        "board": {**board_data(board), "topology": board.topology, "control": board.control},
        "judged": check.judged,
        "exit_code": (evidence or check).exit_code,
        "samples": check.samples,
        "seed": check.seed,
        "whole_range": check.whole_range,
        "claims": [_judgement(judgement, "power") for judgement in check.claims]
        + [_judgement(judgement, "label") for judgement in check.label],
        "why": list(check.why),
        "ladders": [_ladder(assessment) for assessment in check.assessments],
        "operating_points": {
            "load_A": check.load,
            "points": [None if point is None else _point(point) for point in check.points],
        },
        "small_currents": [
            {
                "name": entry.name,
                "current_A": float(entry.current),
                "resistor_power_W": float(entry.power),
                "resistor_rating_W": entry.rating,
            }
            for entry in check.indicators
        ],
        "load_tests": [_load_test(row) for row in board.load_tests],
        "with_load_tests": None
        if evidence is None
        else [
            {"text": one.text, "word": one.word.value, "reason": one.reason} for one in evidence.verdicts
        ],
        "assumed": [assumed_data(value) for value in check.assumed],
        "not_checked": list(check.not_checked),
        "left_out": list(check.left_out),
        "notices": list(check.notices),
        "cautions": list(CAUTIONS),
    }


def _share(share: Share) -> dict[str, float]:
    low, high = share.interval
    return {"share": share.value, "low": low, "high": high}


def _judgement(judgement: Judgement, kind: str) -> dict[str, Any]:
    column, outcome = judgement.column, judgement.outcome
    return {
        "text": judgement.text,
        "kind": kind,
        "word": judgement.word.value,
        "also": None if judgement.also is None else judgement.also.value,
        "reason": judgement.reason,
        "unknown": list(judgement.unknown),
        "figure": _figure(judgement.figure),
        "stopped_by": judgement.culprit,
        "line": None if column is None else line_data(column.line),
        "needed_W": None if outcome is None else float(outcome.needed),
        "lowest_W": None if column is None else _band(column.lowest),
        "reached": None if outcome is None else _share(outcome.reach),
        "reached_and_held": None if outcome is None else _share(outcome.both),
    }


def _figure(figure: Any) -> dict[str, Any] | None:
    """What label arithmetic arrived at, with the unit of the formula that gave it."""
    if figure is None:
        return None
    origin = figure.origin
    dimension = origin.dimension if isinstance(origin, Input) else GLOSSARY[origin.symbol].dimension
    return {"value": float(figure), "unit": DIMENSIONS[dimension].si_symbol}


def _band(band: Band) -> dict[str, float | None]:
    return {
        "nominal": number(band.nominal),
        "low_95": number(band.low),
        "high_95": number(band.high),
        "corner_low": number(band.corner_low),
        "corner_high": number(band.corner_high),
    }


def _ladder(assessment: Assessment) -> dict[str, Any]:
    return {
        "output_V": assessment.voltage,
        "lacking": {rung: list(keys) for rung, keys in assessment.lacking.items()},
        "unsettled_samples": assessment.unsettled,
        "lines": [_column(column) for column in assessment.columns],
    }


def _column(column: Column) -> dict[str, Any]:
    return {
        "line": line_data(column.line),
        "rail_V": float(column.V_o),
        "socket_V": float(column.V_socket),
        "lowest_W": _band(column.lowest) if column.steps else None,
        "ceilings": [_step(step) for step in column.steps],
    }


def _step(step: Step) -> dict[str, Any]:
    loaded = step.ceiling.loaded
    return {
        "name": step.rung.name,
        "question": step.rung.question.value,
        "parts": step.parts,
        "power_W": _band(step.band),
        "bulk_valley_V": None if loaded is None else float(loaded.V_valley),
        "bulk_mean_V": None if loaded is None else float(loaded.V_mean),
        "peak_current_A": None if loaded is None else float(loaded.load.I_pk),
        "power_at_mean_bulk_W": number(step.mean_power),
        "share_of_larger_bulk": step.bulk_share,
        "share_if_pulses_alternate": step.subharmonics,
    }


def _point(point: LoadPoint) -> dict[str, Any]:
    done, delivery = point.pulse, point.delivery
    return {
        "line": line_data(point.line),
        "bulk_valley_V": float(point.V_valley),
        "bulk_mean_V": float(point.V_mean),
        "bulk_power_W": float(done.P_in),
        "socket_power_W": float(delivery.P_socket),
        "primary_peak_current_A": float(done.I_pk),
        "primary_rms_current_A": float(done.I_p_rms),
        "switching_frequency_Hz": float(done.f_s),
        "duty_cycle": float(point.D),
        "continuous_conduction": point.continuous,
        "flux_density_T": number(point.B_pk),
        "secondary_peak_current_A": float(delivery.I_s_pk),
        "secondary_rms_current_A": float(delivery.I_s_rms),
        "capacitor_ripple_current_A": float(delivery.I_c_rms),
        "output_ripple_V": number(point.V_ripple),
    }


def _load_test(row: LoadTest) -> dict[str, Any]:
    return {
        "readings": [
            {"port": reading.port, "voltage_V": reading.voltage, "current_A": reading.current}
            for reading in row.readings
        ],
        "wall_power_W": row.wall_power,
        "mains_V": row.mains,
        "note": row.note,
    }
