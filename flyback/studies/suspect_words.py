"""Suspicions in words: what may be so, the innocent reading, and what to look at unplugged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import reduce

from flyback.board.model import Board, Part, State, Value
from flyback.board.roles import ROLES
from flyback.equations import indicators
from flyback.studies.figure import Figure
from flyback.studies.slips import ELECTROLYTIC, Kind, OneSlip
from flyback.studies.suspects import MENDED, Explanation
from flyback.units import format_quantity, format_range

FIRST = "Unplug it, wait, and see with a meter that the capacitors are empty."
"""What comes before any of the checks; a report says it once."""

WIDE = 100.0
"""Ratio of the ends from which on each has its own unit."""

MOST_READINGS = 3
"""Further readings of a part that are named."""

_TOO_LITTLE = "a load that stopped early, or volts lost in a cable that nobody counted"
_TOO_MUCH = "an ammeter that reads high, or volts read before the load was on"

_MEASURED = {
    "primary_inductance": "an LCR meter at the primary, secondary open",
    "core_area": "the middle leg of the core, width times depth",
    "primary_turns": "a generator across the primary, and the ratio to what the secondary shows",
    "secondary_turns": "some turns of wire wound on, and the ratio to what they show",
}


def headline(explanation: Explanation, board: Board) -> str:
    """What may be so, as a question."""
    slip = explanation.slip
    names = _names(slip)
    match slip.kind:
        case Kind.EXCHANGED:
            return f"{names} exchanged?"
        case Kind.MISREAD:
            return f"{names} misread? {_reading(slip, board)} for {_traced(board, slip.parts[0])}"
        case Kind.OPEN:
            return f"{names} open?"
        case Kind.FORGOTTEN:
            return f"another one like {slip.parts[-1]} not written down?"
        case Kind.FITTED:
            is_open = board.parts[slip.parts[0]].state is State.OPEN
            return f"{names} {'whole' if is_open else 'fitted'} after all?"
        case Kind.POINT_OFF:
            key = slip.key.replace("_", " ")
            now = board.parts[slip.parts[0]].known(slip.key)
            was = "" if now is None else f" for {format_quantity(now.nominal, now.dimension)}"
            return f"{key} of {names} a decade off? {slip.reading}{was}"


def others(explanation: Explanation, board: Board) -> str:
    """Further readings of the same parts that would do nearly as well; "" where there are none."""
    return ", ".join(_reading(one, board) for one in explanation.others[:MOST_READINGS])


def then(slip: OneSlip) -> str:
    """Head of the column that shows the board with it."""
    return {
        Kind.EXCHANGED: "exchanged",
        Kind.MISREAD: f"if {slip.reading}",
        Kind.OPEN: "if open",
        Kind.FORGOTTEN: "with it",
        Kind.FITTED: "if there",
        Kind.POINT_OFF: f"if {slip.reading}",
    }[slip.kind]


def innocent(explanation: Explanation) -> str:
    """What it may all mean on a board that is as traced."""
    mended = [old for old, new in explanation.moved if old.outside and old.oddness > new.oddness]
    told = [old.row.innocent(old.value) for old in mended]
    if explanation.of_test >= MENDED and explanation.told is not None:
        traced, _ = explanation.told
        told.append(_TOO_LITTLE if traced.I_o > traced.reading.current else _TOO_MUCH)
    return "; ".join(dict.fromkeys(told))


def check(explanation: Explanation, board: Board) -> str:
    """What to look at, unplugged, with the readings to expect."""
    slip = explanation.slip
    return " ".join(_checks(slip, board))


def figure_told(figure: Figure) -> tuple[str, str]:
    """A figure and its customary range, in its own unit."""
    if figure.row.figure == "preferred number":
        made = format_quantity(figure.scale, figure.dimension)
        return format_quantity(figure.told, figure.dimension), f"{made} is the nearest made"
    return format_quantity(figure.told, figure.dimension), _range(*figure.ends, figure.dimension)


def _range(low: float, high: float, dimension: str) -> str:
    """A range in two digits, for its ends are not known better; in one unit where that reads well."""
    if high <= WIDE * low:
        return format_range(low, high, dimension, digits=2)
    return " to ".join(format_quantity(end, dimension, digits=2) for end in (low, high))


def _names(slip: OneSlip) -> str:
    return (" and " if slip.alike else " or ").join(slip.parts)


def _main(part: Part) -> Value | None:
    return part.known(ROLES[part.role].value_field or "")


def _amount(part: Part) -> str:
    value = _main(part)
    return "" if value is None else format_quantity(value.nominal, value.dimension)


def _traced(board: Board, name: str) -> str:
    part = board.parts[name]
    return f"{part.marking} ({_amount(part)})" if part.marking else _amount(part)


def _reading(slip: OneSlip, board: Board) -> str:
    part = board.parts[slip.parts[0]]
    value = _main(part)
    if value is None or slip.value is None or part.role in ELECTROLYTIC:
        return slip.reading
    return f"{slip.reading} ({format_quantity(slip.value, value.dimension)})"


# --- what to look at ------------------------------------------------------------------------------


def _checks(slip: OneSlip, board: Board) -> Iterator[str]:
    parts = [board.parts[name] for name in slip.parts]
    names = " and ".join(slip.parts)
    match slip.kind:
        case Kind.EXCHANGED:
            yield f"Read {names} again under a lens, then {_meter(parts[0])}: {_now_and_then(slip, board)}."
            yield _in_place(parts)
            yield "If both are as traced, they were exchanged in the making, or are meant so."
        case Kind.MISREAD if parts[0].role in ELECTROLYTIC:
            yield f"Read the sleeve of {names} again, microfarads and volts."
        case Kind.MISREAD:
            yield f"Read {names} again under a lens, from both sides, then {_meter(parts[0])}:"
            yield f"{_now_and_then(slip, board)}."
            yield _in_place(parts)
        case Kind.POINT_OFF:
            yield f"Measure again: {_MEASURED[slip.key]}."
        case _:
            yield from _of_parallel(slip, board, parts)


def _of_parallel(slip: OneSlip, board: Board, parts: Sequence[Part]) -> Iterator[str]:
    role, name = parts[0].role, parts[-1].designator
    link = " || ".join(one.designator for one in board.playing(role)) or name
    across = f"{_meter(parts[0])} across {link}"
    readings = f"{_together(board, role)} as traced, {_together(slip.board, role)}"
    match slip.kind:
        case Kind.FORGOTTEN:
            yield f"Look on both sides of the board for a further {role} beside {name}, then {across}:"
            yield f"{readings} with another one."
        case Kind.FITTED:
            yield f"Look at the place of {name}: is anything soldered there? Then {across}:"
            yield f"{readings} if it is fitted."
        case _:
            yield f"{across[0].upper()}{across[1:]}: {readings} if one is open."
    yield _in_place(parts)


def _in_place(parts: Sequence[Part]) -> str:
    if all(part.role == "sense resistor" for part in parts):
        return "At so few ohms short the probes first and subtract what they show."
    if _meter(parts[0]) == "ohms":
        return "In place, a path beside it can only lower the reading: lift one leg if in doubt."
    return "In place, what is parallel to it adds to the reading: lift one leg if in doubt."


def _together(board: Board, role: str) -> str:
    """All parts of a parallel role, as a meter across them shows."""
    values = [value for part in board.playing(role) if (value := _main(part))]
    if not values:
        return "no reading"
    nominal = [value.nominal for value in values]
    if values[0].dimension == "resistance":
        total = reduce(lambda a, b: float(indicators.parallel_resistance(R_1=a, R_2=b)), nominal)
    else:
        total = reduce(lambda a, b: float(indicators.parallel_capacitance(C_1=a, C_2=b)), nominal)
    return format_quantity(total, values[0].dimension)


def _meter(part: Part) -> str:
    return "ohms" if ROLES[part.role].value_field == "resistance" else "capacitance"


def _now_and_then(slip: OneSlip, board: Board) -> str:
    if slip.kind is Kind.EXCHANGED:
        now, other = (
            " and ".join(_amount(some.parts[name]) for name in slip.parts) for some in (board, slip.board)
        )
        return f"{now} as traced, {other} if the notes are exchanged"
    now, other = (_amount(some.parts[slip.parts[0]]) for some in (board, slip.board))
    return f"{now} as traced, {other} if misread"
