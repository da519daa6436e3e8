"""From the text of a board file to a value with its spread and origin, checked for absurd sizes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from flyback.board.model import Origin, Shape, Unknown, Value
from flyback.board.roles import Field, Role
from flyback.board.tables import Table
from flyback.units import DIMENSIONS, Quantity, parse, shown

_BOUNDS = ("min", "typ", "max")

# Wide enough for anything met in a mains supply; common practice, no source.
LIMITS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "resistance": ("1 mohm", "1 Gohm"),
        "capacitance": ("1 pF", "100 mF"),
        "inductance": ("10 nH", "10 H"),
        "voltage": ("1 mV", "10 kV"),
        "current": ("1 uA", "1000 A"),
        "power": ("1 uW", "10 kW"),
        "frequency": ("1 kHz", "10 MHz"),
        "time": ("1 ps", "100 s"),
        "area": ("0.1 mm2", "0.1 m2"),
        "flux density": ("1 mT", "2 T"),
        "turns": ("1", "10000"),
        "ratio": ("1e-9", "10000"),
        "power coefficient": ("1 A2Hz", "1e9 A2Hz"),
        "current slope": ("1 A/s", "1000 A/us"),
        "voltage slope": ("1 V/s", "1000 V/us"),
    }
)
"""Smallest and largest plausible value of each dimension."""

FIELD_LIMITS: Mapping[tuple[str, str], tuple[str, str]] = MappingProxyType(
    {
        ("bulk capacitor", "capacitance"): ("1 nF", "10 mF"),
        ("X capacitor", "capacitance"): ("100 pF", "100 uF"),
        ("Y capacitor", "capacitance"): ("1 pF", "1 uF"),
        ("switching IC", "max_duty"): ("1 %", "100 %"),
        ("switching IC", "conduction_share"): ("1 %", "100 %"),
        ("switching IC", "line_compensation"): ("1e-9", "1"),
        ("switching transistor", "max_duty"): ("1 %", "100 %"),
        ("switching transistor", "gain"): ("0.1", "10000"),
        ("post converter", "efficiency"): ("1 %", "100 %"),
    }
)
"""Narrower limits of single fields, by role and field."""


@dataclass(frozen=True, slots=True)
class Written:
    """A value as the file gives it; the origin is None where its own table does not say."""

    quantity: Quantity
    two_piece: bool = False
    origin: Origin | None = None
    note: str = ""
    line: int | None = None


def read_written(table: Table, key: str, field: Field, role: Role | None) -> Written | Unknown | None:
    """Read a field that is a text, a number or a table of its own; None if unfit, once reported.

    The key is the field's own, or ``value`` where that stands for it.
    """
    name = f"{table.path[-1]}.{field.key}"
    inner = table.table(key) if isinstance(table.content[key], dict) else None
    if inner is None:
        return _read_plain(table, key, field, role, name=name)

    inner.report_unknown_keys(("value", *_BOUNDS, "origin", "note"), "a value")
    origin = _read_origin(inner)
    found = _read_own_table(inner, field, role, name=name, origin=origin)
    return found if origin or "origin" not in inner else None


def with_origins(table: Table, found: Mapping[str, Written | Unknown | None]) -> dict[str, Value | Unknown]:
    """The values of a table with their own origin or else the table's; reports those that have none."""
    origin_of_table = _read_origin(table)
    values: dict[str, Value | Unknown] = {}
    without_origin = []
    for key, written in found.items():
        if isinstance(written, Unknown):
            values[key] = written
        elif written is not None:
            origin = written.origin or origin_of_table
            if origin is None:
                without_origin.append(key)
            elif origin is Origin.GUESS and written.quantity.exact:
                table.report(
                    f'"{written.quantity.text}" is a guess without a range.',
                    key,
                    given=written.quantity.text,
                    expected="a range",
                    hint="Write it as a range, from the least to the most it can be.",
                )
            else:
                values[key] = _to_value(written, key=f"{table.path[-1]}.{key}", origin=origin)
    if without_origin and "origin" not in table:
        choices = " or ".join(f'"{origin}"' for origin in Origin)
        table.report(
            f"no origin is given for {', '.join(without_origin)}.",
            "origin",
            expected=choices,
            hint=f"Say where it comes from: origin = {choices}.",
        )
    return values


def read_single(
    table: Table,
    key: str,
    dimension: str,
    *,
    limits: tuple[str, str] | None = None,
    zero_allowed: bool = False,
) -> float | None:
    """Read one number without a spread, such as a figure of the label or a reading of a meter."""
    quantity = table.quantity(key, dimension)
    if quantity is None:
        return None
    return single(table, key, quantity, limits=limits or LIMITS[dimension], zero_allowed=zero_allowed)


def single(
    table: Table, key: str, quantity: Quantity, *, limits: tuple[str, str], zero_allowed: bool = False
) -> float | None:
    """The number a quantity without spread has within limits; None once it is reported as unfit."""
    if not quantity.exact:
        table.report(
            f"{shown(quantity.text)} is more than one number.",
            key,
            given=quantity.text,
            expected=f"one number such as {DIMENSIONS[quantity.dimension].example}",
            hint="Write one number, without a range or tolerance.",
        )
        return None
    fitting = within(table, key, quantity, limits, what=key, zero_allowed=zero_allowed)
    return quantity.nominal if fitting else None


