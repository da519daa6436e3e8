"""What the terminal shows of a marking, line by line."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from flyback.board.decoding.clues import Kind
from flyback.board.decoding.decode import decode
from flyback.report.decode_text import show_decoded
from flyback.report.pieces import WIDTH


def shown(text: str, *, kind: Kind | None = None, measured: str | None = None, width: int = WIDTH) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, highlight=False, markup=False, emoji=False)
    show_decoded(decode(text, kind=kind, measured=measured), console)
    return out.getvalue()


def lines(text: str, **options: str) -> list[str]:
    return [" ".join(line.split()) for line in shown(text, **options).splitlines()]  # type: ignore[arg-type]


def test_readings_stand_one_below_the_other() -> None:
    found = lines("102")
    assert found[0] == "102 3 readings"
    assert found[2:5] == [
        "1 resistor 1.00 kΩ usual 3-digit code: 10 and 2 zeros",
        "2 capacitor 1.00 nF usual 3-digit code: 10 and 2 zeros, in pF",
        "3 inductor 1.00 mH usual code in µH: 10 and 2 zeros, in µH",
    ]
    assert "The print does not tell these parts apart; they look like this" in found


def test_a_part_that_was_named_needs_no_looks() -> None:
    assert "look like" not in shown("102", kind=Kind.RESISTOR)
    assert "look like" not in shown("01C")


def test_ratings_stand_below_the_value() -> None:
    found = lines("2A104J")
    assert found[2].startswith("1 capacitor 100 nF usual 3-digit code: 10 and 4 zeros, in pF")
    assert [line for line in found if line.startswith(("± 5 %", "100 V"))]
    assert "330 µF" in shown("330uF 25V 105°C")
    assert "to 105 °C" in shown("330uF 25V 105°C")
    assert "50 ppm/K" in shown("brown black black red brown red")


def test_electrolytic_capacitors_stay_in_microfarads() -> None:
    assert "4700 µF" in shown("4700uF 25V")
    assert "mF" not in shown("4700uF 25V")


def test_what_speaks_against_a_reading_is_said() -> None:
    assert "but: only if X89 was read upside down" in shown("X89")
    assert "unlikely" in shown("X89")


def test_a_measurement_that_fits() -> None:
    found = " ".join(lines("103", measured="9.8k"))
    assert "Measured 9.80 kΩ ± (1 % + 0.300 Ω): 9.70 to 9.90 kΩ; the meter's accuracy is assumed" in found
    assert "resistor 10.0 kΩ fits" in found
    assert "± 5 % assumed" in found
    assert "Conflict" not in found
    assert "accuracy is assumed" not in " ".join(lines("103", measured="9.8k ± 1 %"))


def test_a_conflict_says_what_would_fit() -> None:
    found = " ".join(lines("101", measured="9.8k"))
    assert "does not fit" in found
    assert "Conflict 9.80 kΩ was measured where 101 reads 100 Ω: 98 times as much." in found
    assert "103 would fit: a digit taken for another." in found


def test_sources_carry_their_mark() -> None:
    found = " ".join(lines("2A104J"))
    assert "EIA marking (from memory)." in found
    assert "voltage code 2A: JIS/EIA voltage code (from memory)." in found
    assert "common practice, no source." in " ".join(lines("100"))
    assert "code 01: round(100 × 10^((code - 1)/96)) (computed)." in " ".join(lines("01C"))


def test_words_that_are_not_read_are_shown() -> None:
    assert "FOO is not read." in shown("104 FOO")


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize(
    ("text", "measured"),
    [
        ("100", None),
        ("10m", None),
        ("2A104K X7R FOO", None),
        ("101", "9.8k"),
        ("brown black red red", "22"),
    ],
)
def test_it_fits_the_terminal(text: str, measured: str | None, width: int) -> None:
    found = shown(text, measured=measured, width=width)
    assert max(map(len, found.splitlines())) <= width
    assert "An open mains adapter can kill." in found
    assert "safe" not in found.replace("safety", "")
