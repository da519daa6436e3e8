"""What could be known of a board by measuring: which readings there are, and their numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from boards import DEMOS, FAMILIES, Changes, board, demo

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.knowable import Block, Kind, Knowable, knowables, taken
from flyback.analysis.load_point import load_point
from flyback.analysis.trace import trace
from flyback.board.model import Board

LINES = (Line(90.0, 50.0), Line(115.0, 50.0), Line(230.0, 50.0), Line(264.0, 50.0))


def prepared(made: Board, voltage: float = 5.0, judged: int = 0) -> tuple[tuple[Knowable, ...], Block]:
    """The readings of a board, and its nominal numbers."""
    case = Case(trace(made), voltage, (Demand("1 W", voltage, power=1.0),))
    numbers = {key: value.nominal for key, value in case.circuit.values.items()}
    supply = case.circuit.supply(numbers)
    ladders = [case.ladder(supply, line) for line in LINES]
    block = Block.of(case, numbers, supply, LINES, dict(enumerate(ladders)))
    return knowables(case, LINES, ladders, judged), block


def names(found: Sequence[Knowable], *kinds: Kind) -> list[str]:
    return [knowable.name for knowable in found if knowable.kind in kinds]


@pytest.mark.parametrize("name", DEMOS)
def test_every_spread_is_one_reading(name: str) -> None:
    found, block = prepared(demo(name), DEMOS[name])
    values = [knowable for knowable in found if knowable.kind is Kind.VALUE]
    causes = {value.cause for value in block.circuit.values.values() if value.spread}
    assert len(values) == len(causes)
    assert {block.circuit.values[knowable.source].cause for knowable in values} == causes


def test_parts_that_are_read_together() -> None:
    found, block = prepared(demo("wall_charger"))
    together = {k.name: float(taken(k, block)) for k in found if k.kind is Kind.TOGETHER}
    # by hand: 2 x 10 uF, two of 2.4 ohm in parallel, 2.495 V (1 + 10 / 9.76)
    assert together == pytest.approx(
        {
            "C1 || C2 capacitance": 20e-6,
            "R3 || R4 resistance": 1.2,
            "output voltage, hardly loaded": 5.0514,
        },
        rel=1e-4,
    )


def test_what_is_read_as_part_of_another_reading() -> None:
    found, _ = prepared(demo("wall_charger"))
    within = {k.name: k.within for k in found if k.within}
    assert within == {
        "C1 capacitance": "C1 || C2 capacitance",
        "C2 capacitance": "C1 || C2 capacitance",
        "R3 resistance": "R3 || R4 resistance",
        "R4 resistance": "R3 || R4 resistance",
        "R10 resistance": "output voltage, hardly loaded",
        "R11 resistance": "output voltage, hardly loaded",
        "U2 reference voltage": "output voltage, hardly loaded",
    }


def test_parts_of_one_reel_are_one_reading() -> None:
    found, _ = prepared(demo("wall_charger", R4={"same_reel_as": "R3"}))
    assert "R3 resistance" in names(found, Kind.VALUE)
    assert "R4 resistance" not in names(found, Kind.VALUE)
    assert "R3 || R4 resistance" not in names(found, Kind.TOGETHER)


def test_a_value_of_no_part_has_its_own_name() -> None:
    changes: dict[str, Changes] = {"D4": None, "rail": {"voltage": "4.9..5.1 V", "origin": "measured"}}
    found, _ = prepared(board(**changes))
    by_name = {knowable.name: knowable for knowable in found}
    assert by_name["rail voltage"].role == "rail"
    assert by_name["clamp clamp voltage over reflected voltage"].role == "clamp"


# --- at the output --------------------------------------------------------------------------------


def lines_of(found: Sequence[Knowable]) -> list[int | None]:
    return [knowable.line for knowable in found if knowable.kind is Kind.KNEE]


def test_a_knee_where_it_is_judged_and_where_it_was_tried() -> None:
    assert lines_of(prepared(demo("wall_charger"))[0]) == [0, 2]
    assert lines_of(prepared(demo("wall_charger", board={"tried_on": "115 V 60 Hz"}))[0]) == [0, 1]
    assert lines_of(prepared(demo("wall_charger"), judged=2)[0]) == [2]


def test_a_knee_at_every_wall_where_no_mains_is_noted() -> None:
    assert lines_of(prepared(demo("wall_charger", board={"tried_on": None}))[0]) == [0, 1, 2]


@pytest.mark.parametrize("family", FAMILIES)
def test_the_knee_is_the_current_of_the_lowest_limit_that_stops(family: str) -> None:
    found, block = prepared(board(family))
    for knowable in found:
        if knowable.kind is Kind.KNEE and knowable.line is not None:
            power = float(lowest(block.ladders[knowable.line], Question.REACH))
            assert float(taken(knowable, block)) * 5.0 == pytest.approx(power)


def test_a_rate_is_read_where_no_oscillator_sets_it() -> None:
    with_rate = {family for family in FAMILIES if names(prepared(board(family))[0], Kind.RATE)}
    assert with_rate == {"valley switching", "self-oscillating", "primary-side constant current"}


def test_the_ripple_is_that_of_the_load_point_at_the_knee() -> None:
    """Another way to the same pulse: the load is given, and the pulse that feeds it is sought."""
    found, block = prepared(board())
    ripple = next(k for k in found if k.kind is Kind.RIPPLE and k.line == 2)
    knee = next(k for k in found if k.kind is Kind.KNEE and k.line == 2)
    point = load_point(
        block.circuit, block.supply, LINES[2], V_o=block.V_o, I_o=float(taken(knee, block)) * 0.99999
    )
    assert point is not None
    assert float(taken(ripple, block)) == pytest.approx(float(point.V_ripple or 0), rel=1e-3)


def test_no_knee_where_no_limit_is_known() -> None:
    unknown: dict[str, Changes] = {
        "U1": {"limit_voltage": "unknown", "max_duty": None},
        "T1": {"core_area": "unknown"},
    }
    found, block = prepared(board("primary-side constant current", **unknown))
    assert all(math.isinf(float(lowest(rows, Question.REACH))) for rows in block.ladders.values())
    assert lines_of(found) == []


def test_what_is_read_at_no_line_cannot_be_taken_there() -> None:
    _, block = prepared(board())
    lost = Knowable(Kind.KNEE, "output", "output current at the knee", "output", "", "current")
    with pytest.raises(ValueError, match="not read at a line"):
        taken(lost, block)


@pytest.mark.parametrize("name", DEMOS)
def test_samples_of_every_reading_are_finite(name: str) -> None:
    found, nominal = prepared(demo(name), DEMOS[name])
    case = Case(nominal.circuit, DEMOS[name], ())
    size, numbers = next(tolerance.blocks(case.circuit.values, 64))
    supply = case.circuit.supply(numbers)
    with np.errstate(all="ignore"):
        ladders = {index: case.ladder(supply, line) for index, line in enumerate(LINES)}
        block = Block.of(case, numbers, supply, LINES, ladders)
        for knowable in found:
            assert np.isfinite(np.broadcast_to(taken(knowable, block), (size,))).all(), knowable.name
