"""Reading and writing of quantities: units against pint, values by hand, refusals by their words."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from flyback._unit_table import PREFIXES, SPELLED, UNITS
from flyback.errors import QuantityError
from flyback.units import (
    DIMENSIONS,
    Quantity,
    Unit,
    format_quantity,
    format_range,
    from_pint,
    parse,
    registry,
    to_pint,
)

ROOT = Path(__file__).parents[1]

# The prefixes by the names pint knows them by.
PINT_PREFIX = {
    "": "", "p": "pico", "n": "nano", "u": "micro", "µ": "micro",
    "m": "milli", "k": "kilo", "M": "mega", "G": "giga",
}  # fmt: skip


def prefixes_of(unit: Unit) -> list[str]:
    return ["", *unit.prefixes, *(["u"] if "µ" in unit.prefixes else [])]


WRITTEN_UNITS = [
    pytest.param(unit, prefix, spelling, id=f"{unit.dimension} {prefix}{spelling}")
    for unit in UNITS
    for spelling in (unit.symbol, *unit.spellings)
    for prefix in prefixes_of(unit)
]


def si_value_by_pint(number: float, unit: Unit, prefix: str) -> float:
    """Raises DimensionalityError if the row's dimension is not the one pint sees."""
    quantity = registry().Quantity(number, PINT_PREFIX[prefix] + unit.pint_name)
    return float(quantity.to(DIMENSIONS[unit.dimension].pint_name).magnitude)


# Units


def test_the_dimensions() -> None:
    assert list(DIMENSIONS) == [
        "resistance", "capacitance", "inductance", "voltage", "current", "power",
        "apparent power", "frequency", "time", "length", "area", "volume", "flux density", "turns",
        "ratio", "temperature", "current slope", "voltage slope", "power coefficient", "charge",
        "power density", "current density", "resistivity",
    ]  # fmt: skip
    assert {unit.dimension for unit in UNITS} == set(DIMENSIONS)


@pytest.mark.parametrize(("unit", "prefix", "spelling"), WRITTEN_UNITS)
def test_every_written_unit_agrees_with_pint(unit: Unit, prefix: str, spelling: str) -> None:
    read = parse(f"2.5 {prefix}{spelling}", dimension=unit.dimension)
    assert read.nominal == pytest.approx(si_value_by_pint(2.5, unit, prefix), rel=1e-12)
    assert read.exact


def test_a_wrong_row_would_be_noticed() -> None:
    import pint

    wrong_factor = si_value_by_pint(1.0, replace(UNITS[0], pint_name="kiloohm"), "")
    assert wrong_factor != pytest.approx(UNITS[0].factor)
    with pytest.raises(pint.DimensionalityError):
        si_value_by_pint(1.0, replace(UNITS[0], pint_name="henry"), "")


def test_no_spelling_means_two_units() -> None:
    assert len(SPELLED) == len(WRITTEN_UNITS)
    assert set(PINT_PREFIX) == {"", *PREFIXES}


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_examples_can_be_read(dimension: str) -> None:
    assert parse(DIMENSIONS[dimension].example, dimension=dimension).nominal > 0.0


