"""The bulk capacitor under load: valley where the power it can give equals the power that is taken.

One equation in the valley voltage is solved: feeding power and valley back into each other would
oscillate on a small bulk.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from flyback.analysis.circuit import Circuit, Supply
from flyback.equations import mains
from flyback.equations.formula import Real, solved, unrecorded

START = 0.7
"""Share of the crest from which the search for a valley starts when nothing better is known."""

MOST_STEPS = 60
"""Most steps of the search; it ends earlier once every element is solved to `SOLVED`."""

SOLVED = 1e-10
"""Relative difference of the two powers at which the search stops for one set of numbers."""

SOLVED_SAMPLES = 1e-7
"""The same for arrays of samples, far below what a band can show."""

SETTLED = 1e-6
"""Largest relative difference of the two powers that counts as solved."""

ANGLE_STEPS = 3
"""Newton steps for the departure angle where there is a series resistance."""

THETA_STEPS = 6
"""Fixed-point steps for the power at a given valley; the departure angle depends on it weakly."""


@dataclass(frozen=True, slots=True)
class Line:
    """What feeds the supply: mains, or a fixed voltage from a bench supply.

    Attributes:
        V_ac, f_line: mains [V rms, Hz]; None for a bench supply.
        V_fixed: voltage straight at the bulk [V]; None on mains.
    """

    V_ac: Real | None = None
    f_line: Real | None = None
    V_fixed: Real | None = None

    @property
    def name(self) -> str:
        if self.V_ac is None:
            return f"{float(self.V_fixed or 0):g} V dc"
        return f"{float(self.V_ac):g} V"

    @property
    def full_name(self) -> str:
        """The name with the mains frequency, as in "90 V 50 Hz"."""
        return self.name if self.f_line is None else f"{self.name} {float(self.f_line):g} Hz"


class Draws(Protocol):
    """Anything that takes power from the bulk."""

    @property
    def P_in(self) -> Real: ...


Load = TypeVar("Load", bound=Draws)
Follow = Callable[[Real], Load]


@dataclass(frozen=True, slots=True)
class Bulk(Generic[Load]):
    """The loaded bulk; SI units, glossary symbols.

    Attributes:
        load: what the converter does at the valley.
        gap: relative difference of power taken and power given, element by element; 0 on a
            bench supply, which has no valley.
    """

    V_valley: Real
    V_mean: Real
    load: Load
    gap: Real


NEEDS = ("n_pulse", "N_d", "V_d", "C_bulk")
"""Circuit fields without which the bulk has no valley."""


def missing(circuit: Circuit) -> str | None:
    """The first file key that the bulk's valley needs and does not have, if any."""
    return next((circuit.missing[name] for name in NEEDS if name in circuit.missing), None)


def crest(supply: Supply, line: Line) -> Real:
    """Crest of the rectified mains, or the bench supply's voltage [V]."""
    if line.V_fixed is not None:
        return line.V_fixed
    V_bridge = mains.bridge_drop(N_d=supply.N_d, V_d=supply.V_d)
    return mains.crest_voltage(V_ac=line.V_ac, V_bridge=V_bridge)


def solve(supply: Supply, line: Line, follow: Follow[Load], *, start: float | None = None) -> Bulk[Load]:
    """Find the valley at which the bulk gives what the converter takes.

    Args:
        follow: what the converter does at a valley voltage [V]; the power it takes must not fall
            as the voltage rises.
        start: share of the crest to start from; the nominal solution serves for arrays.

    Returns:
        The loaded bulk; see `Bulk.gap` for how well it is solved.
    """
    if line.V_fixed is not None:
        return Bulk(line.V_fixed, line.V_fixed, follow(line.V_fixed), 0.0)
    V_crest = crest(supply, line)

    def sides(V: Real) -> tuple[Real, Real]:
        taken = follow(V).P_in
        return taken, power_at_valley(supply, line, V_crest, V, taken)

    with unrecorded():
        V_valley = _search(sides, V_crest, START if start is None else start)
    V_valley = solved(
        "V_valley",
        V_valley,
        balance="power taken from the bulk at this valley = power the bulk can give down to it",
        sides=sides,
    )
    load = follow(V_valley)
    given = power_at_valley(supply, line, V_crest, V_valley, load.P_in)
    V_mean = mean_voltage(supply, line, V_crest, V_valley, load.P_in)
    return Bulk(V_valley, V_mean, load, _relative(load.P_in, given))


