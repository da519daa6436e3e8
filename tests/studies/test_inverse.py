"""Formulas read backwards: by hand, put back, on the branch in force, and refused in words."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.equations import indicators, mains, output, regulation, switch, transformer
from flyback.equations.formula import Formula, recording
from flyback.studies.inverse import evaluated, solve_for

LIMIT = (
    switch.line_compensated_threshold,
    switch.sense_limit_current,
    switch.on_path_resistance,
    switch.current_slope,
    switch.delayed_current,
)
BARE = {
    **{"V_limit": 0.72, "k_line": 0.0, "V_dc": 100.0, "V_sat": 0.0, "R_switch": 0.0, "R_pri": 0.0},
    **{"L_p": 1e-3, "s_test": 0.0, "t_delay": 200e-9},
}


def test_one_formula_by_hand() -> None:
    """I_sat = B N A / L: 0.36 T x 100 x 20 mm² / 1 mH = 0.72 A."""
    known = {"B_sat": 0.36, "N_p": 100.0, "L_p": 1e-3}
    found = solve_for("A_e", transformer.saturation_current, result=0.72, known=known)
    assert found.value == pytest.approx(20e-6)
    assert found.relation == "A_e = I_sat*L_p/(B_sat*N_p)"
    assert found.closed


def test_formulas_that_feed_each_other_by_hand() -> None:
    """The sense resistor itself drops its threshold: I_off = 0.72/R + (100 - 0.72)/1 mH x 200 ns."""
    found = solve_for("R_s", *LIMIT, result=0.8, known=BARE)
    assert found.value == pytest.approx(0.72 / (0.8 - 99.28 / 1e-3 * 200e-9), rel=1e-12)
    assert found.closed


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    R_s=st.floats(0.1, 10),
    V_limit=st.floats(0.3, 1.2),
    V_dc=st.floats(30, 375),
    R_switch=st.floats(0, 8),
    L_p=st.floats(2e-4, 5e-3),
    t_delay=st.floats(0, 8e-7),
)
def test_the_sense_resistor_comes_back(R_s: float, V_limit: float, **others: float) -> None:
    known = {**BARE, **others, "V_limit": V_limit}
    result = evaluated(LIMIT, {**known, "R_s": R_s})
    found = solve_for("R_s", *LIMIT, result=result, known=known)
    assert evaluated(LIMIT, {**known, "R_s": found.value}) == pytest.approx(result, rel=1e-9)
    # while the pulse is not starved of voltage there is one resistor only
    if V_limit * (1 + others["R_switch"] / R_s) < 0.9 * others["V_dc"]:
        assert found.value == pytest.approx(R_s, rel=1e-6)


def test_the_branch_in_force_is_taken() -> None:
    """A supply of 10 V, of which the drops leave nothing: the slope is held at a twentieth of it."""
    known = {**BARE, "V_dc": 10.0, "V_sat": 12.0}
    result = evaluated(LIMIT, {**known, "R_s": 1.0})
    assert result == pytest.approx(0.72 + 0.5 / 1e-3 * 200e-9)
    assert solve_for("R_s", *LIMIT, result=result, known=known).value == pytest.approx(1.0)


def test_a_case_is_taken_apart() -> None:
    known = {"V_r": 80.0, "I_v": 0.2}
    assert solve_for("V_dc", switch.fixed_closing_voltage, result=180.0, known=known).value == 100.0
    assert (
        solve_for("V_dc", switch.fixed_closing_voltage, result=180.0, known={**known, "I_v": 0.0}).value
        == 180.0
    )


@pytest.mark.parametrize(
    ("formula", "unknown", "numbers"),
    [
        (indicators.rms_current_at_rating, "P_rating", {"P_rating": 0.5, "R_1": 2.2, "R_s": 1.1}),
        (output.ripple_current_at_rating, "I_rating", {"I_rating": 3.5, "C_1": 1e-3, "C_o": 2e-3}),
        (regulation.supply_stop_voltage, "N_aux", {"V_stop": 8.0, "N_s": 8.0, "N_aux": 11.0, "V_f": 0.5}),
        (switch.coefficient_limit_current, "K_power", {"K_power": 5200.0, "f_s": 1e5}),
        (
            mains.bulk_power,
            "C_bulk",
            {
                "C_bulk": 2e-5,
                "V_depart": 120.0,
                "V_valley": 80.0,
                "t_meet": 8e-3,
                "theta": 0.1,
                "f_line": 50.0,
            },
        ),
        (
            transformer.boundary_swing,
            "L_p",
            {"L_p": 1e-3, "V_on": 90.0, "L_m": 9.7e-4, "V_r": 80.0, "f_s": 65e3},
        ),
        (switch.base_current, "R_b", {"V_dc": 120.0, "N_b": 9.0, "N_p": 120.0, "V_be": 0.65, "R_b": 100.0}),
    ],
)
def test_there_and_back(formula: Formula[...], unknown: str, numbers: dict[str, float]) -> None:
    known = {name: value for name, value in numbers.items() if name != unknown}
    found = solve_for(unknown, formula, result=float(formula(**numbers)), known=known)
    assert found.value == pytest.approx(numbers[unknown], rel=1e-9)
    assert found.relation.startswith(f"{unknown} = ")


BULK = {"P_bulk": 12.0, "V_crest": 125.0, "R_series": 4.0, "f_line": 50.0}


def test_what_has_no_closed_form_is_searched_for() -> None:
    result = float(mains.departure_angle(**BULK, C_bulk=2e-5))
    found = solve_for("C_bulk", mains.departure_angle, result=result, known=BULK, between=(1.5e-5, 2.5e-5))
    assert not found.closed
    assert float(mains.departure_angle(**BULK, C_bulk=found.value)) == pytest.approx(result, rel=1e-9)


def test_too_many_branches_are_searched_through(monkeypatch: pytest.MonkeyPatch) -> None:
    from flyback.studies import inverse

    monkeypatch.setattr(inverse, "MOST_BRANCHES", 1)
    inverse._roots.cache_clear()
    try:
        found = solve_for("R_s", *LIMIT, result=0.8, known=BARE, between=(0.1, 10.0))
    finally:
        inverse._roots.cache_clear()
    assert not found.closed
    assert found.value == pytest.approx(0.72 / (0.8 - 99.28 / 1e-3 * 200e-9), rel=1e-9)


def test_a_root_that_does_not_give_the_result_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    from flyback.studies import inverse

    monkeypatch.setattr(inverse, "_closed", lambda *_: iter([("R_s = wrong", 0.8), ("R_s = right", 0.9)]))
    found = solve_for("R_s", switch.sense_limit_current, result=0.8, known={"V_effect": 0.72})
    assert (found.value, found.relation) == (0.9, "R_s = right")


@pytest.mark.parametrize(
    ("unknown", "known", "result", "words"),
    [
        ("R_s", {}, 0.8, "sense_limit_current needs V_effect"),
        ("L_p", {"V_effect": 0.7, "R_s": 1.0}, 0.8, "L_p is no argument of sense_limit_current"),
        ("R_s", {"V_effect": 0.7}, -0.8, "no R_s gives I_limit = -0.8"),
    ],
)
def test_refused_in_words(unknown: str, known: dict[str, float], result: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        solve_for(unknown, switch.sense_limit_current, result=result, known=known)


def test_a_root_outside_the_interval_is_not_invented() -> None:
    with pytest.raises(ValueError, match="no C_bulk gives"):
        solve_for("C_bulk", mains.departure_angle, result=0.5, known=BULK, between=(9e-5, 1e-4))


def test_nothing_is_recorded() -> None:
    with recording() as recorder:
        solve_for("R_s", switch.sense_limit_current, result=0.8, known={"V_effect": 0.72})
    assert recorder.steps == []
