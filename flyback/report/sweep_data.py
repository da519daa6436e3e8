"""A sweep as JSON: documented in docs/json_sweep.md, versioned, SI units in the key names."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from flyback.analysis.tolerance import Array
from flyback.report.json_pieces import as_text, assumed_data, head, line_data
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.studies.sweep import ClaimOver, Sweep
    from flyback.studies.sweep_axes import Axis
    from flyback.studies.sweep_grid import Range

FORMAT = "flyback sweep"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Sweep) -> str:
    """The sweep as JSON text."""
    return as_text(to_data(found))


def to_data(found: Sweep) -> dict[str, Any]:
    """The sweep as plain lists, dicts, strings and numbers; of two axes the first is outside."""
    one = len(found.axes) == 1
    names = np.array([*(ceiling.name for ceiling in found.ceilings), ""], dtype=object)
    return {
        **head(FORMAT, FORMAT_VERSION, found.version, found.board),
        "axes": [_axis(axis) for axis in found.axes],
        "line": line_data(found.line) if found.line.V_ac or found.line.V_fixed else None,
        "frequency_Hz": None if found.line.f_line is None else float(found.line.f_line),
        "output_V": found.voltage,
        "other_outputs_V": list(found.other_voltages),
        "ceilings": [
            {
                "name": ceiling.name,
                "question": ceiling.question.value,
                "parts": ceiling.parts,
                "power_W": _numbers(ceiling.power),
            }
            for ceiling in found.ceilings
        ],
        "lowest_W": _numbers(found.lowest),
        "low_95_W": _numbers(found.low),
        "high_95_W": _numbers(found.high),
        "binding": names[found.binding].tolist(),
        "crossings": [
            {
                "at": crossing.at,
                "before": crossing.before,
                "after": crossing.after,
                "power_W": crossing.power if math.isfinite(crossing.power) else None,
            }
            for crossing in found.crossings
        ]
        if one
        else None,
        "claims": [_claim(claim, one=one) for claim in found.claims],
        "samples": found.samples,
        "seed": found.seed,
        "notes": list(found.notes),
        "assumed": [assumed_data(value) for value in found.assumed],
        "not_checked": list(found.not_checked),
        "left_out": list(found.left_out),
        "cautions": list(CAUTIONS),
    }


def _axis(axis: Axis) -> dict[str, Any]:
    return {
        "name": axis.name,
        "key": axis.key,
        "meaning": axis.meaning,
        "unit": DIMENSIONS[axis.dimension].si_symbol,
        "values": axis.values.tolist(),
        "now": axis.now,
        "between_steps": not axis.stepped,
        "series": axis.series,
    }


def _claim(claim: ClaimOver, *, one: bool) -> dict[str, Any]:
    return {
        "text": claim.text,
        "needed_W": _numbers(claim.needed),
        "met_share": _numbers(claim.met),
        "ranges": [_range(stretch) for stretch in claim.ranges] if one else None,
        "whole_band": [_range(stretch) for stretch in claim.whole_band] if one else None,
    }


def _range(stretch: Range) -> dict[str, float]:
    return {"low": stretch.low, "high": stretch.high}


def _numbers(values: Array) -> list[Any]:
    """An array as lists, with null where it is not finite."""
    if values.ndim > 1:
        return [_numbers(row) for row in values]
    return [x if math.isfinite(x) else None for x in values.tolist()]
