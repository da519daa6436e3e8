"""What no part lifts: the value that would have to be different lifts it when it is put into the board."""

from __future__ import annotations

from typing import Any

import boards
import numpy as np
import pytest
from worked import board as worked

from flyback.analysis.assessment import Assessment, Step, assess
from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case, Demand
from flyback.analysis.inputs import mains_line, plain
from flyback.analysis.trace import trace
from flyback.board.changes import altered, in_clear
from flyback.board.edit import read_changes
from flyback.board.model import Board
from flyback.studies.beyond import Remains, no_room, remains
from flyback.studies.needed import Method, Needed, Nominal

LINE = mains_line(90.0, 50.0)


def assessed(board: Board) -> Assessment:
    return assess(trace(board), [LINE], [Demand("2 A", 5.0, current=2.0)], voltage=5.0, samples=100)


def step_of(board: Board, rung: str) -> Step:
    (column,) = assessed(board).columns
    return next(step for step in column.steps if step.rung.name == rung)


def nominal(board: Board, line: Line = LINE) -> Nominal:
    return Nominal(Case(trace(board), 5.0, ()), plain(line))


@pytest.fixture(autouse=True)
def _impossible_values_on_the_way() -> object:
    with np.errstate(all="ignore"):
        yield


INSIDE: dict[str, Any] = {"R3": None, "R4": None}


@pytest.mark.parametrize(
    ("board", "rung", "key"),
    [
        (boards.board(), "saturation", "T1.core_area"),
        (boards.board("valley switching"), "saturation", "T1.core_area"),
        (
            boards.board(**INSIDE, U1={"limit_voltage": None, "limit_current": "0.5 A ±7 %"}),
            "current limit",
            "U1.limit_current",
        ),
        (
            boards.board(**INSIDE, U1={"limit_voltage": None, "power_coefficient": "20000 A²Hz"}),
            "current limit",
            "U1.power_coefficient",
        ),
    ],
)
def test_the_value_it_would_take_lifts_it(board: Board, rung: str, key: str) -> None:
    step = step_of(board, rung)
    power = 1.15 * float(step.ceiling.power)
    left = remains(nominal(board), step, power)
    assert (left.key, left.rung) == (key, rung)
    assert left.wanted is not None
    assert left.now is not None
    assert left.wanted > left.now
    change = f"{key}={in_clear(left.wanted, left.dimension)}"
    better = altered(board, read_changes(board, [change]))
    assert nominal(better).power(rung) == pytest.approx(power, rel=1e-4)


def test_the_longest_on_time() -> None:
    """In discontinuous conduction the current is V D / (L f), and the power grows with D squared."""
    board = boards.board(U1={"max_duty": "20 %"})
    step = step_of(board, "duty limit")
    left = remains(nominal(board), step, 10.0)
    assert left.key == "U1.max_duty"
    assert left.wanted is not None
    assert 0.2 < left.wanted < 0.7
    better = altered(board, read_changes(board, [f"U1.max_duty={left.wanted:.6g}"]))
    above = nominal(better).power("duty limit")
    assert above == pytest.approx(10.0, rel=1e-3) or above == float("inf")


def test_turns_of_the_auxiliary_winding() -> None:
    """9 V x 8 turns / (5 V + 0.45 V) = 13.2 turns."""
    board = boards.board(U1={"supply_stop": "9 V"}, T1={"auxiliary_turns": 12})
    left = remains(nominal(board), step_of(board, "auxiliary supply"), 10.0)
    assert left.key == "T1.auxiliary_turns"
    assert left.wanted == pytest.approx(9 * 8 / 5.45)
    assert "auxiliary winding" in left.words


def test_a_power_that_no_core_brings() -> None:
    left = remains(nominal(worked("travel_cube")), step_of(worked("travel_cube"), "saturation"), 30.0)
    assert left.wanted is None
    assert left.now == pytest.approx(17.1e-6)


def test_a_part_whose_place_takes_no_value_that_is_enough() -> None:
    left = remains(
        nominal(worked("hall_charger")), step_of(worked("hall_charger"), "constant-current loop"), 50.0
    )
    assert (left.key, left.now, left.wanted) == ("", None, None)
    assert "R3" in left.words


def test_a_bulk_without_room_says_how_much_it_would_take() -> None:
    board = worked("travel_cube")
    need = Needed("C_bulk", 2.2e-6, 17e-6, 5.0, Method.NUMERICAL)
    left = no_room(trace(board), step_of(board, "bulk valley"), LINE, need, 10.0)
    assert isinstance(left, Remains)
    assert (left.key, left.now, left.wanted) == ("C1", 2.2e-6, 17e-6)
    assert "10.0 times" in left.words
    assert "common practice, no source" in left.words
