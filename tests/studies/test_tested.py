"""A load test held against boards that were altered on paper."""

from __future__ import annotations

from dataclasses import replace

import pytest
from boards import Changes, demo

from flyback.analysis.circuit import Circuit
from flyback.analysis.trace import trace
from flyback.board.model import Board, LoadReading, LoadTest
from flyback.studies.readings import observe
from flyback.studies.tested import WRONG, LoadTested, held_voltage, regulated

SEED = 3
CRACKED = demo("cracked_charger")
OPEN: dict[str, Changes] = {"R4": {"state": "open"}}


def made_ready(board: Board) -> LoadTested:
    found = LoadTested.of(board, trace(board), SEED)
    assert found is not None
    return found


def circuit(**changes: Changes) -> Circuit:
    return trace(demo("cracked_charger", **changes))


def test_the_board_as_it_really_is_explains_its_load_test_as_well_as_meters_let_it() -> None:
    found = made_ready(CRACKED)
    expected = found.best - found.test.terms / 2
    assert found.log(circuit(**OPEN), SEED) == pytest.approx(expected, abs=6)


def test_readings_at_odds_with_a_board_are_taken_to_be_wrong_rather_than_impossible() -> None:
    found = made_ready(CRACKED)
    assert found.floor == pytest.approx(found.best - 8 / 2 - WRONG)
    assert found.log(circuit(), SEED) == pytest.approx(found.floor, abs=1e-6)
    doubly = circuit(R3={"marking": "24R"}, R4={"marking": "24R"})
    assert found.log(doubly, SEED) == pytest.approx(found.floor)


def test_the_nearer_board_is_the_likelier_one() -> None:
    found = made_ready(CRACKED)
    logs = [found.log(circuit(R4={"marking": code}), SEED) for code in ("2R4", "12R", "240")]
    assert logs == sorted(logs)


def test_a_board_that_gives_no_number_is_at_odds_too() -> None:
    found = made_ready(CRACKED)
    absurd = circuit(R3={"marking": "106"}, R4={"marking": "106"})
    assert found.log(absurd, SEED) == pytest.approx(found.floor)


def test_the_furthest_reading_is_the_one_that_tells_most() -> None:
    """As traced the board gives some 3.3 times what was read."""
    found = made_ready(CRACKED)
    traced = found.furthest(circuit())
    assert traced.I_o / traced.reading.current == pytest.approx(3.3, abs=0.2)
    assert traced.reading.sags
    there = found.told(circuit(**OPEN), traced.reading)
    assert there.off < 0.05 < traced.off


def test_more_than_was_asked_for_is_not_off() -> None:
    found = made_ready(CRACKED)
    light = next(reading for reading in found.test.readings if not reading.sags)
    assert found.told(circuit(), light).off == 0


# --- which readings -------------------------------------------------------------------------------


def with_tests(*readings: tuple[float, float]) -> Board:
    tests = tuple(
        LoadTest(readings=(LoadReading("1", V, A),), wall_power=None, mains=230.0) for V, A in readings
    )
    return replace(CRACKED, load_tests=tests)


def test_without_a_load_test_there_is_none() -> None:
    assert LoadTested.of(demo("wall_charger"), circuit(), SEED) is None


def test_readings_near_no_printed_voltage_say_nothing() -> None:
    board = with_tests((3.1, 0.9), (2.7, 1.0))
    assert held_voltage(board, observe(board, None).points)[1] is None
    assert LoadTested.of(board, trace(board), SEED) is None


def test_an_unknown_limit_leaves_nothing_to_hold_it_against() -> None:
    board = demo("cracked_charger", U1={"limit_voltage": None})
    assert LoadTested.of(board, trace(board), SEED) is None


def test_the_voltage_with_the_most_readings_counts() -> None:
    two = replace(
        CRACKED.label,
        outputs=tuple(replace(CRACKED.label.outputs[0], voltage=V, port="A") for V in (5.0, 9.0)),
    )
    board = replace(with_tests((9.0, 0.3), (8.9, 0.5), (8.4, 0.9), (5.0, 0.5)), label=two)
    points, V_set = held_voltage(board, observe(board, None).points)
    assert [point.V_o for point in points] == [9.0, 8.9, 8.4]
    assert V_set == 9.0


def test_a_rail_is_held_where_two_readings_say_the_same() -> None:
    assert regulated(CRACKED, observe(CRACKED, None).points) == [5.04] * 3
    sagged = with_tests((4.9, 0.9), (4.5, 1.0), (4.1, 1.1))
    assert regulated(sagged, observe(sagged, None).points) == []
