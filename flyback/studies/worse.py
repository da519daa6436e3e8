"""What a change made worse, in sentences: one for a thing, with the figure where it is worst."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from flyback.analysis.assessment import Step
from flyback.analysis.rail import Indicator
from flyback.studies.compared import Cell, ClaimMove, Ladder, Row, Turn, told
from flyback.units import format_quantity


def worse_claims(claims: Sequence[ClaimMove]) -> Iterator[str]:
    """Claims that lost their word, or chance, or some of what they get."""
    for claim in claims:
        if claim.turn is not Turn.WORSE:
            continue
        if claim.before.word is not claim.after.word:
            yield f"{claim.text}: {claim.before.word} before, {claim.after.word} now."
            continue
        name = claim.after.column.line.name if claim.after.column else ""
        at = next((at for at in claim.lines if at.line == name), None)
        if at is None or at.before is None or at.after is None:
            continue
        gets = (format_quantity(got.nominal, claim.dimension) for got in (at.before, at.after))
        yield f"{claim.text}: still {claim.after.word}, but {' → '.join(gets)} on {name}."


def worse_feeding(unfed: Sequence[str], load: float | None) -> Iterator[str]:
    """Lines that no longer feed the load."""
    if unfed and load is not None:
        yield f"{format_quantity(load, 'current')} can no longer be fed on {_listed(unfed)}."


def worse_ladders(ladders: Sequence[Ladder]) -> Iterator[str]:
    """Rungs that became the lowest, unless they were not known before, and ceilings that fell."""
    for ladder in ladders:
        unknown = {row.name for row in ladder.rows if all(cell.before is None for cell in row.cells)}
        at = f" at {ladder.voltage:g} V" if len(ladders) > 1 else ""
        lines: dict[tuple[str, str], list[str]] = {}
        for first in ladder.firsts:
            if first.changed and first.after is not None and first.after.rung.name not in unknown:
                lines.setdefault((_rung(first.before), _rung(first.after)), []).append(first.line)
        for (old, new), names in lines.items():
            yield f"On {_listed(names)}{at} {new} now stops it first, in place of {old}."
        for row in ladder.rows:
            if cell := min(row.worsened, key=_after, default=None):
                parts = f" ({row.parts[1] or row.parts[0]})" if any(row.parts) else ""
                fell = f"{_from_to(cell, row.dimension)} on {cell.line}{_share(cell)}"
                yield f"{row.name}{parts}{at}: {fell}."


def worse_points(at_load: Sequence[Row], at_limit: Sequence[Row], load: float | None) -> Iterator[str]:
    """Stress, ripple and flux that rose; at the limit because more is given, or in spite of less."""
    amps = "" if load is None else format_quantity(load, "current")
    for place, rows in ((f"At {amps}", at_load), ("At the limit", at_limit)):
        on: dict[str, list[str]] = {}
        for row in rows:
            if cell := row.worst:
                on.setdefault(cell.line, []).append(f"{row.name} {told(cell.change or 0.0)}")
        for line, figures in on.items():
            yield f"{place} on {line}: {', '.join(figures)}."


def overloaded(before: Sequence[Indicator], after: Sequence[Indicator]) -> Iterator[str]:
    """Resistors of small currents that are above their rating now and were not."""
    already = {entry.name for entry in before if _above(entry)}
    for entry in after:
        if _above(entry) and entry.name not in already and entry.rating is not None:
            power, rating = (format_quantity(float(x), "power") for x in (entry.power, entry.rating))
            yield f"{entry.name}: {power} in a resistor rated {rating}."


def _above(entry: Indicator) -> bool:
    return entry.rating is not None and float(entry.power) > entry.rating


def _after(cell: Cell) -> float:
    """Where a ceiling is lowest it matters most."""
    return math.inf if cell.after is None else cell.after


def _rung(step: Step | None) -> str:
    if step is None:
        return "unknown limit"
    return f"{step.rung.name} ({step.parts})" if step.parts else step.rung.name


def _from_to(cell: Cell, dimension: str) -> str:
    return " → ".join(_figure(x, dimension) for x in (cell.before, cell.after))


def _figure(value: float | None, dimension: str) -> str:
    if value is None:
        return "unknown"
    return "no limit" if math.isinf(value) else format_quantity(value, dimension)


def _share(cell: Cell) -> str:
    return "" if cell.change is None else f" ({told(cell.change)})"


def _listed(names: Sequence[str]) -> str:
    """Such as "90 V, 115 V and 230 V"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
