"""The readings of a marking as JSON: documented in docs/json_decode.md, SI units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flyback import __version__
from flyback.report.json_pieces import as_text, head, number
from flyback.report.safety import CAUTIONS
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.board.decoding.clues import Reading
    from flyback.board.decoding.conflict import Conflict
    from flyback.board.decoding.decode import Decoded
    from flyback.board.decoding.measured import Fit, Measured

FORMAT = "flyback decode"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Decoded) -> str:
    """The readings as JSON text."""
    return as_text(to_data(found))


def to_data(found: Decoded) -> dict[str, Any]:
    """The readings as plain lists, dicts, strings and numbers."""
    fits = found.fits or (None,) * len(found.readings)
    return {
        **head(FORMAT, FORMAT_VERSION, __version__),
        "marking": found.text,
        "asked": found.asked,
        "exit_code": found.exit_code,
        "readings": [_reading(one, fit) for one, fit in zip(found.readings, fits, strict=True)],
        "not_read": list(found.unread),
        "measured": None if found.measured is None else _measured(found.measured),
        "conflict": None if found.conflict is None else _conflict(found.conflict),
        "notices": list(found.notices),
        "cautions": list(CAUTIONS),
    }


def _reading(one: Reading, fit: Fit | None) -> dict[str, Any]:
    clue = one.clue
    return {
        "part": one.kind.value,
        "read_as": one.code,
        "value": one.value,
        "unit": DIMENSIONS[one.kind.dimension].si_symbol,
        "tolerance": None if one.tolerance is None else list(one.tolerance),
        "rated_V": clue.voltage,
        "rated_W": clue.power,
        "highest_K": clue.temperature,
        "drift_per_K": clue.drift,
        "remark": clue.remark,
        "standing": one.standing.value,
        "system": clue.system,
        "how": clue.words,
        "doubts": [{"weight": doubt.weight, "words": doubt.words} for doubt in one.doubts],
        "sources": [
            {"what": source.what, "source": source.source, "basis": source.basis} for source in one.sources
        ],
        "fit": None if fit is None else _fit(fit),
    }


def _fit(fit: Fit) -> dict[str, Any]:
    return {
        "fits": fit.agrees,
        "low": fit.low,
        "high": fit.high,
        "factor": number(fit.factor),
        "apart": number(fit.apart),
    }


def _measured(measured: Measured) -> dict[str, Any]:
    return {
        "text": measured.text,
        "value": measured.value,
        "low": measured.low,
        "high": measured.high,
        "unit": DIMENSIONS[measured.dimension].si_symbol,
        "accuracy_share": measured.share,
        "accuracy_floor": measured.floor,
        "accuracy_assumed": measured.lent,
    }


def _conflict(conflict: Conflict) -> dict[str, Any]:
    return {
        "settled": conflict.settled,
        "words": conflict.words,
        "slips": [{"code": slip.code, "value": slip.value, "words": slip.words} for slip in conflict.slips],
        "advice": conflict.advice,
    }
