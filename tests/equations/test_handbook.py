"""Switching cycle and output against circuits integrated in time; the mains side stands next door.

Units cannot tell a mean from an rms value, nor half an energy from the whole, so the formulas with
pi, a root or geometry in them meet a waveform here that shares no code with them.
"""

from __future__ import annotations

import ast
import inspect
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp  # type: ignore[import-untyped]
from scipy.optimize import brentq  # type: ignore[import-untyped]

from flyback.equations import clamp, output, rectifier, regulation, switch, transformer
from flyback.equations.formula import FORMULAS

EXACT = 1e-9
"""Relative difference left to the integration where the formula has no approximation."""

Slopes = Callable[[float, Any], list[float]]


def run(
    slopes: Slopes, start: list[float], until: Callable[[Any], float], span: float
) -> tuple[float, list[float]]:
    """Integrate until a quantity crosses zero, or the span is over; the time passed and the state then."""

    def crossing(_: float, state: Any) -> float:
        return until(state)

    crossing.terminal = True  # type: ignore[attr-defined]
    solution = solve_ivp(
        slopes,
        (0.0, span),
        start,
        events=crossing,
        method="DOP853",
        rtol=1e-12,
        atol=1e-15,
        max_step=span / 20,
    )
    return float(solution.t[-1]), [float(value) for value in solution.y[:, -1]]


# Switching cycle without drain capacitance: source, leakage, clamp, secondary


@dataclass(frozen=True, slots=True)
class Converter:
    """Ideal switch and diodes, held clamp and output; every voltage seen from the primary."""

    V_on: float
    V_r: float
    V_c: float
    L_p: float
    L_leak: float
    I_pk: float
    f_s: float

    @property
    def L_m(self) -> float:
        return self.L_p - self.L_leak


@dataclass(frozen=True, slots=True)
class Cycle:
    """One cycle: energies as time integrals of voltage x current, times and currents as they passed."""

    source: float
    clamp: float
    secondary: float
    charge: float
    t_reset: float
    t_dem: float
    I_at_reset: float
    I_end: float


def cycle(circuit: Converter, I_v: float) -> Cycle:
    """Integrate the cycle that starts with a magnetising current.

    The state is the primary current, the magnetising current, and the energies of source, clamp and
    secondary with the secondary's charge. In continuous conduction the cycle starts with the leakage:
    the primary current must first climb to the magnetising current, while the secondary still conducts.
    """
    L_leak, L_m, V_on, V_r, V_c = circuit.L_leak, circuit.L_m, circuit.V_on, circuit.V_r, circuit.V_c

    def phase(p: float, m: float, *, source: float = 0, clamp: float = 0, secondary: float = 0) -> Slopes:
        """Slopes of the two currents, and the voltages against which they do work."""

        def slopes(_: float, y: Any) -> list[float]:
            moved = y[1] - y[0] if secondary else 0.0
            return [p, m, source * y[0], clamp * y[0], secondary * moved, moved]

        return slopes

    period = 1 / circuit.f_s
    state, elapsed = [0.0, I_v, 0.0, 0.0, 0.0, 0.0], 0.0
    if I_v > 0:
        commutation = phase((V_on + V_r) / L_leak, -V_r / L_m, source=V_on, secondary=V_r)
        elapsed, state = run(commutation, state, lambda y: y[0] - y[1], period)
    rise = phase(V_on / circuit.L_p, V_on / circuit.L_p, source=V_on)
    t_on, state = run(rise, state, lambda y: y[0] - circuit.I_pk, period)
    reset = phase(-(V_c - V_r) / L_leak, -V_r / L_m, clamp=V_c, secondary=V_r)
    t_reset, state = run(reset, state, lambda y: y[0], period)
    I_at_reset, rest = state[1], period - elapsed - t_on - t_reset
    fall = phase(0.0, -V_r / L_m, secondary=V_r)
    t_fall, state = run(fall, [0.0, *state[1:]], lambda y: y[1], rest)
    _, I_end, source, clamped, secondary, charge = state
    return Cycle(source, clamped, secondary, charge, t_reset, t_reset + t_fall, I_at_reset, I_end)


