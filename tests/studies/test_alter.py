"""What-ifs: against files edited by hand, against figures worked by hand, and in words."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from math import sqrt

import pytest
from worked import SAMPLES, board, text

from flyback.board.edit import read_changes
from flyback.board.edit_file import changed_text
from flyback.board.file import loads
from flyback.board.model import Board
from flyback.errors import RequestError
from flyback.studies.alter import Altered, alter
from flyback.studies.compared import Row, Turn
from flyback.verdict.check import check
from flyback.verdict.words import Word


def what_if(made: Board, *texts: str, **options: float) -> Altered:
    return alter(made, read_changes(made, texts), samples=SAMPLES, **options)  # type: ignore[arg-type]


@cache
def demo(name: str, *texts: str) -> Altered:
    return what_if(board(name), *texts)


def row_of(rows: tuple[Row, ...], name: str) -> Row:
    return next(row for row in rows if row.name == name)


def figures(rows: tuple[Row, ...], name: str, line: str) -> tuple[float, float]:
    cell = next(cell for cell in row_of(rows, name).cells if cell.line == line)
    assert cell.before is not None
    assert cell.after is not None
    return cell.before, cell.after


# --- the same as editing the file -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "change", "edited"),
    [
        ("bedside_charger", "R7=2R2 ± 1 %", ('state = "not fitted"', 'marking = "2R2"\ntolerance = "1 %"')),
        ("wall_charger", "R4=open", ("[parts.R4]\n", '[parts.R4]\nstate = "open"\n')),
        ("wall_charger", "T1.primary_turns=90", ("primary_turns = 120", "primary_turns = 90")),
        ("travel_cube", "C1=4u7", ('value = "2.2 uF"', 'value = "4.7 uF"')),
        ("hall_charger", "R12.value=102", ('marking = "223"', 'marking = "102"')),
    ],
)
def test_a_what_if_is_a_check_of_the_edited_file(name: str, change: str, edited: tuple[str, str]) -> None:
    found, by_hand = demo(name, change).after, check(board(name, edited), samples=SAMPLES)
    assert [judged.word for judged in found.claims] == [judged.word for judged in by_hand.claims]
    for one, other in zip(found.assessments, by_hand.assessments, strict=True):
        for column, same in zip(one.columns, other.columns, strict=True):
            assert [step.rung.name for step in column.steps] == [step.rung.name for step in same.steps]
            for step, like in zip(column.steps, same.steps, strict=True):
                bands = [(s.band.nominal, s.band.low, s.band.high, s.band.corner_low) for s in (step, like)]
                assert bands[0] == pytest.approx(bands[1], rel=1e-9), "the same draws, sample by sample"


def test_the_same_value_moves_nothing_at_all() -> None:
    found = demo("wall_charger", "R3=2R4", "C5.voltage_rating=25 V")
    assert not found.moved
    assert [str(change) for change in found.idle] == ["R3.resistance=2R4 ± 1 %", "C5.voltage_rating=25 V"]
    assert found.worse == ()
    before, after = ([claim.outcome for claim in found.claims] for found in (found.before, found.after))
    assert before == after, "to the last sample"


# --- worked by hand ---------------------------------------------------------------------------------


def test_a_third_sense_resistor() -> None:
    """At 230 V the bulk of the changed board falls to 273.75 V: 0.80 V over 2.2/3 ohm are 1.0909 A.

    The delay of 200 ns adds 273.75 V x 200 ns / 0.68 mH = 80.5 mA, and the drain's 50 pF
    50 pF x 273.75² V² / 0.68 mH to the square. The drop over the sense resistors is left out: 0.8 of 274 V
    of the slope that makes 7 % of the current.
    """
    found = demo("bedside_charger", "R7=2R2 ± 1 %")
    _, valley = figures(found.at_limit, "valley of the bulk voltage", "230 V")
    assert valley == pytest.approx(273.75, abs=0.005)
    opened = 0.8 / (2.2 / 3) + 273.75 * 200e-9 / 0.68e-3
    _, I_pk = figures(found.at_limit, "primary peak current", "230 V")
    assert I_pk == pytest.approx(sqrt(opened**2 + 50e-12 * 273.75**2 / 0.68e-3), rel=3e-4)


def test_high_line_gains_more_than_low_line() -> None:
    ceiling = row_of(demo("bedside_charger", "R7=2R2").ladders[0].rows, "current limit")
    gains = {cell.line: cell.change or 0.0 for cell in ceiling.cells}
    assert gains["230 V"] > 1.0 > gains["90 V"] > 0.5, "the bulk sags"
    assert ceiling.parts == ("R5 || R6", "R5 || R6 || R7")
    assert ceiling.turn is Turn.BETTER


def test_led_and_bleeder_exchanged() -> None:
    """(5.00 - 1.9) V over 22 kohm and 1 kohm; 5.00 V over 1 kohm and 22 kohm."""
    found = demo("hall_charger", "R12<->R13")
    led, _, bleeder, _ = found.small
    assert (led.cells[0].before, led.cells[0].after) == pytest.approx((3.1 / 22e3, 3.1e-3), rel=1e-6)
    assert (bleeder.cells[0].before, bleeder.cells[0].after) == pytest.approx((5e-3, 5 / 22e3), rel=1e-6)
    assert found.worse == ()
    assert not any(row.moved for ladder in found.ladders for row in ladder.rows)
    assert found.moved


def test_fewer_primary_turns_raise_the_flux() -> None:
    """B = L I / (N A): at one current 120/90 as much."""
    found = demo("wall_charger", "T1.primary_turns=90")
    currents = figures(found.at_load, "primary peak current", "230 V")
    fluxes = figures(found.at_load, "flux density", "230 V")
    assert fluxes[1] / fluxes[0] == pytest.approx(120 / 90 * currents[1] / currents[0], rel=1e-9)
    assert row_of(found.at_load, "flux density").turn is Turn.WORSE
    first = next(first for first in found.ladders[0].firsts if first.line == "90 V")
    assert first.before is not None
    assert first.after is not None
    assert (first.before.rung.name, first.after.rung.name) == ("current limit", "saturation")


# --- verdicts ---------------------------------------------------------------------------------------


def test_a_claim_lost() -> None:
    found = demo("wall_charger", "R4=open")
    (claim,) = found.claims
    assert (claim.before.word, claim.after.word) == (Word.VERY_LIKELY, Word.IMPOSSIBLE)
    assert (claim.turn, claim.dimension) == (Turn.WORSE, "current")
    assert (found.before.exit_code, found.exit_code) == (0, 1)
    assert found.worse[0] == "2 A: very likely before, impossible now."


def test_a_claim_won() -> None:
    found = demo("wall_charger", "R4=open")
    back = what_if(found.after.board, "R4=fitted")
    assert back.claims[0].turn is Turn.BETTER
    assert back.exit_code == 0


def test_one_word_and_less_of_it() -> None:
    found = demo("bedside_charger", "R5=2R4", "R6=2R4")
    claim = found.claims[0]
    assert (claim.before.word, claim.after.word, claim.turn) == (
        Word.IMPOSSIBLE,
        Word.IMPOSSIBLE,
        Turn.WORSE,
    )
    # the current alone would take (1.1/1.2)² of 11.4 W, 9.6 W; the delay adds the same as before
    assert re.match(r"24 W in total: still impossible, but 11\.4 W → 9\.[67]\d W on 90 V\.", found.worse[0])


def test_a_tolerance_alone_moves_the_chance() -> None:
    found = demo("bedside_charger", "U1.limit_voltage=0.80 V ± 15 %")
    port = found.claims[1]
    assert all(at.before and at.after and at.before.nominal == at.after.nominal for at in port.lines)
    assert port.turn is Turn.WORSE


def test_a_value_that_was_unknown() -> None:
    made = board("wall_charger", ('frequency = "65 kHz ±6 %"', 'frequency = "unknown"'))
    found = what_if(made, "U1.frequency=65 kHz")
    assert found.claims[0].before.word is Word.CANNOT_TELL
    assert found.claims[0].turn is Turn.BETTER
    assert not any("now stops it first" in said for said in found.worse), "it was only unknown"
    assert [made.before for made in found.made] == ["unknown"]


# --- what else is said ------------------------------------------------------------------------------


def test_what_was_made() -> None:
    found = demo("bedside_charger", "R7=2R2", "T1.primary_turns=90", "R5<->R6", "D5.technology=silicon")
    told = [(made.designator, made.key, made.before, made.after) for made in found.made]
    assert told == [
        ("R7", "", "not fitted", "2R2"),
        ("T1", "primary_turns", "98", "90"),
        ("D5", "technology", "schottky", "silicon"),
    ], "two like resistors exchanged are no difference"
    assert [str(change) for change in found.idle] == ["R5<->R6", "D5.technology=silicon"]


def test_ceilings_flux_and_ripple_that_got_worse() -> None:
    worse = demo("wall_charger", "T1.primary_turns=90").worse
    assert "saturation (T1): 16.9 W → 11.6 W on 90 V (-31 %)." in worse
    assert (
        "On 90 V and 115 V saturation (T1) now stops it first, in place of current limit (R3 || R4)."
        in worse
    )
    assert any(said.startswith("At 2.00 A on 90 V: ") and "flux density +32 %" in said for said in worse)


def test_a_load_that_cannot_be_fed_any_more() -> None:
    starved = what_if(board("wall_charger"), "C1=1u", "C2=1u", load=2.0, mains=90.0)
    assert starved.unfed == ("90 V",)
    assert "2.00 A can no longer be fed on 90 V." in starved.worse


def test_a_resistor_above_its_rating() -> None:
    rated = 'marking = "102"\npower_rating = "0.1 W"\norigin = "marked"\n'
    found = what_if(board("hall_charger", ('marking = "102"\n', rated)), "R13=100R")
    (said,) = (said for said in found.worse if "rated" in said)
    assert said == "bleeder R13: 0.250 W in a resistor rated 0.100 W.", "5 V over 100 ohm"


def test_several_output_voltages() -> None:
    row = '{ ports = 1, voltage = "5 V", current = "2 A" }'
    named = row.replace("ports = 1", 'port = "C"')
    both = f"{named}, {named.replace('5 V', '9 V').replace('2 A', '1.1 A')}"
    found = what_if(board("wall_charger", (row, both)), "R3=2R7")
    assert [ladder.voltage for ladder in found.ladders] == [5.0, 9.0]
    assert len(found.claims) == 2
    assert any("current limit (R3 || R4) at 9 V: " in said for said in found.worse)


def test_the_load_is_the_one_shown_before() -> None:
    found = demo("wall_charger", "R4=open")
    assert found.load == found.before.load == found.after.load == 2.0
    assert what_if(board("wall_charger"), "R4=open", load=0.5).load == 0.5


def test_a_board_that_is_no_flyback_is_not_judged() -> None:
    made = replace(board("wall_charger"), topology="half bridge")
    found = what_if(made, "T1=open")
    assert (found.before.judged, found.moved, found.rows, found.claims) == (False, False, (), ())


def test_changes_that_make_no_circuit_are_refused_in_words() -> None:
    with pytest.raises(RequestError, match="with these changes") as caught:
        what_if(board("wall_charger"), "T1.primary_inductance=20 uH")
    assert "is not below the primary inductance of 20 uH" in str(caught.value)
    assert what_if(board("wall_charger"), "T1.primary_inductance=20 uH", "T1.leakage_inductance=1 uH").moved


def test_kept() -> None:
    found = demo("wall_charger", "T1.primary_turns=90", "T1.leakage_inductance=14 uH", "C5=470u")
    turns, capacitor = found.kept
    assert turns == (
        "T1.primary_inductance stays at 1.00 mH ±10 %. On the same core and gap it goes with the square of "
        'the turns: add "T1.primary_inductance=563 µH" to see that.'
    ), "1.00 mH x (90/120)²"
    assert capacitor == "The new C5 is taken to have the old one's esr 30 mohm and ripple_rating 3.5 A."
    assert demo("bedside_charger", "R7=2R2").kept == (), "nothing was there before"


def test_equal_runs_give_equal_results() -> None:
    made = board("hall_charger")
    first, second = (what_if(made, "R12<->R13") for _ in range(2))
    assert first == second


def test_a_written_board_is_the_one_that_was_judged() -> None:
    made = board("wall_charger")
    changes = read_changes(made, ["R3=2R7", "C5.esr=50 mohm"])
    again = check(loads(changed_text(text("wall_charger"), made, changes, source="x")), samples=SAMPLES)
    found = alter(made, changes, samples=SAMPLES).after
    assert [judged.outcome for judged in again.claims] == [judged.outcome for judged in found.claims]


def test_a_change_that_explains_the_load_test_is_told() -> None:
    """The cracked charger's readings are those of a board with R4 open."""
    cracked = board("cracked_charger")
    found = alter(cracked, read_changes(cracked, ["R4=open"]), mains=230.0, samples=500)
    assert found.readings == ("contradict the parts", "agree with the parts")


def test_without_a_load_test_there_is_nothing_to_agree_with() -> None:
    wall = board("wall_charger")
    assert alter(wall, read_changes(wall, ["R4=open"]), mains=230.0, samples=500).readings is None
