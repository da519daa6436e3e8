"""Boards one slip away: two parts exchanged, one code misread, a part open, forgotten or fitted after all.

Every slip has a prior: how often it happens, before anything else is looked at. The rates are our choice;
only their order of magnitude matters, for what a slip must explain is many times rarer than the slip.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations

from flyback.board.changes import Change, Exchange, SetState, altered, in_clear, kind, set_value
from flyback.board.markings import Slip, misread_numbers, misreadings, printed_code
from flyback.board.model import Board, Origin, Part, State, Value
from flyback.board.roles import ROLES
from flyback.errors import QuantityError
from flyback.studies.part_figures import value_of
from flyback.units import parse

MISREAD = 1 / 50
"""Parts of which the code was misread, or written down wrongly."""

EXCHANGED = 1 / 200
"""Parts that stand, or were written down, in each other's place."""

OPEN = FORGOTTEN = FITTED = 1 / 300
"""Parallel parts of which one is open without being seen; groups of which one part was not written down;
places noted as empty that are not."""

POINT_OFF = 1 / 300
"""Values of a transformer that were written down a decade off."""

SHARES: Mapping[Slip, float] = {
    Slip.POINT: 0.25,
    Slip.ZEROS: 0.25,
    Slip.R_AND_ZERO: 0.1,
    Slip.ALIKE: 0.25,
    Slip.LETTER: 0.05,
    Slip.TURNED: 0.05,
    Slip.DIGIT: 0.05,
}
"""How the misreadings of a code are divided among the kinds of slip."""

ALL_ALIKE = 0.75
"""Misreadings of parallel parts with one code that are made with all of them."""

NEAR, ACROSS = 3.0, 0.1
"""How much likelier two parts are exchanged whose numbers are neighbours, or that stand on both sides of
the insulation."""

NEIGHBOURS = 2
"""Difference of two designators' numbers up to which they are neighbours."""

ELECTROLYTIC = ("bulk capacitor", "output capacitor")
"""Roles whose capacitance is printed in clear."""

PARALLEL = ("sense resistor", "bulk capacitor", "output capacitor")
"""Roles of which several parts are parallel and one is hardly missed."""

OUTPUT_SIDE = (
    *("output capacitor", "upper divider resistor", "lower divider resistor", "LED series resistor"),
    "bleeder",
)
"""Roles with a resistance or capacitance on the far side of the insulation. Snubbers may be on either."""

_WHEREVER = ("snubber resistor", "snubber capacitor", "Y capacitor")
_DECADES = ("primary_inductance", "core_area", "primary_turns", "secondary_turns")


class Grade(StrEnum):
    """How much there is to a suspicion."""

    STRONG = "strongly suspect"
    SUSPECT = "suspect"
    WORTH = "worth a look"


class Kind(StrEnum):
    """What may have happened."""

    EXCHANGED = "exchanged"
    MISREAD = "misread"
    OPEN = "open"
    FORGOTTEN = "not written down"
    FITTED = "fitted after all"
    POINT_OFF = "a decade off"


@dataclass(frozen=True, slots=True)
class OneSlip:
    """A board one slip away.

    Attributes:
        parts: the parts it is about; of several alike in parallel, which of them cannot be told.
        board: what the board would be.
        prior: how often it happens.
        reading: the other reading, as a code or in clear; "" where there is none.
        value: the value it would be [SI]; None where nothing has another value.
        alike: whether all of ``parts`` would be so, not one of them.
        key: key of the board file that is a decade off; "" where it is the part's own value.
    """

    kind: Kind
    parts: tuple[str, ...]
    board: Board
    prior: float
    reading: str = ""
    value: float | None = None
    how: Slip | None = None
    alike: bool = True
    key: str = ""


def one_slip_away(board: Board) -> Iterator[OneSlip]:
    """Every board that one slip makes of a board."""
    yield from _exchanged(board)
    yield from _misread(board)
    yield from _parallel(board)
    yield from _fitted(board)
    yield from _decades(board)


# --- exchanged ------------------------------------------------------------------------------------


def _exchanged(board: Board) -> Iterator[OneSlip]:
    parts = [part for part in board.parts.values() if part.fitted and _main(part) is not None]
    pairs = [pair for pair in combinations(parts, 2) if _like(*pair)]
    weights = [_closeness(*pair) for pair in pairs]
    moved = {part.designator for pair in pairs for part in pair}
    for (first, second), weight in zip(pairs, weights, strict=True):
        if value_of(first) == value_of(second):
            continue
        names = first.designator, second.designator
        prior = EXCHANGED * len(moved) / 2 * weight / sum(weights)
        yield OneSlip(Kind.EXCHANGED, names, altered(board, [Exchange(*names)]), prior)


def _like(first: Part, second: Part) -> bool:
    """Whether two components can be in each other's place; cans with microfarads in clear are no others."""
    if kind(first) != kind(second):
        return False
    roles = {first.role, second.role}
    return len(roles) == 1 or roles.isdisjoint(ELECTROLYTIC)