# Reading


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("4k7", "resistance", 4.7e3),
        ("R47", "resistance", 0.47),
        ("10K", "resistance", 10e3),
        ("10E", "resistance", 10.0),
        ("0R", "resistance", 0.0),
        ("4.7 kohm", "resistance", 4.7e3),
        ("4.7 kohms", "resistance", 4.7e3),
        ("4.7kΩ", "resistance", 4.7e3),
        ("4.7 k\u2126", "resistance", 4.7e3),
        ("2n2", "capacitance", 2.2e-9),
        ("100n", "capacitance", 100e-9),
        ("100nF", "capacitance", 100e-9),
        ("10 \u00b5F", "capacitance", 10e-6),
        ("10 \u03bcF", "capacitance", 10e-6),
        ("4u7", "inductance", 4.7e-6),
        ("10mH", "inductance", 10e-3),
        ("10m", "inductance", 10e-3),
        ("+5 V", "voltage", 5.0),
        ("  5   V ", "voltage", 5.0),
        ("5\u00a0V", "voltage", 5.0),
        ("1e-3 A", "current", 1e-3),
        ("2.5E3 W", "power", 2.5e3),
        ("30 VA", "apparent power", 30.0),
        ("65 kHz", "frequency", 65e3),
        ("2 min", "time", 120.0),
        ("1.5 h", "time", 5400.0),
        ("20.1 mm2", "area", 20.1e-6),
        ("20.1 mm^2", "area", 20.1e-6),
        ("0.3 cm²", "area", 30e-6),
        ("750 mm³", "volume", 750e-9),
        ("0.75 cm3", "volume", 750e-9),
        ("12 nC", "charge", 12e-9),
        ("110 mW/cm3", "power density", 110e3),
        ("6 A/mm²", "current density", 6e6),
        ("17.24 nohm*m", "resistivity", 17.24e-9),
        ("300 mT", "flux density", 0.3),
        ("120 turns", "turns", 120.0),
        ("1 turn", "turns", 1.0),
        ("120 t", "turns", 120.0),
        ("120", "turns", 120.0),
        ("0.5", "ratio", 0.5),
        ("52 %", "ratio", 0.52),
        ("25 °C", "temperature", 298.15),
        ("-40 degC", "temperature", 233.15),
        ("\u221240 degC", "temperature", 233.15),
        ("300 K", "temperature", 300.0),
        ("100 mA/us", "current slope", 1e5),
        ("0.1 A/µs", "current slope", 1e5),
        ("20 V/s", "voltage slope", 20.0),
        ("8250 A2Hz", "power coefficient", 8250.0),
        ("8250 A^2 Hz", "power coefficient", 8250.0),
    ],
)
def test_single_values(text: str, dimension: str, value: float) -> None:
    read = parse(text, dimension=dimension)
    assert read.nominal == pytest.approx(value, rel=1e-12)
    assert (read.dimension, read.text, read.exact) == (dimension, text, True)


@pytest.mark.parametrize(
    ("text", "dimension", "nominal", "low", "high"),
    [
        ("1.00 mH ± 10 %", "inductance", 1.0e-3, 0.9e-3, 1.1e-3),
        ("0.80 V ±6%", "voltage", 0.80, 0.752, 0.848),  # 0.80 x 0.06 = 0.048
        ("0.80 V +-6 %", "voltage", 0.80, 0.752, 0.848),
        ("10 uF +/-20 %", "capacitance", 10e-6, 8e-6, 12e-6),
        ("10 uF -20/+50 %", "capacitance", 10e-6, 8e-6, 15e-6),
        ("10 uF +50 % / -20 %", "capacitance", 10e-6, 8e-6, 15e-6),
        ("10 uF −20/+50 %", "capacitance", 10e-6, 8e-6, 15e-6),
        ("5 V ± 0.25 V", "voltage", 5.0, 4.75, 5.25),
        ("5 V ± 250 mV", "voltage", 5.0, 4.75, 5.25),
        ("5 V -0.1/+0.25 V", "voltage", 5.0, 4.9, 5.25),
        ("4k7 ± 5 %", "resistance", 4.7e3, 4465.0, 4935.0),
        ("4K7J", "resistance", 4.7e3, 4465.0, 4935.0),
        ("120 turns ± 1", "turns", 120.0, 119.0, 121.0),
        ("0.50 ± 0.02", "ratio", 0.50, 0.48, 0.52),
        ("0.50 ± 2 %", "ratio", 0.50, 0.49, 0.51),
        ("25 °C ± 5 K", "temperature", 298.15, 293.15, 303.15),
        ("25 °C ± 5 °C", "temperature", 298.15, 293.15, 303.15),
        ("60..70 kHz", "frequency", 65e3, 60e3, 70e3),
        ("60 kHz..70 kHz", "frequency", 65e3, 60e3, 70e3),
        ("900 Hz .. 1.1 kHz", "frequency", 1000.0, 900.0, 1100.0),
        ("100..240 V", "voltage", 170.0, 100.0, 240.0),
        ("4k7..5k6", "resistance", 5150.0, 4700.0, 5600.0),
        ("-40..85 °C", "temperature", 295.65, 233.15, 358.15),
        ("45..55 %", "ratio", 0.50, 0.45, 0.55),
        ("98..100", "turns", 99.0, 98.0, 100.0),
        ("2R4 || 2R4", "resistance", 1.2, 1.2, 1.2),
        ("2R4 ‖ 2R4", "resistance", 1.2, 1.2, 1.2),
        ("2R4 || 2R4 ± 1 %", "resistance", 1.2, 1.188, 1.212),
        ("3 ohm || 6 ohm || 2R", "resistance", 1.0, 1.0, 1.0),  # 1/3 + 1/6 + 1/2 = 1
        ("2R4 || 0R", "resistance", 0.0, 0.0, 0.0),
        # 2R2J is 2.09..2.31 and 4R7K 4.23..5.17: 2.2 x 4.7 / 6.9, 2.09 x 4.23 / 6.32, 2.31 x 5.17 / 7.48
        ("2R2J || 4R7K", "resistance", 1.498551, 1.398845, 1.596618),
        ("10 uF || 4u7", "capacitance", 14.7e-6, 14.7e-6, 14.7e-6),
        ("10 uF || 10 uF -20/+50 %", "capacitance", 20e-6, 16e-6, 30e-6),
    ],
)
def test_spreads(text: str, dimension: str, nominal: float, low: float, high: float) -> None:
    read = parse(text, dimension=dimension)
    assert (read.nominal, read.low, read.high) == pytest.approx((nominal, low, high), rel=1e-6)
    assert read.exact == (low == high)


