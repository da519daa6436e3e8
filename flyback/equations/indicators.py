"""Indicator LED, bleeder and other small resistors; parts in parallel and in series."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula

_OHM = "Ohm's law"


@formula(symbol="R_s", source=_OHM, balance="conductances add")
def parallel_resistance(*, R_1: Real, R_2: Real) -> Real:
    """Two resistances in parallel."""
    return R_1 * R_2 / (R_1 + R_2)


@formula(symbol="R_series", source=_OHM, balance="resistances add")
def series_resistance(*, R_1: Real, R_2: Real) -> Real:
    """Two resistances one after the other."""
    return R_1 + R_2


@formula(symbol="C_o", source="charge balance", balance="charges add at one voltage")
def parallel_capacitance(*, C_1: Real, C_2: Real) -> Real:
    """Two capacitances in parallel."""
    return C_1 + C_2


@formula(
    symbol="I_rating",
    source="common practice, no source",
    balance="parallel rectifiers on one heat sink share the current",
)
def parallel_current_rating(*, I_1: Real, I_2: Real) -> Real:
    """Current rating of two rectifiers in parallel."""
    return I_1 + I_2


@formula(
    symbol="I_rating",
    source="common practice, no source",
    balance="the part that reaches its rating first decides",
)
def first_to_reach(*, I_1: Real, I_2: Real) -> Real:
    """The smaller of two limit currents."""
    return maths.minimum(I_1, I_2)


@formula(
    symbol="I_led",
    source=_OHM,
    balance="what the LED leaves of the rail stands across its resistor",
)
def led_current(*, V_o: Real, V_led: Real, R_led: Real) -> Real:
    """Indicator LED current; zero where the rail is below the LED's forward voltage."""
    return maths.maximum(V_o - V_led, 0) / R_led


@formula(symbol="I_bleed", source=_OHM, balance="the rail stands across the bleeder")
def bleeder_current(*, V_o: Real, R_bleed: Real) -> Real:
    """Bleeder current."""
    return V_o / R_bleed


@formula(symbol="P_R", source="Joule's law", balance="current squared x resistance")
def resistor_power(*, I_R: Real, R_1: Real) -> Real:
    """Power in a resistor."""
    return I_R**2 * R_1


@formula(
    symbol="P_one",
    source="current divider",
    balance="parallel resistors share one voltage: the smaller takes more",
)
def parallel_share_power(*, I_p_rms: Real, R_s: Real, R_1: Real) -> Real:
    """Power in one of several parallel sense resistors."""
    return I_p_rms**2 * R_s**2 / R_1


@formula(
    symbol="I_R",
    source="Joule's law and current divider",
    balance="the rms current at which this resistor reaches its rating",
)
def rms_current_at_rating(*, P_rating: Real, R_1: Real, R_s: Real) -> Real:
    """Primary rms current at which one of the parallel sense resistors reaches its power rating."""
    return maths.sqrt(P_rating * R_1) / R_s
