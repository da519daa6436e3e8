"""What a claim would take: put back into a check it is met; and every way in which it can end."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import boards
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worked import UNKNOWN_CORE, checked
from worked import board as worked

from flyback.board.changes import altered
from flyback.board.edit import read_changes
from flyback.board.model import Board
from flyback.errors import NotAFlybackError, RequestError
from flyback.studies.lifting import low
from flyback.studies.needed import Method
from flyback.studies.remedies import Ending, Remedies, remedies
from flyback.verdict.check import Check, check
from flyback.verdict.words import Word

SAMPLES = 1000
LOW = 90.0
"""The mains at which these boards are worst: one line is quicker than four."""


@cache
def found(name: str, claim: str | None = None, mains: float | None = LOW) -> Remedies:
    return remedies(check(worked(name), samples=SAMPLES, mains=mains), claim=claim)


def labelled(board: Board, power: float) -> Board:
    """The board with a power on its label, so that a check judges it."""
    return replace(board, label=replace(board.label, power=power))


def judged_again(result: Remedies, changes: list[str]) -> Word:
    """The claim's word by a check of the traced board with changes as `flyback alter` reads them."""
    board = labelled(result.check.board, result.needed)
    return check(altered(board, read_changes(board, changes)), samples=SAMPLES, mains=LOW).claims[0].word


def fields(result: Remedies) -> list[tuple[str, str]]:
    return [(lift.step.rung.name, lift.needed.field) for lift in result.lifts]


# --- the round trip -------------------------------------------------------------------------------


@settings(max_examples=6, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(
        ["wall_charger", "bedside_charger", "strip_adapter", "hall_charger", "travel_cube"]
    ),
    share=st.floats(1.05, 1.6),
)
def test_put_back_into_a_check_the_claim_is_met(name: str, share: float) -> None:
    """Claims of 1.05 to 1.6 times what the board reaches: all are met, or what remains is named."""
    first = checked(name)
    power = share * float(first.assessments[0].worst.lowest.nominal)
    result = remedies(check(worked(name), samples=SAMPLES, mains=LOW), claim=f"{power:.4g} W")
    word = judged_again(result, [str(change) for change in result.changes]) if result.changes else None
    if result.ending is Ending.MET:
        assert word is Word.VERY_LIKELY
        assert result.remains is None
    else:
        assert result.ending is Ending.NOT_MET
        assert result.remains is not None
        assert word is not Word.VERY_LIKELY


@pytest.mark.parametrize(
    ("name", "claim"), [("bedside_charger", None), ("wall_charger", "3 A"), ("strip_adapter", "36 W")]
)
def test_no_change_can_be_left_out(name: str, claim: str | None) -> None:
    """The round trip fails without any one of the values."""
    result = found(name, claim)
    assert result.ending is Ending.MET
    changes = [str(change) for change in result.changes if change.key != "power_rating"]
    assert judged_again(result, changes) is Word.VERY_LIKELY
    for index in range(len(changes)):
        if changes[index].startswith("R3"):
            continue  # one of two equal resistors alone may be within what the rounding leaves
        assert judged_again(result, changes[:index] + changes[index + 1 :]) is not Word.VERY_LIKELY


def test_the_draws_are_those_of_the_check() -> None:
    again = remedies(check(worked("bedside_charger"), samples=SAMPLES, mains=LOW))
    assert again == found("bedside_charger")


# --- the sequence ---------------------------------------------------------------------------------


def test_the_limits_come_in_the_order_in_which_they_bind() -> None:
    result = found("bedside_charger")
    assert fields(result) == [("current limit", "R_s"), ("bulk valley", "C_bulk")]
    assert [lift.parts for lift in result.lifts] == ["R5 || R6", "C1"]
    heights = [float(lift.step.ceiling.power) for lift in result.lifts]
    assert heights == sorted(heights)
    for lift in result.lifts:
        assert low(lift.step) < result.needed <= low(lift.after)


def test_an_earlier_change_is_taken_back_as_far_as_the_later_ones_allow() -> None:
    """With a larger bulk the valley is higher, so less peak current carries 24 W."""
    first, second = found("bedside_charger").lifts
    assert first.enough is not None
    assert first.enough.total > first.way.total
    assert second.enough is None
    assert [str(change) for change in found("bedside_charger").changes] == [
        *(str(change) for change in first.enough.changes),
        *(str(change) for change in second.way.changes),
    ]


def test_the_worse_of_all_lines_counts() -> None:
    """At 230 V alone a lesser change does."""
    everywhere, at_home = (found("bedside_charger", "15 W", mains) for mains in (None, 230.0))
    assert at_home.lifts[0].way.total > everywhere.lifts[0].way.total
    assert {str(column.line.name) for pair in at_home.ladders for column in pair} == {"230 V"}