def test_a_tolerance_of_nothing_is_exact() -> None:
    assert parse("5 V ± 0 %", dimension="voltage").exact


# Refusing

REFUSED = [
    # decimal comma, thousands, gaps
    ("3,3 mH", "inductance", ["comma", "Write 3.3 mH."]),
    ("3,3..4,7 mH", "inductance", ["comma", "Write 3.3..4.7 mH."]),
    ("1,000 uF", "capacitance", ["comma", "1000 uF", "thousands", "1.000 uF", "decimal"]),
    ("1,234,567 Hz", "frequency", ["comma", "Write 1234567 Hz."]),
    ("4,7k", "resistance", ["comma", "4.7 kohm", "4k7"]),
    ("70 000 Hz", "frequency", ["gap", "Write 70000 Hz."]),
    # bare prefix, no unit
    ("4.7 k", "resistance", ["bare prefix", "4.7 kohm", "4k7"]),
    ("4.7k", "resistance", ["bare prefix", "4.7 kohm", "4k7"]),
    ("4.7 K", "resistance", ["bare prefix", "4.7 kohm", "4k7"]),
    ("10 m", "resistance", ["bare prefix", "10 mohm"]),
    ("4.7 n", "capacitance", ["bare prefix", "4.7 nF", "4n7"]),
    ("65 k", "frequency", ["bare prefix", "65 kHz"]),
    ("5", "voltage", ["no unit", "5 V"]),
    ("4.7", "resistance", ["no unit", "4.7 ohm"]),
    ("1E3", "resistance", ["no unit", "1E3 ohm"]),
    # codes that are not values
    ("103", "resistance", ["no unit", "103 ohm", 'marking = "103"']),
    ("103", "capacitance", ["no unit", "103 uF", 'marking = "103"']),
    ("104K", "capacitance", ['marking = "104K"']),
    ("01C", "resistance", ["may be a code", 'marking = "01C"']),
    ("10A", "resistance", ["a current; a resistance [Ω] is expected", 'marking = "10A"']),
    ("4n7F", "capacitance", ["after a letter code", "Write 4n7."]),
    ("4k7 ohm", "resistance", ["after a letter code", "Write 4k7."]),
    ("4k7", "voltage", ["unknown unit", "V"]),
    # another dimension
    (
        "0.9 uF",
        "inductance",
        ['"0.9 uF" is a capacitance; an inductance [H] is expected.', "for example 1.00 mH"],
    ),
    ("10kW", "resistance", ["a power; a resistance [Ω] is expected"]),
    ("10uH", "capacitance", ["an inductance; a capacitance [F] is expected"]),
    ("5 V", "turns", ["a voltage; a number of turns is expected", "120 turns"]),
    ("5 W", "apparent power", ["a power; an apparent power [VA] is expected"]),
    # spelling
    ("65 MHZ", "frequency", ["wrong case", "65 MHz"]),
    ("1 MH", "inductance", ["wrong case", "1 mH"]),
    ("4.7 KOHM", "resistance", ["wrong case", "4.7 kohm"]),
    ("4.7 MOHM", "resistance", ["wrong case", "4.7 mohm or 4.7 Mohm"]),
    ("4.7 kohn", "resistance", ["unknown unit", "4.7 kohm"]),
    ("120 kturns", "turns", ["unknown unit", "120 turns"]),
    ("5 volts", "voltage", ["unknown unit", "V", "mV", "kV"]),
    ("5 m%", "ratio", ["unknown unit", "%"]),
    # numbers
    ("", "voltage", ["lacks a value", "0.80 V"]),
    ("V", "voltage", ["does not start with a number"]),
    (".5 V", "voltage", ["point", "Write 0.5 V."]),
    ("-5 V", "voltage", ["negative", "minus"]),
    ("nan V", "voltage", ["not a finite"]),
    ("-inf ohm", "resistance", ["not a finite"]),
    ("9e999 V", "voltage", ["too large"]),
    ("1e-999 V", "voltage", ["too small"]),
    ("-300 °C", "temperature", ["absolute zero"]),
    # ranges and parallels
    ("240..100 V", "voltage", ["from high to low", "lower end first"]),
    ("100-240 V", "voltage", ["range", "Write 100..240 V."]),
    ("100 to 240 V", "voltage", ["range", "Write 100..240 V."]),
    ("100...240 V", "voltage", ["range", "Write 100..240 V."]),
    ("5 V..", "voltage", ['"5 V.." lacks a value']),
    ("4K7J..5K6J", "resistance", ["tolerance inside a range", "outermost"]),
    ("1 mH || 1 mH", "inductance", ["only resistors and capacitors"]),
    ("2R4 ||", "resistance", ['"2R4 ||" lacks a value']),
    ("2R4 ± 1 % || 2R4", "resistance", ["before the last part", "2R4 || 2R4 ± 1 %"]),
    # tolerances
    ("5 V ±", "voltage", ["tolerance without a number", "± 10 %"]),
    ("5 V ± %", "voltage", ["tolerance without a number"]),
    ("5 V ± -5 %", "voltage", ["tolerance without a number"]),
    ("5 V ± 5", "voltage", ["tolerance without a unit", "± 5 % or ± 5 V"]),
    ("5 V ± 1 A", "voltage", ["a current; a voltage [V] is expected"]),
    ("± 5 %", "voltage", ["lacks a value"]),
    ("5 V ± 100 %", "voltage", ["100 % or more"]),
    ("5 V -20/+150 %", "voltage", ["100 % or more"]),
    ("5 V ± 5 V", "voltage", ["100 % or more"]),
    ("5 V +5/+6 %", "voltage", ["one sign", "-20/+50 %"]),
    ("100..240 V ± 10 %", "voltage", ["already has a spread"]),
    ("4K7J ± 5 %", "resistance", ["already has a spread"]),
    ("50 % ± 5 %", "ratio", ["percentage points", "45..55 %"]),
    ("25 °C ± 5 %", "temperature", ["no percent", "± 5 K"]),
    ("1 K ± 5 K", "temperature", ["absolute zero"]),
    # texts that are no quantity
    ("5" * 300 + " V", "voltage", ["302 characters"]),
    ("5\x00 V", "voltage", ["cannot be printed", r"\x00"]),
    ("5\u200b V", "voltage", ["cannot be printed", r"\u200b"]),
    ("\u0665 V", "voltage", ["does not start with a number"]),  # Arabic five
]  # fmt: skip


