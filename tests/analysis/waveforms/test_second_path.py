"""One cycle of the full simulation against numerical integration of equations written out by hand.

The full simulation solves the circuit by nodal analysis and eigenvectors. Here Kirchhoff's equations of the
same circuit are written down as they stand and integrated by a Runge-Kutta method of order 8; diodes are
switched at zero crossings that the integrator finds. Nothing but the component values is shared.

     V --- R_pri --- (L_leak | R_leak) --- (L_m | R_core | n : 1) --- drain
     drain: switch to ground; R_d and C_d to ground; diode to the clamp, C_cl | R_cl back to V
     secondary: R_sec, rectifier, output with C_o and its ESR, load resistor
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from flyback.analysis.waveforms import full
from flyback.analysis.waveforms.converter import (
    Capacitor,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Run, State

F_S = 65e3  # Hz
RTOL, ATOL = 1e-10, 1e-13
AGREES = 1e-8
"""Relative to each waveform's largest value: a hundred times the integrator's tolerance; 1e-9 was found."""

RECTIFIER, CLAMP = 0, 1
Closed = tuple[bool, bool]
"""Which of rectifier and clamp diode conduct."""


@dataclass(frozen=True, slots=True)
class Case:
    """A converter with a load resistor, and where its cycle begins."""

    V: float
    R_load: float
    D: float
    primary: Primary
    clamp: Clamp
    secondary: Secondary
    C_o: float
    ESR: float
    start: State

    def simulate(self) -> Run:
        """One period of the full simulation, with its waveforms."""
        converter = Converter(
            feed=Feed(V_fixed=self.V),
            bulk=None,
            primary=self.primary,
            clamp=self.clamp,
            secondary=self.secondary,
            output=(Capacitor(self.C_o, self.ESR),),
            control=Control(
                "fixed-frequency peak current", I_limit=float("inf"), t_delay=0.0, f_s=F_S, D_max=self.D
            ),
        )
        load = Load.constant("resistance", self.R_load)
        return full.simulate(converter, load, self.start, span=0.5 / F_S, trace=(0.0, 1 / F_S))


def starting(V: float, i_m: float, v_drain: float, v_clamp: float, v_out: float) -> State:
    return State(
        t=0.0,
        v_bulk=V,
        i_m=i_m,
        i_leak=0.0,
        v_drain=v_drain,
        v_clamp=v_clamp,
        v_out=(v_out,),
        command=0.0,
        started=0.0,
    )


DISCONTINUOUS = Case(
    V=110.0,
    R_load=5.0,
    D=0.33,
    primary=Primary(
        L_m=1.47e-3,
        L_leak=30e-6,
        R_pri=1.5,
        R_switch=3.0,
        R_s=1.8,
        C_d=40e-12,
        R_d=30.0,
        R_core=300e3,
        R_leak=6e3,
    ),
    clamp=Clamp(R_cl=150e3, C_cl=1e-9, V_d=0.8, R_d=0.2),
    secondary=Secondary(n=16.0, V_f=0.3, R_f=0.027, R_sec=0.01),
    C_o=680e-6,
    ESR=0.03,
    start=starting(110.0, 0.003, 122.0, 170.0, 5.5),
)
"""Begins with the drain ringing and ends so."""

CONTINUOUS = Case(
    V=100.0,
    R_load=6.0,
    D=0.44,
    primary=Primary(
        L_m=0.985e-3,
        L_leak=15e-6,
        R_pri=0.5,
        R_switch=0.8,
        R_s=0.6,
        C_d=80e-12,
        R_d=30.0,
        R_core=300e3,
        R_leak=6e3,
    ),
    clamp=Clamp(R_cl=47e3, C_cl=2.2e-9, V_d=0.85, R_d=0.15),
    secondary=Secondary(n=6.0, V_f=0.4, R_f=0.02, R_sec=0.012),
    C_o=680e-6,
    ESR=0.02,
    start=starting(100.0, 0.26, 174.0, 168.0, 11.9),
)
"""Begins and ends with the secondary conducting."""


# --- the circuit, written by hand -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Instant:
    """Everything in the circuit that is no state."""

    i_pri: float
    i_sec: float
    i_clamp: float
    v_m: float
    v_leak: float
    v_drain: float
    v_out: float
    forward: float
    """Voltage that would drive the rectifier on [V]."""
    above: float
    """Voltage that would drive the clamp diode on [V]."""


def instant(c: Case, y: np.ndarray, on: bool, closed: Closed) -> Instant:
    """Kirchhoff's equations at one instant; unknown are primary current, drain and magnetising voltage.

    Args:
        y: i_leak, i_m, v_drain (of its capacitance), v_clamp, v_out (of its capacitance), then integrals.
    """
    i_leak, i_m, v_d, v_c, v_o = y[:5]
    p, s, cl = c.primary, c.secondary, c.clamp
    switch = 1 / (p.R_switch + p.R_s) if on else 0.0
    diode = 1 / cl.R_d if closed[CLAMP] else 0.0
    # V = R_pri i + R_leak (i - i_leak) + v_m + v_drain
    mesh = [p.R_pri + p.R_leak, 1.0, 1.0, c.V + p.R_leak * i_leak]
    # i = (v_drain - v_d) / R_d + v_drain / R_on + (v_drain - V - v_c - V_d) / R_diode
    node = [-1.0, 1 / p.R_d + switch + diode, 0.0, v_d / p.R_d + diode * (c.V + v_c + cl.V_d)]
    output = 1 / (1 / c.R_load + 1 / c.ESR)
    if closed[RECTIFIER]:
        # i_sec = n (i_m + v_m / R_core - i), and
        # -v_m / n = V_f + (R_sec + R_f) i_sec + v_out, v_out = output (i_sec + v_o / ESR)
        R = s.R_sec + s.R_f + output
        turns = [-R * s.n, 0.0, 1 / s.n + R * s.n / p.R_core, -s.V_f - output * v_o / c.ESR - R * s.n * i_m]
    else:
        # all the primary current is in L_m and R_core
        turns = [-p.R_core, 0.0, 1.0, -p.R_core * i_m]
    system = np.array([mesh, node, turns])
    i, v_drain, v_m = np.linalg.solve(system[:, :3], system[:, 3])
    i_sec = s.n * (i_m + v_m / p.R_core - i) if closed[RECTIFIER] else 0.0
    v_out = output * (i_sec + v_o / c.ESR)
    above = v_drain - c.V - v_c - cl.V_d
    return Instant(
        i_pri=i,
        i_sec=i_sec,
        i_clamp=above / cl.R_d if closed[CLAMP] else 0.0,
        v_m=v_m,
        v_leak=p.R_leak * (i - i_leak),
        v_drain=v_drain,
        v_out=v_out,
        forward=-v_m / s.n - s.V_f - v_out,
        above=above,
    )


def slopes(c: Case, y: np.ndarray, now: Instant) -> list[float]:
    """Slopes of the states and of energy from the supply, energy to the load, and squared currents."""
    p, cl = c.primary, c.clamp
    return [
        now.v_leak / p.L_leak,
        now.v_m / p.L_m,
        (now.v_drain - y[2]) / (p.R_d * p.C_d),
        (now.i_clamp - y[3] / cl.R_cl) / cl.C_cl,
        (now.v_out - y[4]) / (c.ESR * c.C_o),
        c.V * (now.i_pri - now.i_clamp),  # the clamp hangs at the supply
        now.v_out**2 / c.R_load,
        now.i_pri**2,
        now.i_sec**2,
    ]


def conducts(now: Instant, closed: Closed) -> tuple[float, float]:
    """Above zero as long as each diode may stay as it is."""
    return (
        now.i_sec if closed[RECTIFIER] else -now.forward,
        now.i_clamp if closed[CLAMP] else -now.above,
    )


def settled(c: Case, y: np.ndarray, on: bool) -> Closed:
    """The only diodes that can conduct together at an instant when the switch has just moved."""
    fitting = [
        closed
        for closed in product((False, True), repeat=2)
        if min(conducts(instant(c, y, on, closed), closed)) >= 0
    ]
    assert len(fitting) == 1
    return fitting[0]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Between two switching instants."""

    start: float
    end: float
    on: bool
    closed: Closed
    course: Callable[[float], np.ndarray]


