"""Switch and current limit: how far the primary current rises before the switch really opens."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula

_OHM = "Ohm's law"
_INDUCTOR = "law of the inductor, V = L di/dt"
_SIMULATION = "energy balance; checked against a transient simulation, kinds b to e"


@formula(symbol="R_on", source=_OHM, balance="the primary current passes all of them one after the other")
def on_path_resistance(*, R_switch: Real, R_pri: Real, R_s: Real) -> Real:
    """Resistance in the primary path while the switch is on."""
    return R_switch + R_pri + R_s


@formula(
    symbol="V_effect",
    source="common practice, no source",
    balance="the controller lowers its threshold in proportion to the line",
)
def line_compensated_threshold(*, V_limit: Real, k_line: Real, V_dc: Real) -> Real:
    """Current-limit threshold after line compensation (k_line = 0 where there is none)."""
    return V_limit - k_line * V_dc


@formula(symbol="I_limit", source=_OHM, balance="the sense resistor shows the threshold voltage")
def sense_limit_current(*, V_effect: Real, R_s: Real) -> Real:
    """Primary current at which the sense resistor reaches the threshold."""
    return V_effect / R_s


@formula(
    symbol="I_limit",
    source="slope compensation as in peak-current control; Erickson and Maksimovic, ch. 12 (from memory)",
    balance="sense voltage plus the ramp reached by then = threshold",
)
def ramp_limit_current(
    *, V_effect: Real, R_s: Real, S_ramp: Real, L_p: Real, V_on: Real, I_bcm: Real
) -> Real:
    """Limit current with slope compensation.

    In discontinuous conduction the on time grows with the current itself, in continuous conduction
    it is set by the boundary swing; the larger of the two results is the one in force.
    """
    ramp = S_ramp * L_p / V_on
    return maths.maximum(V_effect / (R_s + ramp), (V_effect - ramp * I_bcm) / R_s)


@formula(
    symbol="I_limit",
    source="definition of the power coefficient in controller data sheets",
    balance="peak current squared x frequency is what the maker trims",
)
def coefficient_limit_current(*, K_power: Real, f_s: Real) -> Real:
    """Limit current of an integrated switch specified by its power coefficient."""
    return maths.sqrt(K_power / f_s)


@formula(
    symbol="I_limit",
    source="ringing-choke converter with emitter sensing, common practice, no source",
    balance="the emitter resistor turns the sense transistor on",
)
def emitter_limit_current(*, V_be: Real, R_s: Real) -> Real:
    """Emitter current at which the sense transistor of a self-oscillating board turns on."""
    return V_be / R_s


@formula(
    symbol="I_base",
    source=_OHM,
    balance="base winding voltage less the base-emitter drop, across the base resistor",
)
def base_current(*, V_dc: Real, N_b: Real, N_p: Real, V_be: Real, R_b: Real) -> Real:
    """Base current of a self-oscillating board while the switch is on."""
    return maths.maximum(V_dc * N_b / N_p - V_be, 0) / R_b


@formula(
    symbol="I_drive",
    source="definition of current gain",
    balance="collector current = gain x base current",
)
def drive_limit_current(*, h_FE: Real, I_base: Real) -> Real:
    """Collector current the base drive can hold in saturation."""
    return h_FE * I_base


@formula(
    symbol="t_delay",
    source="common practice, no source",
    balance="the driver reacts first, then a bipolar switch clears its stored charge",
)
def total_delay(*, t_sense: Real, t_store: Real) -> Real:
    """Time from reaching the limit to the switch opening."""
    return t_sense + t_store


@formula(
    symbol="V_on",
    source="Kirchhoff's voltage law",
    balance="supply less the drops of switch, winding and sense resistor",
)
def primary_on_voltage(*, V_dc: Real, V_sat: Real, R_on: Real, I_limit: Real) -> Real:
    """Voltage across the primary inductance while the switch is on, at half the limit current.

    Held above a twentieth of the supply so that a solver may pass through voltages too low to start.
    """
    return maths.maximum(V_dc - V_sat - R_on * I_limit / 2, V_dc / 20)


@formula(
    symbol="s_on",
    source=_INDUCTOR,
    balance="slope = voltage / inductance, at the end of the pulse",
)
def current_slope(*, V_dc: Real, V_sat: Real, R_on: Real, I_limit: Real, L_p: Real) -> Real:
    """Slope of the primary current as the limit is reached."""
    return maths.maximum(V_dc - V_sat - R_on * I_limit, V_dc / 20) / L_p


@formula(
    symbol="I_off",
    source=_INDUCTOR,
    balance="the current goes on rising until the switch has opened",
)
def delayed_current(*, I_limit: Real, s_on: Real, s_test: Real, t_delay: Real) -> Real:
    """Primary current when the switch opens.

    A limit that was specified at a current slope already contains the delay at that slope
    (s_test); only the difference is added. s_test = 0 for a limit specified at standstill. Held above a
    twentieth of the limit, should the test slope have been far above the present one.
    """
    return maths.maximum(I_limit + (s_on - s_test) * t_delay, I_limit / 20)


@formula(
    symbol="I_pk",
    source=_SIMULATION,
    balance="the drain capacitance charges to the supply while the supply still feeds the inductance",
)
def peak_current(*, I_off: Real, C_d: Real, V_dc: Real, L_p: Real) -> Real:
    """Peak current of the magnetising inductance, with the drain capacitance's share."""
    return maths.sqrt(I_off**2 + C_d * V_dc**2 / L_p)