def steady_cycle(circuit: Converter) -> tuple[float, Cycle]:
    """The magnetising current at turn-on that comes back after one period, and that period."""

    def drift(I_v: float) -> float:
        return cycle(circuit, I_v).I_end - I_v

    I_v = 0.0 if drift(0.0) < EXACT else float(brentq(drift, 0.0, 0.999 * circuit.I_pk, xtol=1e-14))
    return I_v, cycle(circuit, I_v)


DISCONTINUOUS = (
    Converter(V_on=127.0, V_r=75.0, V_c=150.0, L_p=1.00e-3, L_leak=25e-6, I_pk=0.70, f_s=65e3),
    Converter(V_on=325.0, V_r=77.0, V_c=150.0, L_p=0.68e-3, L_leak=17e-6, I_pk=0.82, f_s=70e3),
    Converter(V_on=325.0, V_r=75.0, V_c=90.0, L_p=2.50e-3, L_leak=90e-6, I_pk=0.28, f_s=40e3),
)
CONTINUOUS = (
    Converter(V_on=90.0, V_r=75.3, V_c=150.0, L_p=1.00e-3, L_leak=20e-6, I_pk=1.26, f_s=65e3),
    Converter(V_on=325.0, V_r=75.3, V_c=150.0, L_p=1.00e-3, L_leak=20e-6, I_pk=1.31, f_s=65e3),
    Converter(V_on=127.0, V_r=75.3, V_c=150.0, L_p=1.00e-3, L_leak=40e-6, I_pk=1.60, f_s=65e3),
)

discontinuous = pytest.mark.parametrize("circuit", DISCONTINUOUS, ids=str)
continuous = pytest.mark.parametrize("circuit", CONTINUOUS, ids=str)
both_modes = pytest.mark.parametrize("circuit", DISCONTINUOUS + CONTINUOUS, ids=str)


def leakage_power(circuit: Converter) -> Any:
    return clamp.leakage_power(L_leak=circuit.L_leak, I_pk=circuit.I_pk, f_s=circuit.f_s)


def clamp_power(circuit: Converter) -> Any:
    return clamp.clamp_power(P_leak=leakage_power(circuit), V_c=circuit.V_c, V_r=circuit.V_r)


def valley_current(circuit: Converter) -> Any:
    swing = transformer.boundary_swing(
        L_p=circuit.L_p, V_on=circuit.V_on, L_m=circuit.L_m, V_r=circuit.V_r, f_s=circuit.f_s
    )
    return transformer.valley_current(I_pk=circuit.I_pk, I_bcm=swing)


def stored_power(circuit: Converter) -> Any:
    return transformer.stored_power(
        L_p=circuit.L_p, I_pk=circuit.I_pk, I_v=valley_current(circuit), f_s=circuit.f_s
    )


@both_modes
def test_the_waveform_balances(circuit: Converter) -> None:
    _, seen = steady_cycle(circuit)
    assert seen.clamp + seen.secondary == pytest.approx(seen.source, rel=EXACT)


@discontinuous
def test_energy_balance(circuit: Converter) -> None:
    I_v, seen = steady_cycle(circuit)
    assert I_v == 0
    stored, clamped = stored_power(circuit), clamp_power(circuit)
    secondary = rectifier.secondary_power(P_store=stored, P_fill=0.0, P_clamp=clamped, P_swing=0.0)
    put_in = seen.source * circuit.f_s
    assert stored == pytest.approx(put_in, rel=EXACT)
    assert clamped == pytest.approx(seen.clamp * circuit.f_s, abs=EXACT * put_in)
    assert secondary == pytest.approx(seen.secondary * circuit.f_s, abs=EXACT * put_in)