def stretch(c: Case, y: np.ndarray, t: float, end: float, on: bool, closed: Closed) -> Any:
    """Integrate from an instant until a diode can no longer stay as it is, or to the end."""

    def rate(_: float, y: np.ndarray) -> list[float]:
        return slopes(c, y, instant(c, y, on, closed))

    def stays(diode: int) -> Callable[[float, np.ndarray], float]:
        def guard(_: float, y: np.ndarray) -> float:
            return conducts(instant(c, y, on, closed), closed)[diode]

        guard.terminal, guard.direction = True, -1  # type: ignore[attr-defined]
        return guard

    done = solve_ivp(
        rate,
        (t, end),
        y,
        method="DOP853",
        rtol=RTOL,
        atol=ATOL,
        dense_output=True,
        events=[stays(RECTIFIER), stays(CLAMP)],
    )
    assert done.success
    return done


def integrate(c: Case) -> tuple[list[Stretch], np.ndarray]:
    """One period: its stretches, and states and integrals at the end."""
    s = c.start
    y = np.array([s.i_leak, s.i_m, s.v_drain, s.v_clamp, s.v_out[0], 0.0, 0.0, 0.0, 0.0])
    found: list[Stretch] = []
    t = 0.0
    for on, end in ((True, c.D / F_S), (False, 1 / F_S)):
        closed = settled(c, y, on)
        while t < end:
            done = stretch(c, y, t, end, on, closed)
            found.append(Stretch(t, float(done.t[-1]), on, closed, done.sol))
            t, y = float(done.t[-1]), done.y[:, -1]
            toggled = [bool(times.size) for times in done.t_events]
            closed = (closed[RECTIFIER] != toggled[RECTIFIER], closed[CLAMP] != toggled[CLAMP])
    return found, y


