"""The value that brings a ceiling to a power: closed forms beside a search of the ladder itself."""

from __future__ import annotations

import boards
import numpy as np
import pytest
from scipy.optimize import brentq
from worked import board as worked

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case
from flyback.analysis.trace import trace
from flyback.board.changes import altered
from flyback.board.edit import read_changes
from flyback.board.model import Board
from flyback.studies.needed import Method, Needed, Nominal, needed

LOW, HIGH = Line(V_ac=90.0, f_line=50.0), Line(V_ac=230.0, f_line=50.0)


@pytest.fixture(autouse=True)
def _impossible_values_on_the_way() -> object:
    with np.errstate(all="ignore"):
        yield


def nominal(board: Board, line: Line = LOW, voltage: float = 5.0) -> Nominal:
    return Nominal(Case(trace(board), voltage, ()), line)


def found(at: Nominal, rung: str, field: str, power: float) -> Needed:
    value = needed(at, rung, field, power)
    assert value is not None
    return value


def on_the_ladder(at: Nominal, rung: str, field: str, power: float, now: float) -> float:
    """The same by a bracketed root on the ladder, which knows no formula turned round."""
    ends = (0.05, 1.0) if field.startswith("R_") else (1.0, 20.0)
    return now * float(
        brentq(lambda factor: at.scaled(field, factor).power(rung) - power, *ends, xtol=1e-12)
    )


CASES = [
    # discontinuous, continuous, at the lowest usable voltage, at high line
    ("bedside_charger", LOW, "current limit", "R_s", 13.0),
    ("bedside_charger", LOW, "current limit", "R_s", 28.7),
    ("bedside_charger", HIGH, "current limit", "R_s", 26.0),
    ("wall_charger", LOW, "current limit", "R_s", 15.0),
    ("travel_cube", HIGH, "current limit", "R_s", 3.5),
    ("travel_cube", LOW, "bulk valley", "C_bulk", 1.3),
    ("strip_adapter", LOW, "bulk valley", "C_bulk", 52.0),
    ("wall_charger", HIGH, "rectifier current", "I_rectifier", 30.0),
]


@pytest.mark.parametrize(("name", "line", "rung", "field", "power"), CASES)
def test_a_closed_form_is_what_the_ladder_says(
    name: str, line: Line, rung: str, field: str, power: float
) -> None:
    at = nominal(worked(name), line, 12.0 if name == "strip_adapter" else 5.0)
    value = found(at, rung, field, power)
    assert value.method is Method.CLOSED
    assert value.relation
    assert value.value == pytest.approx(on_the_ladder(at, rung, field, power, value.now), rel=2e-6)


@pytest.mark.parametrize(
    ("family", "rung", "field"),
    [
        ("fixed-frequency peak current", "current limit", "R_s"),
        ("on/off", "current limit", "R_s"),
        ("valley switching", "current limit", "R_s"),
        ("self-oscillating", "current limit", "R_s"),
        ("self-oscillating", "base drive", "R_b"),
    ],
)
def test_every_family_has_its_closed_form(family: str, rung: str, field: str) -> None:
    at = nominal(boards.board(family), HIGH)
    power = 1.2 * at.power(rung)
    value = found(at, rung, field, power)
    assert value.method is Method.CLOSED
    assert at.scaled(field, value.value / value.now).power(rung) == pytest.approx(power, rel=1e-5)


@pytest.mark.parametrize(
    ("changes", "rung"),
    [
        ({"U1": {"slope_compensation": "20 mV/us"}}, "current limit"),
        ({"U1": {"slope_compensation": "20 mV/us"}}, "bulk valley"),
        ({"R1": {"role": "series resistor", "value": "10 ohm", "origin": "marked"}}, "current limit"),
        ({"R1": {"role": "series resistor", "value": "10 ohm", "origin": "marked"}}, "bulk valley"),
        ({"U1": {"line_compensation": "0.0002"}}, "current limit"),
        ({"U1": {"overload_voltage": "0.7 V"}}, "overload timer"),
    ],
)
def test_whatever_the_method_the_ladder_stands_there(changes: dict[str, dict[str, str]], rung: str) -> None:
    at = nominal(boards.board(**changes))
    field = "C_bulk" if rung == "bulk valley" else "R_s"
    power = 1.15 * at.power(rung)
    value = found(at, rung, field, power)
    assert at.scaled(field, value.value / value.now).power(rung) == pytest.approx(power, rel=1e-5)


def test_what_has_no_closed_form_says_so() -> None:
    ramp = found(nominal(boards.board(U1={"slope_compensation": "20 mV/us"})), "current limit", "R_s", 13.0)
    loop = found(nominal(worked("hall_charger")), "constant-current loop", "R_s", 5.3)
    leaning = found(nominal(worked("strip_adapter"), voltage=12.0), "saturation", "C_bulk", 41.0)
    for value in (ramp, loop, leaning):
        assert (value.method, value.relation) == (Method.NUMERICAL, "")


def test_a_wrong_closed_form_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """The ladder disagrees, so it is searched instead."""
    from flyback.studies import needed as module

    at = nominal(worked("wall_charger"))
    right = found(at, "current limit", "R_s", 15.0)
    sense = module._TURNED["current limit", "R_s"]

    def wrong(situation: object, power: float) -> object:
        return sense(situation, 1.01 * power)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_TURNED", {("current limit", "R_s"): wrong})
    searched = found(at, "current limit", "R_s", 15.0)
    assert searched.method is Method.NUMERICAL
    assert searched.value == pytest.approx(right.value, rel=1e-6)


def test_ratings_of_parts_that_share_are_the_current_at_the_power() -> None:
    """With that rating on the part, the ladder stands at the power."""
    at = nominal(boards.board(), HIGH)
    for rung, field, key in (
        ("capacitor ripple", "ripple_rating", "C5.ripple_rating={:.12g} A"),
        ("sense resistor power", "sense_rating", "R3.power_rating={:.12g} W"),
    ):
        power = 0.9 * at.power(rung)
        value = found(at, rung, field, power).value
        # one capacitor takes all of it; each of two equal resistors half of it
        rating = value if field == "ripple_rating" else (value / 2) ** 2 * 2.4
        board = altered(boards.board(), read_changes(boards.board(), [key.format(rating)]))
        assert nominal(board, HIGH).power(rung) == pytest.approx(power, rel=1e-6)


@pytest.mark.parametrize(
    ("name", "rung", "field", "power"),
    [
        ("travel_cube", "current limit", "R_s", 50.0),  # no pulse at this valley
        ("bedside_charger", "rectifier current", "R_s", 60.0),  # does not depend on it
        ("wall_charger", "base drive", "R_b", 12.0),  # the board has none
    ],
)
def test_what_no_value_brings(name: str, rung: str, field: str, power: float) -> None:
    assert needed(nominal(worked(name)), rung, field, power) is None


def test_a_bench_supply_has_no_valley() -> None:
    at = nominal(worked("wall_charger"), Line(V_fixed=100.0))
    value = found(at, "current limit", "R_s", 16.0)
    assert value.method is Method.CLOSED
    assert at.scaled("R_s", value.value / value.now).power("current limit") == pytest.approx(16.0, rel=1e-5)