@continuous
def test_energy_balance_in_continuous_conduction(circuit: Converter) -> None:
    """The valley current is the one at which the leakage has been filled again, just after turn-on."""
    I_v, seen = steady_cycle(circuit)
    stored, clamped, lowest = stored_power(circuit), clamp_power(circuit), valley_current(circuit)
    fill = clamp.refill_power(
        L_leak=circuit.L_leak, I_v=lowest, V_dc=circuit.V_on, V_r=circuit.V_r, f_s=circuit.f_s
    )
    secondary = rectifier.secondary_power(P_store=stored, P_fill=fill, P_clamp=clamped, P_swing=0.0)
    taken = rectifier.input_power(P_store=stored, P_fill=fill, P_cond=0.0, P_close=0.0)
    put_in = seen.source * circuit.f_s
    assert clamped == pytest.approx(seen.clamp * circuit.f_s, abs=EXACT * put_in)
    assert taken == pytest.approx(put_in, rel=EXACT)
    assert secondary == pytest.approx(seen.secondary * circuit.f_s, abs=EXACT * put_in)
    t_fill = circuit.L_leak * lowest / (circuit.V_on + circuit.V_r)
    assert lowest == pytest.approx(I_v - circuit.V_r * t_fill / circuit.L_m, rel=EXACT)


@both_modes
def test_leakage_reset(circuit: Converter) -> None:
    _, seen = steady_cycle(circuit)
    t_reset = clamp.leakage_reset_time(
        L_leak=circuit.L_leak, I_pk=circuit.I_pk, V_c=circuit.V_c, V_r=circuit.V_r
    )
    assert t_reset == pytest.approx(seen.t_reset, rel=EXACT)
    n = 15.0
    peak = rectifier.secondary_peak_current(
        n=n, I_pk=circuit.I_pk, V_r=circuit.V_r, t_reset=t_reset, L_m=circuit.L_m
    )
    assert peak == pytest.approx(n * seen.I_at_reset, rel=EXACT)


@discontinuous
def test_demagnetisation_and_constant_current(circuit: Converter) -> None:
    _, seen = steady_cycle(circuit)
    t_dem = transformer.full_demagnetisation_time(L_m=circuit.L_m, I_pk=circuit.I_pk, V_r=circuit.V_r)
    assert t_dem == pytest.approx(seen.t_dem, rel=EXACT)
    current = regulation.constant_current_output(
        n=15.0, I_pk=circuit.I_pk, t_dem=t_dem, t_reset=seen.t_reset, f_s=circuit.f_s
    )
    assert current == pytest.approx(15.0 * seen.charge * circuit.f_s, rel=EXACT)


@pytest.mark.parametrize("R_cl", [10e3, 47e3, 220e3])
@discontinuous
def test_clamp_resistor_voltage(circuit: Converter, R_cl: float) -> None:
    V_c = clamp.clamp_resistor_voltage(R_cl=R_cl, P_leak=leakage_power(circuit), V_r=circuit.V_r)
    _, seen = steady_cycle(replace(circuit, V_c=float(V_c)))
    assert V_c**2 / R_cl == pytest.approx(seen.clamp * circuit.f_s, rel=EXACT)


@given(R_cl=st.floats(1e2, 1e7), P_leak=st.floats(1e-3, 10), V_r=st.floats(10, 200))
def test_clamp_resistor_voltage_satisfies_its_balance(R_cl: float, P_leak: float, V_r: float) -> None:
    V_c = clamp.clamp_resistor_voltage(R_cl=R_cl, P_leak=P_leak, V_r=V_r)
    assert V_c * (V_c - V_r) == pytest.approx(R_cl * P_leak, rel=1e-6)


# Drain capacitance


L_P, C_D, V_DC, V_R, I_OFF, F_S = 1e-3, 80e-12, 127.0, 75.0, 0.6, 65e3


