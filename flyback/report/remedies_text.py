"""What the terminal shows of remedies: the answer, each limit as it is lifted, what that costs."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.remedies import NOT_COUNTED, TEACHING, Ending
from flyback.units import format_quantity
from flyback.verdict.words import Judgement, Word

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.analysis.assessment import Band, Column, Step
    from flyback.analysis.bulk import Line
    from flyback.studies.beyond import Remains
    from flyback.studies.lifting import Lift
    from flyback.studies.remedies import Remedies

_CARRIES = {
    "I_rectifier": "mean current of the rectifier",
    "ripple_rating": "ripple current of the output capacitors",
    "sense_rating": "rms current of the sense resistors",
}
"""What flows where a rating is the limit."""


def show_remedies(found: Remedies, out: Console) -> None:
    """Print what a claim would take."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Remedies) -> Iterator[RenderableType]:
    yield pieces.title(found.check.board.name, f"what {_asked(found)} would take")
    yield pieces.entry("Caution", TEACHING)
    yield _answer(found)
    if found.lifts or found.remains is not None:
        yield _sequence(found)
        yield pieces.note(
            f"A value is taken so far that the low end of the limit's 95 % band reaches "
            f"{_watts(found.needed)} at the sockets, or all limits together make it very likely; and then "
            "to the next of the series in brackets (IEC 60063)."
        )
    yield pieces.entry("In short", _in_short(found))
    shown = [pair for pair in found.ladders if pair[0].steps]
    for before, after in shown:
        yield _limits(found, before, after)
    if shown:
        yield pieces.note(
            f"In brackets: 95 % of the samples. * did not reach {_watts(found.needed)} as traced."
        )
    if found.costs:
        yield _costs(found)
    yield from _lists(found)
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


def _asked(found: Remedies) -> str:
    """The claim, with the volts that amps alone do not say."""
    demand = found.demand
    if demand.current is None or " V" in demand.name:
        return demand.name
    return f"{demand.name} at {demand.voltage:g} V"


def _watts(power: float) -> str:
    return format_quantity(power, "power")


# --- the answer -----------------------------------------------------------------------------------


def _answer(found: Remedies) -> RenderableType:
    made = pieces.table((0, "left", True), (0, "left", True), (0, "left", False))
    rows = [("as traced", found.before)]
    if found.lifts:
        rows.append(("with all changes below", found.after))
    from rich.text import Text

    for name, judged in rows:
        word = Text(judged.word, style=pieces.word_style(judged.word))
        made.add_row(f"  {name}", word, _gets(found, judged))
    return made


def _gets(found: Remedies, judged: Judgement) -> str:
    column, outcome = judged.column, judged.outcome
    if column is None or outcome is None:
        return judged.reason
    in_amps = found.demand.current is not None
    unit = float(column.V_socket) if in_amps else 1.0
    dimension = "current" if in_amps else "power"
    lines = [f"{_banded(column.lowest, dimension, unit)} at {column.line.full_name}"]
    if judged.word is not Word.IMPOSSIBLE:
        lines.append(f"met by {_share(outcome.both.value)}")
    if judged.reason:
        lines.append(judged.reason)
    return "\n".join(lines)


def _share(share: float) -> str:
    if share in (0.0, 1.0):
        return "all samples" if share else "no sample"
    return f"{pieces.percent(share)} of samples"


def _banded(band: Band, dimension: str, unit: float = 1.0) -> str:
    """Such as 11.4 W (9.54 to 13.4)."""
    nominal, low, high = (float(x) / unit for x in (band.nominal, band.low, band.high))
    if math.isinf(nominal):
        return "no known limit"
    text = format_quantity(nominal, dimension)
    if math.isfinite(high) and format_quantity(low, dimension) == format_quantity(high, dimension):
        return text
    return f"{text} ({pieces.ends(text, low, high, dimension)})"


# --- the sequence ---------------------------------------------------------------------------------


def _sequence(found: Remedies) -> RenderableType:
    from rich.console import Group
    from rich.text import Text

    made = pieces.table((0, "right", True), (0, "left", False))
    for count, lift in enumerate(found.lifts, start=1):
        told = "\n".join([_bound(lift.step, lift.line), *_told(lift)])
        made.add_row(f"  {count}", Text(told))
    if found.remains is not None:
        told = "\n".join([_bound(found.remains.step, found.remains.line), *_left(found.remains)])
        made.add_row(f"  {len(found.lifts) + 1}", Text(told))
    return Group(pieces.head("In the order in which the limits bind"), made)


def _bound(step: Step, line: Line) -> str:
    return f"{step.rung.name}, {step.parts}: {_height(step)} at {line.full_name}"


def _height(step: Step) -> str:
    power = float(step.ceiling.power)
    return "in some samples too low" if math.isinf(power) else _watts(power)


