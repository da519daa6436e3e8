"""Overload: the output held below the voltage it is set to, down to a short circuit."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula


@formula(
    symbol="V_r",
    source="energy balance; checked against a transient simulation down to a short circuit, kind d",
    balance="the winding also holds what heats its own resistance and the capacitor's ESR",
)
def loaded_reflected_voltage(
    *, n: Real, V_o: Real, V_f: Real, I_o: Real, I_s_rms: Real, I_c_rms: Real, R_sec: Real, R_esr: Real
) -> Real:
    """Reflected voltage with the drops of winding resistance and ESR, as their heat per output current.

    A pulse that brings nothing to the output heats nothing either: the output current is taken as no
    less than a small share of the rms current.
    """
    heat = I_s_rms**2 * R_sec + I_c_rms**2 * R_esr
    return n * (V_o + V_f + heat / maths.maximum(I_o, I_s_rms / 64))


@formula(
    symbol="I_o",
    source="energy balance",
    balance="power reaching the winding over the voltage it holds",
)
def current_of_winding(*, P_sec: Real, n: Real, V_r: Real) -> Real:
    """Output current of a secondary whose reflected voltage already holds every drop."""
    return P_sec * n / V_r


@formula(
    symbol="I_off",
    source="law of the inductor, V = L di/dt",
    balance="on time = largest duty cycle x (on time + demagnetisation + ringing)",
)
def free_running_duty_current(
    *, D_max: Real, t_ring: Real, L_p: Real, V_on: Real, L_m: Real, V_r: Real
) -> Real:
    """Peak current at which a free-running pulse fills its largest duty cycle.

    Only the ringing leaves it room once the reflected voltage no longer fits the duty limit. A supply
    at which it still fits has room for any current; a very large one is given back there.
    """
    rise = L_p / V_on
    room = maths.maximum((1 - D_max) * rise - D_max * L_m / V_r, rise / 64)
    return D_max * t_ring / room
