"""Colour bands: every colour of every preferred value, both ends, and what is no code."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.board.decoding.colour_bands import (
    doubtful_tolerance,
    looks_like_bands,
    meant,
    misread_bands,
    read_bands,
    read_colours,
)
from flyback.errors import QuantityError

# The rhyme that everyone learns, from 0 to 9.
DIGITS = ["black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white"]
# As a technician says them, from IEC 60757 and from the bench.
CODES = ["bk", "bn", "rd", "og", "ye", "gn", "bu", "vt", "gy", "wh"]
TOLERANCES = {"brown": 1, "red": 2, "green": 0.5, "blue": 0.25, "violet": 0.1, "gold": 5, "silver": 10}
E24 = [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91]


def painted(digits: str, zeros: int, tolerance: str) -> tuple[str, ...]:
    """The bands of a value, put together from the rhyme."""
    multiplier = {-1: "gold", -2: "silver"}.get(zeros) or DIGITS[zeros]
    return (*(DIGITS[int(digit)] for digit in digits), multiplier, tolerance)


@given(st.sampled_from(E24), st.integers(-2, 7), st.sampled_from(["gold", "silver"]))
def test_four_bands(digits: int, zeros: int, tolerance: str) -> None:
    bands = painted(str(digits), zeros, tolerance)
    (read,) = read_bands(bands)
    assert read.value == pytest.approx(digits * 10.0**zeros, rel=1e-12)
    assert read.tolerance == pytest.approx(TOLERANCES[tolerance] / 100)
    assert not read.turned
    # gold and silver are no digits: written from the other end it is the same part
    (turned,) = read_bands(bands[::-1])
    assert (turned.value, turned.tolerance, turned.turned) == (read.value, read.tolerance, True)


@given(st.integers(100, 999), st.integers(-2, 6), st.sampled_from(sorted(TOLERANCES)))
def test_five_bands(digits: int, zeros: int, tolerance: str) -> None:
    read = read_bands(painted(str(digits), zeros, tolerance))[0]
    assert read.value == pytest.approx(digits * 10.0**zeros, rel=1e-12)
    assert read.tolerance == pytest.approx(TOLERANCES[tolerance] / 100)


@pytest.mark.parametrize(
    ("text", "values"),
    [
        # by hand from the rhyme: 10 x 100, 2 %; from the right 22 x 1, 1 %
        ("brown black red red", [1000.0, 22.0]),
        # 100 x 100; from the right 120 x 1
        ("brown black black red brown", [10e3, 120.0]),
        ("brown black black brown brown", [1000.0, 110.0]),
        ("brown black brown", [100.0]),  # reads alike from both ends
        ("yellow violet orange", [47e3, 370e3]),
        ("yellow violet orange none", [47e3]),
        ("none orange violet yellow", [47e3]),
        ("green blue pink gold", [56e-3]),
        ("black", [0.0]),
    ],
)
def test_from_both_ends(text: str, values: list[float]) -> None:
    assert [bands.value for bands in read_bands(read_colours(text.split()))] == pytest.approx(values)


def test_three_bands_are_twenty_percent() -> None:
    assert read_bands(("yellow", "violet", "orange"))[0].tolerance == 0.2


@pytest.mark.parametrize(
    ("colour", "ppm"), [("black", 250), ("brown", 100), ("red", 50), ("orange", 15), ("yellow", 25)]
)
def test_the_sixth_band_is_the_drift(colour: str, ppm: float) -> None:
    read = read_bands(("brown", "black", "black", "red", "gold", colour))[0]
    assert read.value == 10e3
    assert read.drift == pytest.approx(ppm * 1e-6)


@pytest.mark.parametrize("codes", [DIGITS, [name.upper() for name in DIGITS], CODES])
def test_words_and_letters(codes: list[str]) -> None:
    assert list(read_colours(codes)) == DIGITS


@pytest.mark.parametrize(
    ("word", "colours"),
    [
        ("br", ["brown"]),
        ("or", ["orange"]),
        ("yel", ["yellow"]),
        ("vio", ["violet"]),
        ("purple", ["violet"]),
        ("gray", ["grey"]),
        ("gd", ["gold"]),
        ("slv", ["silver"]),
        ("r", ["red"]),
        ("bl", ["black", "blue"]),
        ("gr", ["green", "grey"]),
        ("b", ["black", "brown", "blue"]),
        ("mauve", []),
    ],
)
def test_what_a_word_may_mean(word: str, colours: list[str]) -> None:
    assert list(meant(word)) == colours


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bl gr red", ["2 problems", "black or blue", "bk (black)", "green or grey", "gy (grey)"]),
        ("borwn black red glod", ["2 problems", "Did you mean brown?", "Did you mean gold?"]),
        ("brown black mauve gold", ['"mauve" is no colour', "Colours are black"]),
    ],
)
def test_words_that_are_no_colour(text: str, words: list[str]) -> None:
    with pytest.raises(QuantityError) as caught:
        read_colours(text.split())
    assert [word for word in words if word not in str(caught.value)] == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("red red", "2 bands are no code"),
        ("red", "1 band is no code"),
        ("red red red red red red red", "7 bands are no code"),
        ("gold black red silver", "gold is no digit (read from gold on) and silver is no digit"),
        ("brown none red gold", "none stands for a missing fourth band"),
        ("pink red red white", "pink is no tolerance (read from white on)"),
        ("gold gold red red red white", "gold is no temperature coefficient (read from white on)"),
    ],
)
def test_bands_that_are_no_code(text: str, words: str) -> None:
    with pytest.raises(QuantityError) as caught:
        read_bands(text.split())
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "doubt"),
    [
        ("red red brown gold", None),
        ("red red brown brown", None),
        ("red red brown violet", "± 0.1 % with two digits is rare"),
        ("red red red brown gold", "± 5 % with three digits is rare"),
        ("red red brown orange", "orange as a tolerance (± 0.05 %, once ± 3 %) is rare"),
    ],
)
def test_tolerances_that_speak_against_an_end(text: str, doubt: str | None) -> None:
    assert doubtful_tolerance(read_bands(text.split())[0]) == doubt


@pytest.mark.parametrize(
    ("words", "looks"),
    [
        (["brown", "black", "red"], True),
        (["borwn", "black", "red", "gold"], True),
        (["br", "bk", "rd"], True),
        (["b", "b", "r", "g"], True),
        (["red"], True),
        (["R"], False),
        (["4K7"], False),
        (["br", "47"], False),
        (["CBB"], False),
        ([], False),
    ],
)
def test_what_is_taken_for_bands(words: list[str], looks: bool) -> None:
    assert looks_like_bands(words) is looks


def test_a_colour_taken_for_one_like_it() -> None:
    (red,) = read_bands(("red", "red", "red", "gold"))
    found = {words: bands.value for bands, words in misread_bands(red)}
    assert found["red taken for brown"] in (1200.0, 2100.0, 220.0)
    assert 1200.0 in [bands.value for bands, _ in misread_bands(red)]
    assert all(bands.tolerance == 0.05 for bands, _ in misread_bands(red))
