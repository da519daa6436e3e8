"""One switching cycle in closed form: what a given primary supply, output voltage and peak current do.

`limit_pulse` follows the pulse that the current limit ends, `pulse` one that opens at a given current,
`deliver` what of it reaches the output, and `point_at_load` finds the pulse that feeds a given load.
All of it calls formulas only, so that it serves floats, arrays of samples and the recorded working.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from flyback.analysis.circuit import Circuit, Supply
from flyback.equations import clamp, output, ports, rectifier, regulation, switch, transformer
from flyback.equations.formula import Real, solved, unrecorded

SECANT_STEPS = 24
"""Most steps of `value_for`; a start within a factor of five needs about six."""

SOLVED = 1e-10
"""Relative difference at which `value_for` stops for one set of numbers."""

SOLVED_SAMPLES = 1e-7
"""The same for arrays of samples."""


_NOTHING = 1e-9
"""A measured share of the target that stands for none at all, so that its logarithm exists."""

_DECADES = np.log(1e3)
"""How far from its start the search may wander, as a logarithm."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """The primary side of one cycle; SI units, glossary symbols."""

    V_dc: Real
    V_r: Real
    V_on: Real
    I_off: Real
    I_pk: Real
    I_bcm: Real
    I_v: Real
    f_s: Real
    t_on: Real
    t_dem: Real
    P_store: Real
    P_fill: Real
    I_p_mean: Real
    I_p_rms: Real
    P_in: Real


@dataclass(frozen=True, slots=True)
class Delivery:
    """The secondary side of one cycle; SI units, glossary symbols."""

    V_c: Real
    P_clamp: Real
    t_reset: Real
    P_sec: Real
    I_s_pk: Real
    I_s_end: Real
    I_s_rms: Real
    I_o: Real
    P_o: Real
    P_socket: Real
    I_c_rms: Real


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """One cycle, both sides."""

    pulse: Pulse
    delivery: Delivery


def sense_limit(
    circuit: Circuit, supply: Supply, *, V_dc: Real, V_r: Real, overload: bool = False
) -> Real | None:
    """Primary current at which the current limit acts, before any delay [A].

    Args:
        overload: True for the threshold of the overload timer instead of the limit itself.

    Returns:
        The limit current, or None where a value it needs is unknown.
    """
    s = supply
    if circuit.control == "self-oscillating":
        if overload or s.V_be is None or s.R_s is None:
            return None
        return switch.emitter_limit_current(V_be=s.V_be, R_s=s.R_s)
    if not overload and s.K_power is not None and s.f_s is not None:
        return switch.coefficient_limit_current(K_power=s.K_power, f_s=s.f_s)
    if not overload and s.I_limit is not None:
        return s.I_limit
    threshold = s.V_overload if overload else s.V_limit
    if threshold is None or s.R_s is None:
        return None
    V_effect = switch.line_compensated_threshold(V_limit=threshold, k_line=s.k_line, V_dc=V_dc)
    level = switch.sense_limit_current(V_effect=V_effect, R_s=s.R_s)
    if s.f_s is None or not np.any(s.S_ramp):
        return level
    V_on = switch.primary_on_voltage(V_dc=V_dc, V_sat=s.V_sat, R_on=s.R_on, I_limit=level)
    I_bcm = transformer.boundary_swing(L_p=s.L_p, V_on=V_on, L_m=s.L_m, V_r=V_r, f_s=s.f_s)
    return switch.ramp_limit_current(
        V_effect=V_effect, R_s=s.R_s, S_ramp=s.S_ramp, L_p=s.L_p, V_on=V_on, I_bcm=I_bcm
    )


def limit_pulse(
    circuit: Circuit, supply: Supply, *, V_dc: Real, V_r: Real, overload: bool = False
) -> Pulse | None:
    """The pulse that the current limit ends (or the overload threshold), or None if unknown."""
    s = supply
    I_limit = sense_limit(circuit, s, V_dc=V_dc, V_r=V_r, overload=overload)
    if I_limit is None or s.t_delay is None:
        return None
    s_on = switch.current_slope(V_dc=V_dc, V_sat=s.V_sat, R_on=s.R_on, I_limit=I_limit, L_p=s.L_p)
    I_off = switch.delayed_current(I_limit=I_limit, s_on=s_on, s_test=s.s_test, t_delay=s.t_delay)
    return pulse(circuit, s, V_dc=V_dc, V_r=V_r, I_off=I_off)


def pulse(
    circuit: Circuit,
    supply: Supply,
    *,
    V_dc: Real,
    V_r: Real,
    I_off: Real,
    f_s: Real | None = None,
) -> Pulse:
    """Follow one cycle whose switch opens at ``I_off``.

    Args:
        V_dc: voltage feeding the primary [V].
        V_r: reflected voltage [V].
        I_off: primary current when the switch opens [A].
        f_s: mean pulse rate [Hz] where it is known; otherwise the control family sets it.

    Raises:
        ValueError: where the control family needs a frequency or conduction share that is unknown.
    """
    s = supply
    V_on = switch.primary_on_voltage(V_dc=V_dc, V_sat=s.V_sat, R_on=s.R_on, I_limit=I_off)
    I_pk = switch.peak_current(I_off=I_off, C_d=s.C_d, V_dc=V_dc, L_p=s.L_p)
    if f_s is None:
        f_s = _frequency(circuit, s, V_on=V_on, V_r=V_r, I_pk=I_pk)
    I_bcm = transformer.boundary_swing(L_p=s.L_p, V_on=V_on, L_m=s.L_m, V_r=V_r, f_s=f_s)
    I_v = transformer.valley_current(I_pk=I_pk, I_bcm=I_bcm)
    t_on = switch.on_time(L_p=s.L_p, I_off=I_off, I_v=I_v, V_on=V_on)
    P_store = transformer.stored_power(L_p=s.L_p, I_pk=I_pk, I_v=I_v, f_s=f_s)
    P_fill = clamp.refill_power(L_leak=s.L_leak, I_v=I_v, V_dc=V_dc, V_r=V_r, f_s=f_s)
    I_p_mean = switch.primary_mean_current(I_off=I_off, I_v=I_v, t_on=t_on, f_s=f_s)
    I_p_rms = switch.primary_rms_current(I_off=I_off, I_v=I_v, t_on=t_on, f_s=f_s)
    P_cond = switch.conduction_loss(I_p_rms=I_p_rms, I_p_mean=I_p_mean, R_on=s.R_on, V_sat=s.V_sat)
    if circuit.free_running:
        V_close = switch.valley_closing_voltage(V_dc=V_dc, V_r=V_r)
    elif circuit.constant_current:
        V_close = V_dc  # the loop never leaves discontinuous conduction, though rounding may say so
    else:
        V_close = switch.fixed_closing_voltage(V_dc=V_dc, V_r=V_r, I_v=I_v)
    P_close = switch.closing_power(C_d=s.C_d, V_dc=V_dc, V_close=V_close, f_s=f_s)
    return Pulse(
        V_dc=V_dc,
        V_r=V_r,
        V_on=V_on,
        I_off=I_off,
        I_pk=I_pk,
        I_bcm=I_bcm,
        I_v=I_v,
        f_s=f_s,
        t_on=t_on,
        t_dem=transformer.demagnetisation_time(L_m=s.L_m, I_pk=I_pk, I_v=I_v, V_r=V_r),
        P_store=P_store,
        P_fill=P_fill,
        I_p_mean=I_p_mean,
        I_p_rms=I_p_rms,
        P_in=rectifier.input_power(P_store=P_store, P_fill=P_fill, P_cond=P_cond, P_close=P_close),
    )


def _frequency(circuit: Circuit, s: Supply, *, V_on: Real, V_r: Real, I_pk: Real) -> Real:
    if not circuit.free_running and not circuit.constant_current:
        if s.f_s is None:
            raise ValueError(f"needs {circuit.missing['f_s']}")
        return s.f_s
    follows = _constant_current_frequency if circuit.constant_current else _free_running_frequency
    f_free = follows(circuit, s, V_on=V_on, V_r=V_r, I_pk=I_pk)
    if s.f_max is None:
        return f_free
    return regulation.limited_frequency(f_free=f_free, f_max=s.f_max)


def _free_running_frequency(circuit: Circuit, s: Supply, *, V_on: Real, V_r: Real, I_pk: Real) -> Real:
    t_ring = transformer.ringing_half_period(L_p=s.L_p, C_d=s.C_d)
    T_s = transformer.free_running_period(
        L_p=s.L_p, L_m=s.L_m, I_pk=I_pk, V_on=V_on, V_r=V_r, t_ring=t_ring
    )
    return transformer.frequency_of_period(T_s=T_s)


def _constant_current_frequency(circuit: Circuit, s: Supply, *, V_on: Real, V_r: Real, I_pk: Real) -> Real:
    if s.d_dem is None:
        raise ValueError(f"needs {circuit.missing['d_dem']}")
    t_fall = transformer.full_demagnetisation_time(L_m=s.L_m, I_pk=I_pk, V_r=V_r)
    I_s_top = rectifier.magnetising_peak_at_secondary(n=s.n, I_pk=I_pk)
    d_full = regulation.full_conduction_share(d_dem=s.d_dem, I_th=s.I_th, I_s_top=I_s_top)
    t_rise = switch.on_time_from_zero(L_p=s.L_p, I_pk=I_pk, V_on=V_on)
    d_hold = regulation.available_conduction_share(d_full=d_full, t_rise=t_rise, t_fall=t_fall)
    return regulation.constant_current_frequency(d_hold=d_hold, t_fall=t_fall)


def deliver(circuit: Circuit, supply: Supply, done: Pulse, *, V_o: Real) -> Delivery:
    """What of a pulse reaches the output at ``V_o`` [V]."""
    s = supply
    P_leak = clamp.leakage_power(L_leak=s.L_leak, I_pk=done.I_pk, f_s=done.f_s)
    if s.V_c is not None:
        V_c = s.V_c
    elif s.k_clamp is not None:
        V_c = clamp.customary_clamp_voltage(k_clamp=s.k_clamp, V_r=done.V_r)
    else:
        V_c = clamp.clamp_resistor_voltage(R_cl=s.R_cl, P_leak=P_leak, V_r=done.V_r)
    P_clamp = clamp.clamp_power(P_leak=P_leak, V_c=V_c, V_r=done.V_r)
    t_reset = clamp.leakage_reset_time(L_leak=s.L_leak, I_pk=done.I_pk, V_c=V_c, V_r=done.V_r)
    P_swing = clamp.drain_swing_power(C_d=s.C_d, V_r=done.V_r, f_s=done.f_s)
    P_sec = rectifier.secondary_power(
        P_store=done.P_store, P_fill=done.P_fill, P_clamp=P_clamp, P_swing=P_swing
    )
    I_s_pk = rectifier.secondary_peak_current(
        n=s.n, I_pk=done.I_pk, V_r=done.V_r, t_reset=t_reset, L_m=s.L_m
    )
    I_s_end = rectifier.secondary_end_current(n=s.n, I_v=done.I_v)
    I_s_rms = rectifier.secondary_rms_current(
        I_s_pk=I_s_pk, I_s_end=I_s_end, t_dem=done.t_dem, f_s=done.f_s
    )
    if circuit.constant_current:
        I_o = regulation.constant_current_output(
            n=s.n, I_pk=done.I_pk, t_dem=done.t_dem, t_reset=t_reset, f_s=done.f_s
        )
    else:
        I_o = rectifier.output_current(
            P_sec=P_sec, V_o=V_o, V_f=s.V_f, I_s_rms=I_s_rms, R_sec=s.R_sec, R_esr=s.R_esr
        )
    P_o = rectifier.output_power(V_o=V_o, I_o=I_o)
    return Delivery(
        V_c=V_c,
        P_clamp=P_clamp,
        t_reset=t_reset,
        P_sec=P_sec,
        I_s_pk=I_s_pk,
        I_s_end=I_s_end,
        I_s_rms=I_s_rms,
        I_o=I_o,
        P_o=P_o,
        P_socket=ports.socket_power(P_o=P_o, eta_post=s.eta_post),
        I_c_rms=output.capacitor_ripple_current(I_s_rms=I_s_rms, I_o=I_o),
    )


def value_for(measure: Callable[[Real], Real], target: Real, *, start: Real) -> Real:
    """The opening current (or pulse rate) at which a measured quantity reaches a target.

    A secant in logarithms: powers and rms currents grow with a fixed power of the opening current, of 1
    to 2, and of the pulse rate, of up to 1. So the logarithm is nearly straight and the steps need no
    bracket.

    Args:
        measure: a quantity as a function of the value, growing with it.
        target: its wanted value.
        start: a value of the right order.
    """
    wanted = np.maximum(target, _NOTHING)

    def error(x: Real) -> Real:
        return np.log(np.maximum(measure(np.exp(x)) / wanted, _NOTHING))

    lowest, highest = np.log(start) - _DECADES, np.log(start) + _DECADES
    with unrecorded():
        x0 = np.log(start)
        r0 = error(x0)
        x1 = x0 - r0 / 2
        for _ in range(SECANT_STEPS):
            r1 = error(x1)
            if np.all(np.abs(r1) < (SOLVED if np.ndim(r1) == 0 else SOLVED_SAMPLES)):
                break
            moved = x1 - x0
            slope = np.clip((r1 - r0) / np.where(moved == 0, 1.0, moved), 0.1, 4.0)
            x0, r0 = x1, r1
            x1 = np.clip(x1 - r1 / slope, lowest, highest)
        return np.exp(x1)


def point_at_load(circuit: Circuit, supply: Supply, *, V_dc: Real, V_o: Real, I_o: Real) -> OperatingPoint:
    """The cycle that feeds a load, whether or not the current limit allows it.

    Args:
        V_dc: voltage feeding the primary [V].
        V_o: output voltage of the rail [V].
        I_o: output current of the rail [A].

    Raises:
        ValueError: where a value it needs is unknown; the text says which.
    """
    V_r = transformer.reflected_voltage(n=supply.n, V_o=V_o, V_f=supply.V_f)
    if circuit.constant_current or circuit.control == "on/off":
        return _point_by_skipping(circuit, supply, V_dc=V_dc, V_r=V_r, V_o=V_o, I_o=I_o)

    def current(I_off: Real) -> Real:
        done = pulse(circuit, supply, V_dc=V_dc, V_r=V_r, I_off=I_off)
        return deliver(circuit, supply, done, V_o=V_o).I_o

    start = 4 * I_o / supply.n
    I_off = solved(
        "I_off",
        value_for(current, I_o, start=start),
        balance="output current of this pulse = load current",
        sides=lambda trial: (current(trial), I_o),
    )
    done = pulse(circuit, supply, V_dc=V_dc, V_r=V_r, I_off=I_off)
    return OperatingPoint(done, deliver(circuit, supply, done, V_o=V_o))


def _point_by_skipping(
    circuit: Circuit, s: Supply, *, V_dc: Real, V_r: Real, V_o: Real, I_o: Real
) -> OperatingPoint:
    full = limit_pulse(circuit, s, V_dc=V_dc, V_r=V_r)
    if full is None:
        wanted = (circuit.missing.get(name) for name in ("V_limit", "R_s", "t_sense", "t_store"))
        raise ValueError(f"needs {next(filter(None, wanted), 'the current limit')}")

    def current(f_s: Real) -> Real:
        done = pulse(circuit, s, V_dc=V_dc, V_r=V_r, I_off=full.I_off, f_s=f_s)
        return deliver(circuit, s, done, V_o=V_o).I_o

    f_s = solved(
        "f_s",
        value_for(current, I_o, start=full.f_s),
        balance="output current at this pulse rate = load current",
        sides=lambda trial: (current(trial), I_o),
    )
    done = pulse(circuit, s, V_dc=V_dc, V_r=V_r, I_off=full.I_off, f_s=f_s)
    return OperatingPoint(done, deliver(circuit, s, done, V_o=V_o))
