"""Reading the parts of a board file: one entry per designator."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace

from flyback.board.markings import Marking, read_capacitor, read_resistor
from flyback.board.model import Origin, Part, State, Unknown, Value
from flyback.board.roles import ROLES, Field, Role
from flyback.board.tables import Table, nearest
from flyback.board.values import Written, fits, read_written, with_origins
from flyback.errors import QuantityError
from flyback.units import Quantity, format_quantity, parse, shown, tidy

MAX_PARTS = 500

_DESIGNATOR = re.compile(r"[A-Z]{1,4}[0-9]{1,4}[A-Z]?")
_EVERY_PART = ("role", "state", "origin", "marking", "same_reel_as", "note")
_WITH_MAIN_VALUE = ("value", "tolerance")
_READERS = {"resistance": read_resistor, "capacitance": read_capacitor}
_SAME = 1e-6
"""Relative difference up to which a value and a marking agree."""


def read_parts(table: Table) -> Mapping[str, Part]:
    """Read every part of the parts table; those that cannot be read are reported and left out."""
    if len(table.content) > MAX_PARTS:
        table.report(
            f"{len(table.content)} parts stand here; at most {MAX_PARTS} can be read.",
            given=str(len(table.content)),
            expected=f"at most {MAX_PARTS} parts",
            hint="Leave out parts that no check reads.",
        )
        return {}
    parts = {}
    for designator in table.content:
        _check_designator(table, designator)
        if (entry := table.table(designator)) and (part := _read_part(entry, designator)):
            parts[designator] = part
    return {designator: _on_its_reel(table, part, parts) for designator, part in parts.items()}


def _check_designator(table: Table, designator: str) -> None:
    if _DESIGNATOR.fullmatch(designator):
        return
    mended = designator.upper().replace(" ", "").replace("-", "")
    table.report(
        f"{shown(designator)} is not a designator.",
        designator,
        given=designator,
        expected="letters, digits and perhaps one letter, such as R6, BR1 or R12A",
        hint=f"Write {mended}." if _DESIGNATOR.fullmatch(mended) else "Write for example R6, BR1 or R12A.",
    )


def _read_part(table: Table, designator: str) -> Part | None:
    if "role" not in table:
        table.report_missing("role", 'role = "sense resistor"')
    role = ROLES.get(table.choice("role", ROLES))
    if role is None:
        _report_unheard_of_keys(table)
        return None
    _report_foreign_keys(table, role)

    marking = table.text("marking")
    found: dict[str, Written | Unknown | None] = {}
    if role.value_field is not None:
        found[role.value_field] = _read_main_value(table, role.fields[role.value_field], role, marking)
    words = {}
    for field in role.fields.values():
        if field.key not in table or field.key == role.value_field:
            continue
        if field.dimension in ("choice", "text"):
            words[field.key] = _read_word(table, field)
        else:
            found[field.key] = read_written(table, field.key, field, role)
    if role.name == "transformer":
        _check_turns(table, role)

    return Part(
        designator=designator,
        role=role.name,
        state=State(table.choice("state", list(State)) or State.FITTED),
        values=with_origins(table, found),
        words={key: word for key, word in words.items() if word},
        marking=marking,
        note=table.text("note", lines_allowed=True),
        same_reel_as=table.text("same_reel_as"),
        line=table.line(),
    )


def _read_word(table: Table, field: Field) -> str:
    if field.dimension == "text":
        return table.text(field.key)
    word = table.choice(field.key, (*field.choices, "unknown"))
    return "" if word == "unknown" else word


def _report_unheard_of_keys(table: Table) -> None:
    """Report keys that no role has, where the part's own role could not be read."""
    known = {*_EVERY_PART, *_WITH_MAIN_VALUE}.union(*(role.fields for role in ROLES.values()))
    for key in table.content:
        if key not in known:
            table.report(
                f"{shown(key)} is not a key of any part.",
                key,
                given=key,
                expected="a key of a part",
                hint=nearest(key, known),
            )


def _report_foreign_keys(table: Table, role: Role) -> None:
    """Report keys that no part has, and keys that belong to another role."""
    known = [*_EVERY_PART, *role.fields]
    if role.value_field is not None:
        known += _WITH_MAIN_VALUE
    for key in table.content:
        if key in known:
            continue
        owners = [other.name for other in ROLES.values() if key in other.fields]
        if key in _WITH_MAIN_VALUE:
            owners = ["resistors and capacitors"]
        if not owners:
            table.report_unknown_key(key, known, f"the role {role.name}")
            continue
        if len(owners) > 3:
            owners[3:] = ["others"]
        table.report(
            f"{key} belongs to {' or '.join(owners)}, not to {role.name}.",
            key,
            given=key,
            expected=", ".join(known),
            hint="Move it to that part, or mend the role.",
        )


# The value that `value` and `marking` stand for


def _read_main_value(table: Table, field: Field, role: Role, code: str) -> Written | Unknown | None:
    keys = [key for key in ("value", field.key) if key in table]
    if len(keys) == 2:
        table.report(
            f"value and {field.key} are one thing said twice.",
            field.key,
            given=f"value and {field.key}",
            expected="one of the two",
            hint="Leave one of them out.",
        )
        return None
    tolerance = _read_tolerance(table)
    marking = _read_marking(table, field, code) if code else None
    written = read_written(table, keys[0], field, role) if keys else None
    if keys and written is None:
        return None
    if marking is not None:
        written = _reconciled(table, field, role, marking, written)
    if isinstance(written, Written):
        return _with_tolerance(table, written, tolerance, marking)
    if written is None and tolerance is not None and "marking" not in table:
        table.report(
            "tolerance has no value to apply to.",
            "tolerance",
            given=tolerance.text,
            expected=f"a tolerance beside value, marking or {field.key}",
            hint=f'Add marking = "..." or value = "{field.example}".',
        )
    return written


