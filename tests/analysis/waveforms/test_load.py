"""The load over time."""

from __future__ import annotations

import math

import pytest

from flyback.analysis.waveforms.load import LETS_GO, Load


def test_a_constant_load_is_the_same_before_and_after() -> None:
    load = Load.constant("current", 1.5)
    assert [load.at(t) for t in (-1.0, 0.0, 7.0)] == [1.5, 1.5, 1.5]
    assert load.steady


def test_a_step_has_its_later_value_from_its_instant_on() -> None:
    load = Load.step("resistance", 10.0, 2.0, at=1e-3)
    assert [load.at(t) for t in (0.0, 0.999e-3, 1e-3, 2e-3)] == [10.0, 10.0, 2.0, 2.0]
    assert not load.steady


def test_a_ramp_is_a_straight_line_between_two_constants() -> None:
    load = Load.ramp("power", 2.0, 10.0, start=1.0, end=3.0)
    assert [load.at(t) for t in (0.0, 1.0, 1.5, 2.5, 3.0, 9.0)] == [2.0, 2.0, 4.0, 8.0, 10.0, 10.0]


def test_steps_and_ramps_in_one_load() -> None:
    """Up at 1, held to 2, down to 3: two points at one instant are a step."""
    load = Load("current", (1.0, 1.0, 2.0, 3.0), (0.5, 2.0, 2.0, 1.0))
    assert [load.at(t) for t in (0.9, 1.0, 1.7, 2.5, 3.0)] == [0.5, 2.0, 2.0, 1.5, 1.0]


def test_a_load_that_returns_is_not_steady() -> None:
    assert not Load("current", (0.0, 1.0, 2.0), (1.0, 2.0, 1.0)).steady
    assert Load("current", (0.0, 1.0), (1.0, 1.0)).steady


@pytest.mark.parametrize(
    ("kind", "value", "v_out", "amps"),
    [
        ("resistance", 4.0, 5.0, 1.25),
        ("resistance", 4.0, 0.1, 0.025),
        ("current", 2.0, 5.0, 2.0),
        ("current", 2.0, LETS_GO, 2.0),
        ("current", 2.0, LETS_GO / 4, 0.5),
        ("current", 2.0, 0.0, 0.0),
        ("power", 10.0, 5.0, 2.0),
        ("power", 10.0, LETS_GO, 10.0 / LETS_GO),
        # let go in proportion: at half the voltage half the current
        ("power", 10.0, LETS_GO / 2, 5.0 / LETS_GO),
        ("voltage", 5.0, 5.0, 0.0),
    ],
)
def test_the_current_of_each_kind(kind: str, value: float, v_out: float, amps: float) -> None:
    assert Load.constant(kind, value).current(0.0, v_out) == pytest.approx(amps)


def test_the_current_follows_the_value_of_its_time() -> None:
    load = Load.ramp("power", 0.0, 10.0, start=0.0, end=1.0)
    assert load.current(0.3, 5.0) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("kind", "times", "values"),
    [
        ("inductance", (0.0,), (1.0,)),
        ("current", (), ()),
        ("current", (0.0, 1.0), (1.0,)),
        ("current", (1.0, 0.0), (1.0, 2.0)),
        ("current", (0.0,), (-1.0,)),
        ("power", (0.0,), (math.nan,)),
        ("voltage", (math.inf,), (5.0,)),
        ("resistance", (0.0, 1.0), (5.0, 0.0)),
    ],
)
def test_what_is_no_load_is_refused(kind: str, times: tuple[float, ...], values: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="load"):
        Load(kind, times, values)


def test_a_load_of_zero_is_one() -> None:
    assert Load.step("current", 0.0, 1.0, at=0.0).values == (0.0, 1.0)
    assert Load.constant("voltage", 0.0).at(0.0) == 0.0
