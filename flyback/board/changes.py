"""What can be changed on a board that was read, and the board that comes of it; nothing touches a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

from flyback.board.model import Board, Origin, Part, Shape, State, Unknown, Value
from flyback.board.roles import ROLES
from flyback.units import Quantity, format_quantity, parse

_BOUNDS = ("min", "typ", "max")


@dataclass(frozen=True, slots=True)
class SetValue:
    """Another number under a key of a part; `set_value` makes one.

    Under the key that the role's ``value`` stands for it is another component, which is then fitted.
    """

    designator: str
    key: str
    value: Value

    def __str__(self) -> str:
        return f"{self.designator}.{self.key}={self.value.text}"


@dataclass(frozen=True, slots=True)
class SetWord:
    """Another word under a key of a part, such as the technology of a rectifier."""

    designator: str
    key: str
    word: str

    def __str__(self) -> str:
        return f"{self.designator}.{self.key}={self.word}"


@dataclass(frozen=True, slots=True)
class SetState:
    """A part taken out or failed open, or one that is listed fitted again with the values it has."""

    designator: str
    state: State

    def __str__(self) -> str:
        return f"{self.designator}={self.state}"


@dataclass(frozen=True, slots=True)
class Exchange:
    """Two components in each other's place.

    What is physically the component moves: value, marking, tolerance, ratings, state and reel. Roles and
    the notes of the places stay. Origins stay too: they are the same two components as before. A key that
    the other role does not have (the ``esr`` of an output capacitor) is read no more and goes.
    """

    first: str
    second: str

    def __str__(self) -> str:
        return f"{self.first}<->{self.second}"


Change: TypeAlias = SetValue | SetWord | SetState | Exchange


def set_value(part: Part, key: str, quantity: Quantity) -> SetValue:
    """Put a quantity under a key of a part.

    A quantity without a spread of its own takes over that of the value it replaces, in proportion: it is
    taken to be known as well as that one was. A value that was measured is followed by one that is not, so
    that its spread becomes that of a tolerance.
    """
    old = part.values.get(key)
    shape = Shape.EXACT if quantity.exact else Shape.RECTANGULAR
    if isinstance(old, Value) and old.spread and quantity.exact and old.nominal and quantity.nominal:
        two_piece = old.shape is Shape.TWO_PIECE
        quantity = _between_bounds(old, quantity) if two_piece else _with_tolerance(old, quantity)
        shape = Shape.TWO_PIECE if two_piece else Shape.RECTANGULAR
    name = f"{part.designator}.{key}"
    value = Value(
        key=name,
        nominal=quantity.nominal,
        low=quantity.low,
        high=quantity.high,
        dimension=quantity.dimension,
        shape=shape,
        origin=Origin.WHAT_IF,
        text=quantity.text,
        cause=name,
        note=_before(old),
    )
    return SetValue(part.designator, key, value)


def altered(board: Board, changes: Sequence[Change]) -> Board:
    """The board with changes made, in memory. The changes are those of `read_changes`, or like them.

    Load tests stay as they were read: on the supply as it was found. The board has no path and no digest,
    since no file says this.
    """
    parts = dict(board.parts)
    for change in changes:
        match change:
            case SetValue():
                parts[change.designator] = _with_value(parts[change.designator], change)
            case SetWord():
                part = parts[change.designator]
                parts[part.designator] = replace(part, words={**part.words, change.key: change.word})
            case SetState():
                parts[change.designator] = replace(parts[change.designator], state=change.state)
            case Exchange():
                _exchange(parts, change.first, change.second)
    tied = {designator: _on_its_reel(part, parts) for designator, part in parts.items()}
    return replace(board, parts=tied, path=None, digest="")


def kind(part: Part) -> str:
    """What may take the place of a part: all that have its "resistance" or "capacitance", or its role."""
    return ROLES[part.role].value_field or part.role


def movable_keys(first: Part, second: Part) -> tuple[str, ...]:
    """Keys of the two roles that go with the component when it changes its place."""
    other = ROLES[second.role].fields
    return tuple(key for key in ROLES[first.role].fields if key in other)


def as_file_says(value: Value) -> dict[str, str]:
    """The keys of a value's own table in a board file."""
    texts = {"value": value.text}
    if value.shape is Shape.TWO_PIECE:
        texts = dict(bound.split(" ", 1) for bound in value.text.split(", "))
    note = {"note": value.note} if value.note else {}
    return {**texts, "origin": str(value.origin), **note}