@pytest.mark.parametrize(("text", "dimension", "words"), REFUSED)
def test_refusals_say_what_to_write(text: str, dimension: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, dimension=dimension, field="parts.R5.value", line=14)
    (problem,) = caught.value.problems
    assert (problem.field, problem.line) == ("parts.R5.value", 14)
    assert str(problem).startswith("line 14, parts.R5.value: ")
    assert problem.hint is not None
    assert problem.expected is not None
    assert DIMENSIONS[dimension].example in problem.expected
    assert [word for word in words if word not in str(problem)] == []


def test_a_comma_is_mended_into_something_readable() -> None:
    with pytest.raises(QuantityError) as caught:
        parse("3,3 mH ± 2,5 %", dimension="inductance")
    hint = caught.value.problems[0].hint
    assert hint == "Write 3.3 mH ± 2.5 %."
    assert parse("3.3 mH ± 2.5 %", dimension="inductance").nominal == pytest.approx(3.3e-3)


VALID_TEXTS = [
    "4k7", "2n2J", "1.00 mH ± 10 %", "10 uF -20/+50 %", "5 V ± 0.25 V", "100..240 V",
    "2R4 || 2R4 ± 1 %", "52 %", "-40..85 °C", "8250 A^2 Hz", "100 mA/us", "1e-3 A", "120 turns",
]  # fmt: skip
FRAGMENTS = [
    *"0123456789.,-+±%/|eEkKmMuµnpRΩVAHF° ", "..", "||", "+/-", "nan", "1e999",
    "\x00", "\ud800", "²", "\u202e",
]  # fmt: skip