def test_a_constant_current_loop_is_lifted_by_its_resistor() -> None:
    """1.03 A on 90 V with 1.8 ohm; n V d / (2 R) says 1.8 x 1.03 / 1.16 = 1.6 ohm for 1.16 A."""
    result = found("hall_charger")
    assert fields(result) == [("constant-current loop", "R_s")]
    assert result.lifts[0].way.words == "R3 = 1.6 Ω"
    assert result.lifts[0].needed.method is Method.NUMERICAL
    assert float(result.after.column.lowest.nominal) / 5 == pytest.approx(1.13, abs=0.02)  # type: ignore[union-attr]


def test_a_larger_bulk_spares_the_core() -> None:
    """In continuous conduction a higher valley needs less peak current for the same power."""
    result = found("strip_adapter", "36 W")
    assert fields(result) == [("current limit", "R_s"), ("saturation", "C_bulk")]
    assert "higher valley" in result.lifts[1].remark
    assert not result.resistors_alone


def test_ratings_are_lifted_too() -> None:
    small = boards.board(
        D5={"current_rating": {"value": "2 A", "origin": "datasheet"}},
        R3={"power_rating": {"value": "0.02 W", "origin": "datasheet"}},
    )
    result = remedies(check(small, samples=SAMPLES, mains=(90.0, 264.0)), claim="2.3 A")
    assert {field for _, field in fields(result)} == {"ripple_rating", "I_rectifier", "sense_rating", "R_s"}
    assert result.ending is Ending.MET
    keys = {change.key for change in result.changes}
    assert {"ripple_rating", "current_rating", "power_rating", "resistance"} <= keys


def test_resistors_alone() -> None:
    result = found("bedside_charger", "15 W")
    assert result.ending is Ending.MET
    assert result.resistors_alone


# --- endings --------------------------------------------------------------------------------------


def test_a_claim_that_is_met_takes_nothing() -> None:
    result = found("strip_adapter")
    assert result.ending is Ending.ALREADY
    assert result.lifts == result.changes == result.costs == ()
    assert result.exit_code == 0


def test_the_core_remains() -> None:
    result = found("hall_charger", "1.3 A")
    assert result.ending is Ending.NOT_MET
    assert result.exit_code == 1
    assert result.remains is not None
    assert (result.remains.rung, result.remains.key) == ("saturation", "T1.core_area")
    assert result.remains.wanted is not None
    assert result.remains.wanted > 19.2e-6


def test_a_bulk_without_room_remains() -> None:
    result = found("travel_cube")
    assert result.ending is Ending.NOT_MET
    assert result.remains is not None
    assert (result.remains.rung, result.remains.key) == ("bulk valley", "C1")
    assert result.remains.wanted is not None
    assert result.remains.wanted > 2.2 * 2.2e-6


def test_a_controller_that_senses_inside_remains() -> None:
    inside = boards.board(R3=None, R4=None, U1={"limit_voltage": None, "limit_current": "0.5 A ±7 %"})
    result = remedies(check(inside, samples=SAMPLES), claim="2 A")
    assert result.remains is not None
    assert result.remains.key == "U1.limit_current"


def test_an_unknown_core_cannot_be_told() -> None:
    unknown = check(worked("wall_charger", UNKNOWN_CORE), samples=SAMPLES)
    result = remedies(unknown, claim="2.5 A")
    assert result.ending is Ending.CANNOT_TELL
    assert result.after.unknown == ("T1.core_area",)
    assert result.lifts
    assert result.exit_code == 1


def test_nothing_known_takes_nothing() -> None:
    blind = check(boards.board(U1={"frequency": "unknown"}, D5={"current_rating": None}), samples=SAMPLES)
    result = remedies(blind)
    assert result.ending is Ending.CANNOT_TELL
    assert result.lifts == ()
    assert "U1.frequency" in result.after.unknown


def test_what_is_no_claim_is_refused() -> None:
    with pytest.raises(RequestError, match="neither a claim"):
        remedies(checked("wall_charger"), claim="plenty")


def test_another_kind_of_converter_is_refused() -> None:
    other: Check = check(
        worked("wall_charger", ('topology = "flyback"', 'topology = "forward"')), samples=100
    )
    with pytest.raises(NotAFlybackError):
        remedies(other)


def test_it_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    from flyback.studies import remedies as module

    monkeypatch.setattr(module, "MOST_LIFTS", 1)
    result = remedies(check(worked("bedside_charger"), samples=SAMPLES, mains=LOW))
    assert result.ending is Ending.NOT_MET
    assert len(result.lifts) == 1
    assert result.remains is None


def test_the_traced_board_is_left_alone() -> None:
    traced = worked("bedside_charger")
    remedies(check(traced, samples=SAMPLES, mains=LOW))
    assert traced == worked("bedside_charger")