WAVEFORMS = ("i_pri", "i_sec", "v_drain", "v_out", "v_clamp")
FIGURES = ("P_in", "P_o", "I_p_rms", "I_s_rms")


def differences(c: Case, run: Run) -> dict[str, float]:
    """Largest difference of each waveform, end value and figure, relative to its largest value."""
    stretches, y = integrate(c)
    assert run.traces is not None
    traces = run.traces
    worst = dict.fromkeys(WAVEFORMS, 0.0)
    for part in stretches:
        # at a switching instant itself a waveform may step
        edge = 1e-6 * (part.end - part.start)
        inside = np.flatnonzero((traces.t > part.start + edge) & (traces.t < part.end - edge))
        for k in inside:
            values = part.course(float(traces.t[k]))
            now = instant(c, values, part.on, part.closed)
            by_hand = (now.i_pri, now.i_sec, now.v_drain, now.v_out, values[3])
            for name, value in zip(WAVEFORMS, by_hand, strict=True):
                course = getattr(traces, name)
                gap = abs(float(course[k]) - value) / float(np.abs(course).max())
                worst[name] = max(worst[name], gap)
    end, f = run.state, run.figures
    ours = (end.i_leak, end.i_m, end.v_drain, end.v_clamp, end.v_out[0])
    scales = (f.I_pk, f.I_pk, f.V_ds, end.v_clamp, end.v_out[0])
    for name, mine, theirs, scale in zip(
        ("i_leak", "i_m", "v_d", "v_c", "v_o"), ours, y[:5], scales, strict=True
    ):
        worst[f"end {name}"] = abs(mine - theirs) / scale
    P_in, P_o, square_p, square_s = y[5:] * F_S
    for name, by_hand in zip(FIGURES, (P_in, P_o, square_p**0.5, square_s**0.5), strict=True):
        worst[name] = abs(getattr(f, name) / by_hand - 1)
    return worst


@pytest.mark.parametrize("case", [DISCONTINUOUS, CONTINUOUS], ids=["DCM", "CCM"])
def test_one_cycle_against_numerical_integration(case: Case) -> None:
    found = differences(case, case.simulate())
    assert max(found.values()) < AGREES, found


@pytest.mark.parametrize(
    ("case", "begins", "ends"),
    [
        pytest.param(DISCONTINUOUS, (False, False), (False, False), id="DCM"),
        pytest.param(CONTINUOUS, (True, False), (True, False), id="CCM"),
    ],
)
def test_the_cycles_are_what_they_are_meant_to_be(case: Case, begins: Closed, ends: Closed) -> None:
    """Both diodes conduct at some time, and the secondary at the period's ends only in CCM."""
    stretches, _ = integrate(case)
    assert (stretches[0].closed, stretches[-1].closed) == (begins, ends)
    assert {part.closed for part in stretches} >= {(True, True), (True, False), (False, False)}


@pytest.mark.parametrize(
    ("part", "value"),
    [
        *(
            ("primary", v)
            for v in ("L_m", "L_leak", "R_pri", "R_switch", "R_s", "C_d", "R_d", "R_core", "R_leak")
        ),
        *(("clamp", v) for v in ("R_cl", "C_cl", "V_d", "R_d")),
        *(("secondary", v) for v in ("n", "V_f", "R_f", "R_sec")),
        *(("", v) for v in ("V", "R_load", "C_o", "ESR")),
    ],
)
def test_one_thousandth_of_any_component_is_noticed(part: str, value: str) -> None:
    changed = getattr(DISCONTINUOUS, part) if part else DISCONTINUOUS
    changed = replace(changed, **{value: 1.001 * getattr(changed, value)})
    other = replace(DISCONTINUOUS, **{part: changed}) if part else changed
    assert max(differences(DISCONTINUOUS, other.simulate()).values()) > 10 * AGREES
