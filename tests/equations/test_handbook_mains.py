"""Mains rectifier and bulk against the circuit integrated in time: ideal diodes, series resistance,
capacitor, constant-power load.

Units cannot tell f from 2 pi f, so the formulas with an angle or a root meet a waveform here that
shares no code with them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import pytest
from scipy.integrate import quad, solve_ivp  # type: ignore[import-untyped]

from flyback.equations import mains

EXACT = 1e-9
"""Relative difference left to the integration where the formula has no approximation."""

Slopes = Callable[[float, Any], list[float]]


@dataclass(frozen=True, slots=True)
class Rectifier:
    """A rectifier of ideal diodes with series resistance, a bulk capacitor and a constant-power load."""

    n_pulse: int
    V_crest: float
    C_bulk: float
    P_bulk: float
    R_series: float
    f_line: float = 50.0

    @property
    def period(self) -> float:
        return 1 / (self.n_pulse * self.f_line)

    def mains(self, time: float) -> float:
        """The rectified sine, with a crest at time zero."""
        sine = self.V_crest * math.cos(2 * math.pi * self.f_line * time)
        return abs(sine) if self.n_pulse == 2 else sine


@dataclass(frozen=True, slots=True)
class Charging:
    """One charging period in the steady state: what the waveform shows."""

    theta: float
    V_depart: float
    t_meet: float
    V_meet: float
    V_lowest: float
    V_mean: float


@cache
def waveform(circuit: Rectifier) -> Charging:
    """The last of a few periods, from the moment the rectifier stops conducting until it stops again."""
    period, P, C, R = circuit.period, circuit.P_bulk, circuit.C_bulk, circuit.R_series

    def alone(_: float, y: Any) -> list[float]:
        return [-P / (C * y[0]), y[0]]

    def charging(t: float, y: Any) -> list[float]:
        return [((circuit.mains(t) - y[0]) / R - P / y[0]) / C, y[0]]

    def equal(t: float, y: Any) -> float:
        return circuit.mains(t) - float(y[0])

    def integrate(slopes: Slopes, start: float, state: Any, direction: int) -> Any:
        equal.terminal, equal.direction = True, direction  # type: ignore[attr-defined]
        span = (start, start + 1.5 * period)
        found = solve_ivp(
            slopes, span, state, events=equal, method="LSODA", rtol=1e-10, atol=1e-10, max_step=period / 100
        )
        assert found.t_events[0].size, "the bulk and the mains never meet"
        return found

    charge = integrate(charging, 0.0, [0.999 * circuit.V_crest, 0.0], direction=-1)
    for _ in range(PERIODS):
        depart, left = charge.t_events[0][0], charge.y_events[0][0]
        discharge = integrate(alone, depart, left, direction=1)
        meet, met = discharge.t_events[0][0], discharge.y_events[0][0]
        charge = integrate(charging, meet, met, direction=-1)
    return Charging(
        theta=2 * math.pi * circuit.f_line * (depart - (PERIODS - 1) * period),
        V_depart=left[0],
        t_meet=meet - (PERIODS - 1) * period,
        V_meet=met[0],
        V_lowest=min(charge.y[0]),
        V_mean=(charge.y_events[0][0][1] - left[1]) / period,
    )


def departure_angle(circuit: Rectifier) -> float:
    return float(
        mains.departure_angle(
            P_bulk=circuit.P_bulk,
            V_crest=circuit.V_crest,
            C_bulk=circuit.C_bulk,
            R_series=circuit.R_series,
            f_line=circuit.f_line,
        )
    )


USUAL = (  # the rectifier conducts for at least nine times R C
    Rectifier(2, 127.0, 4.7e-6, 3.0, 0.5),
    Rectifier(2, 127.0, 4.7e-6, 3.0, 22.0),
    Rectifier(2, 127.0, 22e-6, 14.0, 0.5),
    Rectifier(2, 127.0, 22e-6, 14.0, 10.0),
    Rectifier(2, 127.0, 100e-6, 15.0, 0.5),
    Rectifier(2, 373.0, 22e-6, 14.0, 5.0),
    Rectifier(2, 163.0, 47e-6, 30.0, 2.0, f_line=60.0),
    Rectifier(1, 163.0, 4.7e-6, 1.5, 10.0, f_line=60.0),
    Rectifier(1, 325.0, 2.2e-6, 3.0, 10.0),
    Rectifier(1, 325.0, 4.7e-6, 3.0, 22.0),
    Rectifier(1, 325.0, 22e-6, 15.0, 5.0),
)
SLOW = (  # it conducts for one to five times R C: the charging pulse is too short to settle
    Rectifier(2, 127.0, 100e-6, 15.0, 5.0),
    Rectifier(2, 127.0, 20e-6, 3.0, 22.0),
    Rectifier(2, 127.0, 100e-6, 3.0, 5.0),
    Rectifier(1, 325.0, 20e-6, 3.0, 22.0),
    Rectifier(1, 325.0, 100e-6, 3.0, 5.0),
)

PERIODS = 4
"""The first is left behind: it starts at the crest, as if nothing had been drawn before."""

usual = pytest.mark.parametrize("circuit", USUAL, ids=str)


@usual
def test_departure(circuit: Rectifier) -> None:
    seen, theta = waveform(circuit), departure_angle(circuit)
    assert theta == pytest.approx(seen.theta, abs=math.radians(0.1))
    assert mains.departure_voltage(V_crest=circuit.V_crest, theta=theta) == pytest.approx(
        seen.V_depart, rel=5e-4
    )


@pytest.mark.parametrize("circuit", SLOW, ids=str)
def test_departure_from_a_slow_charge(circuit: Rectifier) -> None:
    seen, theta = waveform(circuit), departure_angle(circuit)
    assert theta > seen.theta
    assert mains.departure_voltage(V_crest=circuit.V_crest, theta=theta) == pytest.approx(
        seen.V_depart, rel=0.01
    )


VERY_SLOW = (*SLOW, Rectifier(2, 325.0, 68e-6, 10.0, 10.0))


@pytest.mark.parametrize("circuit", USUAL + VERY_SLOW, ids=str)
def test_departure_with_the_start_of_the_charge(circuit: Rectifier) -> None:
    """Three steps from the first estimate, however slow the charge is."""
    seen, theta = waveform(circuit), departure_angle(circuit)
    for _ in range(3):
        theta = mains.departure_angle_step(
            theta=theta,
            V_valley=seen.V_meet,
            P_bulk=circuit.P_bulk,
            V_crest=circuit.V_crest,
            C_bulk=circuit.C_bulk,
            R_series=circuit.R_series,
            f_line=circuit.f_line,
        )
    assert theta == pytest.approx(seen.theta, abs=math.radians(0.1))
    assert mains.departure_voltage(V_crest=circuit.V_crest, theta=theta) == pytest.approx(
        seen.V_depart, rel=5e-4
    )


def test_departure_of_a_heavily_loaded_bulk() -> None:
    """The load's current is taken at the crest voltage; a bulk that sinks far departs a little later."""
    circuit = Rectifier(2, 127.0, 47e-6, 30.0, 10.0)
    assert departure_angle(circuit) == pytest.approx(waveform(circuit).theta, abs=math.radians(0.25))


