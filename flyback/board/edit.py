"""Changes as they are written, R6=1R0 or R8<->R9: read against a board, with every problem in words.

>>> from flyback.board.file import load
>>> board = load("worked_examples/bedside_charger.toml")
>>> changes = read_changes(board, ["R7=2R2", "T1.primary_turns=90"])
>>> [str(change) for change in changes]
['R7.resistance=2R2', 'T1.primary_turns=90']
>>> len(board.playing("sense resistor")), len(altered(board, changes).playing("sense resistor"))
(2, 3)
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from types import MappingProxyType

from flyback.board.changes import (
    Change,
    Exchange,
    SetState,
    SetValue,
    SetWord,
    altered,
    in_clear,
    in_percent,
    kind,
    movable_keys,
    set_value,
)
from flyback.board.edit_file import write_altered
from flyback.board.lines import Lines
from flyback.board.markings import read_capacitor, read_resistor
from flyback.board.model import Board, Part, State
from flyback.board.roles import ROLES, Field, Role
from flyback.board.tables import Table, nearest
from flyback.board.values import fits
from flyback.errors import Problem, QuantityError, RequestError
from flyback.units import Quantity, parse, shown, tidy

__all__ = [
    "Change",
    "Exchange",
    "SetState",
    "SetValue",
    "SetWord",
    "altered",
    "read_changes",
    "set_value",
    "write_altered",
]

_EXCHANGE = re.compile(r"([^=<>↔]+)(?:<->|↔)([^=<>↔]+)")
_SETTING = re.compile(r"([^=.<>]+)(?:\.([^=<>]+))?=([^=]*)")
_CODE = re.compile(r"([0-9A-Za-zµ]+)( ?(?:±|\+/-|\+-|[+-]).*)?")
_READERS = {"resistance": read_resistor, "capacitance": read_capacitor}
_KINDS = {"resistance": "a resistor", "capacitance": "a capacitor"}
_ELECTROLYTIC = ("bulk capacitor", "output capacitor")
_HOW = "Write for example R6=1R0, T1.primary_turns=90, R7=open or R8<->R9."
_EXPECTED = "DESIGNATOR=VALUE, DESIGNATOR.KEY=VALUE, DESIGNATOR=open or DESIGNATOR<->DESIGNATOR"


@dataclass(frozen=True, slots=True)
class _Loss:
    """What becomes of a flyback without a part of a role.

    Attributes:
        what: in words; the power of such a board is not a question of its ceilings.
        every: True where each part of the role is needed, since they are in one path.
        stand_in: role that does the same work where it is fitted.
    """

    what: str
    every: bool = False
    stand_in: str = ""


_LOSSES: Mapping[str, _Loss] = MappingProxyType(
    {
        "fuse": _Loss("nothing comes in from the mains", every=True),
        "series resistor": _Loss("nothing comes in from the mains", every=True),
        "mains rectifier": _Loss("nothing or one half-wave comes in from the mains", every=True),
        "bulk capacitor": _Loss("nothing stores energy between the half-waves"),
        "switching IC": _Loss("nothing switches"),
        "switching transistor": _Loss("nothing switches"),
        "sense transistor": _Loss("nothing ends a pulse but the transistor's own limits"),
        "sense resistor": _Loss("the switch has no path for its current"),
        "base resistor": _Loss("nothing drives the switch on", every=True),
        "start-up resistor": _Loss("it does not start", every=True),
        "transformer": _Loss("nothing reaches the output"),
        "clamp suppressor": _Loss("nothing holds the drain down at turn-off", stand_in="clamp resistor"),
        "clamp resistor": _Loss("nothing holds the drain down at turn-off", stand_in="clamp suppressor"),
        "clamp capacitor": _Loss("nothing holds the drain down at turn-off", stand_in="clamp suppressor"),
        "clamp diode": _Loss("nothing holds the drain down at turn-off"),
        "output rectifier": _Loss("nothing reaches the output"),
        "output capacitor": _Loss("nothing smooths the output"),
        "voltage reference": _Loss(
            "nothing holds the output voltage, which may rise until something fails"
        ),
        "optocoupler": _Loss("nothing holds the output voltage, which may rise until something fails"),
        "upper divider resistor": _Loss("the output voltage may rise until something fails", every=True),
        "lower divider resistor": _Loss("the output settles at the reference voltage itself"),
        "post converter": _Loss("nothing reaches the sockets"),
    }
)
"""Roles a flyback cannot do without."""


def read_changes(board: Board, texts: Sequence[str]) -> tuple[Change, ...]:
    """Read changes to a board, as they are written on the command line.

    ``R6=1R0`` fits another component, given by its code or its value ("2.2 ohm ± 1 %"); on an empty
    footprint it fits one. Without a tolerance the new one takes that of the old. ``T1.primary_turns=90``
    sets a key; ``R7=open``, ``"R7=not fitted"`` and ``R7=fitted`` set the state; ``R8<->R9`` exchanges
    two components.

    Raises RequestError with every problem: what cannot be read, parts and keys that are not there, values
    no such part has, the same thing changed twice, and boards that no longer work at all.
    """
    problems: list[Problem] = []
    if not texts:
        problems.append(Problem("no change is given.", expected=_EXPECTED, hint=_HOW))
    read: list[tuple[str, Change]] = []
    for text in texts:
        found: list[Problem] = []
        change = _read_change(board, tidy(text), found)
        problems += [replace(problem, field=shown(text)[1:-1], line=None) for problem in found]
        if change is not None and not found:
            read.append((tidy(text), change))
    problems += _doubles(read)
    if not problems:
        problems += _impossible(board, read)
    if problems:
        raise RequestError(tuple(problems))
    return tuple(change for _, change in read)


# One change


def _read_change(board: Board, text: str, problems: list[Problem]) -> Change | None:
    """The change a text says, or None once its problems are added."""
    if match := _EXCHANGE.fullmatch(text):
        first, second = (_part(board, name.strip(), problems) for name in match.groups())
        return _read_exchange(first, second, problems) if first and second else None
    if not (match := _SETTING.fullmatch(text)):
        problems.append(Problem("this is not a change.", given=text, expected=_EXPECTED, hint=_HOW))
        return None
    name, key, written = (group and group.strip() for group in match.groups())
    part = _part(board, name, problems)
    if part is None:
        return None
    if not written:
        problems.append(Problem("nothing stands after the =.", given=text, expected=_EXPECTED, hint=_HOW))
        return None
    if key is None and written in list(State):
        return _read_state(part, State(written), problems)
    return _read_setting(part, key, written, problems)


def _part(board: Board, name: str, problems: list[Problem]) -> Part | None:
    part = board.parts.get(name)
    if part is None:
        letters = re.match("[A-Z]*", name.upper())
        alike = [d for d in board.parts if letters and re.fullmatch(f"{letters[0]}[0-9]+[A-Z]?", d)]
        listed = ", ".join(alike or board.parts)
        problems.append(
            Problem(
                f"the board has no part {shown(name)}.",
                given=name,
                expected="a designator of the board file",
                hint=nearest(name, board.parts) or f"It has {listed}.",
            )
        )
    return part


def _read_exchange(first: Part, second: Part, problems: list[Problem]) -> Exchange | None:
    names = f"{first.designator} and {second.designator}"
    if first.designator == second.designator:
        problems.append(Problem("a part cannot change places with itself.", hint="Name another part."))
    elif kind(first) != kind(second):
        what = [_KINDS.get(kind(part)) or _one(part.role) for part in (first, second)]
        problems.append(
            Problem(
                f"{names} are different parts: {what[0]} and {what[1]} cannot take each other's place.",
                given=names,
                expected="two parts of one kind",
                hint="Exchange resistors with resistors and capacitors with capacitors; "
                "other parts only with those of the same role.",
            )
        )
    elif not (first.fitted or second.fitted):
        problems.append(Problem("neither of the two is fitted.", hint="Name a part that is."))
    else:
        for component, place in ((first, second), (second, first)):
            _check_place(component, place, problems)
        return Exchange(first.designator, second.designator)
    return None


def _check_place(component: Part, place: Part, problems: list[Problem]) -> None:
    """Report what a component is that no part of the other role can be."""
    role = ROLES[place.role]
    for key in movable_keys(component, place):
        if value := component.known(key):
            quantity = Quantity(value.nominal, value.low, value.high, value.dimension, value.text)
            fits(_table(place, key, value.text, problems), key, quantity, role.fields[key], role)


def _read_state(part: Part, state: State, problems: list[Problem]) -> SetState | None:
    value_field = ROLES[part.role].value_field
    if part.state is state:
        problems.append(
            Problem(f"{part.designator} is {state} already.", given=state, hint="Leave it out, or undo it.")
        )
    elif state is State.OPEN and not part.fitted:
        problems.append(Problem("an empty footprint cannot fail open.", hint="Leave it out."))
    elif state is State.FITTED and value_field and not part.known(value_field):
        example = ROLES[part.role].fields[value_field].example.partition(" ±")[0]
        problems.append(
            Problem(
                f"the board file does not say what {part.designator} would be.",
                given=state,
                expected="a value",
                hint=f'Give it: "{part.designator}={example}".',
            )
        )
    else:
        return SetState(part.designator, state)
    return None


def _read_setting(part: Part, key: str | None, written: str, problems: list[Problem]) -> Change | None:
    role = ROLES[part.role]
    if key in (None, "value", "marking"):
        key = role.value_field
    table = _table(part, key or "", written, problems)
    settable = [field.key for field in role.fields.values()]
    if key is None:
        listed = f"Name a key: {', '.join(f'{part.designator}.{k}' for k in settable)}." if settable else ""
        problems.append(
            Problem(
                f"{_one(role.name)} has no value of its own.",
                given=written,
                expected="one of its keys, or open",
                hint=listed or f"It can only be taken out: {part.designator}=open.",
            )
        )
        return None
    if key == "tolerance" and role.value_field:
        problems.append(
            Problem(
                "a tolerance is changed together with its value.",
                given=key,
                expected="a value with a tolerance",
                hint=f'Write for example "{part.designator}={_now(part, role)} ± {written.lstrip("± ")}".',
            )
        )
        return None
    if key not in role.fields:
        table.report_unknown_key(key, settable, f"the role {role.name} that a change can set")
        return None
    field = role.fields[key]
    if field.dimension in ("choice", "text"):
        word = table.choice(key, field.choices) if field.choices else written
        return SetWord(part.designator, key, word) if word else None
    return _read_number(part, role, field, written, table)


def _one(role: str) -> str:
    return f"{'an' if role[0] in 'aeiou' else 'a'} {role}"


def _now(part: Part, role: Role) -> str:
    value = part.known(role.value_field or "")
    return in_clear(value.nominal, value.dimension) if value else "1k0"


def _read_number(part: Part, role: Role, field: Field, written: str, table: Table) -> SetValue | None:
    text = written
    if field.key == role.value_field:
        if part.role in _ELECTROLYTIC and written.isdigit():
            table.report(
                f"{shown(written)} may be microfarads in clear, or a code for picofarads.",
                given=written,
                expected="a value with its unit",
                hint=f"Write {written.lstrip('0') or '1'}u for microfarads.",
            )
            return None
        text = _in_clear(written, field.dimension)
    quantity = table.parsed(field.key, text, field.dimension)
    if quantity is None:
        return None
    try:
        change = set_value(part, field.key, quantity)
    except QuantityError as error:
        table.add(error, field.key)
        return None
    made = change.value
    spread = Quantity(made.nominal, made.low, made.high, made.dimension, made.text)
    return change if fits(table, field.key, spread, field, role) else None


def _in_clear(written: str, dimension: str) -> str:
    """The text with a code of digits or of EIA-96 at its front written out, as a value may say it."""
    match = _CODE.fullmatch(written)
    if match is None or dimension not in _READERS:
        return written
    code, rest = match[1], match[2] or ""
    try:
        parse(code, dimension=dimension)
    except QuantityError:
        pass
    else:
        return written
    try:
        marking = _READERS[dimension](code)
    except QuantityError:
        return written
    tolerance = "" if marking.tolerance is None else f" {in_percent(*marking.tolerance)}"
    return f"{in_clear(marking.value, dimension)}{tolerance}{rest}"


def _table(part: Part, key: str, written: str, problems: list[Problem]) -> Table:
    """A change as the board file would say it, so that it meets the same checks."""
    return Table({key: written}, (part.designator,), Lines({}, ()), problems)


# All of them together


def _doubles(read: Sequence[tuple[str, Change]]) -> Iterator[Problem]:
    for (text, change), (other_text, other) in combinations(read, 2):
        for designator in sorted(_touched(change).keys() & _touched(other).keys()):
            keys = {_touched(change)[designator], _touched(other)[designator]}
            if len(keys) > 1 and "" not in keys:
                continue
            both = f"{text} and {other_text} both change {designator}."
            yield Problem(
                f"{text} is written twice." if text == other_text else both,
                given=f"{text}, {other_text}",
                expected="one change of each thing",
                hint="Leave one of them out.",
            )


def _touched(change: Change) -> dict[str, str]:
    """The parts a change is about, each with the one key it changes, or "" for all of the part."""
    match change:
        case Exchange():
            return {change.first: "", change.second: ""}
        case SetState():
            return {change.designator: ""}
        case _:
            return {change.designator: change.key}


def _impossible(board: Board, read: Sequence[tuple[str, Change]]) -> Iterator[Problem]:
    """Changes that together leave a flyback that does not work at all."""
    after = altered(board, [change for _, change in read])
    for designator, part in board.parts.items():
        loss = _LOSSES.get(part.role)
        if board.topology != "flyback" or loss is None or after.parts[designator].fitted or not part.fitted:
            continue
        left = after.playing(part.role) or (loss.stand_in and after.playing(loss.stand_in))
        if loss.every or not left:
            blamed = [text for text, change in read if designator in _touched(change)]
            yield Problem(
                f"without the {part.role} {designator} {loss.what}: there is no power to judge.",
                field=blamed[0],
                given=designator,
                expected="a board that works",
                hint="Change something else.",
            )
