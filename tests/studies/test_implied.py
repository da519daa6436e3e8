"""Values that readings imply: those hidden in simulated boards are found again."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from benches import EUROPE, load_test, nominal_numbers
from boards import DEMOS, board, demo, demo_traced, traced

from flyback.analysis.circuit import Circuit
from flyback.analysis.trace import trace
from flyback.studies.conditioning import allowed_misfit
from flyback.studies.implied import Implied, at_odds, fields_to_ask, implied
from flyback.studies.likelihood import load_test as sorted_out
from flyback.studies.observed import Observed

SEED = 21


def precise(circuit: Circuit) -> Circuit:
    """The same with every spread a tenth as wide, as after measuring everything."""
    values = {
        key: replace(
            value,
            low=value.nominal + (value.low - value.nominal) / 10,
            high=value.nominal + (value.high - value.nominal) / 10,
        )
        for key, value in circuit.values.items()
    }
    return replace(circuit, values=values)


@cache
def found_again(name: str, field: str, scale: float) -> Implied:
    """What is implied of a value that is really ``scale`` times what was traced."""
    circuit, _, V_set = demo_traced(name)
    numbers = nominal_numbers(circuit)
    numbers |= {key: scale * numbers[key] for key in circuit.keys[field]}
    points, _ = load_test(circuit, numbers, V_set, seed=SEED)
    (found,) = implied(sorted_out(precise(circuit), points, V_set=V_set), (field,), seed=SEED)
    return found


HIDDEN = [
    ("wall_charger", "R_s", 1.2),
    ("bedside_charger", "R_s", 0.8),
    ("bedside_charger", "R_s", 2.0),
    ("travel_cube", "R_s", 0.8),
    ("strip_adapter", "V_limit", 1.2),
    ("hall_charger", "R_s", 1.2),
    ("bedside_charger", "L_p", 1.2),
]


@pytest.mark.parametrize(("name", "field", "scale"), HIDDEN)
def test_a_hidden_value_is_found_again(name: str, field: str, scale: float) -> None:
    """The interval holds it; most of its width is the closed form's 2 % and the meter's 1 %."""
    found = found_again(name, field, scale)
    assert found.low < scale * found.traced < found.high
    assert found.median == pytest.approx(scale * found.traced, rel=0.06)
    assert (found.high - found.low) / found.median < 0.20
    assert found.effective > 400
    assert not found.open_below
    assert not found.open_above


def test_the_traced_value_would_not_do() -> None:
    """The check that fails: 20 % off lies outside."""
    found = found_again("wall_charger", "R_s", 1.2)
    assert not found.low < found.traced < found.high


def test_an_open_resistor_shows_in_the_sum() -> None:
    actual = trace(demo("wall_charger", R4={"state": "open"}))
    written, _, V_set = demo_traced("wall_charger")
    points, _ = load_test(actual, nominal_numbers(actual), V_set, seed=SEED)
    (found,) = implied(sorted_out(written, points, V_set=V_set), ("R_s",), seed=SEED)
    assert found.name == "R3 || R4"
    assert found.traced == pytest.approx(1.2)
    assert found.low < 2.4 < found.high
    assert found.words.startswith("R3 || R4 = 1.20 Ω traced, the readings imply 2.")


def test_readings_in_regulation_leave_one_side_open() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    point = Observed(EUROPE, V_set, 2.6, u_V=0.02, u_I=0.03)
    test = sorted_out(circuit, [point], V_set=V_set)
    resistor, limit = implied(test, ("R_s", "V_limit"), seed=SEED)
    assert (resistor.open_below, resistor.open_above) == (True, False)
    assert resistor.words == (f"R5 || R6 = 1.10 Ω traced, the readings imply at most {resistor.high:.2f} Ω")
    assert 1.10 < resistor.high < 1.3
    assert (limit.open_below, limit.open_above) == (False, True)
    assert limit.words.startswith("U1.limit_voltage = 0.800 V traced, the readings imply at least 0.")


def test_a_load_that_is_no_load_says_nothing() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    test = sorted_out(circuit, [Observed(EUROPE, V_set, 0.01, u_V=0.02, u_I=0.01)], V_set=V_set)
    (found,) = implied(test, ("R_s",), seed=SEED)
    assert found.words == "R5 || R6 = 1.10 Ω traced; the readings say nothing about it"


@pytest.mark.parametrize("name", DEMOS)
def test_the_sense_resistors_and_the_least_known_value_are_asked_for(name: str) -> None:
    circuit, _, V_set = demo_traced(name)
    test = sorted_out(circuit, [Observed(EUROPE, 0.9 * V_set, 1.0, 0.02, 0.02)], V_set=V_set)
    expected = {
        "wall_charger": ["R_s", "V_limit"],
        "bedside_charger": ["R_s", "V_limit"],
        "travel_cube": ["R_s", "V_be"],
        "strip_adapter": ["R_s", "V_limit"],
        "hall_charger": ["R_s", "V_limit"],
    }
    assert fields_to_ask(test) == expected[name]


def test_what_decides_nothing_is_not_asked_for() -> None:
    """With the core saturating first, the current hangs on it and not on the limit."""
    circuit, _ = traced(board(T1={"core_area": "12 mm²"}))
    test = sorted_out(circuit, [Observed(EUROPE, 4.5, 1.5, 0.02, 0.02)], V_set=5.0)
    assert not {"R_s", "V_limit"} & set(fields_to_ask(test))


def test_readings_are_at_odds_only_if_nothing_within_the_range_or_beyond_explains_them() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")

    def odd(*points: tuple[float, float]) -> bool:
        seen = [Observed(EUROPE, V_o, I_o, u_V=0.02, u_I=0.01 * I_o) for V_o, I_o in points]
        test = sorted_out(circuit, seen, V_set=V_set)
        found = implied(test, ("R_s",), seed=SEED)
        assert odd_by_hand(found, test.terms) or not at_odds(test, found)
        return at_odds(test, found)

    def odd_by_hand(found: tuple[Implied, ...], terms: int) -> bool:
        return all(one.misfit > allowed_misfit(terms) for one in found)

    assert odd((4.8, 1.9), (4.2, 3.05))
    assert not odd((4.8, 2.86), (4.2, 3.2))
    assert not odd((4.8, 0.05), (4.2, 0.06))  # a board of another kind, but one board
