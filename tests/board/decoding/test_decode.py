"""All readings of a marking: their order, their conflict with a measurement, and codes made elsewhere."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.board.decoding.clues import Kind, Standing, figure_source
from flyback.board.decoding.conflict import MOST_SLIPS, how_far
from flyback.board.decoding.decode import MOST_CHARACTERS, Decoded, decode
from flyback.board.markings import read_capacitor, read_resistor
from flyback.errors import InputError, QuantityError, RequestError

R, C, E, L = tuple(Kind)


def listed(found: Decoded) -> list[tuple[Kind, float]]:
    return [(one.kind, float(f"{one.value:.6g}")) for one in found.readings]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("102", [(R, 1e3), (C, 1e-9), (L, 1e-3)]),
        ("100", [(R, 10.0), (C, 1e-11), (E, 1e-4), (L, 1e-5), (R, 100.0), (C, 1e-10), (L, 1e-4)]),
        ("100 16V", [(E, 1e-4), (C, 1e-11), (C, 1e-10)]),
        ("01C", [(R, 10e3)]),
        ("2A104J", [(C, 1e-7)]),
        ("102K", [(C, 1e-9), (L, 1e-3), (R, 102e3), (R, 1e3)]),
        ("107", [(E, 1e-4), (R, 1e8), (L, 100.0)]),
        ("22R", [(R, 22.0), (R, 1.65)]),
        ("brown black red red", [(R, 1e3), (R, 22.0), (L, 1e-3), (L, 22e-6)]),
        ("br/bk/bk/rd/br", [(R, 10e3), (R, 120.0)]),
        ("000", [(R, 0.0)]),
        ("black", [(R, 0.0)]),
    ],
)
def test_order(text: str, expected: list[tuple[Kind, float]]) -> None:
    assert listed(decode(text)) == expected


@pytest.mark.parametrize(
    ("text", "standing"),
    [
        ("102", Standing.USUAL),
        ("01c", Standing.POSSIBLE),
        ("X89", Standing.UNLIKELY),
        ("901", Standing.UNLIKELY),
        ("yellow violet brown orange", Standing.POSSIBLE),
        ("black brown red gold", Standing.UNLIKELY),
        ("red grey red gold", Standing.POSSIBLE),  # 28 is no E24 value, E96 has it
    ],
)
def test_standing_of_the_likeliest(text: str, standing: Standing) -> None:
    assert decode(text, kind=R).readings[0].standing is standing


def test_the_kind_that_is_named() -> None:
    assert {one.kind for one in decode("100", kind=C).readings} == {C, E}
    assert {one.kind for one in decode("100", kind=E).readings} == {E}
    assert {one.kind for one in decode("100", kind=L).readings} == {L}


def test_what_one_sort_of_capacitor_says_the_other_need_not_repeat() -> None:
    found = decode("105", kind=C).readings
    assert [(one.kind, one.value) for one in found] == [(C, pytest.approx(1e-6))]
    assert decode("105", kind=E).readings[0].value == pytest.approx(1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("brown black red red", "from both ends"),
        ("100", "microfarads in clear"),
        ("000", "short the probes"),
    ],
)
def test_notices(text: str, words: str) -> None:
    assert any(words in notice for notice in decode(text).notices)


def test_words_that_are_not_read_are_told() -> None:
    assert decode("104 FOO X7Q").unread == (
        "FOO is not read.",
        'X7Q is not read. Is "X7Q" perhaps X7R?',
    )


# --- beside a measurement -------------------------------------------------------------------------


def test_a_measurement_that_fits() -> None:
    found = decode("103", measured="9.8k")
    assert [one.kind for one in found.readings] == [R]
    assert [fit.agrees for fit in found.fits] == [True]
    assert found.conflict is None
    assert found.exit_code == 0


def test_a_measurement_tells_readings_apart() -> None:
    found = decode("100", measured="98")
    assert [one.value for one in found.readings] == [100.0, 10.0]
    assert [fit.agrees for fit in found.fits] == [True, False]
    assert found.conflict is not None
    assert found.conflict.settled
    assert "98.0 Ω was measured where 100 reads 10.0 Ω: 9.8 times as much" in found.conflict.words
    assert "Another reading of it, 100 Ω, fits." in found.conflict.words
    assert found.exit_code == 0


def test_the_end_of_the_bands_that_fits_comes_first() -> None:
    found = decode("brown black red red", measured="22.2")
    assert found.readings[0].value == 22.0
    assert found.readings[0].code == "red red black brown"


@pytest.mark.parametrize(
    ("text", "measured", "slips", "advice"),
    [
        ("101", "9.8k", ["103"], "misread, has drifted or is cracked"),
        ("102", "9.8k", ["103"], "misread, has drifted or is cracked"),
        ("2R4", "24", ["24R"], "misread"),
        ("red red red gold", "1.2k", ["brown red red gold"], "lift one end"),
        ("104", "82k", [], "lift one end"),
        ("104", "47 nF", [], "dried out"),
        ("104", "330 nF", ["304"], "other capacitors lie in parallel"),
    ],
)
def test_no_reading_fits(text: str, measured: str, slips: list[str], advice: str) -> None:
    found = decode(text, measured=measured)
    assert found.conflict is not None
    assert not found.conflict.settled
    assert found.exit_code == 1
    assert [slip.code for slip in found.conflict.slips][: len(slips)] == slips
    assert bool(found.conflict.slips) == bool(slips)
    assert len(found.conflict.slips) <= MOST_SLIPS
    assert advice in found.conflict.advice


def test_a_slip_is_read_as_the_strict_reader_reads_it() -> None:
    conflict = decode("101", measured="9.8k").conflict
    assert conflict is not None
    assert all(read_resistor(slip.code).value == slip.value for slip in conflict.slips)


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (0.98, "2 % low"),
        (1.25, "25 % high"),
        (2.5, "2.5 times as much"),
        (0.01, "1 % of it"),
        (0.0, "0 % of it"),
        (float("inf"), "where nothing should be"),
    ],
)
def test_how_far(factor: float, words: str) -> None:
    assert how_far(factor) == words


def test_the_tolerance_of_the_system_is_lent() -> None:
    # 10 k ± 5 % as three digits, ± 1 % as four digits and in EIA-96
    assert decode("103", measured="9.6k").conflict is None
    assert decode("1002", measured="9.6k").conflict is not None
    assert decode("01C", measured="9.6k").conflict is not None
    assert decode("104", measured="82 nF", kind=C).conflict is None  # ± 20 %
    assert decode("104J", measured="82 nF", kind=C).conflict is not None


# --- refused --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "kind", "measured", "error", "words"),
    [
        ("", None, None, QuantityError, "the marking is empty"),
        (" \t ", None, None, QuantityError, "the marking is empty"),
        ("1" * (MOST_CHARACTERS + 1), None, None, QuantityError, "81 characters long"),
        ("10\x003", None, None, QuantityError, "cannot be printed"),
        ("104 103", None, None, QuantityError, "contradicts itself"),
        ("br bl rd gd", None, None, QuantityError, "black or blue"),
        ("brown black red gold", C, None, QuantityError, "resistors and inductors only"),
        ("103", C, "9.8k", QuantityError, "not a capacitance"),
        ("2A104J", None, "9.8k", RequestError, "marks a capacitor, on which 9.80 kΩ is not measured"),
        ("4K7", None, "10 nF", RequestError, "marks a resistor"),
    ],
)
def test_refused(
    text: str, kind: Kind | None, measured: str | None, error: type[InputError], words: str
) -> None:
    with pytest.raises(error) as caught:
        decode(text, kind=kind, measured=measured)
    assert words in str(caught.value)
    assert all(problem.hint for problem in caught.value.problems)


# --- codes made by other means --------------------------------------------------------------------

# E96 by the rule of IEC 60063, E24 as listed.
E96 = [round(100 * 10 ** (step / 96)) for step in range(96)]
E24 = [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91]


@given(st.sampled_from(range(96)), st.sampled_from(list(enumerate("ABCDE"))))
def test_one_percent_resistors_read_alike_in_every_system(place: int, times: tuple[int, str]) -> None:
    exponent, letter = times
    ohms = float(f"{E96[place]}e{exponent}")
    four_digits = f"{E96[place]}{exponent}"
    coded = f"{place + 1:02}{letter}"
    for code in (four_digits, coded):
        found = [one for one in decode(code, kind=R).readings if one.code == code]
        assert ohms in [one.value for one in found], code
        assert all(
            one.standing is not Standing.UNLIKELY for one in found if one.value == ohms and ohms <= 22e6
        )


@given(st.sampled_from(E24), st.integers(0, 5))
def test_two_digits_and_zeros(digits: int, zeros: int) -> None:
    readings = decode(f"{digits}{zeros}").readings
    values = [(one.kind, float(f"{one.value:.6g}")) for one in readings]
    assert (R, float(f"{digits}e{zeros}")) in values
    assert (C, float(f"{digits}e{zeros - 12}")) in values
    assert (L, float(f"{digits}e{zeros - 6}")) in values


STRICT = st.from_regex(
    re.compile(r"([0-9]{1,3}[RKMGEL][0-9]{0,3}|[1-9][0-9]{1,2}[0-7]|[0-9]{2}[A-FHRSXYZ])[FGJKM]?"),
    fullmatch=True,
)


@given(STRICT)
@settings(max_examples=300)
def test_what_the_strict_reader_reads_is_among_the_readings(code: str) -> None:
    for read, kind in ((read_resistor, R), (read_capacitor, C)):
        try:
            strict = read(code)
        except QuantityError:
            continue
        # a link has no tolerance worth a letter
        said = (strict.value, strict.tolerance if strict.value else None)
        found = decode(code, kind=kind).readings
        assert said in [(one.value, one.tolerance) for one in found if one.code == code]


def decoded_or_error(text: str, kind: Kind | None, measured: str | None) -> Decoded | InputError:
    try:
        return decode(text, kind=kind, measured=measured)
    except InputError as error:
        return error


PRINT = st.text(alphabet="0123456789RKMnupFVJXYZ .,/±%-+°Ωµabcdegrow\x00٣", max_size=24)


@given(
    st.one_of(st.text(max_size=90), PRINT),
    st.sampled_from([None, *Kind]),
    st.sampled_from([None, "9.8k", "1 nF"]),
)
@settings(max_examples=1000)
def test_nothing_but_words_can_leave(text: str, kind: Kind | None, measured: str | None) -> None:
    found = decoded_or_error(text, kind, measured)
    if isinstance(found, InputError):
        assert str(found).replace("\n", "").isprintable()
        return
    assert found.readings
    assert len(found.fits) == (len(found.readings) if measured else 0)
    weights = [one.weight for one in found.readings]
    assert measured is not None or weights == sorted(weights)
    for one in found.readings:
        assert 0.0 <= one.value < 1e18
        assert all(source.source and source.basis for source in one.sources)


def test_sources_of_figures_that_are_trusted_less() -> None:
    (letter,) = figure_source("the letter L", "letter_codes", "exponents", "L", "resistor")
    assert letter in decode("5L00", kind=R).readings[0].sources
    assert [source.basis for source in decode("4K7", kind=R).readings[0].sources] == ["seen"]
    assert [source.basis for source in decode("01C", kind=R).readings[0].sources] == ["seen", "computed"]
    assert [source.what for source in decode("2A104J").readings[0].sources[1:]] == [
        "voltage code 2A",
        "tolerance letter J",
    ]