@formula(
    symbol="I_off",
    source="peak_current solved for the current at opening",
    balance="the drain capacitance's share taken off again",
)
def opening_current(*, I_pk: Real, C_d: Real, V_dc: Real, L_p: Real) -> Real:
    """Primary current when the switch opens, for a wanted peak current."""
    return maths.sqrt(maths.maximum(I_pk**2 - C_d * V_dc**2 / L_p, I_pk**2 / 16))


@formula(
    symbol="t_on",
    source=_INDUCTOR,
    balance="volt-seconds = inductance x rise of current",
)
def on_time(*, L_p: Real, I_off: Real, I_v: Real, V_on: Real) -> Real:
    """On time of the switch; none where the current has not yet fallen to where the pulse would end."""
    return L_p * maths.maximum(I_off - I_v, 0) / V_on


@formula(
    symbol="t_rise",
    source=_INDUCTOR,
    balance="volt-seconds = inductance x rise of current",
)
def on_time_from_zero(*, L_p: Real, I_pk: Real, V_on: Real) -> Real:
    """On time of a pulse that starts at zero current."""
    return L_p * I_pk / V_on


@formula(
    symbol="I_off",
    source=_INDUCTOR,
    balance="the longest on time is spent from zero current",
)
def duty_limit_current(*, V_dc: Real, V_sat: Real, D_max: Real, L_p: Real, f_s: Real) -> Real:
    """Peak current at the largest duty cycle, in discontinuous conduction, without resistive drops."""
    return maths.maximum(V_dc - V_sat, V_dc / 20) * D_max / (L_p * f_s)


@formula(
    symbol="V_close",
    source="ringing of primary inductance and drain capacitance",
    balance="the switch closes at the first trough of the ringing",
)
def valley_closing_voltage(*, V_dc: Real, V_r: Real) -> Real:
    """Drain voltage at turn-on of a valley-switching or self-oscillating board."""
    return maths.maximum(V_dc - V_r, 0)


@formula(
    symbol="V_close",
    source="the ringing is taken at its mean in discontinuous conduction",
    balance="in continuous conduction the drain still stands at supply plus reflected voltage",
)
def fixed_closing_voltage(*, V_dc: Real, V_r: Real, I_v: Real) -> Real:
    """Drain voltage at turn-on of a fixed-frequency board."""
    return maths.where(I_v > 0, V_dc + V_r, V_dc)


@formula(
    symbol="P_close",
    source=_SIMULATION,
    balance="charge drawn to lift the drain, less what already went into the peak current",
)
def closing_power(*, C_d: Real, V_dc: Real, V_close: Real, f_s: Real) -> Real:
    """Power the drain capacitance takes from the supply beyond the stored energy."""
    return C_d * V_dc * (V_close - V_dc / 2) * f_s


@formula(symbol="D", source="definition", balance="on time over period")
def duty_cycle(*, t_on: Real, f_s: Real) -> Real:
    """Duty cycle of the switch."""
    return t_on * f_s


@formula(
    symbol="I_p_mean",
    source="area of a trapezoid",
    balance="mean of start and end current x duty cycle",
)
def primary_mean_current(*, I_off: Real, I_v: Real, t_on: Real, f_s: Real) -> Real:
    """Primary current averaged over the switching period."""
    return (I_off + I_v) * t_on * f_s / 2


@formula(
    symbol="I_p_rms",
    source="rms value of a trapezoid; handbook",
    balance="mean square of a straight rise x duty cycle",
)
def primary_rms_current(*, I_off: Real, I_v: Real, t_on: Real, f_s: Real) -> Real:
    """Primary rms current."""
    return maths.sqrt((I_off**2 + I_off * I_v + I_v**2) * t_on * f_s / 3)


@formula(
    symbol="P_cond",
    source=_OHM,
    balance="heat of the resistances plus the saturation drop",
)
def conduction_loss(*, I_p_rms: Real, I_p_mean: Real, R_on: Real, V_sat: Real) -> Real:
    """Conduction loss of the primary path; it adds to the input and leaves the stored energy alone."""
    return I_p_rms**2 * R_on + I_p_mean * V_sat