@cache
def free_running_cycle() -> dict[str, float]:
    """On, lift of the drain, demagnetisation and half a ringing, without leakage, in time.

    The state is the magnetising current, the drain voltage and the energies of source and secondary.
    """

    def on(_: float, y: Any) -> list[float]:
        return [V_DC / L_P, 0.0, V_DC * y[0], 0.0]

    def ring(_: float, y: Any) -> list[float]:
        return [(V_DC - y[1]) / L_P, y[0] / C_D, V_DC * y[0], 0.0]

    def demagnetise(_: float, y: Any) -> list[float]:
        return [-V_R / L_P, 0.0, 0.0, V_R * y[0]]

    t_on, opened = run(on, [0.0, 0.0, 0.0, 0.0], lambda y: y[0] - I_OFF, 1e-4)
    _, at_supply = run(ring, opened, lambda y: y[1] - V_DC, 1e-6)
    _, lifted = run(ring, opened, lambda y: y[1] - V_DC - V_R, 1e-6)
    _, empty = run(demagnetise, lifted, lambda y: y[0], 1e-4)
    # A nudge takes the current below zero, so that its return to zero is the first trough.
    t_ring, trough = run(ring, [-1e-12, *empty[1:]], lambda y: y[0], 1e-5)
    return {
        "t_on": t_on,
        "I_pk": at_supply[0],
        "swing": L_P * (at_supply[0] ** 2 - lifted[0] ** 2) / 2,
        "t_ring": t_ring,
        "V_close": trough[1],
        "source": trough[2],
        "secondary": trough[3],
    }


def test_on_time_and_peak_current() -> None:
    seen = free_running_cycle()
    assert switch.on_time(L_p=L_P, I_off=I_OFF, I_v=0.0, V_on=V_DC) == pytest.approx(
        seen["t_on"], rel=EXACT
    )
    peak = switch.peak_current(I_off=I_OFF, C_d=C_D, V_dc=V_DC, L_p=L_P)
    assert peak == pytest.approx(seen["I_pk"], rel=EXACT)
    assert switch.opening_current(I_pk=seen["I_pk"], C_d=C_D, V_dc=V_DC, L_p=L_P) == pytest.approx(
        I_OFF, rel=EXACT
    )


def test_drain_swing_and_ringing() -> None:
    seen = free_running_cycle()
    swing = clamp.drain_swing_power(C_d=C_D, V_r=V_R, f_s=F_S)
    assert swing == pytest.approx(seen["swing"] * F_S, rel=1e-7)
    assert transformer.ringing_half_period(L_p=L_P, C_d=C_D) == pytest.approx(seen["t_ring"], rel=1e-7)
    assert switch.valley_closing_voltage(V_dc=V_DC, V_r=V_R) == pytest.approx(seen["V_close"], rel=1e-7)


def test_energy_balance_with_drain_capacitance() -> None:
    seen = free_running_cycle()
    stored = transformer.stored_power(L_p=L_P, I_pk=seen["I_pk"], I_v=0.0, f_s=F_S)
    swing = clamp.drain_swing_power(C_d=C_D, V_r=V_R, f_s=F_S)
    closing = switch.closing_power(C_d=C_D, V_dc=V_DC, V_close=seen["V_close"], f_s=F_S)
    put_in = seen["source"] * F_S
    taken = rectifier.input_power(P_store=stored, P_fill=0.0, P_cond=0.0, P_close=closing)
    handed_on = rectifier.secondary_power(P_store=stored, P_fill=0.0, P_clamp=0.0, P_swing=swing)
    assert taken == pytest.approx(put_in, rel=EXACT)
    assert handed_on == pytest.approx(seen["secondary"] * F_S, abs=EXACT * put_in)


# Boundary of the conduction modes


def jump(function: Callable[[float], float], at: float) -> float:
    """Relative difference of a function's values a hair to both sides of a point."""
    below, above = function(at * (1 - 1e-10)), function(at * (1 + 1e-10))
    return abs(above - below) / max(abs(below), abs(above))


small_supplies = given(
    L_p=st.floats(1e-4, 1e-2),
    leak=st.floats(0, 0.1),
    V_on=st.floats(20, 400),
    V_r=st.floats(20, 200),
    f_s=st.floats(2e4, 2e5),
)


