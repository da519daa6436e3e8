"""One limit at a time: which one binds, and how far its band must come."""

from __future__ import annotations

from functools import cache

import boards
import numpy as np
import pytest
from worked import board as worked

from flyback.analysis.demand import Demand
from flyback.analysis.inputs import mains_line
from flyback.board.model import Board
from flyback.studies.beyond import Remains
from flyback.studies.lifting import Bench, Found, State, TooLarge, enough, lifted, low
from flyback.studies.needed import Method


def bench(
    board: Board, power: float, voltage: float = 5.0, mains: tuple[float, ...] = (90.0, 230.0)
) -> Bench:
    demand = Demand(f"{power:g} W", voltage, power=power)
    return Bench(board, demand, tuple(mains_line(V, 50.0) for V in mains), 1000, 1)


@cache
def judged(name: str, power: float) -> tuple[Bench, State]:
    at = bench(worked(name), power, 12.0 if name == "strip_adapter" else 5.0)
    return at, at.judged(at.traced)


@pytest.fixture(autouse=True)
def _impossible_values_on_the_way() -> object:
    with np.errstate(all="ignore"):
        yield


def test_the_lowest_limit_that_falls_short_binds() -> None:
    _, state = judged("bedside_charger", 24.0)
    column, step = state.binding
    assert (column.line.name, step.rung.name) == ("90 V", "current limit")
    assert not state.met


def test_a_limit_that_falls_short_in_some_samples_binds() -> None:
    """26.6 W nominal reaches 25 W, the low end of its band does not."""
    at, state = judged("bedside_charger", 25.0)
    short = [step.rung.name for _, step in state.steps if low(step) < state.needed]
    assert "saturation" in short
    assert at.demand.power == state.needed == 25.0


def test_where_all_bands_reach_it_the_nearest_binds() -> None:
    _, state = judged("wall_charger", 5.0)
    assert state.met
    assert state.binding[1].rung.name == "current limit"


def test_the_band_is_that_of_the_samples() -> None:
    """Alternating pulses widen what a report shows; no claim is counted on that."""
    at = bench(worked("bedside_charger"), 24.0)
    alternating = bench(boards.board(T1={"primary_turns": 160}), 24.0)
    for one in (at, alternating):
        for _, step in one.judged(one.traced).steps:
            assert low(step) >= step.band.low


def test_lifted_means_that_the_low_end_reaches_the_claim() -> None:
    at, state = judged("bedside_charger", 14.0)
    done = lifted(at, state)
    assert not isinstance(done, Remains)
    lift, after = done
    assert low(lift.after) >= 14.0
    assert lift.needed.power > 14.0
    assert after.met


def test_a_value_is_taken_no_further_than_it_must() -> None:
    """What is asked for lies within a few percent of what the band makes of the claim."""
    at, state = judged("bedside_charger", 14.0)
    column, step = state.binding
    found = enough(at, state, column, step, "R_s")
    assert isinstance(found, Found)
    assert found.needed.power == pytest.approx(14.0 * float(step.ceiling.power) / low(step), rel=0.05)


def test_a_bulk_without_room_is_told_apart_from_one_that_does_nothing() -> None:
    at, state = judged("travel_cube", 5.0)
    column, step = state.binding
    found = enough(at, state, column, step, "C_bulk")
    assert isinstance(found, TooLarge)
    assert found.growth > 2.2
    hall, of_hall = judged("hall_charger", 8.0)
    assert enough(hall, of_hall, *of_hall.binding, "C_bulk") is None


def test_resistor_and_bulk_together_where_neither_is_enough() -> None:
    """A loop that runs out of time on a sagging bulk: the resistor first, for the largest bulk."""
    at = bench(worked("hall_charger", ('value = "4.7 uF"', 'value = "2.2 uF"')), 5.0)
    state = at.judged(at.traced)
    fields = []
    for _ in range(6):
        done = lifted(at, state)
        if isinstance(done, Remains) or state.met:
            break
        fields.append(done[0].needed.field)
        state = done[1]
    assert state.met
    assert "C_bulk" in fields


def test_a_limit_that_only_some_samples_have() -> None:
    """At the edge of continuous conduction the duty limit is there for some samples, and not nominally."""
    edge = boards.board(
        U1={"max_duty": "58 %"},
        T1={
            "primary_inductance": {"value": "0.5 mH ±10 %", "origin": "datasheet"},
            "leakage_inductance": "5 uH",
        },
        C5={"ripple_rating": None},
    )
    at = bench(edge, 14.2, mains=(90.0,))
    state = at.judged(edge)
    pair = state.lowest("duty limit")
    assert pair is not None
    assert np.isinf(float(pair[1].ceiling.power))
    assert low(pair[1]) < 14.2
    found = enough(at, state, *pair, "C_bulk")
    assert isinstance(found, Found)
    assert found.needed.method is Method.NUMERICAL
    then = found.state.lowest("duty limit")
    assert then is not None
    assert low(then[1]) >= 14.2
