"""What all words of a print say together, on each kind of part, and what is refused."""

from __future__ import annotations

import pytest

from flyback.board.decoding.clues import Kind, Reading
from flyback.board.decoding.printed_words import words_of
from flyback.board.decoding.prints import nearest_word, read_print, turned_round
from flyback.errors import QuantityError

ALL = tuple(Kind)
R, C, E, L = ALL


def said(text: str, kind: Kind) -> list[Reading]:
    readings, unread = read_print(text, [kind])
    assert unread == ()
    return readings


def values(text: str, kind: Kind) -> set[float]:
    return {float(f"{one.value:.6g}") for one in said(text, kind)}


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        # One code, every system of its kind; worked by hand from the rules.
        ("102", R, {1e3}),
        ("102", C, {1e-9}),
        ("102", L, {1e-3}),
        ("100", R, {10.0, 100.0}),
        ("100", C, {10e-12, 100e-12}),
        ("100", E, {100e-6}),
        ("100", L, {10e-6, 100e-6}),
        ("107", E, {100e-6}),
        ("479", C, {4.7e-12}),
        ("4R7", R, {4.7}),
        ("4R7", C, {4.7e-12}),
        ("4R7", E, {4.7e-6}),
        ("4R7", L, {4.7e-6}),
        ("4N7", L, {4.7e-9}),
        ("22R", R, {22.0, 1.65}),
        ("18E", R, {18.0, 1.5e6}),
        ("01C", R, {10e3}),
        ("10m", R, {10e-3, 10e6}),
        ("R005", R, {5e-3}),
        ("5L00", R, {5e-3}),
        ("2200", R, {220.0, 2200.0}),
        ("47", R, {47.0}),
        ("47", C, {47e-12}),
        ("47J", C, {47e-12}),
        (".1", C, {0.1e-6}),
        ("0,47", C, {0.47e-6}),
        ("5.6", C, {5.6e-6, 5.6e-12}),
        ("A3", C, {1e-9}),
        ("KA3", C, {1e-9}),
        ("a3", C, {2.5e-9, 1e-9}),
        ("0.1uF", C, {0.1e-6}),
        ("100uf", E, {100e-6}),
        ("470UF", E, {470e-6}),
        ("47 mfd", E, {47e-6}),
        ("4,7 kΩ", R, {4.7e3}),
        ("0.1ΩJ", R, {0.1}),
        ("104 100n", C, {100e-9}),
    ],
)
def test_values(text: str, kind: Kind, expected: set[float]) -> None:
    assert values(text, kind) == expected


@pytest.mark.parametrize(
    ("text", "kind", "farads", "volts", "tolerance"),
    [
        ("2A104J", C, 100e-9, 100, (-0.05, 0.05)),
        ("104J2A", C, 100e-9, 100, (-0.05, 0.05)),
        ("2J 103K", C, 10e-9, 630, (-0.10, 0.10)),
        ("1H104K", C, 100e-9, 50, (-0.10, 0.10)),
        ("104K400V", C, 100e-9, 400, (-0.10, 0.10)),
        ("104K 400V", C, 100e-9, 400, (-0.10, 0.10)),
        ("104K/400V", C, 100e-9, 400, (-0.10, 0.10)),
        ("473J100", C, 47e-9, 100, (-0.05, 0.05)),
        (".1J63", C, 100e-9, 63, (-0.05, 0.05)),
        ("222M 1kV", C, 2.2e-9, 1000, (-0.20, 0.20)),
        ("0.1uF K 275V~", C, 100e-9, 275, (-0.10, 0.10)),
        ("103Z 500 V", C, 10e-9, 500, (-0.20, 0.80)),
        ("104 -20/+80 %", C, 100e-9, None, (-0.20, 0.80)),
        ("5D", C, 5e-12, None, (-0.10, 0.10)),  # 0.5 pF of 5 pF
        ("100 16V", E, 100e-6, 16, None),
        ("100 16", E, 100e-6, 16, None),
        ("100uF 25V", E, 100e-6, 25, None),
        ("100uF25V", E, 100e-6, 25, None),
        ("470 6.3V", E, 470e-6, 6.3, None),
        ("100C", E, 100e-6, 16, None),
        ("107C", E, 100e-6, 16, None),
        ("A475", E, 4.7e-6, 10, None),
        ("226K 25V", E, 22e-6, 25, (-0.10, 0.10)),
        ("4u7 50V", E, 4.7e-6, 50, None),
    ],
)
def test_volts_and_tolerance(
    text: str, kind: Kind, farads: float, volts: float | None, tolerance: tuple[float, float] | None
) -> None:
    found = min(said(text, kind), key=lambda one: one.weight)
    assert found.value == pytest.approx(farads, rel=1e-9)
    assert found.clue.voltage == volts
    assert found.tolerance == (None if tolerance is None else pytest.approx(tolerance))


