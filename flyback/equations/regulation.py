"""Regulation: what the divider sets, what a primary-side loop holds, what feeds the controller."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula


@formula(
    symbol="V_o",
    source="voltage divider",
    balance="the divider shows the reference voltage",
)
def divider_set_voltage(*, V_ref: Real, R_upper: Real, R_lower: Real) -> Real:
    """Output voltage set by a reference and divider (bias current of the reference left out)."""
    return V_ref * (1 + R_upper / R_lower)


@formula(
    symbol="d_full",
    source="triangle of the secondary current",
    balance="the controller sees the end of conduction a threshold current early",
)
def full_conduction_share(*, d_dem: Real, I_th: Real, I_s_top: Real) -> Real:
    """Share of the period in which the secondary conducts, down to zero current."""
    return d_dem / (1 - I_th / I_s_top)


@formula(
    symbol="d_hold",
    source="period = on time + demagnetisation at least",
    balance="once the two fill the period, the loop can no longer stretch the pause",
)
def available_conduction_share(*, d_full: Real, t_rise: Real, t_fall: Real) -> Real:
    """Conduction share the loop can hold at this supply voltage."""
    return maths.minimum(d_full, t_fall / (t_rise + t_fall))


@formula(
    symbol="f_free",
    source="definition of the conduction share",
    balance="period = demagnetisation time / its share",
)
def constant_current_frequency(*, d_hold: Real, t_fall: Real) -> Real:
    """Frequency at which a primary-side loop holds the output current."""
    return d_hold / t_fall


@formula(
    symbol="f_s",
    source="definition",
    balance="the controller delays the pulse rather than exceed its highest frequency",
)
def limited_frequency(*, f_free: Real, f_max: Real) -> Real:
    """Switching frequency of a controller that lets it follow the pulses, up to a highest one."""
    return maths.minimum(f_free, f_max)


@formula(
    symbol="I_o",
    source="charge of the secondary triangle less the reset; "
    "checked against a transient simulation, kind g",
    balance="mean output current = charge of each pulse x frequency",
)
def constant_current_output(*, n: Real, I_pk: Real, t_dem: Real, t_reset: Real, f_s: Real) -> Real:
    """Output current a primary-side loop holds, with delay and leakage reset included."""
    return n * I_pk * maths.maximum(t_dem - t_reset, 0) * f_s / 2


@formula(
    symbol="I_o",
    source="UCC28730 data sheet SLUSBL5A eq. 4-5 (form from memory); ALTAIR05T-800 data sheet eq. 2",
    balance="half the turns ratio x sense current x conduction share",
)
def ideal_constant_current(*, n: Real, V_limit: Real, R_s: Real, d_dem: Real) -> Real:
    """Constant current without delay, leakage and losses: the hand formula."""
    return n * V_limit * d_dem / (2 * R_s)


@formula(
    symbol="V_o_stop",
    source="transformer law",
    balance="the auxiliary winding follows the output through the turns",
)
def supply_stop_voltage(*, V_stop: Real, N_s: Real, N_aux: Real, V_f: Real) -> Real:
    """Output voltage below which the controller loses its own supply and restarts."""
    return maths.maximum(V_stop * N_s / N_aux - V_f, 0)
