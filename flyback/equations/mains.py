"""Mains rectifier and bulk capacitor: crest, discharge, valley.

The bulk discharges at constant power from the moment the rectifier lets go (a little after the crest,
because the mains still has to supply the load while it falls) until the next half-wave meets it.
"""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula

_CIRCUIT = "circuit analysis; checked against a transient simulation, kind a"


@formula(
    symbol="V_bridge",
    source="Kirchhoff's voltage law",
    balance="every diode in the charging path takes one forward drop",
)
def bridge_drop(*, N_d: Real, V_d: Real) -> Real:
    """Voltage lost in the mains rectifier."""
    return N_d * V_d


@formula(
    symbol="V_crest",
    source="definition of the rms value of a sine",
    balance="the bulk can charge to the crest of the mains less the rectifier drop",
)
def crest_voltage(*, V_ac: Real, V_bridge: Real) -> Real:
    """Crest of the rectified mains."""
    return maths.sqrt(2 * V_ac**2) - V_bridge


@formula(
    symbol="theta",
    source=_CIRCUIT,
    balance="the capacitor leaves the sine where the charging current has fallen to zero",
)
def departure_angle(*, P_bulk: Real, V_crest: Real, C_bulk: Real, R_series: Real, f_line: Real) -> Real:
    """Angle after the crest at which the mains rectifier stops conducting.

    Steady-state response of the series resistance and capacitor to the sine, loaded with P/V; the
    start-up transient of the charging pulse is taken as over. Valid while the rectifier conducts for
    several times R C (at twice R C the departure voltage is about 1 % low) and while the load is small
    against the capacitor's reactive power; past that the angle is held at its largest value.
    """
    lag = 2 * f_line * R_series * C_bulk * maths.pi
    load = P_bulk * maths.sqrt(1 + lag**2) / (f_line * C_bulk * V_crest**2 * maths.pi)
    return maths.arctan(lag) + maths.arcsin(maths.minimum(load, 1)) / 2


@formula(
    symbol="theta",
    source=_CIRCUIT,
    balance="one Newton step towards the angle at which the charging current has fallen to zero",
)
def departure_angle_step(
    *,
    theta: Real,
    V_valley: Real,
    P_bulk: Real,
    V_crest: Real,
    C_bulk: Real,
    R_series: Real,
    f_line: Real,
) -> Real:
    """Departure angle with the start of the charging pulse taken along, from a nearby later angle.

    The response of series resistance and capacitor from the moment the sine meets the valley on;
    needs a series resistance. Three steps settle from `departure_angle`.
    """
    lag = 2 * f_line * R_series * C_bulk * maths.pi
    phase = maths.arctan(lag)
    start = -maths.arccos(maths.minimum(V_valley / V_crest, 1))
    load = (
        P_bulk * maths.sqrt(1 + lag**2) / (2 * f_line * C_bulk * V_crest**2 * maths.cos(theta) * maths.pi)
    )
    decaying = (maths.sin(start - phase) - load) * maths.exp((start - theta) / lag)
    surplus = maths.sin(theta - phase) - load - decaying
    return theta - surplus / (maths.cos(theta - phase) + decaying / lag)


@formula(
    symbol="V_depart",
    source=_CIRCUIT,
    balance="at that moment the capacitor still sits on the mains sine",
)
def departure_voltage(*, V_crest: Real, theta: Real) -> Real:
    """Bulk voltage when the mains rectifier stops conducting."""
    return V_crest * maths.cos(theta)


@formula(
    symbol="t_meet",
    source="geometry of the rectified sine",
    balance="the rising half-wave meets the falling bulk voltage",
)
def meeting_time(*, V_valley: Real, V_crest: Real, f_line: Real, n_pulse: Real) -> Real:
    """Time from one crest until the next half-wave meets the bulk at its valley."""
    quarter = 1 / (4 * f_line)
    rise = maths.arcsin(maths.minimum(V_valley / V_crest, 1)) / (2 * f_line * maths.pi)
    return 1 / (n_pulse * f_line) - quarter + rise


@formula(
    symbol="P_bulk",
    source="energy balance of a capacitor discharged at constant power",
    balance="energy the capacitor loses = power drawn x time without mains",
)
def bulk_power(
    *, C_bulk: Real, V_depart: Real, V_valley: Real, t_meet: Real, theta: Real, f_line: Real
) -> Real:
    """Constant power that takes the bulk from its departure voltage down to the valley."""
    t_alone = t_meet - theta / (2 * f_line * maths.pi)
    return C_bulk * (V_depart**2 - V_valley**2) / (2 * t_alone)


@formula(
    symbol="V_mean",
    source="time average of the two parts of the bulk waveform",
    balance="area of the discharge plus area under the crest, less the drop of the charging current",
)
def bulk_mean_voltage(
    *,
    V_crest: Real,
    V_depart: Real,
    V_valley: Real,
    t_meet: Real,
    theta: Real,
    f_line: Real,
    n_pulse: Real,
    R_series: Real,
    P_bulk: Real,
) -> Real:
    """Bulk voltage averaged over one charging period."""
    omega = 2 * f_line * maths.pi
    discharge = 2 * (V_depart**2 + V_depart * V_valley + V_valley**2) / (V_depart + V_valley) / 3
    start = maths.arccos(maths.minimum(V_valley / V_crest, 1))
    charge = V_crest * (maths.sin(start) + maths.sin(theta)) / omega
    area = discharge * (t_meet - theta / omega) + charge
    return area * f_line * n_pulse - R_series * P_bulk / V_depart


@formula(
    symbol="V_valley",
    source="common estimate with an assumed conduction time, e.g. AN-17 rev C (1996) p. 8",
    balance="energy of the capacitor = power x (half period - conduction time)",
)
def valley_at_assumed_conduction(
    *, V_ac: Real, P_bulk: Real, C_bulk: Real, f_line: Real, n_pulse: Real, t_charge: Real
) -> Real:
    """Bulk valley when the conduction time is assumed instead of solved.

    A hand estimate kept for comparison: it ignores the rectifier drop, and with a small bulk its
    assumed time is too long. The ladder of ceilings solves the meeting time instead.
    """
    t_alone = 1 / (n_pulse * f_line) - t_charge
    return maths.sqrt(2 * V_ac**2 - 2 * P_bulk * t_alone / C_bulk)
