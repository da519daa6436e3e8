"""Each step of the fidelity "cycle" against numerical integration of its own small circuit.

The circuits are written down as Kirchhoff's laws here and integrated by a Runge-Kutta method of order 8;
the steps are closed forms. Energy is checked apart from that, to rounding.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from converters import PLAIN
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from flyback.analysis.waveforms import cycle_parts as parts
from flyback.analysis.waveforms.converter import OPEN, Capacitor, Clamp, Converter, Feed, Primary
from flyback.analysis.waveforms.load import LETS_GO, Load
from flyback.equations import clamp as clamps
from flyback.equations import output

ROUNDING = 1e-11
"""Energy may be off by this share: a few hundred roundings, some of them of small differences."""


def integrate(f: Callable[[float, Any], Any], end: float, start: list[float], **kw: Any) -> Any:
    return solve_ivp(f, (0.0, end), start, method="DOP853", rtol=1e-11, atol=1e-14, **kw)


# --- on time --------------------------------------------------------------------------------------

RISES = pytest.mark.parametrize(
    ("v", "I_0", "S_ramp", "longest"),
    [
        pytest.param(150.0, 0.0, 0.0, 1.0, id="from nothing"),
        pytest.param(90.0, 0.12, 0.0, 1.0, id="continuous"),
        pytest.param(90.0, 0.12, 3e4, 1.0, id="slope compensation"),
        pytest.param(60.0, 0.0, 0.0, 4e-6, id="ended by the duty limit"),
        pytest.param(60.0, 0.0, 3e4, 4e-6, id="ended by the duty limit, slope compensation"),
        pytest.param(150.0, 0.5, 0.0, 1.0, id="already above the command"),
    ],
)


@RISES
def test_the_rise_is_that_of_an_inductor_with_resistance(
    v: float, I_0: float, S_ramp: float, longest: float
) -> None:
    p = replace(PLAIN.primary, V_sat=0.4)
    control = replace(PLAIN.control, S_ramp=S_ramp)
    R, t_0, command = p.R_on + 0.5, 0.05e-6, 0.4
    t_on, I_off, Q, S = parts.rising(p, control, R)(v, I_0, t_0, command, longest)

    def slope(t: float, x: Any) -> Any:
        i = x[0]
        return [(v - p.V_sat - R * i) / p.L_p, i, i * i]

    def met(t: float, x: Any) -> float:
        return float(x[0] + S_ramp * (t + t_0) - command)

    met.terminal = True  # type: ignore[attr-defined]
    until = 0.0
    if command > I_0:
        until = integrate(slope, 50e-6, [I_0, 0.0, 0.0], events=met).t[-1]
    until = min(until + control.t_delay, longest - t_0)
    at_end = integrate(slope, until, [I_0, 0.0, 0.0]).y[:, -1]
    assert t_on == pytest.approx(t_0 + until, rel=1e-8)
    assert [I_off, Q, S] == pytest.approx(list(at_end), rel=1e-8)
    # energy of the source = energy of the inductor, heat, saturation drop
    kept = p.L_p * (I_off**2 - I_0**2) / 2 + R * S + p.V_sat * Q
    assert v * Q == pytest.approx(kept, rel=ROUNDING)


def test_no_current_rises_below_the_saturation_voltage() -> None:
    rise = parts.rising(replace(PLAIN.primary, V_sat=0.8), PLAIN.control, 6.0)
    assert rise(0.5, 0.0, 0.0, 0.4, 9e-6) == (9e-6, 0.0, 0.0, 0.0)
    assert rise(0.5, 0.1, 0.0, 0.4, 9e-6) == (9e-6, 0.1, 0.0, 0.0)


def test_a_limit_out_of_reach_leaves_the_longest_on_time() -> None:
    """0.5 V over 6 ohm never gives 0.4 A, with slope compensation or without."""
    for S_ramp in (0.0, 1e3):
        rise = parts.rising(PLAIN.primary, replace(PLAIN.control, S_ramp=S_ramp), 6.0)
        t_on, I_off, _, _ = rise(0.5, 0.0, 0.0, 0.4, 50e-6)
        assert t_on == 50e-6
        assert 0 < I_off < 0.5 / 6


# --- leakage filling ------------------------------------------------------------------------------


def test_the_leakage_fills_while_the_secondary_empties() -> None:
    """Both inductances see constant voltages here, so that the currents are straight lines."""
    c = PLAIN
    v, i, e = 120.0, 0.15, 5.4
    I_0, t_fill, taken, before, given_, S = parts.filling(c.primary, c.secondary, 0.03)(v, i, e)
    n, R = c.secondary.n, c.secondary.R_f + c.secondary.R_sec + 0.03
    V_r = n * (e + R * 2 / 3 * n * i)
    assert pytest.approx((v + V_r) / c.primary.L_leak * t_fill) == I_0
    assert pytest.approx(i - V_r / c.primary.L_m * t_fill) == I_0
    assert pytest.approx((n * i) ** 2 * t_fill / 3) == S
    assert taken == pytest.approx(v * I_0 * t_fill / 2)
    lost = c.primary.L_m * i**2 / 2 - c.primary.L_p * I_0**2 / 2
    assert taken + lost == pytest.approx(given_ + R * S, rel=ROUNDING)
    # the closed form: supply's share of what the leakage gets; it leaves out that the field falls meanwhile
    closed = clamps.refill_power(L_leak=c.primary.L_leak, I_v=i, V_dc=v, V_r=V_r, f_s=1.0)
    assert taken == pytest.approx(closed, rel=2 * c.primary.L_leak / c.primary.L_m)
    assert before == pytest.approx(n * i * t_fill / 2)


def test_no_leakage_takes_no_time_to_fill() -> None:
    p = replace(PLAIN.primary, L_leak=0.0)
    assert parts.filling(p, PLAIN.secondary, 0.0)(120.0, 0.1, 5.0) == (0.1, 0.0, 0.0, 0.0, 0.0, 0.0)


# --- clamp ----------------------------------------------------------------------------------------

SUPPRESSOR = Clamp(V_c=140.0, V_d=0.0, R_d=1.0)


@given(
    I_1=st.floats(0.01, 1.5),
    V_r=st.floats(1.0, 140.0),
    v_clamp=st.floats(0.0, 250.0),
    kind=st.sampled_from(["capacitor", "suppressor", "no leakage", "no drain capacitance", "small"]),
)
def test_what_the_clamp_takes_is_what_leakage_and_field_lose(
    I_1: float, V_r: float, v_clamp: float, kind: str
) -> None:
    p, clamp = PLAIN.primary, PLAIN.clamp
    if kind == "suppressor":
        clamp = SUPPRESSOR
    if kind == "no leakage":
        p = replace(p, L_leak=0.0)
    if kind == "no drain capacitance":
        p = replace(p, C_d=0.0)
    if kind == "small":
        clamp = replace(clamp, C_cl=60e-12)
    left_over, q, after, top, heat, rung, t_reset = parts.catching(p, clamp)(I_1, V_r, v_clamp)
    C = 0.0 if clamp.V_c is not None else clamp.C_cl
    before = p.L_p * I_1**2 / 2 + C * v_clamp**2 / 2
    left = p.L_m * left_over**2 / 2 - V_r * q + C * after**2 / 2
    assert left + heat + rung == pytest.approx(before, rel=ROUNDING)
    assert min(q, heat, rung, t_reset) >= 0
    assert p.L_m * left_over**2 / 2 >= V_r * q
    assert top >= min(V_r, v_clamp) - 1e-9


def test_the_clamp_takes_what_the_closed_form_says() -> None:
    """Stiff clamp, no drain capacitance, no damping: leakage power times V_c / (V_c − V_r)."""
    p = replace(PLAIN.primary, C_d=0.0, R_leak=OPEN)
    left_over, q, _, top, heat, rung, t_reset = parts.catching(p, replace(SUPPRESSOR, R_d=0.0))(
        0.4, 80.0, 0.0
    )
    assert (left_over, top, rung) == (0.4, 140.0, 0.0)
    P_leak = clamps.leakage_power(L_leak=p.L_leak, I_pk=0.4, f_s=1.0)
    assert heat == pytest.approx(clamps.clamp_power(P_leak=P_leak, V_c=140.0, V_r=80.0))
    reset = clamps.leakage_reset_time(L_leak=p.L_leak, I_pk=0.4, V_c=140.0, V_r=80.0)
    assert t_reset == pytest.approx(reset)
    assert q == pytest.approx(0.4 * reset / 2)


def test_the_clamp_reset_is_that_of_its_circuit() -> None:
    """Leakage, drain and clamp capacitance, diode and damping, integrated; the secondary holds V_r.

    Within 2 %: the step takes drain swing and reset one after the other, and damps the reset alone.
    """
    p, clamp = replace(PLAIN.primary, R_leak=6e3), PLAIN.clamp
    I_1, V_r, v_0 = 0.4, 80.0, 120.0
    _, q, after, top, *_ = parts.catching(p, clamp)(I_1, V_r, v_0)

    def flow(t: float, x: Any) -> Any:
        i, v_d, v_cl = x
        across = V_r - v_d
        into = max((v_d - v_cl - clamp.V_d) / clamp.R_d, 0.0)
        wound = i + across / p.R_leak
        return [across / p.L_leak, (wound - into) / p.C_d, into / clamp.C_cl]

    found = solve_ivp(
        flow, (0.0, 0.4e-6), [I_1, V_r, v_0], method="Radau", rtol=1e-8, atol=1e-10, max_step=1e-9
    )
    assert after - v_0 == pytest.approx(found.y[2].max() - v_0, rel=0.02)
    assert top == pytest.approx(found.y[1].max(), rel=0.02)
    assert q == pytest.approx(clamp.C_cl * (after - v_0))


# --- secondary ------------------------------------------------------------------------------------


def delivered(c: Converter, I_1: float, t_free: float, **changed: float) -> tuple[float, ...]:
    """What the field gives from 5 V at 1 A; nothing flowed before, the clamp takes nothing."""
    asked = {"q": 0.0, "V_r": 80.0, "e": 5.3, "i_load": 1.0, "before": 0.0, "given": 0.0, **changed}
    step = parts.delivering(c.primary, c.secondary, 0.03, 1.0 / 690e-6)
    return step(I_1, *asked.values(), t_free)


@pytest.mark.parametrize(("I_1", "t_free"), [(0.4, OPEN), (0.1, OPEN), (0.4, 4e-6), (0.6, 2e-6)])
def test_the_field_empties_as_its_circuit_says(I_1: float, t_free: float) -> None:
    """Inductance, resistances, capacitance and core resistance, integrated until zero or the next pulse.

    Charge within 5e-4, the rest 3e-3: the straight lines are bent to first order only, and resistances
    take 3 % here.
    """
    c, per_C, e, i_load = PLAIN, 1.0 / 690e-6, 5.3, 1.0
    n, R, p = c.secondary.n, c.secondary.R_f + c.secondary.R_sec + 0.03, c.primary

    def flow(t: float, x: Any) -> Any:
        i_m, gained, _, _ = x
        # secondary voltage, its current lessened by what the core takes
        i_s = n * (i_m - n * (e + gained) / p.R_core) / (1 + n * n * R / p.R_core)
        V_s = e + gained + R * i_s
        return [-n * V_s / p.L_m, (i_s - i_load) * per_C, i_s, i_s * i_s]

    def empty(t: float, x: Any) -> float:
        return float(x[0])

    empty.terminal = True  # type: ignore[attr-defined]
    found = integrate(flow, min(t_free, 50e-6), [I_1, 0.0, 0.0, 0.0], events=empty)
    Q, S, t_dem, I_end, _, _ = delivered(c, I_1, t_free)
    assert t_dem == pytest.approx(found.t[-1], rel=3e-3)
    assert pytest.approx(found.y[2, -1], rel=5e-4) == Q
    assert pytest.approx(found.y[3, -1], rel=3e-3) == S
    assert I_end == pytest.approx(found.y[0, -1], rel=3e-3, abs=1e-9)


@given(
    I_1=st.floats(0.0, 1.0),
    V_o=st.floats(0.0, 15.0),
    q=st.floats(0.0, 3e-8),
    before=st.floats(0.0, 1e-7),
    i_load=st.floats(0.0, 3.0),
    t_free=st.one_of(st.just(OPEN), st.floats(0.2e-6, 40e-6)),
    per_C=st.sampled_from([0.0, 1.0 / 690e-6, 1.0 / 4.7e-6]),
)
def test_what_the_field_loses_is_what_the_secondary_gets(
    I_1: float, V_o: float, q: float, before: float, i_load: float, t_free: float, per_C: float
) -> None:
    c = PLAIN
    # a load takes no more than half of what is there in a period, see `cycle_pulses`
    i_load = min(i_load, V_o / (2 * 40e-6 * per_C)) if per_C > 0 else 0.0
    e = V_o + c.secondary.V_f - 0.03 * i_load
    V_r = min(80.0, 0.4 * c.primary.L_m * I_1**2 / q) if q > 0 else 80.0
    given_ = e * before
    step = parts.delivering(c.primary, c.secondary, 0.03, per_C)
    Q, S, t_dem, I_end, t_gain, heat = step(I_1, q, V_r, e, i_load, before, given_, t_free)
    R = c.secondary.R_f + c.secondary.R_sec + 0.03
    mean = e + per_C / 2 * (Q + before - i_load * t_gain)
    lost = c.primary.L_m * (I_1**2 - I_end**2) / 2 - V_r * q + given_
    into_output = mean * (Q + before)
    scale = max(c.primary.L_m * I_1**2 / 2, given_, abs(into_output), 1e-12)
    assert into_output + R * S + heat - lost == pytest.approx(0.0, abs=ROUNDING * scale)
    assert 0 <= I_end <= I_1
    assert t_dem <= t_free


@pytest.mark.parametrize("q", [0.0, 1.2e-8])
def test_the_two_conduction_modes_meet(q: float) -> None:
    """Where the pulse just ends as the next begins, nothing jumps.

    Within 1e-5: the discontinuous step estimates its own duration for the load's share.
    """
    _, _, t_dem, _, _, _ = delivered(PLAIN, 0.4, OPEN, q=q)
    before, after = (delivered(PLAIN, 0.4, t_dem * (1 + x), q=q) for x in (1e-9, -1e-6))
    assert before[3] == 0.0
    assert 0.0 <= after[3] < 1e-5
    assert after[:2] == pytest.approx(before[:2], rel=1e-5)


def test_modes_that_did_not_meet_would_be_noticed() -> None:
    """A rectifier slope half as large again in one mode moves the charge a hundred times too much."""
    _, _, t_dem, _, _, _ = delivered(PLAIN, 0.4, OPEN)
    other = replace(PLAIN, secondary=replace(PLAIN.secondary, R_f=1.5 * PLAIN.secondary.R_f))
    before, after = delivered(PLAIN, 0.4, t_dem), delivered(other, 0.4, t_dem * (1 - 1e-6))
    assert after[0] != pytest.approx(before[0], rel=1e-3)


def test_a_field_that_was_emptied_by_the_clamp_gives_nothing() -> None:
    assert delivered(PLAIN, 0.0, OPEN)[:4] == (0.0, 0.0, 0.0, 0.0)


# --- ripple ---------------------------------------------------------------------------------------

RIPPLES = pytest.mark.parametrize(
    ("R_esr", "C_o", "end"),
    [(0.03, 690e-6, 0.0), (0.03, 690e-6, 1.5), (1e-3, 100e-6, 0.0), (1e-3, 100e-6, 2.0)],
)


@RIPPLES
def test_the_crest_is_that_of_the_closed_form(R_esr: float, C_o: float, end: float) -> None:
    """`output_ripple` counts from the ESR drop of the load before the switch opens."""
    I_pk, t_dem, I_o = 5.0, 6e-6, 1.0
    top = output.ripple_crest_time(I_s_pk=I_pk, I_s_end=end, I_o=I_o, t_dem=t_dem, R_esr=R_esr, C_o=C_o)
    closed = output.output_ripple(
        I_s_pk=I_pk, I_s_end=end, I_o=I_o, t_dem=t_dem, t_top=top, R_esr=R_esr, C_o=C_o
    )
    assert parts.cresting(R_esr, 1 / C_o)(I_pk, end, 0.0, t_dem, I_o) == pytest.approx(float(closed))


@RIPPLES
def test_the_crest_is_the_highest_point_of_the_waveform(R_esr: float, C_o: float, end: float) -> None:
    I_pk, t_reset, t_fall, I_o = 5.0, 0.2e-6, 6e-6, 1.0
    t = np.linspace(0.0, t_reset + t_fall, 62001)
    i_s = np.interp(t, [0.0, t_reset, t_reset + t_fall], [0.0, I_pk, end])
    surplus = (i_s[1:] + i_s[:-1]) / 2 - I_o
    gained = np.concatenate(([0.0], np.cumsum(surplus * np.diff(t)))) / C_o
    found = parts.cresting(R_esr, 1 / C_o)(I_pk, end, t_reset, t_fall, I_o)
    assert found == pytest.approx((R_esr * i_s + gained).max(), rel=1e-6)


# --- next pulse -----------------------------------------------------------------------------------


def follow(family: str, **control: Any) -> parts.Follow | None:
    p = Primary(L_m=1e-3, L_leak=0.0, R_pri=1.0, R_switch=1.0, R_s=1.0, C_d=100e-12)
    return parts.following(p, PLAIN.secondary, replace(PLAIN.control, family=family, **control), 0.05)


@pytest.mark.parametrize("family", ["valley switching", "self-oscillating"])
def test_the_next_pulse_begins_in_a_trough(family: str) -> None:
    """1 mH with 100 pF rings in 2 pi sqrt(1e-13) s: the first trough after half of it, then each whole."""
    period = 2 * math.pi * math.sqrt(1e-13)
    step = follow(family)
    assert step is not None
    assert step(0.0, 10e-6, 5e-6, 5.4) == pytest.approx(10e-6 + 0.5 * period)
    assert step(11.1e-6, 10e-6, 5e-6, 5.4) == pytest.approx(10e-6 + 1.5 * period)
    assert step(15e-6, 10e-6, 5e-6, 5.4) == pytest.approx(10e-6 + 3.5 * period)


def test_constant_current_holds_the_conduction_share() -> None:
    """Seen: until the secondary falls to 0.1 A, that is L_m x 0.1 / (n² x 5.4 V) before its end."""
    step = follow("primary-side constant current", d_dem=0.5, I_th=0.1)
    assert step is not None
    early = 1e-3 * 0.1 / (PLAIN.secondary.n**2 * (5.4 + 0.05 * 0.1 / 2))
    assert step(0.0, 9e-6, 6e-6, 5.4) == pytest.approx((6e-6 - early) / 0.5)
    assert step(20e-6, 9e-6, 6e-6, 5.4) == 20e-6
    assert step(0.0, 13e-6, 6e-6, 5.4) == 13e-6


def test_no_voltage_at_the_secondary_is_no_division_by_nothing() -> None:
    """Held at zero without a drop or resistance: the threshold is met long before the conduction ends."""
    p = Primary(L_m=1e-3, L_leak=0.0, R_pri=1.0, R_switch=1.0, R_s=1.0, C_d=100e-12)
    control = replace(PLAIN.control, family="primary-side constant current", d_dem=0.5, I_th=0.1)
    step = parts.following(p, PLAIN.secondary, control, 0.0)
    assert step is not None
    assert step(0.0, 9e-6, 6e-6, 0.0) == 9e-6


def test_a_clock_follows_nothing() -> None:
    assert follow("fixed-frequency peak current") is None
    assert follow("on/off") is None


# --- mains ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("v", "u_0", "u_1"),
    [
        pytest.param(130.0, 133.0, 134.0, id="conducts throughout"),
        pytest.param(130.0, 129.5, 131.0, id="begins within"),
        pytest.param(130.0, 130.2, 128.0, id="ends within"),
        pytest.param(0.0, 160.0, 160.0, id="inrush"),
    ],
)
def test_the_bulk_charges_as_its_circuit_says(v: float, u_0: float, u_1: float) -> None:
    feed, bulk, T = Feed(V_ac=115.0, f_line=60.0, R_charge=8.0), Capacitor(10e-6, 0.5), 15e-6
    after, q, S, E, i_top = parts.charging(feed, bulk)(v, u_0, u_1, T)

    def flow(t: float, x: Any) -> Any:
        u = u_0 + (u_1 - u_0) * t / T
        i = max(u - x[0], 0.0) / 8.5
        return [i / bulk.C, i, i * i, u * i]

    found = integrate(flow, T, [v, 0.0, 0.0, 0.0], max_step=T / 2000)
    assert [after, q, S, E] == pytest.approx(list(found.y[:, -1]), rel=1e-6)
    currents = (np.interp(found.t, [0.0, T], [u_0, u_1]) - found.y[0]) / 8.5
    assert i_top == pytest.approx(currents.max(), rel=1e-3)
    assert pytest.approx(8.5 * S + (v + after) / 2 * q, rel=ROUNDING) == E


def test_half_wave_leaves_every_second_crest_out() -> None:
    full, half = (parts.emf(Feed(V_ac=100.0, f_line=50.0, V_bridge=1.0, n_pulse=n)) for n in (2, 1))
    crest = 100 * math.sqrt(2) - 1
    assert (full(0.0), full(10e-3), half(0.0)) == pytest.approx((crest,) * 3)
    assert half(10e-3) == pytest.approx(-100 * math.sqrt(2) - 1)


# --- load and least resistances -------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["resistance", "current", "power", "voltage"])
@pytest.mark.parametrize("v", [0.0, 0.3, LETS_GO, 5.0])
def test_a_steady_load_draws_what_the_load_says(kind: str, v: float) -> None:
    load = Load.constant(kind, 4.0)
    assert parts.drawing(load)(1.0, v) == pytest.approx(load.current(1.0, v))


def test_a_resistance_divides_the_voltage_with_the_esr() -> None:
    """10 mohm behind 30 mohm at 4 V: 100 A, and 1 V is left for it."""
    assert parts.drawing(Load.constant("resistance", 0.01), 0.03)(0.0, 4.0) == pytest.approx(100.0)
    stepped = Load.step("resistance", 5.0, 0.01, at=1e-3)
    assert parts.drawing(stepped, 0.03)(2e-3, 4.0) == pytest.approx(100.0)
    assert parts.drawing(Load.constant("current", 2.0), 0.03)(0.0, 4.0) == 2.0


def test_a_changing_load_draws_what_the_load_says() -> None:
    load = Load.step("current", 1.0, 2.0, at=1e-3)
    assert [parts.drawing(load)(t, 5.0) for t in (0.0, 2e-3)] == [1.0, 2.0]


def test_every_path_gets_the_resistance_its_exponential_needs() -> None:
    bare = replace(
        PLAIN,
        primary=replace(PLAIN.primary, R_pri=0.0, R_switch=0.0, R_s=0.0),
        secondary=replace(PLAIN.secondary, R_f=0.0, R_sec=0.0),
        output=(Capacitor(680e-6),),
        feed=replace(PLAIN.feed, R_charge=0.0),
        bulk=Capacitor(10e-6),
    )
    c = parts.with_resistance(bare, 0.0)
    assert c.primary.R_on / c.primary.L_p == pytest.approx(parts.LEAST_RATE)
    assert c.secondary.R_f * c.secondary.n**2 / c.primary.L_m == pytest.approx(parts.LEAST_RATE)
    assert c.feed.R_charge == parts.SMALL
    assert parts.with_resistance(PLAIN, 0.0) == PLAIN
    # the capacitors' ESR stands in for it only where it is in the path
    assert parts.with_resistance(bare, 1.0).secondary.R_f == 0.0
