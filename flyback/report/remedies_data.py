"""Remedies as JSON: documented in docs/remedies.md, SI units in the key names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flyback.report.json_pieces import as_text, assumed_data, head, line_data, number
from flyback.report.safety import CAUTIONS
from flyback.studies.remedies import NOT_COUNTED, TEACHING
from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.assessment import Band, Column
    from flyback.board.changes import SetValue
    from flyback.studies.beyond import Remains
    from flyback.studies.fitting import Way
    from flyback.studies.lifting import Lift
    from flyback.studies.remedies import Remedies
    from flyback.studies.stress import Cost
    from flyback.verdict.words import Judgement

FORMAT = "flyback remedies"
FORMAT_VERSION = 1
"""Raised whenever a key changes its meaning or goes; new keys alone do not raise it."""


def to_json(found: Remedies) -> str:
    """Remedies as JSON text."""
    return as_text(to_data(found))


def to_data(found: Remedies) -> dict[str, Any]:
    """Remedies as plain lists, dicts, strings and numbers; an absent limit is null."""
    board, demand = found.check.board, found.demand
    return {
        **head(FORMAT, FORMAT_VERSION, found.check.version, board),
        "exit_code": found.exit_code,
        "samples": found.check.samples,
        "seed": found.check.seed,
        "claim": {
            "text": demand.name,
            "voltage_V": demand.voltage,
            "current_A": demand.current,
            "power_W": demand.power,
            "needed_W": found.needed,
        },
        "ending": found.ending.value,
        "resistors_alone": found.resistors_alone,
        "before": _judgement(found.before),
        "after": _judgement(found.after),
        "limits": [_lift(lift) for lift in found.lifts],
        "remains": None if found.remains is None else _remains(found.remains),
        "changes": [_change(change) for change in found.changes],
        "ladders": [_ladder(before, after) for before, after in found.ladders],
        "costs": [_cost(cost) for cost in found.costs],
        "not_checked": list(found.lacking),
        "not_counted": NOT_COUNTED,
        "notices": list(found.notices),
        "assumed": [assumed_data(value) for value in found.check.assumed],
        "cautions": [TEACHING, *CAUTIONS],
    }


def _judgement(judged: Judgement) -> dict[str, Any]:
    column, outcome = judged.column, judged.outcome
    return {
        "word": judged.word.value,
        "reason": judged.reason,
        "unknown": list(judged.unknown),
        "line": None if column is None else line_data(column.line),
        "lowest_W": None if column is None else _band(column.lowest),
        "share": None if outcome is None else outcome.both.value,
    }


def _band(band: Band) -> dict[str, float | None]:
    return {"nominal": number(band.nominal), "low_95": number(band.low), "high_95": number(band.high)}


def _lift(lift: Lift) -> dict[str, Any]:
    need = lift.needed
    return {
        "name": lift.step.rung.name,
        "parts": lift.step.parts,
        "line": line_data(lift.line),
        "power_W": _band(lift.step.band),
        "changed": lift.parts,
        "field": need.field,
        "unit": DIMENSIONS[need.dimension].si_symbol,
        "now": need.now,
        "needed": need.value,
        "for_nominal_W": need.power,
        "method": need.method.value,
        "relation": need.relation,
        "opening_current_A": need.I_off,
        "way": _way(lift.way),
        "other_ways": [_way(way) for way in lift.others],
        "enough_with_the_others": None if lift.enough is None else _way(lift.enough),
        "then_W": _band(lift.after.band),
        "remark": lift.remark,
    }


def _way(way: Way) -> dict[str, Any]:
    return {
        "text": way.words,
        "series": way.series,
        "together": way.total,
        "changes": [str(change) for change in way.changes],
    }


def _remains(left: Remains) -> dict[str, Any]:
    return {
        "name": left.rung,
        "parts": left.step.parts,
        "line": line_data(left.line),
        "power_W": _band(left.step.band),
        "reason": left.words,
        "key": left.key,
        "unit": DIMENSIONS[left.dimension].si_symbol if left.dimension else "",
        "now": left.now,
        "needed": left.wanted,
    }


def _change(change: SetValue) -> dict[str, Any]:
    value = change.value
    return {
        "designator": change.designator,
        "key": change.key,
        "text": value.text,
        "low": value.low,
        "nominal": value.nominal,
        "high": value.high,
        "unit": DIMENSIONS[value.dimension].si_symbol,
    }


def _ladder(before: Column, after: Column) -> dict[str, Any]:
    later = {step.rung.name: step for step in after.steps}
    rows = []
    for step in before.steps:
        new = later.get(step.rung.name)
        rows.append(
            {
                "name": step.rung.name,
                "question": step.rung.question.value,
                "parts": step.parts,
                "before_W": _band(step.band),
                "after_W": None if new is None else _band(new.band),
            }
        )
    return {"line": line_data(before.line), "ceilings": rows}


def _cost(cost: Cost) -> dict[str, Any]:
    return {
        "name": cost.name,
        "line": line_data(cost.line),
        "before": cost.before,
        "after": cost.after,
        "unit": DIMENSIONS[cost.dimension].si_symbol,
    }
