"""Codes that one slip of the eye makes of a code, against slips made by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.board.markings import (
    Slip,
    misread_numbers,
    misreadings,
    printed_code,
    read_capacitor,
    read_resistor,
)
from flyback.errors import QuantityError

E24 = (
    *(1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0),
    *(3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1),
)
CODES = st.one_of(
    st.from_regex("[1-9][0-9][0-6]", fullmatch=True),
    st.from_regex("[1-9][0-9]{2}[0-5]", fullmatch=True),
    st.from_regex("[1-9][RkM][0-9]", fullmatch=True),
    st.from_regex("R[1-9][0-9]", fullmatch=True),
    st.from_regex("(0[1-9]|[1-8][0-9])[ABCDX]", fullmatch=True),
)


def slip_to(value: float, code: str, dimension: str = "resistance") -> Slip | None:
    """The slip that makes another value of a code, or None."""
    found = misreadings(code, dimension=dimension)
    return next((one.slip for one in found if one.marking.value == pytest.approx(value)), None)


@pytest.mark.parametrize(
    ("code", "ohms", "slip"),
    [
        # one zero more or less: 10 kohm, 1 kohm and 100 kohm
        ("103", 1e3, Slip.ZEROS),
        ("103", 100e3, Slip.ZEROS),
        ("1002", 1e3, Slip.ZEROS),
        # the point: 2.4 ohm, 24 ohm and 0.24 ohm
        ("2R4", 24.0, Slip.POINT),
        ("2R4", 0.24, Slip.POINT),
        ("R62", 6.2, Slip.POINT),
        ("4k7", 470.0, Slip.POINT),
        # 1.0 ohm and the 10 ohm of the code 100
        ("100", 1.0, Slip.R_AND_ZERO),
        ("1R0", 10.0, Slip.POINT),
        ("2R4", 200e3, Slip.R_AND_ZERO),
        # no code of three digits says 3.6 ohm, but it is a decade off all the same
        ("360", 3.6, Slip.POINT),
        # digits that look alike: 3 and 8, 1 and 7, 5 and 6
        ("103", 18e3, Slip.ALIKE),
        ("223", 27e3, Slip.ALIKE),
        ("152", 1.6e3, Slip.ALIKE),
        # 6.2 kohm for 2.2 kohm: not alike
        ("222", 6.2e3, Slip.DIGIT),
        # R and K are alike
        ("4K7", 4.7, Slip.LETTER),
        # 16 followed by six zeros, turned round: 99 and one zero
        ("166", 990.0, Slip.TURNED),
        # EIA-96: 01C is 10 kohm; 11C is 127 followed by two zeros
        ("01C", 12.7e3, Slip.DIGIT),
        ("01C", 100e3, Slip.POINT),
    ],
)
def test_slips_of_a_resistor_code(code: str, ohms: float, slip: Slip) -> None:
    assert slip_to(ohms, code) is slip


@pytest.mark.parametrize(
    ("code", "farads", "slip"),
    [
        ("103", 1e-9, Slip.ZEROS),
        ("104K", 10e-9, Slip.ZEROS),
        ("4n7", 47e-9, Slip.POINT),
        ("4n7", 4.7e-6, Slip.LETTER),
        ("104", 0.1e-9, Slip.ALIKE),
    ],
)
def test_slips_of_a_capacitor_code(code: str, farads: float, slip: Slip) -> None:
    assert slip_to(farads, code, "capacitance") is slip


@given(CODES)
def test_every_misreading_is_a_code_of_another_value(code: str) -> None:
    own = read_resistor(code).value
    found = misreadings(code, dimension="resistance")
    assert found
    values = [one.marking.value for one in found]
    assert len(set(values)) == len(values)
    assert own not in values
    assert all(read_resistor(one.marking.code) == one.marking for one in found)


@given(CODES)
def test_a_slip_of_one_digit_can_be_made_both_ways(code: str) -> None:
    for one in misreadings(code, dimension="resistance"):
        if one.slip in (Slip.ALIKE, Slip.DIGIT):
            assert slip_to(read_resistor(code).value, one.marking.code) is not None


def test_what_no_slip_makes_is_none() -> None:
    assert slip_to(123.0, "103") is None


def test_what_is_no_code_has_no_misreadings() -> None:
    with pytest.raises(QuantityError):
        misreadings("hello", dimension="resistance")


def test_the_tolerance_letter_is_kept() -> None:
    assert {one.marking.code[-1] for one in misreadings("104K", dimension="capacitance")} == {"K"}


# --- numbers in clear -----------------------------------------------------------------------------


def test_a_number_in_clear() -> None:
    found = dict(misread_numbers("4.7"))
    assert found["47"] is found["0.47"] is Slip.POINT
    assert found["4.1"] is found["1.7"] is Slip.ALIKE
    assert found["4.9"] is Slip.DIGIT
    assert "0.7" not in found


# --- the code a value carries ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ohms", "code"),
    [
        (10e3, "103"),
        (9.76e3, "9761"),
        (38.3e3, "3832"),
        (47.0, "470"),
        (100.0, "101"),
        (49.9, "49R9"),
        (2.4, "2R4"),
        (1.0, "1R0"),
        (0.62, "R62"),
        (0.5, "R50"),
        (0.025, "R025"),
        (1e6, "105"),
    ],
)
def test_the_code_of_a_resistance(ohms: float, code: str) -> None:
    assert printed_code(ohms, dimension="resistance") == code


@given(st.sampled_from(E24), st.integers(-2, 7))
def test_a_printed_code_says_its_value(figures: float, decade: int) -> None:
    ohms = float(f"{figures}e{decade}")
    code = printed_code(ohms, dimension="resistance")
    assert code is not None
    assert read_resistor(code).value == pytest.approx(ohms, rel=1e-12)


@given(st.sampled_from(E24), st.integers(-11, -7))
def test_a_printed_capacitor_code_says_its_value(figures: float, decade: int) -> None:
    farads = float(f"{figures}e{decade}")
    code = printed_code(farads, dimension="capacitance")
    assert code is not None
    assert read_capacitor(code).value == pytest.approx(farads, rel=1e-12)


def test_three_figures_of_farads_have_no_code_of_three_digits() -> None:
    assert printed_code(1.02e-9, dimension="capacitance") is None
    assert printed_code(4.7e-12, dimension="capacitance") is None