def test_what_else_is_printed() -> None:
    (power,) = said("5W R22 J", R)
    assert (power.value, power.clue.power, power.tolerance) == (0.22, 5, (-0.05, 0.05))
    assert [one.clue.power for one in said("10W4R7J", R)] == [10]
    assert {one.clue.power for one in said("2.2k 1/4W 5%", R)} == {0.25}
    (hot,) = said("330uF 25V 105°C", E)
    assert hot.clue.temperature == pytest.approx(378.15)
    (ceramic,) = said("104 X7R", C)
    assert ceramic.clue.remark == "X7R: ± 15 % from -55 to 125 °C"
    (unequal,) = said("103 Y5V", C)
    assert unequal.clue.remark == "Y5V: -82/+22 % from -30 to 85 °C"
    (safety,) = said("222M Y1", C)
    assert "bridge the insulation" in safety.clue.remark


@pytest.mark.parametrize(
    ("text", "kind", "doubt"),
    [
        ("104J", R, "seldom print a tolerance letter"),
        ("102K", R, "no E24 value"),
        ("22R", R, "R is the decimal point"),
        ("100", R, "a bare number in clear is rare"),
        ("100", C, "three digits and more are a code"),
        ("100 16V", C, "mostly electrolytic"),
        ("104C", C, "finer than such capacitors"),
        ("2G", C, "as large as the value"),
        ("103 -20/+80%", R, "limits that differ"),
        ("901", R, "a value of no E series"),
        ("142", R, "no E24 value (E96 has it)"),
        ("107", R, "more than such parts usually have (22.0 MΩ)"),
        ("R10", C, "less than such parts usually have (0.500 pF)"),
        ("100K", E, "seldom print a tolerance letter onto"),
        ("47F", E, "± 10 % at best"),
        ("A3", C, "few ceramic chips"),
        ("01c", R, "small letters taken for capitals"),
        ("1O3", R, "a letter taken for the digit"),
        ("X89", R, "only if X89 was read upside down"),
        ("330 105 25V", E, "105 is taken for degrees"),
    ],
)
def test_doubts(text: str, kind: Kind, doubt: str) -> None:
    assert any(doubt in one.words for reading in said(text, kind) for one in reading.doubts)


@pytest.mark.parametrize("code", ["4K7", "R47", "2R2", "1002", "68X", "0R62", "R005", "R500", "104"])
def test_ordinary_codes_raise_no_doubt(code: str) -> None:
    assert next(one.doubts for one in said(code, R) if one.code == code) == ()


@pytest.mark.parametrize(
    ("word", "turned"),
    [
        ("X89", "68X"),
        ("68X", "X89"),
        ("901", "106"),
        ("1196", "9611"),
        ("101", None),
        ("103", None),
        ("4K7", None),
    ],
)
def test_upside_down(word: str, turned: str | None) -> None:
    assert turned_round(word) == turned
    assert turned is None or turned_round(turned) == word


@pytest.mark.parametrize(
    ("text", "kinds", "words"),
    [
        ("104 103", ALL, ["contradicts itself", "104 is 100 kΩ", "103 is 10.0 kΩ"]),
        ("103 100n", ALL, ["contradicts itself on a capacitor", "103 is 10.0 nF", "100n is 100 nF"]),
        ("2A104J 50V", (C,), ["contradicts itself", "2A104J", "50V is 50.0 V"]),
        ("103J 10%", (C,), ["contradicts itself", "10% is ± 10 %"]),
        ("16V", ALL, ["a rating but no value"]),
        ("X7R", ALL, ["a rating but no value"]),
        ("4Q7", ALL, ["no marking of a part", "perhaps 4R7"]),
        ("4X7", ALL, ["perhaps 4K7"]),
        ("X7Q", ALL, ["perhaps X7R"]),
        ("4K7", (C, E), ["no marking of a capacitor", "On a resistor it is 4.70 kΩ"]),
        ("AB12", ALL, ["no marking of a part", "Write what is printed"]),
        ("red red brown 2W", ALL, ["mixes bands and print"]),
        ("1 2 3 4 5 6 7 8 9", ALL, ["9 words"]),
    ],
)
def test_refused(text: str, kinds: tuple[Kind, ...], words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        read_print(text, kinds)
    assert [word for word in words if word not in str(caught.value)] == []


def test_words_left_over_are_told() -> None:
    readings, unread = read_print("CBB 104J 400V", ALL)
    assert unread == ("CBB",)
    assert {one.kind for one in readings} == {C}
    assert nearest_word("X7Q", ALL) == 'Is "X7Q" perhaps X7R?'
    assert nearest_word("CBB", ALL) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("100 uF / 16 V", ["100uF", "16V"]),
        ("100uF/25V", ["100uF", "25V"]),
        ("0R22 1/2W ± 5 %", ["0R22", "1/2W", "±5%"]),
        ("104Z -20/+80 %", ["104Z", "-20/+80%"]),
        ("0.1 K 250 V", ["0.1K", "250V"]),
        ("104K|400V;X2", ["104K", "400V", "X2"]),
    ],
)
def test_words_of_a_print(text: str, words: list[str]) -> None:
    assert words_of(text) == words
