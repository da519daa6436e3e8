"""Handbook data: what the trade knows when the board does not say.

The tables are TOML files beside this one. Every row names its ``source`` and its ``basis``, which
says how far to trust it:

- ``seen``: the text that states the figure was read;
- ``from memory``: remembered, to be checked before anything leans on it;
- ``common practice``: a habit of the trade, no source;
- ``computed``: worked out from stated inputs.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from flyback.errors import Problem, RequestError
from flyback.units import parse

__all__ = ["TABLES", "HandbookRange", "handbook", "merged", "rows", "series"]

TABLES: Mapping[str, str] = MappingProxyType(
    {
        "handbook": "handbook.toml",
        "series": "series.toml",
        "cores": "cores.toml",
        "saturation": "cores.toml",
        "mains_tolerance": "supply.toml",
        "mains_voltages": "supply.toml",
        "supply_classes": "efficiency.toml",
        "average_efficiency": "efficiency.toml",
        "no_load_power": "efficiency.toml",
        "customary": "customary.toml",
        "letter_codes": "markings.toml",
        "tolerance_letters": "markings.toml",
        "eia96_codes": "markings.toml",
        "eia96_multipliers": "markings.toml",
        "colour_bands": "markings.toml",
        "colour_names": "markings.toml",
        "voltage_codes": "markings.toml",
        "capacitor_letters": "markings.toml",
        "dielectric_codes": "markings.toml",
        "stable_dielectrics": "markings.toml",
        "safety_classes": "markings.toml",
        "marking_systems": "markings.toml",
        "usual_parts": "markings.toml",
        "sense_values": "markings.toml",
    }
)
"""Name of each table and the file that holds it."""


@dataclass(frozen=True, slots=True)
class HandbookRange:
    """Range to assume for one field of a part that could not be traced, in SI units."""

    role: str
    key: str
    variant: str | None
    low: float
    typical: float
    high: float
    dimension: str
    source: str
    basis: str
    note: str


@cache
def rows(table: str) -> tuple[Mapping[str, Any], ...]:
    """Rows of one table as its file writes them, read-only.

    Figures are in the unit that the end of a key names (``volume_mm3``) or are strings in bench
    notation (``"0.45 V"``). Raises RequestError if ``table`` is not a name in TABLES.
    """
    if table not in TABLES:
        raise _unknown("table", table, TABLES)
    frozen: tuple[Mapping[str, Any], ...] = _read_only(_document(TABLES[table])[table])
    return frozen


@cache
def merged(table: str, key: str, part: str = "") -> Mapping[str, Any]:
    """The figures under one key of all rows of a table put together, or of the rows for one part.

    >>> merged("letter_codes", "exponents", "resistor")["K"]
    3
    """
    chosen = (row for row in rows(table) if not part or row["part"] in (part, "any"))
    return MappingProxyType({name: figure for row in chosen for name, figure in row.get(key, {}).items()})


@cache
def handbook(role: str, key: str, variant: str | None = None) -> HandbookRange | None:
    """Range to assume for a field of a part, or None where the handbook has no such row.

    A variant is the technology or colour of the part; a row written for one variant is never
    used for another, nor when the variant is unknown.

    >>> drop = handbook("output rectifier", "forward_drop", "schottky")
    >>> drop.low, drop.typical, drop.high, drop.dimension
    (0.35, 0.45, 0.55, 'voltage')
    >>> handbook("output rectifier", "colour") is None
    True
    """
    for row in rows("handbook"):
        if (row["role"], row["key"], row.get("variant")) == (role, key, variant):
            low, typical, high = (
                parse(row[bound], dimension=row["dimension"]).nominal
                for bound in ("low", "typical", "high")
            )
            return HandbookRange(
                role=role,
                key=key,
                variant=variant,
                low=low,
                typical=typical,
                high=high,
                dimension=row["dimension"],
                source=row["source"],
                basis=row["basis"],
                note=row["note"],
            )
    return None


@cache
def series(name: str) -> tuple[float, ...]:
    """One decade, from 1 up to but not including 10, of a series of preferred numbers (IEC 60063).

    Raises RequestError if ``name`` is not one of E3, E6, E12, E24, E48, E96 and E192.

    >>> series("E6")
    (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    by_name = {row["name"]: row for row in rows("series")}
    if name not in by_name:
        raise _unknown("series of preferred numbers", name, by_name)
    row = by_name[name]
    if row["rule"] == "listed":
        listed: tuple[float, ...] = row["values"]
        return listed
    count = row["values_per_decade"]
    corrected = {entry["computed"]: entry["listed"] for entry in row["exceptions"]}
    rounded = (round(10 ** (index / count), 2) for index in range(count))
    return tuple(corrected.get(value, value) for value in rounded)


@cache
def _document(file: str) -> dict[str, Any]:
    return tomllib.loads(files(__name__).joinpath(file).read_text(encoding="utf-8"))


def _read_only(value: Any) -> Any:
    if isinstance(value, dict):
        return MappingProxyType({key: _read_only(inner) for key, inner in value.items()})
    if isinstance(value, list):
        return tuple(_read_only(inner) for inner in value)
    return value


def _unknown(what: str, given: str, known: Collection[str]) -> RequestError:
    expected = ", ".join(known)
    nearest = get_close_matches(given, known, n=1)
    return RequestError(
        Problem(
            f'there is no {what} "{given}"; there are {expected}.',
            given=given,
            expected=expected,
            hint=f"Did you mean {nearest[0]}?" if nearest else None,
        )
    )