@st.composite
def mutated(draw: st.DrawFn) -> str:
    text = draw(st.sampled_from(VALID_TEXTS))
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(text)))
        stop = min(len(text), start + draw(st.integers(0, 2)))
        text = text[:start] + draw(st.sampled_from([*FRAGMENTS, *VALID_TEXTS])) + text[stop:]
    return text


def parsed_or_error(text: str, dimension: str) -> Quantity | QuantityError:
    try:
        return parse(text, dimension=dimension)
    except QuantityError as error:
        return error


@given(st.one_of(st.text(), mutated()), st.sampled_from(list(DIMENSIONS)))
@example("1e30 ohm || 1e-30 ohm", "resistance")
@example("9" * 199 + "V", "voltage")
@example("+-" * 100, "voltage")
@example("-1/+" * 50, "voltage")
@settings(derandomize=True, max_examples=3000)
def test_only_a_quantity_error_can_leave(text: str, dimension: str) -> None:
    outcome = parsed_or_error(text, dimension)
    if isinstance(outcome, QuantityError):
        assert len(outcome.problems) == 1
        assert str(outcome).isprintable()
    else:
        assert 0.0 <= outcome.low <= outcome.high < 1e33
        assert outcome.low * (1 - 1e-12) <= outcome.nominal <= outcome.high * (1 + 1e-12)


# Writing


@pytest.mark.parametrize(
    ("value", "dimension", "written"),
    [
        (4700.0, "resistance", "4.70 kΩ"),
        (0.62, "resistance", "0.620 Ω"),
        (0.005, "resistance", "5.00 mΩ"),
        (680e-6, "capacitance", "680 µF"),
        (1e-13, "capacitance", "0.100 pF"),
        (1.0e-3, "inductance", "1.00 mH"),
        (0.82, "current", "0.820 A"),
        (0.0999, "current", "99.9 mA"),
        (0.09996, "voltage", "0.100 V"),
        (1e-7, "current", "100 nA"),
        (311.0, "voltage", "311 V"),
        (999.9, "voltage", "1.00 kV"),
        (1250.0, "current", "1250 A"),
        (-3.2, "power", "-3.20 W"),
        (30.0, "apparent power", "30.0 VA"),
        (50.0, "frequency", "50.0 Hz"),
        (999.9, "frequency", "1.00 kHz"),
        (200e-9, "time", "200 ns"),
        (90.0, "time", "90.0 s"),
        (0.25e-3, "length", "250 µm"),
        (20.1e-6, "area", "20.1 mm²"),
        (0.3, "flux density", "300 mT"),
        (120.0, "turns", "120 turns"),
        (1234.0, "turns", "1234 turns"),
        (7.5, "turns", "7.50 turns"),
        (0.52, "ratio", "52.0 %"),
        (298.15, "temperature", "25.0 °C"),
        (378.15, "temperature", "105 °C"),
        (273.13, "temperature", "0.0 °C"),
        (233.15, "temperature", "-40.0 °C"),
        (150e3, "current slope", "150 mA/µs"),
        (2e9, "voltage slope", "2.00 kV/µs"),
        (8250.0, "power coefficient", "8250 A²·Hz"),
        (0.0, "voltage", "0 V"),
    ],
)
def test_written_values(value: float, dimension: str, written: str) -> None:
    assert format_quantity(value, dimension) == written


def test_digits_are_kept() -> None:
    assert format_quantity(11.4, "power", digits=2) == "11 W"
    assert format_quantity(65e3, "frequency", digits=5) == "65.000 kHz"
    assert format_quantity(123456.0, "voltage", digits=2) == "120 kV"


@pytest.mark.parametrize(
    ("low", "high", "dimension", "written"),
    [
        (9.6, 13.5, "power", "9.60 to 13.5 W"),
        (900.0, 1100.0, "frequency", "0.900 to 1.10 kHz"),
        (-1.0, 1.0, "voltage", "-1.00 to 1.00 V"),
        (0.0, 5.0, "voltage", "0 to 5.00 V"),
        (298.15, 378.15, "temperature", "25.0 to 105 °C"),
        (0.45, 0.55, "ratio", "45.0 to 55.0 %"),
    ],
)
def test_written_ranges(low: float, high: float, dimension: str, written: str) -> None:
    assert format_range(low, high, dimension) == written


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_finite_is_not_written(value: float) -> None:
    with pytest.raises(ValueError, match="cannot write"):
        format_quantity(value, "voltage")
    with pytest.raises(ValueError, match="cannot write"):
        format_range(value, value, "voltage")


