"""The operating point at a load: what feeds it, its ripple and its flux."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from boards import DEMOS, FAMILIES, board, demo_traced, traced

from flyback.analysis.bulk import Line, solve
from flyback.analysis.load_point import LoadPoint, load_point
from flyback.analysis.operating_point import point_at_load

LOW, EUROPE, BENCH = Line(90.0, 50.0), Line(230.0, 50.0), Line(V_fixed=325.0)
V_O = 5.0


def point(
    line: Line, I_o: float, control: str = "fixed-frequency peak current", **changes: Any
) -> LoadPoint:
    circuit, supply = traced(board(control, **changes))
    found = load_point(circuit, supply, line, V_o=V_O, I_o=I_o)
    assert found is not None
    return found


@pytest.mark.parametrize("control", FAMILIES)
@pytest.mark.parametrize("line", [LOW, EUROPE, BENCH], ids=lambda line: line.full_name)
def test_it_feeds_the_load(control: str, line: Line) -> None:
    found = point(line, 1.0, control)
    assert found.I_o == pytest.approx(1.0, rel=1e-6)
    assert found.delivery.P_o == pytest.approx(5.0, rel=1e-6)
    assert found.pulse.V_dc == found.V_valley
    assert found.pulse.P_in > 5.0


def test_the_valley_is_that_of_the_power_taken() -> None:
    circuit, supply = traced(board())
    found = point(LOW, 1.5)
    bulk = solve(supply, LOW, lambda V: point_at_load(circuit, supply, V_dc=V, V_o=V_O, I_o=1.5).pulse)
    assert found.V_valley == pytest.approx(bulk.V_valley, rel=1e-9)
    assert found.V_valley < found.V_mean < math.sqrt(2) * 90


def test_a_bench_supply_has_no_valley() -> None:
    found = point(BENCH, 1.5)
    assert (found.V_valley, found.V_mean) == (325.0, 325.0)


@pytest.mark.parametrize(("V_dc", "continuous"), [(70.0, True), (325.0, False)])
def test_mode_and_duty_cycle(V_dc: float, continuous: bool) -> None:
    found = point(Line(V_fixed=V_dc), 2.4)
    assert found.continuous == continuous
    assert pytest.approx(found.pulse.t_on * 65e3) == found.D


def test_a_load_the_bulk_cannot_feed() -> None:
    """22 µF at 90 V 50 Hz hold 0.17 J; 100 W would need 0.7 J from one half-wave to the next."""
    circuit, supply = traced(board())
    assert load_point(circuit, supply, LOW, V_o=V_O, I_o=20.0) is None


def test_a_load_far_below_what_a_pulse_carries_is_not_shown() -> None:
    """At 264 V the drain capacitance alone passes on more than 10 mA in every pulse of the cube."""
    circuit, supply, V_o = demo_traced("travel_cube")
    assert load_point(circuit, supply, Line(264.0, 50.0), V_o=V_o, I_o=0.01) is None


def test_flux() -> None:
    """B = L_p · I_pk / (N_p · A_e), 1.00 mH, 120 turns and 20.1 mm²."""
    found = point(EUROPE, 2.0)
    assert found.B_pk == pytest.approx(1e-3 * found.pulse.I_pk / (120 * 20.1e-6))


@pytest.mark.parametrize(
    ("change", "name"), [({"C5": None}, "V_ripple"), ({"T1": {"core_area": None}}, "B_pk")]
)
def test_what_is_unknown_is_none(change: dict[str, Any], name: str) -> None:
    assert getattr(point(EUROPE, 1.0, **change), name) is None


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"U1": {"frequency": None}}, "U1.frequency"),
        ({"C1": {"value": "unknown"}}, "C1.capacitance"),
        ({"C1": None}, "bulk capacitor"),
        ({"BR1": {"arrangement": "unknown"}}, "BR1.arrangement"),
    ],
)
def test_a_missing_value_is_named(change: dict[str, Any], key: str) -> None:
    circuit, supply = traced(board(**change))
    with pytest.raises(ValueError, match=key):
        load_point(circuit, supply, LOW, V_o=V_O, I_o=1.0)


def simulated_ripple(found: LoadPoint, R_esr: float, C_o: float) -> float:
    """Peak-to-peak voltage of ESR and capacitance together, in steps of a cycle [V]."""
    done, given = found.pulse, found.delivery
    time = np.linspace(0, 1 / done.f_s, 400_001)
    slope = (given.I_s_pk - given.I_s_end) / done.t_dem
    secondary = np.where(time < done.t_dem, given.I_s_pk - slope * time, 0.0)
    current = secondary - given.I_o
    charge = np.concatenate([[0.0], np.cumsum((current[1:] + current[:-1]) / 2 * np.diff(time))])
    voltage = R_esr * current + charge / C_o
    return float(voltage.max() - voltage.min())


@pytest.mark.parametrize(
    ("esr", "capacitance"),
    [(30e-3, 680e-6), (5e-3, 100e-6), (100e-3, 2200e-6), (15e-3, 1000e-6)],
)
def test_ripple_of_a_simulated_output(esr: float, capacitance: float) -> None:
    """Within 3 %. The formula starts from the foot just before switch-off."""
    found = point(
        EUROPE,
        2.0,
        C5={
            "value": f"{capacitance * 1e6:g} uF",
            "esr": {"value": f"{esr * 1e3:g} mohm", "origin": "datasheet"},
        },
    )
    assert found.V_ripple == pytest.approx(simulated_ripple(found, esr, capacitance), rel=0.03)


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("line", [EUROPE, Line(264.0, 60.0)], ids=lambda line: line.full_name)
def test_demo_boards_at_a_light_load(name: str, line: Line) -> None:
    circuit, supply, V_o = demo_traced(name)
    found = load_point(circuit, supply, line, V_o=V_o, I_o=0.3)
    assert found is not None
    assert found.delivery.P_o == pytest.approx(0.3 * V_o, rel=1e-6)
    assert 0 < found.D < 0.7
    assert 0 < (found.B_pk or 0.0) < 0.36
