"""Formulas and the recorder: every recorded number knows the inputs it rests on."""

from __future__ import annotations

import math
import pickle
import threading
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from flyback.equations import clamp, indicators, switch, transformer
from flyback.equations.formula import (
    FORMULAS,
    TRIAL,
    Formula,
    Input,
    Recorder,
    Solved,
    Step,
    Traced,
    formula,
    leaves,
    recording,
    solved,
    unrecorded,
)


def given(key: str, value: float, dimension: str = "voltage") -> Traced:
    """A number as it comes from the board."""
    return Traced(value, Input(key, "marked", str(value), dimension))


def keys(number: Traced) -> list[str]:
    return [entry.key for entry in leaves(number)]


# Formulas


def test_a_formula_tells_what_it_is() -> None:
    made = FORMULAS["sense_limit_current"]
    assert made is switch.sense_limit_current
    assert made.symbol == "I_limit"
    assert made.arguments == ("V_effect", "R_s")
    assert made.title == "Primary current at which the sense resistor reaches the threshold."
    assert made.__doc__ == made.title
    assert made.latex == r"I_{lim} = \frac{V_{lim}}{R_s}"


def test_a_title_is_the_first_paragraph_in_one_line() -> None:
    def example(*, V_dc: Any) -> Any:
        """A sentence that
        goes on.

        And more.
        """

    assert Formula(example, "V_dc", "an example", "an example").title == "A sentence that goes on."


def test_arguments_go_by_name_only() -> None:
    with pytest.raises(TypeError, match="positional"):
        switch.sense_limit_current(0.8, 1.1)  # type: ignore[call-arg]
    with pytest.raises(TypeError, match="V_limit"):
        switch.sense_limit_current(V_limit=0.8, R_s=1.1)  # type: ignore[call-arg]


def test_two_formulas_cannot_have_one_name(monkeypatch: pytest.MonkeyPatch) -> None:
    registered: dict[str, Formula[Any]] = {}
    monkeypatch.setattr("flyback.equations.formula.FORMULAS", registered)

    def example(*, V_dc: Any) -> Any:
        return V_dc

    register = formula(symbol="V_dc", source="an example", balance="an example")
    register(example)
    with pytest.raises(ValueError, match="two formulas are called example"):
        register(example)
    assert list(registered) == ["example"]
    assert "example" not in FORMULAS


# Without a recorder


def test_numbers_stay_plain_without_a_recorder() -> None:
    current = switch.sense_limit_current(V_effect=given("U1.threshold", 0.8), R_s=given("R5", 1.6))
    assert not isinstance(current, Traced)
    assert current == 0.5


def test_arrays_are_left_alone_without_a_recorder() -> None:
    thresholds = np.array([0.8, 1.6])
    currents = switch.sense_limit_current(V_effect=thresholds, R_s=np.array([1.6, 1.6]))
    assert type(currents) is np.ndarray
    assert currents.tolist() == [0.5, 1.0]
    assert thresholds.tolist() == [0.8, 1.6]


# With a recorder


def test_a_call_becomes_a_step() -> None:
    threshold, resistance = given("U1.threshold", 0.8), given("R5", 1.6, "resistance")
    with recording() as recorder:
        current = switch.sense_limit_current(V_effect=threshold, R_s=resistance)
    assert isinstance(current, Traced)
    assert current == 0.5
    assert recorder.untraced == []
    (step,) = recorder.steps
    assert current.origin is step
    assert step.formula is switch.sense_limit_current
    assert step.symbol == "I_limit"
    assert step.value == 0.5
    assert list(step.arguments) == ["V_effect", "R_s"]
    assert step.arguments["V_effect"] is threshold
    assert step.arguments["R_s"] is resistance


def test_a_traced_number_keeps_its_origin_from_step_to_step() -> None:
    with recording() as recorder:
        current = switch.sense_limit_current(V_effect=given("U1.threshold", 0.8), R_s=given("R5", 1.6))
        power = clamp.leakage_power(
            L_leak=given("T1.leakage", 2e-5), I_pk=current, f_s=given("U1.frequency", 65e3)
        )
    assert recorder.untraced == []
    assert [step.symbol for step in recorder.steps] == ["I_limit", "P_leak"]
    assert isinstance(power.origin, Step)
    assert power.origin.arguments["I_pk"] is current
    assert keys(power) == ["T1.leakage", "U1.threshold", "R5", "U1.frequency"]


