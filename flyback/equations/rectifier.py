"""Secondary: currents through winding and rectifier, and the power that reaches the output."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula


@formula(
    symbol="P_sec",
    source="energy balance",
    balance="stored power and refilling of the leakage, less clamp and ringing",
)
def secondary_power(*, P_store: Real, P_fill: Real, P_clamp: Real, P_swing: Real) -> Real:
    """Power reaching the secondary winding."""
    return maths.maximum(P_store + P_fill - P_clamp - P_swing, 0)


@formula(
    symbol="P_in",
    source="energy balance",
    balance="stored power, refilling of the leakage and the losses of the on time",
)
def input_power(*, P_store: Real, P_fill: Real, P_cond: Real, P_close: Real) -> Real:
    """Power taken from the bulk."""
    return P_store + P_fill + P_cond + P_close


@formula(
    symbol="I_s_pk",
    source="ampere-turns balance",
    balance="the magnetising current moves over to the secondary, less what fell during the reset",
)
def secondary_peak_current(*, n: Real, I_pk: Real, V_r: Real, t_reset: Real, L_m: Real) -> Real:
    """Peak secondary current (leakage ringing raises the true peak by a quarter to a third)."""
    return n * maths.maximum(I_pk - V_r * t_reset / L_m, I_pk / 2)


@formula(
    symbol="I_s_top",
    source="ampere-turns balance",
    balance="peak magnetising current x turns ratio",
)
def magnetising_peak_at_secondary(*, n: Real, I_pk: Real) -> Real:
    """Peak magnetising current seen from the secondary, before the leakage takes its part."""
    return n * I_pk


@formula(symbol="I_s_end", source="ampere-turns balance", balance="what remains returns to the primary")
def secondary_end_current(*, n: Real, I_v: Real) -> Real:
    """Secondary current at the end of demagnetisation."""
    return n * I_v


@formula(
    symbol="I_s_rms",
    source="rms value of a trapezoid; handbook",
    balance="mean square of a straight fall x its share of the period",
)
def secondary_rms_current(*, I_s_pk: Real, I_s_end: Real, t_dem: Real, f_s: Real) -> Real:
    """Secondary rms current."""
    return maths.sqrt((I_s_pk**2 + I_s_pk * I_s_end + I_s_end**2) * t_dem * f_s / 3)


@formula(
    symbol="I_o",
    source="energy balance, solved for the mean current",
    balance="secondary power = mean current x (V_o + V_f) + heat in winding and capacitor ESR",
)
def output_current(*, P_sec: Real, V_o: Real, V_f: Real, I_s_rms: Real, R_sec: Real, R_esr: Real) -> Real:
    """Output current.

    The capacitor carries the rms current less the mean, hence the square root.
    """
    V_s = V_o + V_f
    rest = maths.maximum(P_sec - I_s_rms**2 * (R_sec + R_esr), 0)
    return 2 * rest / (V_s + maths.sqrt(maths.maximum(V_s**2 - 4 * R_esr * rest, V_s**2 / 4)))


@formula(symbol="P_o", source="definition of power", balance="volts x amps")
def output_power(*, V_o: Real, I_o: Real) -> Real:
    """Output power of the rail."""
    return V_o * I_o


@formula(symbol="I_o", source="definition of power", balance="watts / volts")
def current_at_power(*, P_o: Real, V_o: Real) -> Real:
    """Output current that a power needs."""
    return P_o / V_o