@small_supplies
def test_nothing_jumps_where_the_modes_meet(
    L_p: float, leak: float, V_on: float, V_r: float, f_s: float
) -> None:
    L_m = L_p * (1 - leak)
    I_bcm = transformer.boundary_swing(L_p=L_p, V_on=V_on, L_m=L_m, V_r=V_r, f_s=f_s)

    def valley(I_pk: float) -> Any:
        return transformer.valley_current(I_pk=I_pk, I_bcm=I_bcm)

    def demagnetisation(I_pk: float) -> float:
        return float(transformer.demagnetisation_time(L_m=L_m, I_pk=I_pk, I_v=valley(I_pk), V_r=V_r))

    def stored(I_pk: float) -> float:
        return float(transformer.stored_power(L_p=L_p, I_pk=I_pk, I_v=valley(I_pk), f_s=f_s))

    assert valley(I_bcm) == 0
    assert valley(I_bcm * (1 + 1e-10)) < 1e-9 * I_bcm
    assert jump(demagnetisation, I_bcm) < EXACT
    assert jump(stored, I_bcm) < EXACT


@small_supplies
def test_continuous_conduction_fills_the_period(
    L_p: float, leak: float, V_on: float, V_r: float, f_s: float
) -> None:
    L_m = L_p * (1 - leak)
    I_bcm = transformer.boundary_swing(L_p=L_p, V_on=V_on, L_m=L_m, V_r=V_r, f_s=f_s)
    I_pk = 2 * I_bcm
    I_v = transformer.valley_current(I_pk=I_pk, I_bcm=I_bcm)
    t_on = switch.on_time(L_p=L_p, I_off=I_pk, I_v=I_v, V_on=V_on)
    t_dem = transformer.demagnetisation_time(L_m=L_m, I_pk=I_pk, I_v=I_v, V_r=V_r)
    assert (t_on + t_dem) * f_s == pytest.approx(1, rel=EXACT)
    lowest = transformer.lowest_voltage_for_duty(V_r=V_r, D_max=t_on * f_s, L_p=L_p, L_m=L_m, V_sat=0.0)
    assert lowest == pytest.approx(V_on, rel=1e-6)


def test_a_jump_would_be_noticed() -> None:
    assert jump(lambda x: x if x < 1 else 1.001 * x, at=1.0) > 9e-4


# Secondary and output capacitor


@dataclass(frozen=True, slots=True)
class Secondary:
    """A secondary current that falls straight from its peak to its end and rests until the next pulse."""

    I_s_pk: float
    I_s_end: float
    t_dem: float
    f_s: float

    def current(self, time: float) -> float:
        return self.I_s_pk - (self.I_s_pk - self.I_s_end) * time / self.t_dem

    def mean(self, function: Callable[[float], float]) -> float:
        """Average of a function of the current over one period, the rest included."""
        conducting, _ = quad(lambda t: function(self.current(t)), 0, self.t_dem, epsabs=0)
        return float((conducting + (1 / self.f_s - self.t_dem) * function(0.0)) * self.f_s)

    @property
    def I_o(self) -> float:
        return self.mean(lambda current: current)

    @property
    def I_s_rms(self) -> float:
        return math.sqrt(self.mean(lambda current: current**2))


SECONDARIES = (
    Secondary(I_s_pk=10.5, I_s_end=0.0, t_dem=4.4e-6, f_s=70e3),
    Secondary(I_s_pk=7.0, I_s_end=0.0, t_dem=8e-6, f_s=65e3),
    Secondary(I_s_pk=7.5, I_s_end=3.8, t_dem=8e-6, f_s=65e3),
    Secondary(I_s_pk=7.5, I_s_end=6.0, t_dem=12e-6, f_s=65e3),
)
secondaries = pytest.mark.parametrize("pulse", SECONDARIES, ids=str)


@secondaries
def test_rms_currents(pulse: Secondary) -> None:
    I_s_rms = rectifier.secondary_rms_current(
        I_s_pk=pulse.I_s_pk, I_s_end=pulse.I_s_end, t_dem=pulse.t_dem, f_s=pulse.f_s
    )
    assert I_s_rms == pytest.approx(pulse.I_s_rms, rel=EXACT)
    # the primary's rise is the same trapezoid run backwards
    primary = {"I_off": pulse.I_s_pk, "I_v": pulse.I_s_end, "t_on": pulse.t_dem, "f_s": pulse.f_s}
    assert switch.primary_rms_current(**primary) == pytest.approx(pulse.I_s_rms, rel=EXACT)
    assert switch.primary_mean_current(**primary) == pytest.approx(pulse.I_o, rel=EXACT)
    ripple = math.sqrt(pulse.mean(lambda current: (current - pulse.I_o) ** 2))
    assert output.capacitor_ripple_current(I_s_rms=I_s_rms, I_o=pulse.I_o) == pytest.approx(
        ripple, rel=EXACT
    )


