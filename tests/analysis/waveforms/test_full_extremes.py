"""Fidelity "full": drain and ripple, circuits at the edge of what there is, and any plausible one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from converters import MAINS, PLAIN, amps, of_family, ohms, on_bench, warm
from full_runs import ALWAYS, SUPPLY, changed, run, sound
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.analysis.waveforms.converter import (
    OPEN,
    Capacitor,
    Clamp,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.load import Load

# --- the drain ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("V_body", "lowest"), [(0.7, -1.0), (None, -200.0)])
def test_the_reverse_diode_keeps_the_drain_up(V_body: float | None, lowest: float) -> None:
    """With V_r above V_dc the trough would lie below ground."""
    c = of_family("valley switching", on_bench(PLAIN, 50.0), f_max=None)
    c = changed(c, primary={"V_body": V_body})
    found = run(c, amps(0.8), trace=ALWAYS)
    assert found.traces is not None
    low = found.traces.v_drain.min()
    assert lowest < low < -0.69
    assert (low < -5.0) == (V_body is None)


def test_a_suppressor_holds_the_drain_at_its_voltage() -> None:
    c = replace(SUPPLY, clamp=Clamp(V_c=130.0, V_d=0.8, R_d=2.0))
    f = run(c, amps(1.0)).figures
    # the whole peak current passes its slope
    assert f.V_ds == pytest.approx(150.0 + 130.8 + 2.0 * f.I_pk_max, rel=2e-3)


def test_ripple_without_ringing_is_never_more_than_what_there_is() -> None:
    """Leakage that hardly resets: the secondary never gets the current it would have without it."""
    c = changed(SUPPLY, secondary={"n": 24.0}, primary={"L_leak": 100e-6})
    c = replace(c, clamp=Clamp(V_c=140.0), output=(Capacitor(680e-6, 0.03),))
    found = run(c, amps(0.5), trace=ALWAYS)
    assert found.traces is not None
    rows = zip(found.pulses.t, found.pulses.T, strict=True)
    largest = max(np.ptp(found.traces.between(t, t + T).v_out) for t, T in rows)
    assert 0.5 * largest < found.figures.V_ripple <= largest * (1 + 1e-9)


def test_the_step_of_an_esr_is_the_peak_current_times_it() -> None:
    """A large capacitor: the ripple is n I_pk ESR, in parallel with the load."""
    p = replace(PLAIN.primary, L_leak=0.0, R_leak=OPEN)
    c = replace(SUPPLY, primary=p, output=(Capacitor(0.01, 0.05),))
    c = changed(c, control={"gain": 0.0, "integral": 0.0})
    f = run(c, ohms(2.0), span=0.2e-3).figures
    R = 0.05 * 2.0 / 2.05
    assert f.V_ripple == pytest.approx(14.0 * f.I_pk_max * R, rel=0.02)


# --- extremes -------------------------------------------------------------------------------------

NO_RESISTANCE = {"R_pri": 0.0, "R_switch": 0.0, "R_s": 0.0}

EXTREMES: dict[str, Converter] = {
    "no resistance anywhere": replace(
        changed(SUPPLY, primary=NO_RESISTANCE, secondary={"R_f": 0.0, "R_sec": 0.0}),
        output=(Capacitor(470e-6),),
    ),
    "two capacitors without ESR": replace(SUPPLY, output=(Capacitor(470e-6), Capacitor(100e-6))),
    "no core loss": changed(SUPPLY, primary={"R_core": OPEN}),
    "no leakage loss": changed(SUPPLY, primary={"R_leak": OPEN}),
    "no loss at the ringing": changed(SUPPLY, primary={"R_core": OPEN, "R_leak": OPEN}),
    "next to no leakage": changed(SUPPLY, primary={"L_leak": 1e-9}),
    "no leakage": changed(SUPPLY, primary={"L_leak": 0.0}),
    "no drain capacitance": changed(SUPPLY, primary={"C_d": 0.0}),
    "a large drain capacitance": changed(SUPPLY, primary={"C_d": 20e-9, "R_d": 10.0}),
    "a clamp without resistor": replace(SUPPLY, clamp=Clamp(C_cl=1e-9)),
    "a bulk without ESR or path": replace(
        PLAIN, bulk=Capacitor(15e-6), feed=Feed(V_ac=115.0, f_line=60.0, n_pulse=2)
    ),
    "a bulk of next to nothing": replace(PLAIN, bulk=Capacitor(1e-9)),
    "mains of 10 V": replace(PLAIN, feed=replace(MAINS, V_ac=10.0)),
    "as many turns": changed(SUPPLY, secondary={"n": 1.0}),
    "a limit that is there at once": changed(SUPPLY, control={"I_limit": 1e-4}),
    "line compensation that takes all": changed(SUPPLY, control={"k_line": 0.1}),
    "a rate limit far too low": of_family("valley switching", SUPPLY, f_max=2e3),
}


@pytest.mark.parametrize("name", EXTREMES)
def test_an_extreme_circuit_is_still_followed(name: str) -> None:
    sound(run(EXTREMES[name], amps(0.8), span=0.5e-3))


def test_a_bulk_that_runs_dry_takes_the_output_with_it() -> None:
    """60 V mains and a small bulk: between the crests nothing is left, and nothing goes below zero."""
    c = replace(PLAIN, feed=replace(MAINS, V_ac=60.0), bulk=Capacitor(2e-6))
    found = run(c, ohms(3.0), span=10e-3, state=replace(warm(c), v_bulk=83.0, v_drain=83.0), trace=ALWAYS)
    sound(found)
    assert found.figures.V_valley < 10.0
    assert found.traces is not None
    assert found.traces.v_out.min() > -0.01


def test_a_second_of_pause_is_quick_work() -> None:
    """The ringing is followed while it lasts and not for the whole second."""
    state = replace(warm(PLAIN), resume_at=1.0)
    found = run(PLAIN, ohms(1e3), span=0.9, state=state, trace=(0.0, 1.0))
    assert found.traces is not None
    assert len(found.traces.t) < 100_000
    assert found.state.resume_at == 1.0
    assert found.state.v_out[0] == pytest.approx(5.0 * math.exp(-0.9 / (1e3 * 690e-6)), rel=0.01)


def test_capacitors_that_keep_their_charge_are_told_apart() -> None:
    """Bulk and clamp both blocked while the secondary conducts: rates of zero beside the constant's own."""
    c = Converter(
        feed=Feed(V_ac=234.7, f_line=60.0, V_bridge=1.6, R_charge=9.57),
        bulk=Capacitor(23.8e-6),
        primary=Primary(
            L_m=4.8665105720535645e-4,
            L_leak=1.6439680719230986e-5,
            R_pri=2.09,
            R_switch=1.486,
            R_s=1.42,
            C_d=1.1978e-10,
            R_d=30.0,
            R_core=35077.0,
            R_leak=1853.2,
            V_body=0.7,
        ),
        clamp=Clamp(R_cl=91720.3, C_cl=1.35919e-9, V_d=0.7, R_d=1.0),
        secondary=Secondary(n=9.45, V_f=0.45, R_f=0.02),
        output=(Capacitor(197e-6, 0.01), Capacitor(348e-6, 0.085)),
        control=replace(PLAIN.control, I_limit=0.563),
    )
    sound(run(c, amps(0.5), state=warm(replace(c, feed=Feed(V_fixed=331.0))), span=0.3e-3))


