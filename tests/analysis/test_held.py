"""An output held at a voltage: against the outside circuit simulation, and its mean against the time."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from boards import board, demo_traced, traced
from published.simulated import (
    CASES,
    CONSTANT_CURRENT,
    FIXED_FREQUENCY,
    VALLEY_SWITCHING,
    Converter,
    converter,
)

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.held import (
    CORE,
    DRIVE,
    DUTY,
    LIMIT,
    Held,
    averaged,
    hold,
    needs,
    with_fixed_clamp,
)
from flyback.analysis.operating_point import deliver, limit_pulse
from flyback.equations import transformer

WITHIN = 0.03
"""What closed forms must meet the outside simulation in."""


def held_at(made: Converter, V_dc: float, V_o: float) -> float:
    held = hold(made.circuit, made.supply, Line(V_fixed=V_dc), V_o=V_o)
    return float(averaged(held).I_o)


# --- against the outside simulation ---------------------------------------------------------------

D1, C3, G1 = CASES["d1_ceiling_5V1A_65k"], CASES["c3_ccm_5V2A_90V_65k_limit"], CASES["g1_psrcc_5V1A_D0.5"]


@pytest.mark.parametrize("point", D1["points"], ids=lambda p: f"{p['vin']} V, {p['vo']} V out")
def test_the_current_limit_into_a_held_output(point: dict[str, Any]) -> None:
    made = converter(FIXED_FREQUENCY, D1["inputs"], point["measured"])
    assert held_at(made, point["vin"], point["vo"]) == pytest.approx(point["measured"]["Io"], rel=WITHIN)


# The netlists of kind d run once more by hand in the same simulator, the output held further down:
# supply [V], output [V], mean output current [A], clamp voltage [V].
TO_THE_SHORT = (
    (90, 1.5, 3.253, 150.0),
    (90, 1.0, 3.730, 145.4),
    (90, 0.5, 4.319, 140.8),
    (90, 0.0, 5.048, 136.3),
    (350, 1.5, 4.146, 160.5),
    (350, 1.0, 4.662, 156.6),
    (350, 0.5, 5.223, 151.9),
    (350, 0.0, 5.826, 147.0),
)
HALF_PEAK = {"Iskp_fit": 6.0}  # A, n times the 0.40 A limit, for the rectifier's drop


@pytest.mark.parametrize(("V_dc", "V_o", "I_o", "V_clamp"), TO_THE_SHORT)
def test_down_to_a_short_circuit(V_dc: float, V_o: float, I_o: float, V_clamp: float) -> None:
    made = converter(FIXED_FREQUENCY, D1["inputs"], {**HALF_PEAK, "Vclamp": V_clamp})
    assert held_at(made, V_dc, V_o) == pytest.approx(I_o, rel=WITHIN)


def test_drops_left_out_of_the_reflected_voltage_would_be_noticed() -> None:
    """Taken off afterwards instead, 25 mohm cost an eighth of the short-circuit current."""
    V_dc, V_o, I_o, V_clamp = TO_THE_SHORT[3]
    made = converter(FIXED_FREQUENCY, D1["inputs"], {**HALF_PEAK, "Vclamp": V_clamp})
    s = made.supply
    V_r = transformer.reflected_voltage(n=s.n, V_o=V_o, V_f=s.V_f)
    done = limit_pulse(made.circuit, s, V_dc=V_dc, V_r=V_r)
    assert done is not None
    assert deliver(made.circuit, s, done, V_o=V_o).I_o < 0.9 * I_o


# The netlist of case c3, which has an output capacitor, run once more by hand with other loads and
# another ESR [ohm]: output [V], mean output current [A], clamp voltage [V].
WITH_ESR = (
    (0.018, 2.159, 3.599, 161.2),
    (0.018, 0.271, 5.414, 146.2),
    (0.060, 2.141, 3.568, 160.4),
    (0.060, 0.270, 5.402, 145.7),
)


@pytest.mark.parametrize(("esr", "V_o", "I_o", "V_clamp"), WITH_ESR)
def test_the_esr_of_the_output_capacitor(esr: float, V_o: float, I_o: float, V_clamp: float) -> None:
    inputs = {**C3["inputs"], "esr": esr}
    made = converter(FIXED_FREQUENCY, inputs, {**C3["measured"], "Vclamp": V_clamp})
    assert held_at(made, inputs["vin"], V_o) == pytest.approx(I_o, rel=WITHIN)


@pytest.mark.parametrize("point", G1["points"], ids=lambda p: f"{p['vo']} V out")
def test_a_constant_current_loop(point: dict[str, Any]) -> None:
    made = converter(CONSTANT_CURRENT, G1["inputs"], point["measured"])
    ours = held_at(made, G1["inputs"]["vin"], point["vo"])
    assert ours == pytest.approx(point["measured"]["Io"], rel=WITHIN)


def test_valley_switching() -> None:
    case = CASES["e1_qr_5V2A_120V"]
    made = converter(VALLEY_SWITCHING, case["inputs"], case["measured"])
    assert held_at(made, 120.0, 5.0) == pytest.approx(case["measured"]["Io"], rel=WITHIN)


# --- the mean over the mains period, against the bulk followed in time ----------------------------

STEPS, PERIODS = 20_000, 3


def followed(held: Held) -> float:
    """Mean output current with the bulk followed in small steps of time, from a crest on."""
    s, f_line = held.supply, float(held.line.f_line or 0)
    V_crest = float(bulk.crest(s, held.line))
    V = np.linspace(V_crest / STEPS, V_crest, 6000)
    done = held.ended(V)
    powers = np.broadcast_to(done.P_in, V.shape).tolist()
    per_volt = (V.size - 1) / (V_crest - V_crest / STEPS)
    times = np.arange(STEPS) / (STEPS * float(s.n_pulse) * f_line)
    wave = V_crest * np.cos(2 * math.pi * f_line * times)
    mains = (np.abs(wave) if s.n_pulse == 2 else wave).tolist()
    step = float(times[1]) / float(s.C_bulk)
    v, seen = V_crest, np.empty(STEPS)
    for _ in range(PERIODS):
        for i in range(STEPS):
            lost = powers[min(int(v * per_volt), V.size - 1)] / v * step
            v = max(v - lost, mains[i], V_crest / STEPS)
            seen[i] = v
    return float(np.interp(seen, V, np.broadcast_to(held.current(done), V.shape)).mean())


THIRD = {
    "R7": {
        "state": None,
        "marking": "2R2",
        "tolerance": "1 %",
        "power_rating": {"value": "0.5 W", "origin": "datasheet"},
    }
}


@pytest.mark.parametrize("share", [1.0, 0.3])
@pytest.mark.parametrize(
    "name", ["wall_charger", "bedside_charger", "strip_adapter", "hall_charger"], ids=str
)
def test_the_mean_of_a_bulk_that_lasts(name: str, share: float) -> None:
    circuit, supply, V_o = demo_traced(name)
    held = hold(circuit, supply, Line(90.0, 50.0), V_o=V_o * share)
    assert averaged(held).I_o == pytest.approx(followed(held), rel=0.005)


@pytest.mark.parametrize("share", [1.0, 0.8])
@pytest.mark.parametrize(("name", "changes"), [("travel_cube", {}), ("bedside_charger", THIRD)])
def test_the_mean_of_a_bulk_that_runs_dry(name: str, changes: dict[str, Any], share: float) -> None:
    circuit, supply, V_o = demo_traced(name, **changes)
    held = hold(circuit, supply, Line(90.0, 50.0), V_o=V_o * share)
    mean = averaged(held)
    assert held.V_least is not None
    assert mean.V_valley < held.V_least
    assert not mean.empty
    assert mean.I_o == pytest.approx(followed(held), rel=0.02)


def test_one_voltage_for_the_whole_period_would_be_noticed() -> None:
    """The cube at 90 V: at the bulk's mean voltage it would give a quarter more than it does."""
    circuit, supply, V_o = demo_traced("travel_cube")
    held = hold(circuit, supply, Line(90.0, 50.0), V_o=V_o)
    mean = averaged(held)
    assert held.current(held.ended(mean.V_mean)) > 1.2 * mean.I_o


