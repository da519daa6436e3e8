"""Transformer: turns ratio, reflected voltage, conduction mode, stored energy, flux."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula

_INDUCTOR = "law of the inductor, V = L di/dt"
_TEXTBOOK = "flyback volt-second balance; Erickson and Maksimovic, ch. 2 and 6 (from memory)"


@formula(symbol="n", source="definition", balance="turns of the primary over turns of the secondary")
def turns_ratio(*, N_p: Real, N_s: Real) -> Real:
    """Turns ratio, primary to secondary."""
    return N_p / N_s


@formula(
    symbol="L_m",
    source="two-winding transformer with the leakage drawn on the primary side",
    balance="what is not leakage is shared with the secondary",
)
def magnetising_inductance(*, L_p: Real, L_leak: Real) -> Real:
    """Magnetising inductance."""
    return L_p - L_leak


@formula(
    symbol="V_r",
    source="transformer law",
    balance="the secondary holds output voltage plus rectifier drop, seen through the turns",
)
def reflected_voltage(*, n: Real, V_o: Real, V_f: Real) -> Real:
    """Reflected voltage on the primary while the secondary conducts."""
    return n * (V_o + V_f)


@formula(
    symbol="I_bcm",
    source=_TEXTBOOK,
    balance="rise in the on time = fall in the rest of the period, nothing left over",
)
def boundary_swing(*, L_p: Real, V_on: Real, L_m: Real, V_r: Real, f_s: Real) -> Real:
    """Current swing that just fills one period: above it the current never falls to zero."""
    return 1 / (f_s * (L_p / V_on + L_m / V_r))


@formula(
    symbol="I_v",
    source=_TEXTBOOK,
    balance="what the peak exceeds the boundary swing by remains when the switch closes",
)
def valley_current(*, I_pk: Real, I_bcm: Real) -> Real:
    """Magnetising current at turn-on: zero in discontinuous, above zero in continuous conduction."""
    return maths.maximum(I_pk - I_bcm, 0)


@formula(
    symbol="T_s",
    source="a valley-switching or self-oscillating board waits for demagnetisation",
    balance="on time + demagnetisation + half a ringing period",
)
def free_running_period(*, L_p: Real, L_m: Real, I_pk: Real, V_on: Real, V_r: Real, t_ring: Real) -> Real:
    """Switching period where each pulse starts when the last one has ended."""
    return L_p * I_pk / V_on + L_m * I_pk / V_r + t_ring


@formula(
    symbol="t_ring",
    source="resonance of an LC circuit",
    balance="half a period of primary inductance and drain capacitance",
)
def ringing_half_period(*, L_p: Real, C_d: Real) -> Real:
    """Half period of the drain ringing, from demagnetisation to the first trough."""
    return maths.pi * maths.sqrt(L_p * C_d)


@formula(symbol="f_free", source="definition", balance="one pulse a period")
def frequency_of_period(*, T_s: Real) -> Real:
    """Frequency of a free-running board."""
    return 1 / T_s


@formula(
    symbol="t_dem",
    source=_INDUCTOR,
    balance="the reflected voltage takes the magnetising current from peak to valley",
)
def demagnetisation_time(*, L_m: Real, I_pk: Real, I_v: Real, V_r: Real) -> Real:
    """Demagnetisation time."""
    return L_m * (I_pk - I_v) / V_r


@formula(
    symbol="t_fall",
    source=_INDUCTOR,
    balance="the reflected voltage takes the magnetising current from peak to zero",
)
def full_demagnetisation_time(*, L_m: Real, I_pk: Real, V_r: Real) -> Real:
    """Demagnetisation time of a pulse that ends at zero current."""
    return L_m * I_pk / V_r


@formula(
    symbol="P_store",
    source="energy of an inductor",
    balance="energy at the peak less energy at the valley, each pulse",
)
def stored_power(*, L_p: Real, I_pk: Real, I_v: Real, f_s: Real) -> Real:
    """Power passed through the magnetising field; right in both conduction modes."""
    return L_p * (I_pk**2 - I_v**2) * f_s / 2


@formula(
    symbol="B_pk",
    source="flux linkage, N x B x A = L x I",
    balance="flux linkage of the primary",
)
def flux_density(*, L_p: Real, I_pk: Real, N_p: Real, A_e: Real) -> Real:
    """Peak flux density in the core."""
    return L_p * I_pk / (N_p * A_e)


@formula(
    symbol="I_sat",
    source="flux linkage, N x B x A = L x I",
    balance="flux linkage of the primary at saturation",
)
def saturation_current(*, B_sat: Real, N_p: Real, A_e: Real, L_p: Real) -> Real:
    """Peak current at which the core saturates."""
    return B_sat * N_p * A_e / L_p


@formula(
    symbol="V_dc",
    source="comparison",
    balance="below it the board no longer regulates; the bulk valley is judged by itself",
)
def voltage_in_regulation(*, V_valley: Real, V_least: Real) -> Real:
    """Supply at which a limit is judged: the valley, but none that the duty limit cannot use."""
    return maths.maximum(V_valley, V_least)


@formula(
    symbol="V_least",
    source=_TEXTBOOK,
    balance="volt-seconds of the longest on time = volt-seconds of the rest of the period",
)
def lowest_voltage_for_duty(*, V_r: Real, D_max: Real, L_p: Real, L_m: Real, V_sat: Real) -> Real:
    """Lowest supply at which the reflected voltage still fits within the duty limit."""
    return V_sat + V_r * (L_p / L_m) * (1 - D_max) / D_max