@pytest.mark.parametrize(
    "arithmetic",
    [
        lambda x: x * 2,
        lambda x: 2 * x,
        lambda x: x + x,
        lambda x: -x,
        lambda x: x**2,
        lambda x: abs(x),
        lambda x: math.sqrt(x),
        lambda x: round(x, 3),
        lambda x: np.maximum(x, 0.1),
    ],
)
def test_arithmetic_outside_a_formula_is_found(arithmetic: Callable[[float], float]) -> None:
    smuggled = arithmetic(given("U1.threshold", 0.8))
    assert not isinstance(smuggled, Traced)
    with recording() as recorder:
        current = switch.sense_limit_current(V_effect=smuggled, R_s=given("R5", 1.6))
    assert recorder.untraced == [f"sense_limit_current(V_effect={smuggled!r})"]
    assert [entry.origin for entry in leaves(current)] == ["untraced", "marked"]
    assert keys(current) == ["V_effect", "R5"]


def test_a_choice_between_traced_numbers_keeps_the_origin() -> None:
    assert max(given("a", 1.0), given("b", 2.0)).origin == given("b", 2.0).origin


def test_an_inner_recording_keeps_to_itself() -> None:
    numbers = {"V_effect": given("U1.threshold", 0.8), "R_s": given("R5", 1.6)}
    with recording() as outer:
        switch.sense_limit_current(**numbers)
        with recording() as inner:
            switch.sense_limit_current(**numbers)
            switch.sense_limit_current(V_effect=0.8, R_s=1.6)
        switch.sense_limit_current(**numbers)
    assert (len(outer.steps), len(inner.steps)) == (2, 2)
    assert (len(outer.untraced), len(inner.untraced)) == (0, 2)


def test_unrecorded_pauses_the_recording() -> None:
    with recording() as recorder:
        with unrecorded():
            inside = switch.sense_limit_current(V_effect=0.8, R_s=1.6)
            array = switch.sense_limit_current(V_effect=np.array([0.8, 1.6]), R_s=1.6)
        after = switch.sense_limit_current(V_effect=given("U1.threshold", 0.8), R_s=given("R5", 1.6))
    assert not isinstance(inside, Traced)
    assert array.tolist() == [0.5, 1.0]
    assert [step.value for step in recorder.steps] == [after]
    assert recorder.untraced == []


@pytest.mark.parametrize("context", [recording, unrecorded])
def test_an_error_ends_the_context(context: Callable[[], Any]) -> None:
    with recording() as recorder:
        with pytest.raises(ZeroDivisionError), context():
            raise ZeroDivisionError
        switch.total_delay(t_sense=given("U1.delay", 2e-7), t_store=given("Q1.storage", 0.0))
    assert len(recorder.steps) == 1
    assert not isinstance(switch.total_delay(t_sense=1e-7, t_store=0.0), Traced)


def test_a_failed_call_leaves_no_step() -> None:
    with recording() as recorder, pytest.raises(ZeroDivisionError):
        switch.sense_limit_current(V_effect=given("U1.threshold", 0.8), R_s=given("R5", 0.0))
    assert recorder.steps == []


def test_a_recording_belongs_to_its_thread() -> None:
    results: list[float] = []

    def work() -> None:
        results.append(switch.sense_limit_current(V_effect=0.8, R_s=1.6))

    with recording() as recorder:
        thread = threading.Thread(target=work)
        thread.start()
        thread.join()
    assert recorder == Recorder()
    assert not isinstance(results[0], Traced)


# Numbers found by a solver


def saturation(value: float) -> Traced:
    """A peak current, put in place of a solver's result, at which the core should just saturate.

    Exact where 1 mH x I / (100 turns x 20 mm^2) = 300 mT, which is at I = 0.6 A.
    """
    L_p, A_e = given("T1.inductance", 1e-3, "inductance"), given("T1.core_area", 2e-5, "area")
    N_p, B_sat = given("T1.turns", 100.0, "turns"), given("T1.saturation", 0.3, "flux density")

    def sides(trial: Traced) -> tuple[Traced, Traced]:
        return transformer.flux_density(L_p=L_p, I_pk=trial, N_p=N_p, A_e=A_e), B_sat

    found = solved("I_sat", value, balance="flux density of the peak = saturation", sides=sides)
    assert isinstance(found, Traced)
    return found