def test_the_mean_of_a_bulk_that_is_emptied() -> None:
    """Nothing limits the duty cycle: the pulses take the bulk down to nothing and wait for the mains."""
    circuit, supply = traced(board("valley switching", BR1={"arrangement": "half wave"}))
    held = hold(circuit, supply, Line(90.0, 50.0), V_o=5.0)
    mean = averaged(held)
    assert mean.empty
    assert mean.settled
    assert not mean.rough
    assert mean.I_o == pytest.approx(followed(held), rel=0.02)


def test_a_bulk_that_follows_the_mains_is_called_rough() -> None:
    """2.2 µF for 10 W: the departure angle is past its range, and the current up to a quarter low."""
    circuit, supply = traced(board("valley switching", C1={"value": "2.2 uF ±20 %"}))
    held = hold(circuit, supply, Line(90.0, 50.0), V_o=5.0)
    mean = averaged(held)
    assert mean.rough
    assert 0.75 < float(mean.I_o) / followed(held) < 0.98


def test_a_bench_supply_stands_still() -> None:
    circuit, supply = traced(board())
    held = hold(circuit, supply, Line(V_fixed=300.0), V_o=4.0)
    mean = averaged(held)
    assert (mean.V_valley, mean.V_mean) == (300.0, 300.0)
    assert mean.I_o == held.current(held.ended(300.0))
    assert mean.settled


