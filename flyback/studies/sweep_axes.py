"""What a sweep goes through, as it is written: R6=0.5ohm..2ohm, T1.primary_turns=80..120, mains=90V..264V.

>>> from flyback.board.file import load
>>> board = load("worked_examples/bedside_charger.toml")
>>> turns, mains = read_axes(board, ["T1.primary_turns=96..100", "mains=90V..264V"], steps=3)
>>> turns.name, turns.values.tolist(), turns.now, mains.values.tolist()
('T1.primary_turns', [96.0, 98.0, 100.0], 98.0, [90.0, 177.0, 264.0])
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from types import MappingProxyType

import numpy as np

from flyback.analysis.tolerance import Array
from flyback.board.changes import SetValue, in_clear
from flyback.board.edit import read_changes
from flyback.board.model import Board
from flyback.board.roles import ROLES
from flyback.errors import Problem, QuantityError, RequestError
from flyback.reference import series as preferred
from flyback.units import parse, shown, tidy

MAINS = "mains"

STEPS: Mapping[int, int] = MappingProxyType({1: 61, 2: 41})
"""Steps of each axis where none are asked for, by the number of axes."""

EVERY_TURN = 121
"""Whole numbers of turns up to which each is a step where none are asked for."""

LEAST_STEPS = 2
MOST_STEPS: Mapping[int, int] = MappingProxyType({1: 1000, 2: 200})
"""Most steps of each axis, by the number of axes."""

DECADE = 10.0
"""Ratio of the ends from which the steps are equal in proportion instead of in amount (our choice)."""

MAINS_RANGE = (40.0, 500.0)
"""Mains voltages that can be asked for, as for any check [V]."""

_SWEEP = re.compile(r"(?P<name>[^=<>]+)=(?P<low>[^=]*?)(?<!\.)\.\.(?!\.)(?P<high>[^=]*)")
_BARE = re.compile(r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?")
_UNIT_OF = re.compile(_BARE.pattern + r"( ?[^0-9 ]+)")
_SPREAD = re.compile(r"±|\+/-|\+-|[+-] ?[0-9.]+ ?%? ?/")
_EXPECTED = "DESIGNATOR=LOW..HIGH, DESIGNATOR.KEY=LOW..HIGH or mains=LOW..HIGH"
_HOW = "Write for example R6=0.5ohm..2ohm, T1.primary_turns=80..120 or mains=90V..264V."
_CODED = ("resistance", "capacitance")
"""Dimensions whose parts carry codes of digits, and that preferred numbers are made for."""


@dataclass(frozen=True, slots=True)
class Axis:
    """One thing that is swept.

    Attributes:
        name: "R6", "T1.primary_turns" or "mains".
        meaning: what that is, in words.
        dimension: name in `flyback.units.DIMENSIONS`.
        values: its steps, rising, SI units.
        now: what the board file says; None where it says nothing, or for the mains.
        low_end: the change that sets the first step; None for the mains.
        stepped: True where nothing lies between the steps: whole turns, preferred numbers.
        series: name of the preferred numbers that the steps are; "" for none.
        geometric: True where the steps are equal in proportion.
    """

    name: str
    meaning: str
    dimension: str
    values: Array
    now: float | None
    low_end: SetValue | None
    stepped: bool = False
    series: str = ""
    geometric: bool = False

    @property
    def key(self) -> str:
        """The key of the board file that is swept, "" for the mains."""
        return "" if self.low_end is None else self.low_end.value.key

    def change(self, number: float) -> SetValue:
        """The change that sets one value; it keeps the spread of the ends in proportion."""
        if self.low_end is None:
            raise ValueError("the mains is no part of the board")
        old = self.low_end.value
        shares = (old.low / old.nominal, old.high / old.nominal) if old.nominal else (1.0, 1.0)
        low, high = (number * share for share in shares)
        text = in_clear(number, old.dimension)
        return replace(self.low_end, value=replace(old, nominal=number, low=low, high=high, text=text))


@dataclass(frozen=True, slots=True)
class _Written:
    """A sweep as it was read: the ends, before its steps are chosen."""

    text: str
    name: str
    meaning: str
    dimension: str
    low: float
    high: float
    now: float | None
    change: SetValue | None
    main: bool

    @property
    def key(self) -> str:
        return MAINS if self.change is None else self.change.value.key

    @property
    def preferred(self) -> bool:
        """Whether parts are made in preferred numbers of it."""
        return self.main and self.dimension in _CODED


def read_axes(
    board: Board,
    texts: Sequence[str],
    *,
    steps: int | None = None,
    series: str | None = None,
    fed: str = "",
) -> tuple[Axis, ...]:
    """Read one sweep or two, as they are written on the command line.

    Args:
        steps: of each axis; `STEPS` where None. Turns take whole numbers only, so there may be fewer.
        series: preferred numbers (E12) that resistors and capacitors go through instead.
        fed: what already says what feeds the board ("--dc"), so that the mains cannot be swept.

    Raises:
        RequestError: every problem: what cannot be read, parts and keys that are not there, values that no
            such part has, empty and backward ranges, two sweeps of one thing, too many steps.
    """
    problems: list[Problem] = []
    written = [one for text in texts if (one := _read(board, tidy(text), fed, problems)) is not None]
    if not 1 <= len(texts) <= len(MOST_STEPS):
        message = f"{len(texts)} things are swept; expected one or two."
        problems.append(Problem(message, expected="one or two", hint=_HOW))
    for first, second in combinations(written, 2):
        if first.key == second.key:
            problems.append(
                Problem(
                    f"{first.text} and {second.text} sweep the same thing.",
                    given=f"{first.text}, {second.text}",
                    expected="two different things",
                    hint="Leave one of them out.",
                )
            )
    count = min(max(len(texts), 1), len(MOST_STEPS))
    problems += _about_steps(written, steps, series, MOST_STEPS[count])
    if steps is not None and steps < LEAST_STEPS:
        steps = None  # reported already
    axes = [_axis(one, steps, STEPS[count], series, MOST_STEPS[count], problems) for one in written]
    if problems:
        raise RequestError(tuple(dict.fromkeys(problems)))
    return tuple(axis for axis in axes if axis is not None)


# --- one sweep ------------------------------------------------------------------------------------


def _read(board: Board, text: str, fed: str, problems: list[Problem]) -> _Written | None:
    """The ends of one sweep, or None once its problems are added."""
    found: list[Problem] = []
    written = _written(board, text, fed, found)
    told = {problem.message: replace(problem, field=shown(text)[1:-1], line=None) for problem in found}
    problems += told.values()
    return None if found else written


def _written(board: Board, text: str, fed: str, problems: list[Problem]) -> _Written | None:
    match = _SWEEP.fullmatch(text)
    if match is None:
        one_value = "=" in text and ".." not in text
        message = "one value is no range." if one_value else "this is not a sweep."
        problems.append(Problem(message, given=text, expected=_EXPECTED, hint=_HOW))
        return None
    name, low, high = (group.strip() for group in match.groups())
    if not low or not high:
        problems.append(
            Problem("an end of the range is missing.", given=text, expected=_EXPECTED, hint=_HOW)
        )
        return None
    low = _with_unit(low, high)
    if name.casefold() == MAINS:
        made = _of_mains(text, low, high, fed, problems)
    else:
        made = _of_a_part(board, text, (name, low, high), problems)
    if made is not None and not problems:
        _refuse_order(made, name, low, high, problems)
    return made


def _with_unit(low: str, high: str) -> str:
    """The first end with the unit of the last where it has none, as in "0.5..2 ohm"."""
    unit = _UNIT_OF.fullmatch(high)
    return f"{low}{unit[1]}" if unit and _BARE.fullmatch(low) else low


def _of_mains(text: str, low: str, high: str, fed: str, problems: list[Problem]) -> _Written | None:
    ends = []
    for end in (low, high):
        try:
            quantity = parse(end, dimension="voltage")
        except QuantityError as error:
            problems += error.problems
            continue
        if not quantity.exact or not MAINS_RANGE[0] <= quantity.nominal <= MAINS_RANGE[1]:
            expected = f"{MAINS_RANGE[0]:g} to {MAINS_RANGE[1]:g} V"
            problems.append(
                Problem(
                    f"{end} cannot be used as mains; expected {expected}.", given=end, expected=expected
                )
            )
        ends.append(quantity.nominal)
    if fed:
        problems.append(
            Problem(f"the mains cannot be swept and given by {fed} too.", hint="Leave one out.")
        )
    if problems:
        return None
    return _Written(text, MAINS, "mains voltage", "voltage", ends[0], ends[1], None, None, main=False)


def _of_a_part(
    board: Board, text: str, written: tuple[str, str, str], problems: list[Problem]
) -> _Written | None:
    name, low, high = written
    ends: list[SetValue] = []
    for end in (low, high):
        try:
            (change,) = read_changes(board, [f"{name}={end}"])
        except RequestError as error:
            problems += error.problems
            continue
        if not isinstance(change, SetValue):
            message = f"{shown(end)} is not a number: it cannot be an end of a range."
            problems.append(Problem(message, given=end, hint="For one change use flyback alter."))
            continue
        if change.value.dimension in _CODED and end.isdigit():
            problems.append(
                Problem(
                    f"{shown(end)} has no unit: alone it may be a value, or a code on a part.",
                    given=end,
                    expected="a value with its unit",
                    hint=_HOW,
                )
            )
        ends.append(change)
    if _SPREAD.search(low) or _SPREAD.search(high) or (len(ends) == 2 and not _alike(*ends)):
        problems.append(
            Problem(
                "an end has a tolerance.",
                given=text,
                expected="two plain values",
                hint="Leave it out: every step keeps the tolerance of the part that is there.",
            )
        )
    if problems:
        return None
    return _swept(board, text, *ends)


def _alike(first: SetValue, second: SetValue) -> bool:
    """Whether both have the same spread in proportion, as they have where it is taken over."""
    if not first.value.nominal or not second.value.nominal:
        return True
    return all(
        math.isclose(a / first.value.nominal, b / second.value.nominal, rel_tol=1e-4)
        for a, b in ((first.value.low, second.value.low), (first.value.high, second.value.high))
    )


def _swept(board: Board, text: str, first: SetValue, last: SetValue) -> _Written:
    part = board.parts[first.designator]
    role = ROLES[part.role]
    main = first.key == role.value_field
    old = part.known(first.key) if part.fitted or not main else None
    return _Written(
        text,
        name=part.designator if main else first.value.key,
        meaning=role.name if main else role.fields[first.key].meaning,
        dimension=first.value.dimension,
        low=first.value.nominal,
        high=last.value.nominal,
        now=None if old is None else old.nominal,
        # the spread is read off an end that is not zero
        change=first if first.value.nominal else last,
        main=main,
    )


def _refuse_order(one: _Written, name: str, low: str, high: str, problems: list[Problem]) -> None:
    if one.low > one.high:
        problems.append(
            Problem("the range runs from high to low.", given=one.text, hint=f"Write {name}={high}..{low}.")
        )
    elif one.low == one.high:
        problems.append(
            Problem(
                "both ends are the same: there is nothing to sweep.",
                given=one.text,
                expected="a low and a high end",
                hint="For one value use flyback alter.",
            )
        )
    if one.dimension == "turns" and not (one.low.is_integer() and one.high.is_integer()):
        problems.append(
            Problem(
                "a winding has whole turns.",
                given=one.text,
                expected="whole numbers",
                hint=f"Write {name}={math.floor(one.low)}..{math.ceil(one.high)}.",
            )
        )


# --- its steps ------------------------------------------------------------------------------------


def _about_steps(
    written: Sequence[_Written], steps: int | None, series: str | None, most: int
) -> list[Problem]:
    problems = []
    if steps is not None and not LEAST_STEPS <= steps <= most:
        expected = f"{LEAST_STEPS} to {most}"
        where = "with two values at once" if most == MOST_STEPS[2] else "of one value"
        problems.append(
            Problem(
                f"{steps} steps cannot be used; expected {expected} {where}.",
                field="steps",
                given=str(steps),
                expected=expected,
            )
        )
    if series is None:
        return problems
    try:
        preferred(series)
    except RequestError as error:
        return [*problems, *(replace(problem, field="series") for problem in error.problems)]
    following = [one for one in written if one.preferred]
    problems += [
        Problem(
            "preferred numbers do not begin at zero.",
            field=one.text,
            given=one.text,
            expected="a low end above zero",
        )
        for one in following
        if one.low == 0
    ]
    if written and not following:
        problems.append(
            Problem(
                "preferred numbers are those of resistors and capacitors; none is swept.",
                field="series",
                given=series,
                hint="Leave --series out.",
            )
        )
    if steps is not None and following and len(following) == len(written):
        problems.append(
            Problem(
                "the series gives the steps;", field="steps", given=str(steps), hint="leave --steps out."
            )
        )
    return problems


def _axis(
    one: _Written, steps: int | None, usual: int, series: str | None, most: int, problems: list[Problem]
) -> Axis | None:
    follows = series is not None and one.preferred
    geometric = False
    if follows:
        values = _preferred(one, str(series), most, problems)
    elif one.dimension == "turns":
        # a winding has few turns: all of them, where no number of steps is asked for
        between = round(one.high - one.low) + 1
        values = np.unique(np.round(np.linspace(one.low, one.high, steps or min(between, EVERY_TURN))))
    else:
        geometric = one.low > 0 and one.high / one.low >= DECADE
        values = (np.geomspace if geometric else np.linspace)(one.low, one.high, steps or usual)
    if values is None:
        return None
    return Axis(
        name=one.name,
        meaning=one.meaning,
        dimension=one.dimension,
        values=values,
        now=one.now,
        low_end=one.change,
        stepped=follows or one.dimension == "turns",
        series=str(series) if follows else "",
        geometric=geometric or follows,
    )


def _preferred(one: _Written, series: str, most: int, problems: list[Problem]) -> Array | None:
    """The preferred numbers between the ends, both included."""
    try:
        decade = preferred(series)
    except RequestError:
        return None  # reported already
    if one.low == 0:
        return None
    slack = 1e-9  # so that an end that is a preferred number is one of them
    powers = range(math.floor(math.log10(one.low)) - 1, math.floor(math.log10(one.high)) + 2)
    # written out, so that 1.8e-05 is the number a board file would say
    every = [float(f"{number}e{power}") for power in powers for number in decade]
    values = [x for x in every if one.low * (1 - slack) <= x <= one.high * (1 + slack)]
    problem = None
    if len(values) < LEAST_STEPS:
        below, above = max(x for x in every if x <= one.low), min(x for x in every if x >= one.high)
        nearest = " and ".join(in_clear(x, one.dimension) for x in (below, above))
        problem = Problem(
            f"{series} has {'one value' if values else 'no value'} in this range; expected two or more.",
            field=one.text,
            given=series,
            hint=f"Around it lie {nearest}.",
        )
    elif len(values) > most:
        problem = Problem(
            f"{series} has {len(values)} values in this range; expected at most {most}.",
            field=one.text,
            given=series,
            hint="Take a shorter range, or a series with fewer values.",
        )
    if problem is not None:
        problems.append(problem)
        return None
    return np.array(values)