@pytest.mark.parametrize("factor", [2 * math.pi, 1 / (2 * math.pi)])
def test_a_wrong_two_pi_would_be_noticed(factor: float) -> None:
    circuit = USUAL[0]
    wrong = replace(circuit, f_line=circuit.f_line * factor)
    assert departure_angle(wrong) != pytest.approx(waveform(circuit).theta, abs=math.radians(1))


@usual
def test_meeting(circuit: Rectifier) -> None:
    seen = waveform(circuit)
    t_meet = mains.meeting_time(
        V_valley=seen.V_meet, V_crest=circuit.V_crest, f_line=circuit.f_line, n_pulse=circuit.n_pulse
    )
    assert t_meet == pytest.approx(seen.t_meet, rel=EXACT)
    # The series resistance lets the bulk sink a little after the mains has met it.
    assert seen.V_lowest == pytest.approx(seen.V_meet, rel=3e-3)


@usual
def test_bulk_power(circuit: Rectifier) -> None:
    seen = waveform(circuit)
    power = mains.bulk_power(
        C_bulk=circuit.C_bulk,
        V_depart=seen.V_depart,
        V_valley=seen.V_meet,
        t_meet=seen.t_meet,
        theta=seen.theta,
        f_line=circuit.f_line,
    )
    assert power == pytest.approx(circuit.P_bulk, rel=1e-7)


@usual
def test_bulk_mean_voltage(circuit: Rectifier) -> None:
    seen = waveform(circuit)
    mean = mains.bulk_mean_voltage(
        V_crest=circuit.V_crest,
        V_depart=seen.V_depart,
        V_valley=seen.V_meet,
        t_meet=seen.t_meet,
        theta=seen.theta,
        f_line=circuit.f_line,
        n_pulse=circuit.n_pulse,
        R_series=circuit.R_series,
        P_bulk=circuit.P_bulk,
    )
    # the drop of the charging current is taken at the departure voltage, a little above the mean
    assert mean == pytest.approx(seen.V_mean, rel=2e-3)


def test_crest_voltage() -> None:
    crest = mains.crest_voltage(V_ac=230.0, V_bridge=1.6) + 1.6
    square, _ = quad(lambda angle: (crest * math.sin(angle)) ** 2, 0, math.pi)
    assert math.sqrt(square / math.pi) == pytest.approx(230.0, rel=EXACT)


def test_valley_at_assumed_conduction() -> None:
    V_ac, P, C, f, t_charge = 90.0, 12.0, 22e-6, 50.0, 3e-3
    span = (0.0, 0.5 / f - t_charge)
    bulk = solve_ivp(lambda _, v: -P / (C * v), span, [V_ac * math.sqrt(2)], rtol=1e-12, atol=1e-12)
    valley = mains.valley_at_assumed_conduction(
        V_ac=V_ac, P_bulk=P, C_bulk=C, f_line=f, n_pulse=2.0, t_charge=t_charge
    )
    assert valley == pytest.approx(bulk.y[0, -1], rel=EXACT)
