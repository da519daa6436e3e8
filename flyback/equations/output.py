"""Output capacitors: ripple voltage and ripple current."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula


@formula(
    symbol="I_c_rms",
    source="AN-16 rev A (1996) p. 22; orthogonality of mean and ripple",
    balance="rms of the secondary current less the mean that goes on to the load",
)
def capacitor_ripple_current(*, I_s_rms: Real, I_o: Real) -> Real:
    """Ripple current of the output capacitors together, rms."""
    return maths.sqrt(maths.maximum(I_s_rms**2 - I_o**2, 0))


@formula(
    symbol="t_top",
    source="maximum of ESR and capacitor voltage together",
    balance="the capacitor still gains as fast as the falling current lowers the ESR drop",
)
def ripple_crest_time(
    *, I_s_pk: Real, I_s_end: Real, I_o: Real, t_dem: Real, R_esr: Real, C_o: Real
) -> Real:
    """Time after switch-off at which the output ripple has its crest."""
    slope = (I_s_pk - I_s_end) / t_dem
    top = (I_s_pk - I_o) / slope - R_esr * C_o
    return maths.minimum(maths.maximum(top, 0), t_dem)


@formula(
    symbol="V_ripple",
    source="ESR and capacitor voltage added in time; checked against a transient simulation, kind b",
    balance="from the foot just before switch-off to the crest",
)
def output_ripple(
    *,
    I_s_pk: Real,
    I_s_end: Real,
    I_o: Real,
    t_dem: Real,
    t_top: Real,
    R_esr: Real,
    C_o: Real,
) -> Real:
    """Output ripple at the switching frequency, peak to peak, without ringing."""
    slope = (I_s_pk - I_s_end) / t_dem
    surplus = I_s_pk - I_o
    crest = R_esr * (surplus - slope * t_top) + (surplus * t_top - slope * t_top**2 / 2) / C_o
    return crest + R_esr * I_o


@formula(
    symbol="I_c_rms",
    source="parallel capacitors of one kind share by capacitance, common practice, no source",
    balance="the share of this capacitor has reached its rating",
)
def ripple_current_at_rating(*, I_rating: Real, C_1: Real, C_o: Real) -> Real:
    """Ripple current of all output capacitors together at which one reaches its rating."""
    return I_rating * C_o / C_1