def test_a_good_solution_balances() -> None:
    with recording() as recorder:
        current = saturation(0.6)
    assert current == 0.6
    assert isinstance(current.origin, Solved)
    assert current.origin.symbol == "I_sat"
    assert current.origin.balance == "flux density of the peak = saturation"
    assert current.origin.left == pytest.approx(0.3)
    assert current.origin.right == 0.3
    assert current.origin.residual < 1e-12
    assert recorder == Recorder()  # the sides are kept with the solution, not among the steps


def test_a_bad_solution_shows() -> None:
    with recording():
        origin = saturation(0.66).origin
    assert isinstance(origin, Solved)
    assert origin.residual == pytest.approx(0.03 / 0.33)  # 0.33 T against 0.30 T


@pytest.mark.parametrize(
    ("left", "right", "residual"), [(0, 0, 0), (0, 2, 1), (-2, 2, 2), (4, 3, 0.25), (-4, -3, 0.25)]
)
def test_the_residual_is_relative(left: float, right: float, residual: float) -> None:
    assert Solved("I_sat", "an example", given("a", left), given("b", right)).residual == residual


@pytest.mark.parametrize("value", [0.6, np.array([0.6, 0.7])], ids=["float", "array"])
def test_solved_leaves_numbers_alone_without_a_recorder(value: Any) -> None:
    def sides(trial: Any) -> tuple[Any, Any]:
        raise AssertionError("the sides are of no use here")

    assert solved("I_sat", value, balance="an example", sides=sides) is value
    with recording(), unrecorded():
        assert solved("I_sat", value, balance="an example", sides=sides) is value


def test_arithmetic_in_a_side_is_found() -> None:
    def sides(trial: Traced) -> tuple[Traced, Traced]:
        power = clamp.leakage_power(L_leak=2e-5, I_pk=trial, f_s=given("U1.frequency", 65e3))
        return power, given("target", 1.0)

    with recording() as recorder:
        solved("I_pk", 1.0, balance="an example", sides=sides)
    assert recorder.untraced == ["leakage_power(L_leak=2e-05)"]


# Inputs


def test_leaves_name_each_input_once() -> None:
    with recording():
        series = indicators.series_resistance(R_1=given("R1", 1.0), R_2=given("R2", 2.0))
        total = indicators.series_resistance(
            R_1=given("R2", 2.0), R_2=indicators.series_resistance(R_1=series, R_2=given("R1", 1.0))
        )
    assert keys(total) == ["R2", "R1"]
    assert keys(given("R3", 1.0)) == ["R3"]


def test_leaves_look_through_a_solution_and_skip_its_trial() -> None:
    with recording():
        current = saturation(0.6)
        power = clamp.leakage_power(
            L_leak=given("T1.leakage", 2e-5), I_pk=current, f_s=given("U1.frequency", 65e3)
        )
    assert keys(current) == ["T1.inductance", "T1.turns", "T1.core_area", "T1.saturation"]
    assert keys(power) == ["T1.leakage", *keys(current), "U1.frequency"]
    assert TRIAL not in {entry.origin for entry in leaves(power)}


def test_leaves_do_not_walk_a_shared_step_twice() -> None:
    resistance = given("R1", 1.0)
    with recording():
        for _ in range(60):  # 2^60 paths lead to R1
            resistance = indicators.series_resistance(R_1=resistance, R_2=resistance)
    assert keys(resistance) == ["R1"]


# Between processes


def test_a_number_from_the_board_survives_pickling() -> None:
    number = given("R5", 1.6)
    copied = pickle.loads(pickle.dumps(number))
    assert type(copied) is Traced
    assert (copied, copied.origin) == (number, number.origin)


def test_a_recorded_number_survives_pickling() -> None:
    with recording():
        power = clamp.leakage_power(
            L_leak=given("T1.leakage", 2e-5), I_pk=saturation(0.6), f_s=given("U1.frequency", 65e3)
        )
    copied = pickle.loads(pickle.dumps(power))
    assert type(copied) is Traced
    assert copied == power
    assert isinstance(copied.origin, Step)
    assert copied.origin.formula is clamp.leakage_power
    assert leaves(copied) == leaves(power)