def test_many_at_once_are_each_alone() -> None:
    circuit, supply, V_o = demo_traced("strip_adapter")
    volts = np.linspace(V_o, 0.0, 5)
    line = Line(90.0, 50.0)
    together = averaged(hold(circuit, supply, line, V_o=volts)).I_o
    alone = [averaged(hold(circuit, supply, line, V_o=V)).I_o for V in volts]
    assert together == pytest.approx(alone, rel=1e-6)


# --- what ends a pulse ----------------------------------------------------------------------------

ROW = np.array([5.0, 2.5])


@pytest.mark.parametrize(
    ("control", "changes", "V_dc", "ends"),
    [
        (FIXED_FREQUENCY, {}, 300.0, LIMIT),
        (FIXED_FREQUENCY, {"U1": {"max_duty": "30 %"}}, 40.0, DUTY),
        (FIXED_FREQUENCY, {"T1": {"core_area": "5 mm²"}}, 300.0, CORE),
        ("self-oscillating", {"R7": {"value": "4k7"}}, 100.0, DRIVE),
    ],
)
def test_what_comes_first(control: str, changes: dict[str, Any], V_dc: float, ends: str) -> None:
    circuit, supply = traced(board(control, **changes))
    held = hold(circuit, supply, Line(V_fixed=V_dc), V_o=ROW)
    assert held.binding(V_dc) == [ends, ends]
    limited = limit_pulse(circuit, supply, V_dc=V_dc, V_r=held.V_r)
    assert limited is not None
    shorter = held.ended(V_dc).I_off < limited.I_off
    assert np.all(shorter == (ends != LIMIT))


def test_the_duty_limit_lasts_no_longer_than_it_says() -> None:
    """0.30 of 15.38 µs at 40 V bring 1 mH to 0.185 A, less what 3 + 1.5 + 1.2 ohm take."""
    circuit, supply = traced(board(U1={"max_duty": "30 %"}))
    done = hold(circuit, supply, Line(V_fixed=40.0), V_o=ROW).ended(40.0)
    assert done.t_on * 65e3 == pytest.approx(0.30, rel=0.02)
    assert np.all(done.I_v == 0)


def test_a_free_running_pulse_keeps_its_duty_cycle() -> None:
    circuit, supply = traced(board("self-oscillating"))
    held = hold(circuit, supply, Line(V_fixed=25.0), V_o=5.0)
    done = held.ended(25.0)
    assert held.V_least is not None
    assert held.V_least > 25.0
    assert done.t_on * done.f_s == pytest.approx(0.70, rel=0.02)


def test_the_timer_s_threshold_ends_a_pulse_earlier() -> None:
    circuit, supply = traced(board(U1={"overload_voltage": "0.70 V"}))
    line = Line(V_fixed=300.0)
    currents = [averaged(hold(circuit, supply, line, V_o=5.0, timed=timed)).I_o for timed in (False, True)]
    assert currents[1] < currents[0]


def test_what_is_needed() -> None:
    unknown = board(U1={"frequency": None}, R3=None, R4=None, C1={"value": None, "capacitance": "unknown"})
    circuit, supply = traced(unknown)
    wanted = ("a part with role sense resistor", "C1.capacitance", "U1.frequency")
    assert needs(circuit, Line(230.0, 50.0)) == wanted
    assert needs(circuit, Line(V_fixed=300.0)) == (wanted[0], wanted[2])
    with pytest.raises(ValueError, match="current limit"):
        hold(circuit, supply, Line(V_fixed=300.0), V_o=5.0)


def test_a_clamp_that_was_not_traced_does_not_shrink_with_the_output() -> None:
    circuit, supply = traced(board(D4=None))
    assert supply.V_c is None
    fixed = with_fixed_clamp(supply, V_set=5.0)
    assert fixed.V_c == pytest.approx(supply.k_clamp * 15 * (5.0 + 0.45))
    short = {"V_o": 0.0, "line": Line(V_fixed=300.0)}
    assert averaged(hold(circuit, fixed, **short)).I_o > averaged(hold(circuit, supply, **short)).I_o


def test_a_clamp_that_was_traced_stays() -> None:
    _, supply = traced(board())
    assert with_fixed_clamp(supply, V_set=5.0) is supply
