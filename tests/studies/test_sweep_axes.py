"""Sweeps as they are written: their ends, their steps, and what is refused in words, all of it at once."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from worked import board as worked_board

from flyback.board.edit import altered, read_changes
from flyback.board.model import Board, Origin, State
from flyback.errors import RequestError
from flyback.studies.sweep_axes import EVERY_TURN, MOST_STEPS, STEPS, Axis, read_axes


@cache
def bedside() -> Board:
    return worked_board("bedside_charger")


def axis(text: str, **options: object) -> Axis:
    (found,) = read_axes(bedside(), [text], **options)  # type: ignore[arg-type]
    return found


def refused(*texts: str, **options: object) -> list[str]:
    with pytest.raises(RequestError) as caught:
        read_axes(bedside(), texts, **options)  # type: ignore[arg-type]
    return [str(problem) for problem in caught.value.problems]


# --- ends -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "name", "key", "first", "last", "now"),
    [
        ("R6=0.5ohm..2ohm", "R6", "R6.resistance", 0.5, 2.0, 2.2),
        ("R6 = 0.5 .. 2 ohm", "R6", "R6.resistance", 0.5, 2.0, 2.2),
        ("R6=R50..2R0", "R6", "R6.resistance", 0.5, 2.0, 2.2),
        ("R6.value=500mohm..2ohm", "R6", "R6.resistance", 0.5, 2.0, 2.2),
        ("C1=10u..47u", "C1", "C1.capacitance", 10e-6, 47e-6, 18e-6),
        ("T1.primary_turns=80..120", "T1.primary_turns", "T1.primary_turns", 80.0, 120.0, 98.0),
        ("U1.max_duty=50..80 %", "U1.max_duty", "U1.max_duty", 0.5, 0.8, 0.7),
        ("U1.delay=0ns..500ns", "U1.delay", "U1.delay", 0.0, 500e-9, 200e-9),
        ("R7=1ohm..4ohm", "R7", "R7.resistance", 1.0, 4.0, None),
        ("mains=90..264 V", "mains", "", 90.0, 264.0, None),
        ("Mains=90V..264V", "mains", "", 90.0, 264.0, None),
    ],
)
def test_ends(text: str, name: str, key: str, first: float, last: float, now: float | None) -> None:
    found = axis(text)
    assert (found.name, found.key) == (name, key)
    assert (found.values[0], found.values[-1]) == pytest.approx((first, last))
    assert found.now == (None if now is None else pytest.approx(now))


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("R6=0.5ohm..2ohm", "R6=1.25 ohm"),
        ("U1.limit_voltage=0.5V..1V", "U1.limit_voltage=0.8 V"),
        ("T1.primary_inductance=0.5mH..1mH", "T1.primary_inductance=0.66 mH"),
        ("R7=1ohm..4ohm", "R7=2 ohm"),
    ],
)
def test_every_step_is_the_change_a_what_if_would_make(text: str, written: str) -> None:
    (change,) = read_changes(bedside(), [written])
    value = axis(text).change(change.value.nominal).value  # type: ignore[union-attr]
    wanted = change.value  # type: ignore[union-attr]
    assert (value.key, value.cause, value.shape) == (wanted.key, wanted.cause, wanted.shape)
    assert (value.low, value.high) == pytest.approx((wanted.low, wanted.high), rel=1e-6)
    assert value.origin is Origin.WHAT_IF


def test_a_step_fits_the_part() -> None:
    made = altered(bedside(), [axis("R7=1ohm..4ohm").change(2.0)])
    assert made.parts["R7"].state is State.FITTED
    assert bedside().parts["R7"].state is State.NOT_FITTED


def test_an_end_of_zero_keeps_the_spread_of_the_other() -> None:
    made = read_axes(
        worked_board("bedside_charger", ('delay = "200 ns"', 'delay = "200 ns ± 10 %"')),
        ["U1.delay=0ns..500ns"],
    )[0]
    assert (made.change(0.0).value.low, made.change(0.0).value.high) == (0.0, 0.0)
    value = made.change(400e-9).value
    assert (value.low, value.high) == pytest.approx((360e-9, 440e-9))


def test_the_mains_is_no_part() -> None:
    with pytest.raises(ValueError, match="no part"):
        axis("mains=90V..264V").change(100.0)


# --- steps ----------------------------------------------------------------------------------------


def test_equal_steps() -> None:
    assert axis("R6=0.5ohm..2ohm", steps=4).values == pytest.approx([0.5, 1.0, 1.5, 2.0])
    assert axis("R6=0.5ohm..2ohm").values.size == STEPS[1]
    two = read_axes(bedside(), ["R6=0.5ohm..2ohm", "mains=90V..264V"])
    assert [one.values.size for one in two] == [STEPS[2]] * 2


def test_a_decade_is_stepped_in_proportion() -> None:
    found = axis("C1=1u0..100u", steps=5)
    assert found.geometric
    assert found.values * 1e6 == pytest.approx([1.0, 10**0.5, 10.0, 10**1.5, 100.0])
    assert not axis("C1=1u0..9u9").geometric
    assert not axis("U1.delay=0ns..500ns").geometric


def test_turns_are_whole() -> None:
    every = axis("T1.primary_turns=80..120")
    assert every.values.tolist() == list(range(80, 121))
    assert every.stepped
    some = axis("T1.primary_turns=80..120", steps=7).values
    assert some.tolist() == [80, 87, 93, 100, 107, 113, 120]
    assert axis("T1.primary_turns=3..6", steps=50).values.tolist() == [3, 4, 5, 6]
    assert axis("T1.primary_turns=100..5000").values.size == EVERY_TURN


def test_preferred_numbers() -> None:
    # IEC 60063, E12: 1.0 1.2 1.5 1.8 2.2 2.7 3.3 3.9 4.7 5.6 6.8 8.2
    found = axis("R6=0.5ohm..2R2", series="E12")
    assert found.values == pytest.approx([0.56, 0.68, 0.82, 1.0, 1.2, 1.5, 1.8, 2.2])
    assert (found.stepped, found.series) == (True, "E12")
    assert axis("C1=10u..100u", series="E6").values * 1e6 == pytest.approx([10, 15, 22, 33, 47, 68, 100])


def test_a_series_is_for_what_parts_are_made_in() -> None:
    ohms, volts = read_axes(bedside(), ["R6=1ohm..2ohm", "mains=90V..264V"], series="E12", steps=3)
    assert ohms.values == pytest.approx([1.0, 1.2, 1.5, 1.8])
    assert volts.values.tolist() == [90.0, 177.0, 264.0]
    # the resistance of a capacitor is not made in preferred numbers
    assert "none is swept" in refused("C5.esr=10mohm..50mohm", series="E12")[0]


# --- refused --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("R6", "this is not a sweep"),
        ("R6=1R0", "one value is no range"),
        ("R6=1kohm...2kohm", "this is not a sweep"),
        ("R6=..2ohm", "an end of the range is missing"),
        ("R6=1ohm..", "an end of the range is missing"),
        ("R66=1ohm..2ohm", 'no part "R66". Did you mean "R6"?'),
        ("T1.primary_turn=80..120", 'Did you mean "primary_turns"?'),
        ("R6=2ohm..0.5ohm", "from high to low. Write R6=0.5ohm..2ohm."),
        ("R6=1ohm..1000mohm", "both ends are the same"),
        ("R6=0ohm..2ohm", "It must be above zero."),
        ("R6=-1ohm..2ohm", "is negative"),
        ("R6=1ohm..2H", "is an inductance"),
        ("R6=1ohm..5Gohm", "outside what any sense resistor can be"),
        ("U1.max_duty=50..150 %", "outside what max_duty of any switching IC can be"),
        ("T1.primary_turns=80.5..120", "a winding has whole turns. Write T1.primary_turns=80..120."),
        ("R6=1ohm ± 5 %..2ohm", "an end has a tolerance"),
        ("R6=1R0J..2R0", "an end has a tolerance"),
        ("R6=open..2ohm", '"open" is not a number'),
        ("D5.technology=silicon..schottky", '"silicon" is not a number'),
        ("D4=100V..150V", "Name a key: D4.clamp_voltage."),
        ("R6.tolerance=1 %..5 %", "a tolerance is changed together with its value"),
        ("mains=9V..264V", "9V cannot be used as mains; expected 40 to 500 V"),
        ("mains=90V..264A", "is a current"),
    ],
)
def test_refused_in_words(text: str, words: str) -> None:
    told = refused(text)
    assert any(words in one for one in told), told
    assert all(one.startswith(f"{text}: ") for one in told)


def test_digits_alone_are_refused() -> None:
    # a change reads 470 as the code of 47 ohm; on an axis nobody would mean that
    assert len(refused("R6=100..470")) == 2
    assert "no unit" in refused("R6=100..470")[0]
    assert "may be microfarads" in refused("C1=10..47")[0]


def test_two_sweeps_of_one_thing() -> None:
    (told,) = refused("R6=1ohm..2ohm", "R6.resistance=3ohm..4ohm")
    assert told.startswith("R6=1ohm..2ohm and R6.resistance=3ohm..4ohm sweep the same thing.")
    assert "the same thing" in refused("mains=90V..100V", "mains=100V..264V")[0]
    assert len(read_axes(bedside(), ["C5.esr=10mohm..20mohm", "C5=100u..200u"])) == 2


@pytest.mark.parametrize("count", [0, 3])
def test_one_or_two_are_swept(count: int) -> None:
    texts = ["R5=1ohm..2ohm", "R6=1ohm..2ohm", "C1=10u..20u"][:count]
    assert refused(*texts) == [
        f"{count} things are swept; expected one or two. Write for example R6=0.5ohm..2ohm, "
        "T1.primary_turns=80..120 or mains=90V..264V."
    ]


def test_the_limits_of_the_steps() -> None:
    two = ("R6=1ohm..2ohm", "mains=90V..264V")
    for texts, most in ((two[:1], MOST_STEPS[1]), (two, MOST_STEPS[2])):
        assert read_axes(bedside(), texts, steps=most)[0].values.size == most
        for steps in (1, 0, -3, most + 1):
            assert f"expected 2 to {most}" in refused(*texts, steps=steps)[0]


def test_series_that_cannot_be_followed() -> None:
    assert "there is no series of preferred numbers" in refused("R6=1ohm..2ohm", series="E13")[0]
    assert "none is swept" in refused("mains=90V..264V", series="E12")[0]
    assert "leave --steps out" in refused("R6=1ohm..2ohm", series="E12", steps=5)[0]
    (told,) = refused("R6=1.1ohm..1.4ohm", series="E6")
    assert "E6 has no value in this range; expected two or more. Around it lie 1 Ω and 1.5 Ω." in told
    assert "one value" in refused("R6=1ohm..1.4ohm", series="E6")[0]
    assert "expected at most 1000" in refused("R6=2mohm..2kohm", series="E192")[0]
    made = worked_board("bedside_charger", ("[parts.R5]", ADDED + "[parts.R5]"))
    with pytest.raises(RequestError, match="do not begin at zero"):
        read_axes(made, ["R1=0ohm..10ohm"], series="E12")


ADDED = '[parts.R1]\nrole = "series resistor"\nvalue = "4R7"\norigin = "marked"\n\n'


def test_the_mains_is_given_once() -> None:
    assert "given by --dc too" in refused("mains=90V..264V", fed="--dc")[0]
    assert axis("R6=1ohm..2ohm", fed="--dc").values.size == STEPS[1]


def test_everything_is_told_at_once() -> None:
    told = refused("R66=1ohm..2X", "C1=47u..10u", steps=0, series="E5")
    assert [one.partition(":")[0] for one in told] == ["R66=1ohm..2X", "C1=47u..10u", "steps", "series"]


def test_steps_are_plain_numbers() -> None:
    values = axis("R6=0.5ohm..2ohm").values
    assert values.dtype == np.float64
    assert (np.diff(values) > 0).all()