Sides = Callable[[Real], tuple[Real, Real]]


def _relative(taken: Real, given: Real) -> Real:
    return np.abs(np.subtract(taken, given)) / np.maximum(np.abs(taken), 1e-12)


def _search(sides: Sides, V_crest: Real, start: float) -> Real:
    """Secant steps, kept inside a shrinking bracket; halving where a step would leave it."""
    low, high = 0.01 * V_crest, 1.0 * V_crest
    V0, gap0 = high, None
    V1 = start * V_crest
    enough = SOLVED if np.ndim(V_crest) == 0 else SOLVED_SAMPLES
    for step in range(MOST_STEPS):
        taken, given = sides(V1)
        gap1 = taken - given
        settled = np.abs(gap1) <= enough * np.abs(taken)
        if np.all(settled):
            break
        low, high = np.where(gap1 > 0, low, V1), np.where(gap1 > 0, V1, high)
        if gap0 is None:
            # the bulk's energy, and so its power, falls with the square of the valley
            V2 = V1 - gap1 * (V_crest**2 - V1**2) / (2 * V1 * given)
        else:
            rise = gap1 - gap0
            V2 = V1 - gap1 * (V1 - V0) / np.where(rise == 0, np.inf, rise)
        inside = (low < V2) & (high > V2) & (step % 8 != 7)
        V2 = np.where(inside, V2, (low + high) / 2)
        V0, gap0, V1 = V1, gap1, np.where(settled, V1, V2)
    return V1


def power_at_valley(supply: Supply, line: Line, V_crest: Real, V_valley: Real, P_bulk: Real) -> Real:
    """Power that takes the bulk down to a valley [W].

    Args:
        P_bulk: the same power as known so far; it only sets the departure angle.
    """
    theta, V_depart, t_meet = _discharge(supply, line, V_crest, V_valley, P_bulk)
    return mains.bulk_power(
        C_bulk=supply.C_bulk,
        V_depart=V_depart,
        V_valley=V_valley,
        t_meet=t_meet,
        theta=theta,
        f_line=line.f_line,
    )


def mean_voltage(supply: Supply, line: Line, V_crest: Real, V_valley: Real, P_bulk: Real) -> Real:
    """Bulk voltage averaged over a charging period [V]."""
    theta, V_depart, t_meet = _discharge(supply, line, V_crest, V_valley, P_bulk)
    return mains.bulk_mean_voltage(
        V_crest=V_crest,
        V_depart=V_depart,
        V_valley=V_valley,
        t_meet=t_meet,
        theta=theta,
        f_line=line.f_line,
        n_pulse=supply.n_pulse,
        R_series=supply.R_series,
        P_bulk=P_bulk,
    )


def _discharge(
    supply: Supply, line: Line, V_crest: Real, V_valley: Real, P_bulk: Real
) -> tuple[Real, Real, Real]:
    theta = mains.departure_angle(
        P_bulk=P_bulk,
        V_crest=V_crest,
        C_bulk=supply.C_bulk,
        R_series=supply.R_series,
        f_line=line.f_line,
    )
    for _ in range(ANGLE_STEPS if np.any(supply.R_series) else 0):
        theta = mains.departure_angle_step(
            theta=theta,
            V_valley=V_valley,
            P_bulk=P_bulk,
            V_crest=V_crest,
            C_bulk=supply.C_bulk,
            R_series=supply.R_series,
            f_line=line.f_line,
        )
    V_depart = mains.departure_voltage(V_crest=V_crest, theta=theta)
    t_meet = mains.meeting_time(
        V_valley=V_valley, V_crest=V_crest, f_line=line.f_line, n_pulse=supply.n_pulse
    )
    return theta, V_depart, t_meet


def largest_power(supply: Supply, line: Line, V_valley: Real) -> Real:
    """Largest power that still leaves the bulk at a given valley [W]; 0 where even that is too low."""
    V_crest = crest(supply, line)
    with unrecorded():
        P_bulk = 0.0 * V_crest
        for _ in range(THETA_STEPS + 1):
            P_bulk = np.maximum(power_at_valley(supply, line, V_crest, V_valley, P_bulk), 0.0)
    return solved(
        "P_bulk",
        P_bulk,
        balance="power that takes the bulk down to this valley, with its own departure angle",
        sides=lambda trial: (
            power_at_valley(supply, line, V_crest, V_valley, trial),
            trial,
        ),
    )
