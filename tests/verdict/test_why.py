"""The sentences behind a verdict: right parts, right figures, nothing where nothing was judged."""

from __future__ import annotations

import re

import pytest
from worked import SAMPLES, UNKNOWN_FREQUENCY, UNKNOWN_RECTIFIER, UNKNOWN_SENSE, board, checked

from flyback.units import format_quantity
from flyback.verdict.check import Check, check

RIPPLE_3_5 = 'ripple_rating = { value = "3.5 A", origin = "datasheet" }'
RIPPLE_1_5 = 'ripple_rating = { value = "1.5 A", origin = "datasheet" }'


def at(name: str, *changes: tuple[str, str], **options: float) -> Check:
    return check(board(name, *changes), samples=SAMPLES, **options)


def figures(sentence: str, unit: str) -> list[float]:
    """The numbers a text gives in a unit."""
    return [float(number) for number in re.findall(rf"([0-9.]+) {unit}\b", sentence)]


def stated(result: Check) -> str:
    """What is said about the line where the claim was judged."""
    return result.why[0]


# --- the current limit ----------------------------------------------------------------------------


def test_sense_resistors_that_end_every_pulse() -> None:
    result = at("bedside_charger", mains=230.0)
    text = stated(result)
    # 2R2 || 2R2 = 1.10 ohm; 0.80 V / 1.10 ohm = 0.727 A, and the 200 ns delay at 298 V on 0.68 mH adds
    # 0.088 A: 0.815 A. Half L I² f = 0.5 x 0.68 mH x 0.815² x 70 kHz = 15.8 W stored.
    assert text.startswith("R5 || R6 = 1.10 Ω end each pulse at ")
    peak, needed = figures(text, "A")
    stored, arriving, claimed = figures(text, "W")
    assert peak == pytest.approx(0.815, rel=0.01)
    assert stored == pytest.approx(15.8, rel=0.02)
    assert "70 000 such pulses a second" in text
    assert "230 V 50 Hz" in text
    # discontinuous, so the power goes with the square of the peak current
    assert claimed == 24.0
    assert needed == pytest.approx(peak * (claimed / arriving) ** 0.5, rel=0.02)


def test_what_arrives_is_the_figure_of_the_ladder() -> None:
    result = checked("bedside_charger")
    column = result.assessments[0].worst
    assert format_quantity(float(column.binding.ceiling.power), "power") in stated(result)
    assert column.line.full_name in stated(result)


def test_one_resistor_ends_and_several_end() -> None:
    assert "R5 = 0.620 Ω ends each pulse" in stated(checked("strip_adapter"))
    assert "R3 || R4 = 1.20 Ω end each pulse" in stated(checked("wall_charger"))


def test_continuous_conduction_is_said() -> None:
    words = "where the current never falls to zero"
    assert words in stated(checked("strip_adapter"))
    assert words not in stated(checked("bedside_charger"))


def test_a_bench_supply_holds_the_bulk() -> None:
    text = stated(at("bedside_charger", dc=150.0))
    assert "At 150 V dc the bulk is held" in text
    assert "falls to" not in text


def test_a_claim_that_holds_needs_nothing_more() -> None:
    assert "would need" not in " ".join(checked("strip_adapter").why)


# --- other ceilings -------------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [90.0, 115.0])
def test_a_bulk_that_runs_dry(volts: float) -> None:
    text = stated(at("travel_cube", mains=volts))
    assert text.startswith("C1 = 2.20 µF falls to ")
    assert f"{volts:g} V 50 Hz" in text
    assert "R3" not in text


def test_two_lines_with_two_culprits_are_both_told() -> None:
    here, elsewhere = checked("travel_cube").why
    assert "C1" in here
    assert "90 V 50 Hz" in here
    assert "R3 = 5.60 Ω ends each pulse" in elsewhere
    assert "230 V 50 Hz" in elsewhere


def test_one_culprit_is_told_once() -> None:
    assert len(checked("bedside_charger").why) == 1


def test_a_constant_current_loop() -> None:
    text = stated(checked("hall_charger"))
    # 124 : 8 = 15.5
    assert "R3 and the turns ratio 15.5 let the controller hold 1.0" in text


def test_a_core_that_saturates_before_the_pulse_ends() -> None:
    text = stated(at("wall_charger", ("20.1 mm²", "8.0 mm²")))
    # 0.355 T x 120 turns x 8.0 mm² / 1.00 mH = 0.341 A
    assert text.startswith("The core of T1 saturates at ")
    assert figures(text, "A")[0] == pytest.approx(0.341, rel=0.03)


def test_a_rating_is_an_overload_and_no_stop() -> None:
    text = stated(at("wall_charger", (RIPPLE_3_5, RIPPLE_1_5), mains=230.0))
    assert text.startswith("C5 reaches its rating (capacitor ripple) at ")
    assert "overloaded" in text


def test_a_ceiling_without_words_of_its_own() -> None:
    text = stated(at("bedside_charger", dc=30.0))
    assert text.startswith("The duty limit of U1 stops it at ")


# --- nothing to say -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "unknown", [[UNKNOWN_FREQUENCY, UNKNOWN_RECTIFIER], [UNKNOWN_SENSE]], ids=["no ladder", "half a ladder"]
)
def test_what_cannot_be_told_has_no_culprit_to_explain(unknown: list[tuple[str, str]]) -> None:
    assert at("wall_charger", *unknown).why == ()


def test_not_judged_nothing_said() -> None:
    assert at("wall_charger", ('topology = "flyback"', 'topology = "forward"')).why == ()