def _read_marking(table: Table, field: Field, code: str) -> Marking | None:
    try:
        return _READERS[field.dimension](code)
    except QuantityError as error:
        table.add(error, "marking", advice="Other print on the part goes under note.")
        return None


def _reconciled(
    table: Table, field: Field, role: Role, marking: Marking, written: Written | Unknown | None
) -> Written | Unknown | None:
    """What a marking and a value beside it, if there is one, say together."""
    read = format_quantity(marking.value, field.dimension)
    if written is None:
        quantity = Quantity(marking.value, marking.value, marking.value, field.dimension, marking.code)
        if not fits(table, "marking", replace(quantity, text=f"{marking.code}, {read}"), field, role):
            return None
        return Written(quantity, origin=Origin.MARKED, line=table.line("marking"))
    if isinstance(written, Unknown):
        given = "unknown"
    elif abs(written.quantity.nominal - marking.value) > _SAME * marking.value:
        given = written.quantity.text
    else:
        said = None if "origin" in table else Origin.MARKED
        return replace(written, origin=written.origin or said)
    table.report(
        f"{shown(given)} does not agree with the marking {marking.code}, which reads {read}.",
        "marking",
        given=marking.code,
        expected=given,
        hint="Read the part again; where only one of the two is right, leave the other out.",
    )
    return None


def _read_tolerance(table: Table) -> Quantity | None:
    """The tolerance as a quantity around 1, whose text is the tolerance written with its sign."""
    text = tidy(table.text("tolerance"))
    if not text:
        return None
    if text.endswith("%"):
        spread = text if text[0] in "±+-" else f"± {text}"
        with suppress(QuantityError):
            return replace(parse(f"1 {spread}", dimension="ratio"), text=spread)
    table.report(
        f"{shown(text)} is not a tolerance below 100 %.",
        "tolerance",
        given=text,
        expected="a percentage such as 1 % or -20/+50 %",
        hint='Write for example "1 %" or "-20/+50 %".',
    )
    return None


def _with_tolerance(
    table: Table, written: Written, tolerance: Quantity | None, marking: Marking | None
) -> Written:
    quantity = written.quantity
    if tolerance is not None and (written.two_piece or not quantity.exact):
        table.report(
            f"the value {shown(quantity.text)} has a spread already.",
            "tolerance",
            given=tolerance.text,
            expected="one spread",
            hint="Leave out the tolerance here or in the value.",
        )
        return written
    if tolerance is not None:
        low, high, text = tolerance.low, tolerance.high, f"{quantity.text} {tolerance.text}"
    elif marking is not None and marking.tolerance is not None and quantity.exact:
        low, high, text = 1 + marking.tolerance[0], 1 + marking.tolerance[1], quantity.text
    else:
        return written
    spread = replace(quantity, low=quantity.nominal * low, high=quantity.nominal * high, text=text)
    return replace(written, quantity=spread)


# Turns and reels


def _check_turns(table: Table, role: Role) -> None:
    windings = [key for key in role.fields if key.endswith("_turns") and key in table]
    for key in ("primary_turns", "secondary_turns"):
        if windings and key not in windings:
            table.report(
                f"{' and '.join(windings)} without {key}: no turns ratio.",
                windings[0],
                given=", ".join(windings),
                expected="primary_turns and secondary_turns",
                hint=f'Add {key}, or {key} = "unknown".',
            )


def _on_its_reel(table: Table, part: Part, parts: Mapping[str, Part]) -> Part:
    """The part with its spread tied to that of the part whose reel it shares."""
    if not part.same_reel_as:
        return part
    key = ROLES[part.role].value_field
    first = _first_of_reel(table, part, parts)
    if first is None or key is None or not isinstance(value := part.values.get(key), Value):
        return part
    values = {**part.values, key: replace(value, cause=f"{first}.{key}")}
    return replace(part, values=values)


def _first_of_reel(table: Table, part: Part, parts: Mapping[str, Part]) -> str | None:
    """Designator of the part that the reel's spread is named after; None once a problem is reported."""
    named = part.same_reel_as
    here = (part.designator, "same_reel_as")
    if named not in table:
        table.report(
            f"there is no part {shown(named)}.",
            *here,
            given=named,
            expected="a designator of this file",
            hint=nearest(named, table.content) or "Name a part of this file.",
        )
        return None
    if named not in parts:
        return None  # reported as a part that cannot be read
    kind, other_kind = ROLES[part.role].value_field, ROLES[parts[named].role].value_field
    if kind is None or kind != other_kind:
        table.report(
            f"{part.role} and {parts[named].role} {shown(named)} cannot share a reel.",
            *here,
            given=named,
            expected="two resistors or two capacitors",
            hint="Name a part of the same kind.",
        )
        return None
    seen = [part.designator]
    while named in parts and parts[named].same_reel_as:
        if named in seen:
            table.report(
                f"same_reel_as goes in a circle: {shown(', '.join((*seen, named)))}.",
                *here,
                given=named,
                expected="one part that names none",
                hint="Leave it out at one of them.",
            )
            return None
        seen.append(named)
        named = parts[named].same_reel_as
    return named
