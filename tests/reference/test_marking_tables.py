"""The tables of part codes beside a copy of the figures they were made from, row by row, marks included."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from flyback.board.decoding.clues import Kind
from flyback.board.decoding.colour_bands import colour_table
from flyback.board.decoding.decode import decode
from flyback.reference import merged, rows, series

FIGURES: Mapping[str, Any] = json.loads(
    (Path(__file__).parent / "data" / "part_codes.json").read_text(encoding="utf-8")
)
BASES = {"text": "seen", "memory": "from memory", "practice": "common practice"}
UNIT = {"ohm": 1.0, "kohm": 1e3, "Mohm": 1e6, "mohm": 1e-3, "pF": 1e-12, "nF": 1e-9}


def value(key: str) -> Any:
    return FIGURES[key]["value"]


def first_value(code: str, kind: Kind) -> float:
    return decode(code, kind=kind).readings[0].value


def rule_faults(key: str, kind: Kind) -> list[str]:
    """Examples "code = number unit" of a rule that are read otherwise."""
    faults = []
    for code, number, unit in re.findall(r"(\w+) = ([0-9.]+) ?(\w*)", value(key)):
        part = Kind.CAPACITOR if unit.endswith("F") else kind
        wanted = float(number) * UNIT.get(unit, 1.0)
        if first_value(code, part) != pytest.approx(wanted, rel=1e-9):
            faults.append(f"{code} is {number} {unit}")
    return faults


def number(text: str) -> float | None:
    """A cell of the colour table: "10k" or "-"."""
    if text == "-":
        return None
    scale = {"k": 1e3, "M": 1e6, "G": 1e9}
    return float(text.rstrip("kMG")) * scale.get(text[-1], 1.0)


def colour_faults(printed: Mapping[str, Any]) -> list[str]:
    """Cells of a printed colour table that are not in ours, or the other way round."""
    faults = []
    for name, digit, multiplier, tolerance, drift in printed["rows"]:
        colour = colour_table()[name]
        exponent = colour.get("multiplier")
        ours = (
            colour.get("digit"),
            None if exponent is None else 10.0**exponent,
            colour.get("tolerance_percent"),
            colour.get("ppm_per_K"),
        )
        wanted = (
            None if digit == "-" else digit,
            number(multiplier),
            number(tolerance),
            None if drift == "-" else drift,
        )
        faults += [
            name
            for one, other in zip(ours, wanted, strict=True)
            if one != other and one != pytest.approx(other)
        ]
    return faults


def span(text: str) -> list[float]:
    """ "10" is -10 to 10 and "+22/-33" is -33 to 22."""
    ends = sorted(float(end) for end in text.split("/"))
    return ends if len(ends) == 2 else [-ends[0], ends[0]]


def test_letters_of_iec_60062() -> None:
    printed = dict(value("rkm.letters"))
    printed |= dict.fromkeys("RE", printed.pop("R/E"))
    ours = merged("letter_codes", "exponents", "resistor") | dict(
        merged("letter_codes", "exponents", "capacitor")
    )
    assert {letter: 10.0 ** ours[letter] for letter in printed} == pytest.approx(printed)
    # beside them the small k, and the sign for micro
    assert set(ours) - set(printed) == {"k", "µ"}


def test_examples_of_iec_60062() -> None:
    assert rule_faults("rkm.rule", Kind.RESISTOR) == []


def test_tolerance_letters() -> None:
    assert merged("tolerance_letters", "percent") == value("tolerance.letters_percent")
    unequal = {letter: span(text) for letter, text in value("tolerance.letters_asym").items()}
    assert {
        k: list(v) for k, v in merged("tolerance_letters", "lower_and_upper_percent").items()
    } == unequal
    assert merged("tolerance_letters", "picofarads") == value("tolerance.letters_pF")


@pytest.mark.parametrize("name", ["E3", "E6", "E12", "E24", "E48", "E96", "E192"])
def test_series(name: str) -> None:
    assert list(series(name)) == value(f"iec60063.{name}")


def test_eia96_codes() -> None:
    ours = {
        f"{code:02}": figure
        for row in rows("eia96_codes")
        for code, figure in enumerate(row["values"], row["first_code"])
    }
    assert ours == value("eia96.codes")


def test_eia96_codes_are_the_e96_series() -> None:
    """The rule of IEC 60063 for E96, worked out here: no table is read."""
    by_rule = {code: round(100 * 10 ** ((code - 1) / 96)) for code in range(1, 97)}
    read = {code: first_value(f"{code:02}A", Kind.RESISTOR) for code in range(1, 97)}
    assert read == by_rule
    assert read == {code: round(100 * figure) for code, figure in enumerate(value("iec60063.E96"), 1)}


def test_eia96_multipliers() -> None:
    ours = {letter: 10.0**exponent for letter, exponent in merged("eia96_multipliers", "exponents").items()}
    assert ours == pytest.approx(value("eia96.multipliers"))


def test_examples_of_eia96() -> None:
    examples = re.findall(r"(\w+) = ([0-9.]+)\*([0-9.]+)", FIGURES["eia96.multipliers"]["note"])
    assert [code for code, _, _ in examples] == ["01C", "68X"]
    for code, figure, times in examples:
        assert first_value(code, Kind.RESISTOR) == pytest.approx(float(figure) * float(times))


@pytest.mark.parametrize("key", ["smd.3digit", "smd.4digit"])
def test_examples_of_digit_codes(key: str) -> None:
    assert rule_faults(key, Kind.RESISTOR) == []


def test_links() -> None:
    assert "000 / 0 = link" in value("smd.3digit")
    assert first_value("000", Kind.RESISTOR) == first_value("0", Kind.RESISTOR) == 0.0


def test_low_values() -> None:
    assert rule_faults("smd.low_value", Kind.RESISTOR) == []


def test_examples_of_capacitor_codes() -> None:
    assert rule_faults("capacitor.3digit", Kind.CAPACITOR) == []
    # third digit 8 = x0.01, R = point
    assert first_value("508", Kind.CAPACITOR) == pytest.approx(0.5e-12)
    assert first_value("4R7", Kind.CAPACITOR) == pytest.approx(4.7e-12)


def test_colours() -> None:
    assert colour_faults(value("resistor.colours")) == []
    assert [row[0] for row in value("resistor.colours")["rows"]] == list(colour_table())
    assert FIGURES["resistor.colours"]["note"] == (
        "Older tables give orange/yellow tolerance as 3 and 4 %, grey 0.05 %."
    )
    older = {name: colour.get("older_tolerance_percent") for name, colour in colour_table().items()}
    assert {name: figure for name, figure in older.items() if figure} == {
        "orange": 3,
        "yellow": 4,
        "grey": 0.05,
    }


def test_capacitor_letters() -> None:
    assert merged("capacitor_letters", "picofarads") == value("capacitor.smd_letter")


def test_classes_of_ceramic() -> None:
    printed = value("capacitor.class_code")
    assert merged("dielectric_codes", "lowest_degC") == printed["low temp"]
    assert merged("dielectric_codes", "highest_degC") == printed["high temp"]
    ours = {sign: list(change) for sign, change in merged("dielectric_codes", "change_percent").items()}
    assert ours == {sign: span(text) for sign, text in printed["change %"].items()}


def test_voltage_codes() -> None:
    ours = merged("voltage_codes", "volts")
    assert {code: volts for code, volts in ours.items() if len(code) == 2} == value("voltage.code")
    # the letter alone stands for the first row it is in, 0 or 1
    alone = {code: volts for code, volts in ours.items() if len(code) == 1}
    assert alone == {
        letter: value("voltage.code").get(f"0{letter}") or ours[f"1{letter}"] for letter in alone
    }


def test_electrolytic_capacitors_are_read_in_clear_first() -> None:
    assert FIGURES["electrolytic.marking"]["note"] == (
        "Read the printed uF value; never decode a 3-digit electrolytic without the unit."
    )
    found = decode("100 16V")
    assert (found.readings[0].kind, found.readings[0].value) == (Kind.ELECTROLYTIC, pytest.approx(100e-6))
    assert any("microfarads in clear" in notice for notice in found.notices)


CHECKS: Mapping[str, Callable[..., None]] = {
    "rkm.rule": test_examples_of_iec_60062,
    "rkm.letters": test_letters_of_iec_60062,
    **dict.fromkeys(("tolerance.letters_percent", "tolerance.letters_asym"), test_tolerance_letters),
    "tolerance.letters_pF": test_tolerance_letters,
    **{f"iec60063.E{count}": test_series for count in (3, 6, 12, 24, 48, 96, 192)},
    "eia96.codes": test_eia96_codes,
    "eia96.multipliers": test_eia96_multipliers,
    **dict.fromkeys(("smd.3digit", "smd.4digit"), test_examples_of_digit_codes),
    "smd.low_value": test_low_values,
    "resistor.colours": test_colours,
    "capacitor.3digit": test_examples_of_capacitor_codes,
    "capacitor.smd_letter": test_capacitor_letters,
    "capacitor.class_code": test_classes_of_ceramic,
    "voltage.code": test_voltage_codes,
    "electrolytic.marking": test_electrolytic_capacitors_are_read_in_clear_first,
}


def test_every_figure_is_used() -> None:
    assert set(CHECKS) == set(FIGURES)


# Our table and row of each figure; a basis is never better than that of the figure it came from.
TABLE_OF = {
    "rkm.letters": "letter_codes",
    "tolerance.letters_percent": "tolerance_letters",
    "tolerance.letters_asym": "tolerance_letters",
    "tolerance.letters_pF": "tolerance_letters",
    "eia96.codes": "eia96_codes",
    "eia96.multipliers": "eia96_multipliers",
    "resistor.colours": "colour_bands",
    "capacitor.smd_letter": "capacitor_letters",
    "capacitor.class_code": "dielectric_codes",
    "voltage.code": "voltage_codes",
}
BETTER = {("rkm.letters", "seen"), ("rkm.letters", "common practice"), ("eia96.codes", "computed")}
"""Rows that the note of a figure sets apart: letters seen in the text, codes 01 to 19 by formula, and the
letters of inductors, which no figure is of."""


@pytest.mark.parametrize("key", TABLE_OF)
def test_marks_are_carried_along(key: str) -> None:
    found = {row["basis"] for row in rows(TABLE_OF[key])}
    assert {basis for basis in found if (key, basis) not in BETTER} == {BASES[FIGURES[key]["basis"]]}


@pytest.mark.parametrize(
    ("system", "key"),
    [
        ("zero-ohm link", "smd.3digit"),
        ("IEC 60062 letter code", "rkm.rule"),
        ("3-digit code", "capacitor.3digit"),
        ("4-digit code", "smd.4digit"),
        ("EIA-96", "eia96.multipliers"),
        ("colour bands", "resistor.colours"),
        ("letter and digit", "capacitor.smd_letter"),
        ("milliohms", "smd.low_value"),
        ("in clear", "electrolytic.marking"),
    ],
)
def test_systems_carry_the_mark_of_their_rule(system: str, key: str) -> None:
    (row,) = (row for row in rows("marking_systems") if row["name"] == system)
    assert row["basis"] == BASES[FIGURES[key]["basis"]]


# --- the checkers fail where they should ----------------------------------------------------------


def test_a_wrong_example_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = {**FIGURES, "smd.4digit": {"value": "1002 = 1 kohm, 4992 = 49.9 kohm"}}
    monkeypatch.setattr(f"{__name__}.FIGURES", wrong)
    assert rule_faults("smd.4digit", Kind.RESISTOR) == ["1002 is 1 kohm"]


def test_a_wrong_colour_is_found() -> None:
    printed = [list(row) for row in value("resistor.colours")["rows"]]
    printed[2][3] = "3"
    assert colour_faults({"rows": printed}) == ["red"]
