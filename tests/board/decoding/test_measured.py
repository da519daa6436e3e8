"""Measured values as they are said at a bench, and beside what a part may have."""

from __future__ import annotations

import math

import pytest

from flyback.board.decoding.measured import LINK, accuracy_words, compare, read_measured
from flyback.errors import QuantityError


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("9.8k", "resistance", 9800.0),
        ("9,8k", "resistance", 9800.0),
        ("9.8 kohm", "resistance", 9800.0),
        ("9.8K", "resistance", 9800.0),
        ("9k8", "resistance", 9800.0),
        ("470", "resistance", 470.0),
        ("0.47R", "resistance", 0.47),
        (".47", "resistance", 0.47),
        ("1.02M", "resistance", 1.02e6),
        ("0", "resistance", 0.0),
        ("98 nF", "capacitance", 98e-9),
        ("470p", "capacitance", 470e-12),
        ("0.1uF", "capacitance", 0.1e-6),
        ("4.7 µH", "inductance", 4.7e-6),
    ],
)
def test_as_it_is_said(text: str, dimension: str, value: float) -> None:
    found = read_measured(text)
    assert found.dimension == dimension
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.lent


def test_a_unit_may_be_left_out_where_the_part_is_known() -> None:
    assert read_measured("98n", dimensions=["capacitance"]).value == pytest.approx(98e-9)
    assert read_measured("98n", dimensions=["inductance"]).value == pytest.approx(98e-9)


@pytest.mark.parametrize(
    ("text", "low", "high", "words"),
    [
        # the handbook's ± (1 % + 0.3 ohm): 9800 ± 98.3
        ("9.8k", 9701.7, 9898.3, "± (1 % + 0.300 Ω)"),
        ("0.2", 0.0, 0.502, "± (1 % + 0.300 Ω)"),
        # ± (5 % + 20 pF): 98 nF ± 4.92 nF
        ("98 nF", 93.08e-9, 102.92e-9, "± (5 % + 20.0 pF)"),
        ("9.8k ± 2 %", 9604.0, 9996.0, "± 2 %"),
        ("100 ± 1 ohm", 99.0, 101.0, "± 1.00 Ω"),
        ("100 +/- 1 %", 99.0, 101.0, "± 1 %"),
        ("98 nF ± 2 %", 96.04e-9, 99.96e-9, "± 2 %"),
    ],
)
def test_accuracy_of_the_meter(text: str, low: float, high: float, words: str) -> None:
    found = read_measured(text)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9)
    assert accuracy_words(found) == words
    assert found.lent == ("±" not in text and "+/-" not in text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("100n", ["a capacitance [F] or an inductance [H]", "Write the unit too"]),
        ("OL", ["no value", "the part is open"]),
        ("o.l", ["no value"]),
        ("", ["no measured value"]),
        ("9" * 80, ["no measured value"]),
        ("a lot", ["is not a resistance"]),
        ("-5", ["is not a resistance"]),
        ("9.8k..9.9k", ["is not a resistance"]),
        ("12 V", ["is not a resistance"]),
        ("9.8k ± 120 %", ["100 % or more"]),
        ("9.8k ± much", ["tolerance without a number"]),
    ],
)
def test_refused(text: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        read_measured(text)
    assert [word for word in words if word not in str(caught.value)] == []


def test_a_dimension_that_cannot_be() -> None:
    with pytest.raises(QuantityError, match=r"not a capacitance"):
        read_measured("9.8k", dimensions=["capacitance"])


@pytest.mark.parametrize(
    ("measured", "value", "tolerance", "agrees"),
    [
        # 10 k ± 1 % is 9.9 to 10.1 k; the meter's limits reach 1 % + 0.3 ohm further
        ("9.81k", 10e3, 0.01, True),
        ("9.80k", 10e3, 0.01, False),
        ("10.19k", 10e3, 0.01, True),
        ("10.21k", 10e3, 0.01, False),
        # 1.00 ohm ± 5 %: the leads alone are 0.3 ohm
        ("1.34", 1.0, 0.05, True),
        ("1.4", 1.0, 0.05, False),
    ],
)
def test_tolerance_and_accuracy_together(
    measured: str, value: float, tolerance: float, agrees: bool
) -> None:
    assert compare(read_measured(measured), value, (-tolerance, tolerance)).agrees is agrees


def test_a_link() -> None:
    fit = compare(read_measured("0.2"), 0.0, (-0.05, 0.05))
    assert fit.agrees
    assert (fit.low, fit.high, fit.factor) == (0.0, LINK, math.inf)
    assert not compare(read_measured("5"), 0.0, (-0.05, 0.05)).agrees


def test_how_far_apart() -> None:
    # 10 k ± 5 % (half width 500) and 9 k ± 90.3: 1000 / hypot(500, 90.3) * sqrt(3) = 3.409
    fit = compare(read_measured("9k"), 10e3, (-0.05, 0.05))
    assert fit.apart == pytest.approx(3.409, abs=0.0005)
    assert fit.factor == pytest.approx(0.9)