def test_a_reversed_range_is_not_written() -> None:
    with pytest.raises(ValueError, match="exceeds"):
        format_range(2.0, 1.0, "voltage")


ROUND_TRIP = [name for name in DIMENSIONS if name not in ("turns", "temperature")]


@given(st.sampled_from(ROUND_TRIP), st.floats(1e-14, 1e12), st.integers(1, 9))
@settings(derandomize=True, max_examples=500)
def test_what_is_written_reads_back(dimension: str, value: float, digits: int) -> None:
    read = parse(format_quantity(value, dimension, digits=digits), dimension=dimension)
    half_a_last_digit = 0.5 * 10.0 ** (1 - digits)
    assert read.nominal == pytest.approx(value, rel=half_a_last_digit * (1 + 1e-9) + 1e-12)


@given(st.sampled_from(ROUND_TRIP), st.floats(1e-9, 1e9), st.floats(1.0, 100.0))
@settings(derandomize=True)
def test_a_written_range_reads_back(dimension: str, low: float, ratio: float) -> None:
    written = format_range(low, low * ratio, dimension, digits=6)
    read = parse(written.replace(" to ", ".."), dimension=dimension)
    assert (read.low, read.high) == pytest.approx((low, low * ratio), rel=6e-6)


@given(st.integers(0, 100_000), st.floats(0.0, 1000.0))
@settings(derandomize=True)
def test_turns_and_temperatures_read_back(turns: int, kelvin: float) -> None:
    assert parse(format_quantity(turns, "turns"), dimension="turns").nominal == turns
    read = parse(format_quantity(kelvin, "temperature"), dimension="temperature")
    assert read.nominal == pytest.approx(kelvin, abs=0.5001)


# pint


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_pint_there_and_back(dimension: str) -> None:
    assert from_pint(to_pint(0.125, dimension), dimension=dimension) == 0.125


def test_pint_quantities_in_other_units() -> None:
    quantity = registry().Quantity
    assert from_pint(quantity(25.0, "degC"), dimension="temperature") == pytest.approx(298.15)
    assert from_pint(quantity(52.0, "percent"), dimension="ratio") == pytest.approx(0.52)
    assert from_pint(quantity(0.68, "millihenry"), dimension="inductance") == pytest.approx(0.68e-3)


@pytest.mark.parametrize(
    ("number", "unit", "dimension"),
    [
        (1.0, "farad", "inductance"),
        (1.0, "turn", "turns"),
        (1.0, "radian / second", "frequency"),
        (1.0, "revolutions_per_minute", "frequency"),
        (float("nan"), "volt", "voltage"),
        (float("inf"), "volt", "voltage"),
        ([1.0, 2.0], "volt", "voltage"),
    ],
)
def test_pint_quantities_refused(number: float, unit: str, dimension: str) -> None:
    with pytest.raises(QuantityError, match=f"single finite {dimension}") as caught:
        from_pint(registry().Quantity(number, unit), dimension=dimension)
    assert DIMENSIONS[dimension].example in str(caught.value.problems[0].expected)


def test_a_plain_number_is_no_pint_quantity() -> None:
    with pytest.raises(QuantityError, match="single finite voltage"):
        from_pint(5.0, dimension="voltage")  # type: ignore[arg-type]


# Cold start

HEAVY = {"numpy", "pint", "scipy"}


def loaded_by(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(*{HEAVY!r} & set(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return set(done.stdout.split())


def test_reading_and_writing_load_no_heavy_library() -> None:
    code = (
        "from flyback.units import format_quantity, parse\n"
        "from flyback.board.markings import read_resistor\n"
        "format_quantity(parse('4k7', dimension='resistance').nominal, 'resistance')\n"
        "read_resistor('01C')\n"
    )
    assert loaded_by(code) == set()


def test_loading_a_heavy_library_would_be_noticed() -> None:
    assert {"numpy", "pint"} <= loaded_by("from flyback.units import registry; registry()")


def test_a_quantity_cannot_be_changed() -> None:
    quantity = Quantity(1.0, 0.9, 1.1, "voltage", "1 V ± 10 %")
    assert not quantity.exact
    with pytest.raises(AttributeError):
        quantity.nominal = 2.0  # type: ignore[misc]
