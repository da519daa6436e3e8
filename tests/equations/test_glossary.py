"""The glossary: every symbol is used, has a unit, and is not mistaken for another."""

from __future__ import annotations

import importlib
import pkgutil
from collections import Counter
from collections.abc import Iterable
from dataclasses import fields, replace
from typing import Any

import pint
import pytest

import flyback.equations
from flyback.analysis.circuit import Supply
from flyback.equations import glossary
from flyback.equations.formula import FORMULAS
from flyback.equations.glossary import GLOSSARY, Entry
from flyback.units import DIMENSIONS, registry

for found in pkgutil.iter_modules(flyback.equations.__path__):
    importlib.import_module(f"flyback.equations.{found.name}")

ENTRIES = tuple(GLOSSARY.values())
USED = {
    *(name for made in FORMULAS.values() for name in (made.symbol, *made.arguments)),
    *(field.name for field in fields(Supply)),
}


def unit_fault(entry: Entry) -> str | None:
    """The unit must be one pint knows, of SI size, and of the dimension the entry names."""
    if entry.dimension in DIMENSIONS:
        wanted = registry().Unit(DIMENSIONS[entry.dimension].pint_name)
    elif entry.dimension in ("number", "angle"):
        wanted = registry().Unit("dimensionless")
    else:
        return f"{entry.symbol}: there is no dimension {entry.dimension}"
    try:
        unit = registry().Quantity(1.0, entry.unit)
    except pint.UndefinedUnitError:
        return f"{entry.symbol}: {entry.unit} is no unit"
    if not unit.is_compatible_with(wanted) or unit.to_base_units().magnitude != 1.0:
        return f"{entry.symbol}: {entry.unit} is not the SI unit of {entry.dimension}"
    return None


def repeated(texts: Iterable[str]) -> list[str]:
    counted = Counter(" ".join(text.lower().split()) for text in texts)
    return [text for text, count in counted.items() if count > 1]


def test_every_symbol_is_used() -> None:
    assert sorted(set(GLOSSARY) - USED) == []


@pytest.mark.parametrize("entry", ENTRIES, ids=GLOSSARY)
def test_entry(entry: Entry) -> None:
    assert unit_fault(entry) is None
    assert entry.meaning
    assert entry.latex
    assert entry.symbol.isidentifier()


def test_no_row_is_written_twice() -> None:
    rows = glossary._ROWS.strip().splitlines()
    assert len(rows) == len(GLOSSARY)


def test_no_two_symbols_mean_or_print_the_same() -> None:
    assert repeated(entry.meaning for entry in ENTRIES) == []
    assert [latex for latex, count in Counter(entry.latex for entry in ENTRIES).items() if count > 1] == []


def test_the_signed_symbols_exist() -> None:
    assert set(GLOSSARY) >= glossary._SIGNED


@pytest.mark.parametrize(
    "change",
    [
        {"unit": "A"},
        {"unit": "mV"},
        {"unit": "volts_of_mains"},
        {"unit": "1"},
        {"dimension": "current"},
        {"dimension": "pressure"},
        {"dimension": "number"},
    ],
    ids=str,
)
def test_a_wrong_unit_is_found(change: dict[str, Any]) -> None:
    assert unit_fault(GLOSSARY["V_dc"]) is None
    assert unit_fault(replace(GLOSSARY["V_dc"], **change)) is not None


def test_a_repeated_meaning_is_found() -> None:
    assert repeated(["duty cycle", "Duty  cycle", "on time"]) == ["duty cycle"]