def _with_value(part: Part, change: SetValue) -> Part:
    values = {**part.values, change.key: change.value}
    if change.key != ROLES[part.role].value_field:
        return replace(part, values=values)
    return replace(part, values=values, marking="", state=State.FITTED)


def _exchange(parts: dict[str, Part], first: str, second: str) -> None:
    a, b = parts[first], parts[second]
    keys = movable_keys(a, b)
    parts[first], parts[second] = _placed(b, a, keys), _placed(a, b, keys)
    swapped = {first: second, second: first}
    for designator, part in parts.items():
        if part.same_reel_as in swapped:
            parts[designator] = replace(part, same_reel_as=swapped[part.same_reel_as])


def _placed(component: Part, place: Part, keys: Sequence[str]) -> Part:
    values: dict[str, Value | Unknown] = {}
    for key in keys:
        name = f"{place.designator}.{key}"
        match component.values.get(key):
            case Value() as value:
                values[key] = replace(value, key=name, cause=name, line=None)
            case Unknown() as unknown:
                values[key] = replace(unknown, key=name, line=None)
    return replace(
        place,
        state=component.state,
        values=values,
        words={key: word for key, word in component.words.items() if key in keys},
        marking=component.marking,
        same_reel_as=component.same_reel_as,
    )


def _on_its_reel(part: Part, parts: Mapping[str, Part]) -> Part:
    """The part with its spread tied to the first of its reel, as the loader ties it."""
    key = ROLES[part.role].value_field
    if not part.same_reel_as or key is None or not isinstance(value := part.values.get(key), Value):
        return part
    first = part.same_reel_as
    while parts[first].same_reel_as:
        first = parts[first].same_reel_as
    return replace(part, values={**part.values, key: replace(value, cause=f"{first}.{key}")})


def _before(old: Value | Unknown | None) -> str:
    if old is None:
        return ""
    return f"was {old.text}" if isinstance(old, Value) else "was unknown"


# The spread of the value before, on the one after. Everything goes through its text, so that a file that
# says the same is read as the same.


def _with_tolerance(old: Value, new: Quantity) -> Quantity:
    amount = in_percent(*(end / old.nominal - 1 for end in (old.low, old.high)))
    # percent of percent would be refused as unclear
    bare = f"{new.nominal:.12g}" if "%" in new.text else new.text
    return parse(f"{bare} {amount}", dimension=new.dimension)


def _between_bounds(old: Value, new: Quantity) -> Quantity:
    scale = new.nominal / old.nominal
    texts = (in_clear(old.low * scale, new.dimension), new.text, in_clear(old.high * scale, new.dimension))
    low, typical, high = (parse(text, dimension=new.dimension) for text in texts)
    text = ", ".join(f"{bound} {text}" for bound, text in zip(_BOUNDS, texts, strict=True))
    return replace(typical, low=low.nominal, high=high.nominal, text=text)


def in_percent(below: float, above: float) -> str:
    """A tolerance given as two fractions, as a board file may say it.

    >>> in_percent(-0.05, 0.05), in_percent(-0.2, 0.5)
    ('± 5 %', '-20/+50 %')
    """
    low, high = (f"{abs(part) * 100:.6g}" for part in (below, above))
    return f"± {high} %" if low == high else f"-{low}/+{high} %"


def in_clear(number: float, dimension: str) -> str:
    """A number in six digits with its unit, without needless zeros, as a board file may say it.

    >>> in_clear(0.52, "voltage"), in_clear(65000.0, "frequency")
    ('0.52 V', '65 kHz')
    """
    digits, _, unit = format_quantity(number, dimension, digits=6).partition(" ")
    short = digits.rstrip("0").rstrip(".") if "." in digits else digits
    return f"{short} {unit}".strip()