@secondaries
@pytest.mark.parametrize("R_esr", [0.0, 0.03, 0.1])
def test_output_current(pulse: Secondary, R_esr: float) -> None:
    """Power of the winding integrated in time, its voltage as the current passes winding and capacitor."""
    V_o, V_f, R_sec, I_o = 5.0, 0.45, 0.02, pulse.I_o
    P_sec = pulse.mean(lambda i: i * (V_o + V_f + R_sec * i + R_esr * (i - I_o)))
    secondary = {"V_o": V_o, "V_f": V_f, "I_s_rms": pulse.I_s_rms, "R_sec": R_sec, "R_esr": R_esr}
    assert rectifier.output_current(P_sec=P_sec, **secondary) == pytest.approx(I_o, rel=EXACT)


def ripple_in_time(pulse: Secondary, R_esr: float, C_o: float) -> float:
    """Peak to peak of ESR drop plus capacitor voltage, charge summed up over one period."""
    conducting, resting = (
        np.linspace(0, pulse.t_dem, 20_001),
        np.linspace(pulse.t_dem, 1 / pulse.f_s, 2_001),
    )
    time = np.concatenate([conducting, resting])
    current = np.concatenate([pulse.current(conducting), np.zeros_like(resting)]) - pulse.I_o  # type: ignore[arg-type]
    charge = np.concatenate([[0.0], np.cumsum(np.diff(time) * (current[1:] + current[:-1]) / 2)])
    return float(np.ptp(R_esr * current + charge / C_o))


@secondaries
@pytest.mark.parametrize("C_o", [100e-6, 680e-6, 2200e-6])
@pytest.mark.parametrize("R_esr", [1e-4, 3e-3, 0.03, 0.2])
def test_output_ripple(pulse: Secondary, R_esr: float, C_o: float) -> None:
    ends = {"I_s_pk": pulse.I_s_pk, "I_s_end": pulse.I_s_end, "I_o": pulse.I_o, "t_dem": pulse.t_dem}
    t_top = output.ripple_crest_time(**ends, R_esr=R_esr, C_o=C_o)
    ripple = output.output_ripple(**ends, t_top=t_top, R_esr=R_esr, C_o=C_o)
    assert ripple == pytest.approx(ripple_in_time(pulse, R_esr, C_o), rel=1e-6)


def test_ripple_parts_added_as_peaks_would_be_noticed() -> None:
    pulse, R_esr, C_o = SECONDARIES[0], 0.03, 100e-6
    capacitor_alone = ripple_in_time(pulse, 0.0, C_o)
    assert ripple_in_time(pulse, R_esr, C_o) < 0.9 * (R_esr * pulse.I_s_pk + capacitor_alone)


# By hand


def test_coefficient_limit_current() -> None:
    # 0.5 A, squared, at 66 kHz is 16 500 A^2 Hz
    assert switch.coefficient_limit_current(K_power=16_500.0, f_s=66e3) == pytest.approx(0.5)


# None is left out


def names_called(text: str) -> set[str]:
    """Every name used as ``module.name`` in a source text."""
    return {node.attr for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Attribute)}


NEEDS_A_CHECK = {"pi", "sqrt", "exp", "log", "sin", "cos", "arcsin", "arccos", "arctan"}


def test_every_root_and_every_two_pi_is_checked_here() -> None:
    files = [*Path(__file__).parent.glob("test_handbook*.py"), Path(__file__).with_name("test_by_hand.py")]
    checked = {name for file in files for name in names_called(file.read_text(encoding="utf-8"))}
    delicate = {
        name
        for name, made in FORMULAS.items()
        if names_called(inspect.getsource(made.function)) & NEEDS_A_CHECK
    }
    assert len(delicate) > 10
    assert sorted(delicate - checked) == []