def _closeness(first: Part, second: Part) -> float:
    sides = {part.role in OUTPUT_SIDE for part in (first, second) if part.role not in _WHEREVER}
    weight = ACROSS if len(sides) == 2 else 1.0
    numbers = [re.search("[0-9]+", part.designator) for part in (first, second)]
    if all(numbers):
        apart = abs(int(numbers[0][0]) - int(numbers[1][0]))  # type: ignore[index]
        weight *= NEAR if apart <= NEIGHBOURS else 1.0
    return weight


# --- misread --------------------------------------------------------------------------------------


def _misread(board: Board) -> Iterator[OneSlip]:
    done = set()
    for part in board.parts.values():
        value = _main(part)
        if value is None or not part.fitted or value.origin is not Origin.MARKED or not value.nominal:
            continue
        group = _twins(board, part)
        if group in done:
            continue
        done.add(group)
        found = list(_readings(part, value))
        counts = {slip: sum(other is slip for _, _, other in found) for slip in Slip}
        for reading, other, slip in found:
            prior = MISREAD * SHARES[slip] / counts[slip]
            if len(group) > 1:
                yield _with_values(board, group, reading, other, slip, ALL_ALIKE * prior, alike=True)
                prior *= 1 - ALL_ALIKE
            yield _with_values(board, group, reading, other, slip, prior, alike=False)


def _readings(part: Part, value: Value) -> Iterator[tuple[str, float, Slip]]:
    """Other readings of what is printed on a part: as text, the value they mean, and the slip."""
    if part.role in ELECTROLYTIC:
        number = f"{value.nominal * 1e6:.6g}"
        for other, slip in misread_numbers(number):
            yield f"{other} µF", float(other) * 1e-6, slip
        return
    code = part.marking or printed_code(value.nominal, dimension=value.dimension)
    if code is None:
        return
    try:
        found = misreadings(code, dimension=value.dimension)
    except QuantityError:
        return
    for one in found:
        yield one.marking.code, one.marking.value, one.slip


def _twins(board: Board, part: Part) -> tuple[str, ...]:
    """Parts of one role with one value in parallel, of which a code misread once is misread in all."""
    if part.role not in PARALLEL:
        return (part.designator,)
    return tuple(
        other.designator for other in board.playing(part.role) if value_of(other) == value_of(part)
    )


def _with_values(
    board: Board,
    group: tuple[str, ...],
    reading: str,
    value: float,
    slip: Slip,
    prior: float,
    *,
    alike: bool,
) -> OneSlip:
    changed = group if alike else group[:1]
    changes = [_set(board.parts[name], value) for name in changed]
    return OneSlip(
        Kind.MISREAD, group, altered(board, changes), prior, reading, value, slip, alike or len(group) == 1
    )


def _set(part: Part, value: float) -> Change:
    field = ROLES[part.role].value_field or ""
    dimension = ROLES[part.role].fields[field].dimension
    return set_value(part, field, parse(in_clear(value, dimension), dimension=dimension))


# --- open, forgotten, fitted ----------------------------------------------------------------------


def _parallel(board: Board) -> Iterator[OneSlip]:
    for role in PARALLEL:
        parts = board.playing(role)
        groups = dict.fromkeys(_twins(board, part) for part in parts if value_of(part))
        for group in groups:
            if len(parts) > 1:
                without = altered(board, [SetState(group[0], State.OPEN)])
                yield OneSlip(Kind.OPEN, group, without, OPEN * len(group), alike=False)
            yield OneSlip(Kind.FORGOTTEN, group, _one_more(board, group[-1]), FORGOTTEN, alike=False)


def _one_more(board: Board, like: str) -> Board:
    """The board with a further part like one of its own."""
    name = f"{like}, another"
    part = board.parts[like]
    values = {
        key: replace(value, key=f"{name}.{key}", cause=f"{name}.{key}", origin=Origin.GUESS)
        for key, value in part.values.items()
        if isinstance(value, Value)
    }
    another = replace(part, designator=name, values=values, same_reel_as="", line=None)
    return replace(board, parts={**board.parts, name: another}, path=None, digest="")


def _fitted(board: Board) -> Iterator[OneSlip]:
    for part in board.parts.values():
        if not part.fitted and value_of(part):
            with_it = altered(board, [SetState(part.designator, State.FITTED)])
            yield OneSlip(Kind.FITTED, (part.designator,), with_it, FITTED)


def _decades(board: Board) -> Iterator[OneSlip]:
    for part in board.playing("transformer"):
        for key in _DECADES:
            value = part.known(key)
            if value is None:
                continue
            for other in (value.nominal * 10, value.nominal / 10):
                if value.dimension == "turns" and other != round(other):
                    continue
                quantity = parse(in_clear(other, value.dimension), dimension=value.dimension)
                yield OneSlip(
                    Kind.POINT_OFF,
                    (part.designator,),
                    altered(board, [set_value(part, key, quantity)]),
                    POINT_OFF / 2,
                    in_clear(other, value.dimension),
                    other,
                    key=key,
                )


def _main(part: Part) -> Value | None:
    """The value that a part is known by."""
    field = ROLES[part.role].value_field
    return part.known(field) if field else None
