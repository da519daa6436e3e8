"""Clamp: what the leakage inductance costs."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula

_CLAMP = "leakage reset against the clamp; checked against a transient simulation, kinds b to e"


@formula(symbol="P_leak", source="energy of an inductor", balance="energy of the leakage, each pulse")
def leakage_power(*, L_leak: Real, I_pk: Real, f_s: Real) -> Real:
    """Power stored in the leakage inductance."""
    return L_leak * I_pk**2 * f_s / 2


@formula(
    symbol="V_c",
    source=_CLAMP,
    balance="heat in the clamp resistor = leakage power x V_c / (V_c - V_r), solved for V_c",
)
def clamp_resistor_voltage(*, R_cl: Real, P_leak: Real, V_r: Real) -> Real:
    """Voltage of a resistor-capacitor-diode clamp above the supply."""
    return V_r / 2 + maths.sqrt(V_r**2 / 4 + R_cl * P_leak)


@formula(
    symbol="V_c",
    source="common practice, no source",
    balance="a clamp is chosen a customary factor above the reflected voltage",
)
def customary_clamp_voltage(*, k_clamp: Real, V_r: Real) -> Real:
    """Voltage of a clamp that was not traced."""
    return k_clamp * V_r


@formula(
    symbol="P_clamp",
    source=_CLAMP,
    balance="the secondary's share of the current flows into the clamp until the leakage is reset",
)
def clamp_power(*, P_leak: Real, V_c: Real, V_r: Real) -> Real:
    """Power taken by the clamp: more than the leakage holds, because the output waits meanwhile.

    A clamp at or below the reflected voltage would take everything; it is held a fortieth above.
    """
    return P_leak * V_c / maths.maximum(V_c - V_r, V_c / 40)


@formula(
    symbol="t_reset",
    source=_CLAMP,
    balance="clamp less reflected voltage takes the leakage current to zero",
)
def leakage_reset_time(*, L_leak: Real, I_pk: Real, V_c: Real, V_r: Real) -> Real:
    """Time in which the clamp brings the leakage current to zero."""
    return L_leak * I_pk / maths.maximum(V_c - V_r, V_c / 40)


@formula(
    symbol="P_fill",
    source="energy balance of the commutation at turn-on",
    balance="supply plus reflected voltage bring the leakage current up; the supply's share",
)
def refill_power(*, L_leak: Real, I_v: Real, V_dc: Real, V_r: Real, f_s: Real) -> Real:
    """Power the supply gives while the leakage current rises to the valley current (zero without one)."""
    return L_leak * I_v**2 * f_s * V_dc / (2 * (V_dc + V_r))


@formula(
    symbol="P_swing",
    source="energy of a capacitor",
    balance="the drain is lifted by the reflected voltage; the ringing then burns that energy",
)
def drain_swing_power(*, C_d: Real, V_r: Real, f_s: Real) -> Real:
    """Power that lifts the drain capacitance by the reflected voltage and is lost in ringing."""
    return C_d * V_r**2 * f_s / 2