# --- any plausible converter ----------------------------------------------------------------------


@st.composite
def plausible(draw: st.DrawFn) -> tuple[Converter, Load]:
    def between(low: float, high: float) -> float:
        """Evenly in the logarithm."""
        return math.exp(draw(st.floats(math.log(low), math.log(high))))

    L_p, leak, C_d = between(0.3e-3, 4e-3), between(0.005, 0.05), between(20e-12, 200e-12)
    n, V_o = between(5.0, 25.0), 5.0
    R_s, f_s = between(0.5, 6.0), between(40e3, 130e3)
    V_r = n * (V_o + 0.45)
    L_leak = leak * L_p
    primary = Primary(
        L_m=L_p - L_leak,
        L_leak=L_leak,
        R_pri=between(0.1, 3.0),
        R_switch=between(0.3, 5.0),
        R_s=R_s,
        C_d=C_d,
        R_core=between(8.0, 40.0) * math.sqrt(L_p / C_d),
        R_leak=between(4.0, 10.0) * math.sqrt(L_leak / C_d),
        V_body=draw(st.sampled_from([None, 0.7])),
    )
    clamp = draw(
        st.sampled_from(
            [Clamp(V_c=1.5 * V_r), Clamp(R_cl=100e3, C_cl=2.2e-9, V_d=0.7, R_d=1.0)],
        )
    )
    limit = 0.8 / R_s
    control = replace(
        PLAIN.control, I_limit=limit, f_s=f_s, gain=limit / 2, integral=800.0 * limit, V_set=V_o
    )
    output = draw(
        st.sampled_from([(Capacitor(680e-6, 0.03),), (Capacitor(470e-6, 0.05), Capacitor(220e-6, 0.02))])
    )
    c = Converter(
        feed=Feed(V_fixed=between(60.0, 380.0)),
        bulk=None,
        primary=primary,
        clamp=clamp,
        secondary=Secondary(n=n, V_f=0.45, R_f=0.02, R_sec=0.01),
        output=output,
        control=control,
    )
    able = L_p * limit**2 * f_s / 2
    kind = draw(st.sampled_from(["resistance", "current", "power"]))
    watts = between(0.02, 2.0) * able
    value = {"resistance": V_o**2 / watts, "current": watts / V_o, "power": watts}[kind]
    if kind == "resistance" and draw(st.booleans()):
        value = 0.02
    return c, Load.constant(kind, value)


@settings(max_examples=25)
@given(plausible())
def test_any_plausible_converter_can_be_followed(drawn: tuple[Converter, Load]) -> None:
    c, load = drawn
    found = run(c, load, span=0.4e-3)
    sound(found)
    p, k = c.primary, c.control
    V_dc = c.feed.V_fixed or 0.0
    rise = (V_dc - p.R_on * k.I_limit) / p.L_p * k.t_delay
    rows = found.pulses
    # a pulse that begins near the limit lasts for the delay, whatever it asks for
    ended_by_limit = (rows.command >= k.I_limit) & (rows.t_on < 0.69 / (k.f_s or 1.0))
    ended_by_limit &= rows.I_v < 0.8 * k.I_limit
    # the rise bends a little, and what damps the leakage adds its own current
    assert rows.I_off[ended_by_limit] == pytest.approx(k.I_limit + rise, rel=0.02)
    # what the drain's capacitance gives on the way up
    highest = 1.02 * (k.I_limit + rise) + V_dc * math.sqrt(p.C_d / p.L_p)
    assert (rows.I_pk[ended_by_limit] < highest).all()