def _told(lift: Lift) -> Iterator[str]:
    need = lift.needed
    now, value = (format_quantity(x, need.dimension) for x in (need.now, need.value))
    found = "in closed form" if need.relation else "numerically"
    if need.field in _CARRIES:
        yield f"{_CARRIES[need.field]}: rated for {now}, it takes {value} or more (solved {found})"
    elif need.field == "C_bulk":
        yield f"{lift.parts} = {now}; it takes {value} or more (solved {found})"
    else:
        pulse = "" if need.I_off is None else f" to end a pulse at {format_quantity(need.I_off, 'current')}"
        yield f"{lift.parts} = {now}; it takes {value} or less{pulse} (solved {found})"
    series = f"({lift.way.series})" if lift.way.series else "(rounded up; ratings follow no series)"
    yield f"{', or '.join(way.words for way in (lift.way, *lift.others))} {series}"
    if lift.remark:
        yield lift.remark
    if lift.enough is not None:
        yield f"with the other changes less is enough: {lift.enough.words}"
    yield f"then {lift.step.rung.name} {_height(lift.after)}"


def _left(left: Remains) -> Iterator[str]:
    if left.key and left.now is not None:
        takes = "no value of it alone is enough"
        if left.wanted is not None:
            takes = f"it would take {format_quantity(left.wanted, left.dimension)}"
        yield f"{left.key} = {format_quantity(left.now, left.dimension)}; {takes}"
    yield left.words


# --- the answer in a sentence ---------------------------------------------------------------------


def _in_short(found: Remedies) -> str:
    asked, after = _asked(found), found.after
    if found.ending is Ending.ALREADY:
        return f"{asked} is {after.word} as the board is: nothing needs to change."
    if found.ending is Ending.CANNOT_TELL:
        needs = f"needs {', '.join(after.unknown)}" if after.unknown else after.reason
        known = " As far as known, the changes above are enough." if found.lifts and after.unknown else ""
        return f"Whether this board can be made a {_supply(found)} cannot be told: {needs}.{known}"
    changes = _made(found)
    changed = " and ".join([", ".join(changes[:-1]), changes[-1]] if len(changes) > 1 else changes)
    if found.ending is Ending.MET:
        alone = (
            "Resistors alone do it" if found.resistors_alone else "Changing resistors alone does not do it"
        )
        return f"On paper {asked} is {after.word} with {changed}. {alone}. Heat is not judged here."
    stays = f"it stays {after.word}"
    if after.outcome is not None and after.word is not Word.IMPOSSIBLE:
        stays += f" (met by {_share(after.outcome.both.value)})"
    tried = ", nor by the other changes above" if found.changes and not found.resistors_alone else ""
    return (
        f"This board cannot be made a {_supply(found)} by changing resistors{tried}: {stays}. {_end(found)}"
    )


def _end(found: Remedies) -> str:
    left = found.remains
    if left is None:
        return f"It was given up after {len(found.lifts)} limits."
    return (
        f"No part that fits lifts the {left.rung} ({left.step.parts}): {_height(left.step)} at "
        f"{left.line.full_name}."
    )


def _supply(found: Remedies) -> str:
    return f"{found.demand.name.removesuffix(' in total').partition(' from ')[0]} supply"


def _made(found: Remedies) -> list[str]:
    """What is changed in the end; a later lift of the same value takes the place of an earlier one."""
    words = {lift.needed.field: lift.enough or lift.way for lift in found.lifts}
    return [way.words for way in words.values() if way.changes]


# --- tables ---------------------------------------------------------------------------------------


def _limits(found: Remedies, before: Column, after: Column) -> RenderableType:
    made = pieces.table((0, "left", True), (0, "left", False), (0, "left", True), (0, "left", True))
    changed = ["with all changes"] if found.lifts else [""]
    made.add_row(*pieces.heads(f"Limits at {before.line.full_name}", "", "as traced", *changed))
    later = {step.rung.name: step for step in after.steps}
    for step in before.steps:
        new = later.get(step.rung.name)
        now = "" if not found.lifts else "not known" if new is None else _limit(new.band)
        mark = "" if float(step.band.low) >= found.needed else " *"
        made.add_row(f"  {step.rung.name}{mark}", step.parts, _limit(step.band), now)
    return made


def _limit(band: Band) -> str:
    return "-" if math.isinf(float(band.nominal)) and math.isinf(band.low) else _banded(band, "power")


def _costs(found: Remedies) -> RenderableType:
    made = pieces.table((0, "left", False), (0, "left", True), (0, "right", True), (0, "right", True))
    made.add_row(*pieces.heads("What that costs, at the limit", "", "as traced", "with all changes"))
    for cost in found.costs:
        figures = (format_quantity(x, cost.dimension) for x in (cost.before, cost.after))
        made.add_row(f"  {cost.name}", cost.line.full_name, *figures)
    return made


def _lists(found: Remedies) -> Iterator[RenderableType]:
    if found.notices:
        yield pieces.listed("Noticed", found.notices)
    if found.check.assumed:
        names = ", ".join(value.key for value in found.check.assumed)
        yield pieces.entry("Assumed", f"{names}: as flyback check lists them")
    yield pieces.listed("Not checked", [*found.lacking, f"no limit counts: {NOT_COUNTED}"])
    if found.changes:
        yield pieces.entry("See it all", _command(found))


def _command(found: Remedies) -> str:
    path = found.check.board.path
    board = "BOARD" if path is None else shlex.quote(str(path))
    changes = (shlex.quote(str(change)) for change in found.changes)
    return " \\\n  ".join((f"flyback alter {board}", *changes))
