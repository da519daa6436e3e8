"""Codes on parts, against examples of IEC 60062, the E96 series and the EIA codes."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.board.markings import (
    Marking,
    as_letter_code,
    read_capacitor,
    read_letter_code,
    read_resistor,
)
from flyback.errors import QuantityError

LETTERS = "IEC 60062 letter code"

# E96 of IEC 60063, three digits, as tabulated in the standard's list (typed in, not computed).
E96 = [
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143,
    147, 150, 154, 158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210,
    215, 221, 226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309,
    316, 324, 332, 340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453,
    464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604, 619, 634, 649, 665,
    681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "ohms", "system"),
    [
        # Seen in a text that cites IEC 60062.
        ("4K7", 4.7e3, LETTERS),
        ("R47", 0.47, LETTERS),
        ("4R7", 4.7, LETTERS),
        ("1M2", 1.2e6, LETTERS),
        ("8K2", 8.2e3, LETTERS),
        ("15M0", 15e6, LETTERS),
        # Same rule, letters from memory.
        ("4k7", 4.7e3, LETTERS),
        ("4E7", 4.7, LETTERS),
        ("100E", 100.0, LETTERS),
        ("10K", 10e3, LETTERS),
        ("10M", 10e6, LETTERS),
        ("470R", 470.0, LETTERS),
        ("2G2", 2.2e9, LETTERS),
        ("5L00", 5e-3, LETTERS),
        ("R100", 0.1, LETTERS),
        ("R500", 0.5, LETTERS),
        ("0R62", 0.62, LETTERS),
        ("102K", 102e3, LETTERS),
        ("22R", 22.0, LETTERS),
        ("0R0", 0.0, LETTERS),
        # EIA digit codes, from memory.
        ("103", 10e3, "3-digit code"),
        ("470", 47.0, "3-digit code"),
        ("223", 22e3, "3-digit code"),
        ("102", 1e3, "3-digit code"),
        ("1002", 10e3, "4-digit code"),
        ("4992", 49.9e3, "4-digit code"),
        ("1000", 100.0, "4-digit code"),
        ("0", 0.0, "zero-ohm link"),
        ("000", 0.0, "zero-ohm link"),
        ("0000", 0.0, "zero-ohm link"),
        # EIA-96: 100 x 100 and 499 x 0.1 as printed in the tables, then other letters of both sets.
        ("01C", 10e3, "EIA-96"),
        ("68X", 49.9, "EIA-96"),
        ("68S", 49.9, "EIA-96"),
        ("01Y", 1.0, "EIA-96"),
        ("02R", 1.02, "EIA-96"),
        ("01Z", 0.1, "EIA-96"),
        ("96A", 976.0, "EIA-96"),
        ("30B", 2e3, "EIA-96"),
        ("30H", 2e3, "EIA-96"),
        ("30D", 200e3, "EIA-96"),
        ("01E", 1e6, "EIA-96"),
        ("18F", 15e6, "EIA-96"),
    ],
)
def test_resistor_codes(code: str, ohms: float, system: str) -> None:
    assert read_resistor(code) == Marking(code, ohms, None, system)


def test_eia96_names_every_value_of_the_series() -> None:
    assert [read_resistor(f"{n:02}A").value for n in range(1, 97)] == E96


@pytest.mark.parametrize(
    ("code", "farads", "system"),
    [
        ("2n2", 2.2e-9, LETTERS),  # seen in a text that cites IEC 60062
        ("100n", 100e-9, LETTERS),
        ("6p8", 6.8e-12, LETTERS),
        ("p47", 0.47e-12, LETTERS),
        ("n47", 470e-12, LETTERS),
        ("4u7", 4.7e-6, LETTERS),
        ("4µ7", 4.7e-6, LETTERS),
        ("4m7", 4.7e-3, LETTERS),
        ("1F0", 1.0, LETTERS),
        ("104", 100e-9, "3-digit code"),
        ("222", 2.2e-9, "3-digit code"),
        ("100", 10e-12, "3-digit code"),
        ("479", 4.7e-12, "3-digit code"),  # 47 pF x 0.1
        ("508", 0.5e-12, "3-digit code"),  # 50 pF x 0.01
        ("4R7", 4.7e-12, "3-digit code"),
    ],
)
def test_capacitor_codes(code: str, farads: float, system: str) -> None:
    assert read_capacitor(code) == Marking(code, farads, None, system)


def test_greek_mu_is_the_micro_sign() -> None:
    assert read_capacitor("4\u03bc7").value == read_capacitor("4\u00b57").value


@pytest.mark.parametrize(
    ("marking", "value", "tolerance"),
    [
        (read_resistor("4K7J"), 4.7e3, (-0.05, 0.05)),
        (read_resistor("4K7K"), 4.7e3, (-0.10, 0.10)),
        (read_resistor("10KF"), 10e3, (-0.01, 0.01)),
        (read_resistor("R47M"), 0.47, (-0.20, 0.20)),
        (read_resistor("103J"), 10e3, (-0.05, 0.05)),
        (read_resistor("1002F"), 10e3, (-0.01, 0.01)),
        (read_resistor("4992B"), 49.9e3, (-0.001, 0.001)),
        (read_capacitor("104K"), 100e-9, (-0.10, 0.10)),
        (read_capacitor("102K"), 1e-9, (-0.10, 0.10)),
        (read_capacitor("104M"), 100e-9, (-0.20, 0.20)),
        (read_capacitor("104Z"), 100e-9, (-0.20, 0.80)),
        (read_capacitor("2n2S"), 2.2e-9, (-0.20, 0.50)),
        (read_capacitor("100nK"), 100e-9, (-0.10, 0.10)),
        # Below 10 pF the letters are picofarads: 0.25 / 4.7 = 0.05319, 0.5 / 6.8 = 0.07353.
        (read_capacitor("4R7C"), 4.7e-12, (-0.05319, 0.05319)),
        (read_capacitor("6p8D"), 6.8e-12, (-0.07353, 0.07353)),
        # 0.1 pF less 0.25 pF: a capacitance cannot fall below none.
        (read_capacitor("0p1C"), 0.1e-12, (-1.0, 2.5)),
    ],
    ids=lambda value: value.code if isinstance(value, Marking) else "",
)
def test_tolerance_letters(marking: Marking, value: float, tolerance: tuple[float, float]) -> None:
    assert marking.value == value
    assert marking.tolerance == pytest.approx(tolerance, rel=1e-4)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("4.7k", ["4k7"]),
        ("4,7k", ["4k7"]),
        ("4.7 kohm", ["4k7"]),
        ("4.7 Ω", ["4R7"]),
        ("47", ["47R"]),
        ("4r7", ["4R7"]),
        ("4k7k", ["4K7K"]),
        ("01c", ["01C"]),
        ("4 k 7", ["4k7"]),
        ("10m", ["10M", "megohm", "10L", "milliohm"]),
        ("18E", ["two ways", "18 ohm", "1.50 MΩ", "18R"]),
        ("97C", ["in clear"]),
        ("00C", ["in clear"]),
        ("109", ["109R"]),
        ("4K7X", ["in clear"]),
        ("K", ["in clear"]),
        ("", ["in clear"]),
    ],
)
def test_refused_on_a_resistor(code: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        read_resistor(code)
    (problem,) = caught.value.problems
    assert problem.expected
    assert [word for word in words if word not in str(problem)] == []


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("104F", ["two ways", "104 F", "100 nF", "code 104"]),
        ("100nF", ["100n"]),
        ("4n7F", ["4n7"]),
        ("0.1uF", ["0u1"]),
        ("0.1", ["0p1", "0u1"]),
        ("47", ["47p", "47u"]),
        ("2200", ["2200p", "2200u"]),
        ("2N2", ["2n2"]),
        ("104k", ["104K"]),
        ("0p0", ["in clear"]),
        ("0R0", ["in clear"]),
        ("4K7", ["in clear"]),
    ],
)
def test_refused_on_a_capacitor(code: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        read_capacitor(code)
    (problem,) = caught.value.problems
    assert problem.expected
    assert [word for word in words if word not in str(problem)] == []


def test_letter_codes_belong_to_their_dimension() -> None:
    assert read_letter_code("4k7", dimension="capacitance") is None
    assert read_letter_code("4p7", dimension="resistance") is None
    assert read_letter_code("4k7", dimension="voltage") is None
    assert read_letter_code("103", dimension="resistance") is None
    assert read_letter_code("4u7H", dimension="inductance") is None


@given(
    st.integers(0, 9999),
    st.integers(0, 9999),
    st.sampled_from([("R", 1.0), ("K", 1e3), ("M", 1e6), ("G", 1e9), ("L", 1e-3)]),
)
@settings(derandomize=True)
def test_a_letter_is_a_decimal_point(whole: int, part: int, letter: tuple[str, float]) -> None:
    code = as_letter_code(f"{whole}.{part:04}", letter[0])
    assert read_resistor(code).value == pytest.approx((whole + part / 1e4) * letter[1], rel=1e-12)


CODE_LIKE = st.text(alphabet="0123456789.,RKkMGLEpnuµmFJZSXC Ω\x00٣", max_size=8)


def marking_or_error(read: Callable[[str], Marking], code: str) -> Marking | QuantityError:
    try:
        return read(code)
    except QuantityError as error:
        return error


@given(st.one_of(st.text(), CODE_LIKE), st.sampled_from([read_resistor, read_capacitor]))
@settings(derandomize=True, max_examples=2000)
def test_only_a_quantity_error_can_leave(code: str, read: Callable[[str], Marking]) -> None:
    outcome = marking_or_error(read, code)
    if isinstance(outcome, QuantityError):
        assert len(outcome.problems) == 1
        assert str(outcome).isprintable()
    else:
        assert 0.0 <= outcome.value < 1e18