def within(
    table: Table,
    key: str,
    quantity: Quantity,
    limits: tuple[str, str],
    *,
    what: str,
    zero_allowed: bool = False,
) -> bool:
    """Whether a quantity lies within limits, given as texts; reports it if not."""
    smallest, largest = (parse(limit, dimension=quantity.dimension).nominal for limit in limits)
    zero = quantity.low == 0.0
    if (smallest <= quantity.low or (zero and zero_allowed)) and quantity.high <= largest:
        return True
    table.report(
        f"{shown(quantity.text)} is outside what {what} can be ({limits[0]} to {limits[1]}).",
        key,
        given=quantity.text,
        expected=f"{limits[0]} to {limits[1]}",
        hint="It must be above zero." if zero else "Check the unit.",
    )
    return False


def fits(table: Table, key: str, quantity: Quantity, field: Field, role: Role | None) -> bool:
    """Whether a quantity is a plausible value of a field of a part, or of no part; reports it if not."""
    limits, what = LIMITS[field.dimension], field.key
    if role is not None:
        limits = FIELD_LIMITS.get((role.name, field.key), limits)
        main = field.key == role.value_field
        what = f"any {role.name}" if main else f"{field.key} of any {role.name}"
    return within(table, key, quantity, limits, what=what, zero_allowed=field.zero_allowed)


def _read_origin(table: Table) -> Origin | None:
    word = table.choice("origin", list(Origin))
    return Origin(word) if word else None


def _to_value(written: Written, *, key: str, origin: Origin) -> Value:
    quantity = written.quantity
    return Value(
        key=key,
        nominal=quantity.nominal,
        low=quantity.low,
        high=quantity.high,
        dimension=quantity.dimension,
        shape=_shape(written, origin),
        origin=origin,
        text=quantity.text,
        cause=key,
        note=written.note,
        line=written.line,
    )


def _shape(written: Written, origin: Origin) -> Shape:
    if written.quantity.exact:
        return Shape.EXACT
    if written.two_piece:
        return Shape.TWO_PIECE
    return Shape.NORMAL if origin is Origin.MEASURED else Shape.RECTANGULAR


def _read_own_table(
    table: Table, field: Field, role: Role | None, *, name: str, origin: Origin | None
) -> Written | Unknown | None:
    """A value that has a table to itself."""
    note = table.text("note", lines_allowed=True)
    given = [bound for bound in _BOUNDS if bound in table]
    if "value" in table and not given:
        return _read_plain(table, "value", field, role, name=name, origin=origin, note=note)
    if len(given) == len(_BOUNDS) and "value" not in table:
        quantity = _read_bounds(table, field, role)
        if quantity is None:
            return None
        return Written(quantity, two_piece=True, origin=origin, note=note, line=table.line("min"))
    _report_incomplete(table, given, DIMENSIONS[field.dimension].example)
    return None


def _read_plain(
    table: Table,
    key: str,
    field: Field,
    role: Role | None,
    *,
    name: str,
    origin: Origin | None = None,
    note: str = "",
) -> Written | Unknown | None:
    if _says_unknown(table, key):
        return Unknown(name, table.line(key), note)
    quantity = table.quantity(key, field.dimension)
    if quantity is None or not fits(table, key, quantity, field, role):
        return None
    return Written(quantity, origin=origin, note=note, line=table.line(key))


def _says_unknown(table: Table, key: str) -> bool:
    """Whether the user wrote that the value was looked for and is not known."""
    text = table.content[key]
    return isinstance(text, str) and text.strip().casefold() == "unknown"


def _read_bounds(table: Table, field: Field, role: Role | None) -> Quantity | None:
    """Minimum, typical and maximum as one quantity."""
    quantities = [table.quantity(bound, field.dimension) for bound in _BOUNDS]
    low, typical, high = quantities
    if low is None or typical is None or high is None:
        return None
    text = ", ".join(f"{bound} {table.content[bound]}" for bound in _BOUNDS)
    if not (low.exact and typical.exact and high.exact):
        table.report(
            f"{text}: one of them has a spread of its own.",
            given=text,
            expected="three plain values",
            hint="Write min, typ and max without tolerance.",
        )
        return None
    if not low.nominal <= typical.nominal <= high.nominal:
        table.report(
            f"{text}: not in ascending order.",
            given=text,
            expected="min <= typ <= max",
            hint="Exchange them or check the units.",
        )
        return None
    quantity = replace(typical, low=low.nominal, high=high.nominal, text=text)
    return quantity if fits(table, "min", quantity, field, role) else None


def _report_incomplete(table: Table, given: list[str], example: str) -> None:
    if "value" in table:
        message = f"value and {' and '.join(given)} stand side by side."
        hint = "Write either value, or min, typ and max."
    elif given:
        missing = " and ".join(bound for bound in _BOUNDS if bound not in given)
        message = f"{' and '.join(given)} without {missing}."
        hint = 'Write all three; two limits alone are a range, such as value = "60..70 kHz".'
    else:
        message = "value is missing."
        hint = f'Write value = "{example}".'
    table.report(message, expected='value = "...", or min, typ and max', hint=hint)
