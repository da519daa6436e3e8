"""Fidelity "full": when a pulse begins and ends in each control family, against textbook relations."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import board, traced
from converters import CLOCK, PLAIN, amps, of_family, ohms, on_bench, warm
from full_runs import ALWAYS, RESIDUAL, SUPPLY, changed, run, sound

from flyback.analysis.bulk import Line
from flyback.analysis.operating_point import limit_pulse
from flyback.analysis.waveforms import steady
from flyback.analysis.waveforms import traced as traced_board
from flyback.analysis.waveforms.converter import (
    OPEN,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.full import simulate
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Run, Traces
from flyback.equations import transformer

# --- the controller -------------------------------------------------------------------------------


def at_limit(c: Converter, **control: Any) -> Converter:
    """Every pulse ended by the limit."""
    return changed(c, control={"gain": 0.0, "integral": 0.0, **control})


def test_a_pulse_ends_at_the_limit_and_its_delay() -> None:
    found = run(replace(at_limit(SUPPLY), output=()), Load.constant("voltage", 5.0))
    p, c = SUPPLY.primary, SUPPLY.control
    V_on = 150.0 - p.R_on * c.I_limit
    assert found.pulses.I_off[-1] == pytest.approx(c.I_limit + V_on / p.L_p * c.t_delay, rel=1e-3)


def test_a_delay_longer_than_the_period_lets_the_duty_limit_end_the_pulse() -> None:
    c = replace(at_limit(SUPPLY, t_delay=20e-6, D_max=0.4), output=())
    found = run(c, Load.constant("voltage", 5.0), span=0.5e-3)
    assert found.pulses.t_on == pytest.approx(0.4 / CLOCK, rel=1e-9)
    sound(found)


@pytest.mark.parametrize("D_max", [0.3, 0.5, 0.95])
def test_the_duty_limit_ends_pulses_that_the_current_does_not(D_max: float) -> None:
    c = replace(at_limit(on_bench(PLAIN, 60.0), D_max=D_max, I_limit=100.0), output=())
    found = run(c, Load.constant("voltage", 5.0), span=0.5e-3)
    assert found.pulses.t_on == pytest.approx(D_max / CLOCK, rel=1e-9)
    sound(found)


def test_a_fixed_duty_stores_what_the_textbook_says() -> None:
    """V^2 D^2 / (2 L f) in discontinuous conduction, less what the resistances take of the rise."""
    p = replace(SUPPLY.primary, R_pri=0.01, R_switch=0.01, R_s=0.01, C_d=1e-12)
    c = replace(at_limit(SUPPLY, I_limit=math.inf, D_max=0.2), primary=p, output=())
    f = run(c, Load.constant("voltage", 5.0)).figures
    assert f.P_in == pytest.approx((150.0 * 0.2) ** 2 / (2 * p.L_p * CLOCK), rel=0.01)


def test_the_loop_ends_pulses_where_there_is_no_limit() -> None:
    c = changed(SUPPLY, control={"I_limit": math.inf})
    found = run(c, amps(0.8), state=replace(warm(SUPPLY), command=0.25), span=5e-3, measure_from=4e-3)
    assert found.figures.V_o == pytest.approx(5.0, rel=5e-3)
    assert found.pulses.t_on.max() < 0.4 / CLOCK


def test_a_limit_of_nothing_gives_no_energy() -> None:
    c = replace(at_limit(SUPPLY, I_limit=0.0, t_delay=0.0), output=())
    found = run(c, Load.constant("voltage", 5.0), span=0.3e-3)
    assert found.figures.I_o == 0.0
    assert abs(found.energy.residual) < RESIDUAL


def test_on_off_gives_whole_pulses_and_none() -> None:
    c = of_family("on/off", SUPPLY)
    found = run(c, amps(0.3), span=4e-3)
    f = found.figures
    assert f.pulses < 0.6 * 4e-3 * CLOCK
    assert f.I_pk_max == pytest.approx(f.I_pk_min, rel=0.01)
    assert f.V_o == pytest.approx(5.0, rel=0.01)
    periods = np.diff(found.pulses.t) * CLOCK
    assert periods == pytest.approx(np.round(periods), abs=1e-6)
    sound(found)


# --- subharmonic oscillation ----------------------------------------------------------------------


def continuous(V_dc: float, S_ramp: float = 0.0) -> tuple[Converter, float, float]:
    """A converter in continuous conduction at its limit, and its slopes m1 and m2 [A/s]."""
    p = Primary(
        L_m=3e-3, L_leak=15e-6, R_pri=0.1, R_switch=0.1, R_s=1.0, C_d=20e-12, R_core=1e6, R_leak=6e3
    )
    c = Converter(
        feed=Feed(V_fixed=V_dc),
        bulk=None,
        primary=p,
        clamp=Clamp(V_c=250.0),
        secondary=Secondary(n=15.0, V_f=0.4, R_f=1e-3, R_sec=1e-3),
        output=(),
        control=Control(
            "fixed-frequency peak current",
            I_limit=0.6 + S_ramp * 8e-6,
            t_delay=200e-9,
            S_ramp=S_ramp,
            f_s=CLOCK,
            D_max=0.9,
        ),
    )
    return c, V_dc / p.L_p, 15.0 * 5.4 / p.L_m


HELD = Load.constant("voltage", 5.0)


@pytest.mark.parametrize("V_dc", [60.0, 75.0, 90.0, 110.0])
@pytest.mark.parametrize("share", [0.0, 0.5, 1.0])
def test_a_disturbed_pulse_returns_as_the_slopes_say(V_dc: float, share: float) -> None:
    """Multiplier (m2 - ma) / (m1 + ma); Erickson & Maksimovic, chapter on current control, from memory."""
    _, _, m2 = continuous(V_dc)
    ramp = share * m2 / 2
    c, m1, m2 = continuous(V_dc, ramp)
    found = steady.steady(c, HELD)
    assert found.settled
    assert found.run.pulses.I_v[0] > 0.3
    # leakage and resistance bend the slopes a little
    assert found.multiplier == pytest.approx((m2 - ramp) / (m1 + ramp), rel=0.01)
    assert found.alternates == (m2 - ramp > m1 + ramp)


def test_pulses_alternate_without_slope_compensation_and_not_with_it() -> None:
    def last_peaks(S_ramp: float) -> np.ndarray:
        c, _, _ = continuous(60.0, S_ramp)
        begin = steady.steady(c, HELD).state
        disturbed = replace(begin, i_m=begin.i_m + 1e-3, i_leak=begin.i_leak + 1e-3)
        return simulate(c, HELD, disturbed, span=1.5e-3).pulses.I_pk[-8:]

    _, _, m2 = continuous(60.0)
    wild, calm = last_peaks(0.0), last_peaks(m2 / 2)
    assert (np.sign(np.diff(wild)) * np.sign(np.diff(wild))[0] == [1, -1, 1, -1, 1, -1, 1]).all()
    assert np.ptp(wild) > 0.04
    assert np.ptp(calm) < 1e-9


# --- free-running families ------------------------------------------------------------------------


def troughs(c: Converter, load: Load, *, span: float = 0.4e-3) -> tuple[Run, list[Traces]]:
    """A run, and the waveforms of the last half ringing before each pulse of its second half."""
    found = run(c, load, span=span, trace=ALWAYS)
    assert found.traces is not None
    half = math.pi * math.sqrt(c.primary.L_p * c.primary.C_d)
    starts = found.pulses.t[len(found.pulses.t) // 2 :]
    return found, [found.traces.between(t - 0.9 * half, t - 1e-12) for t in starts]


def test_a_pulse_begins_in_the_first_trough() -> None:
    """From the plateau V_dc + V_r the drain rings down to its mirror image below V_dc, and no further."""
    c = of_family("valley switching", on_bench(PLAIN, 300.0), f_max=None)
    found, before = troughs(c, amps(1.0))
    V_r = 14.0 * (found.figures.V_o + c.secondary.V_f)
    for last in before:
        assert last.v_drain.argmin() == len(last.v_drain) - 1
        # a ringing of this Q loses a few per cent in half a period
        assert 300.0 - last.v_drain[-1] == pytest.approx(V_r, rel=0.06)
        assert last.i_sec.max() == 0.0
    sound(found)


def test_the_rate_limit_chooses_a_later_trough() -> None:
    c = of_family("valley switching", on_bench(PLAIN, 300.0), f_max=60e3)
    found, before = troughs(c, amps(0.5), span=1e-3)
    p = found.pulses
    assert (p.T[:-1] >= 1 / 60e3).all()
    ringing = 2 * math.pi * math.sqrt(c.primary.L_p * c.primary.C_d)
    assert (p.T[1:-1] < 1 / 60e3 + 1.01 * ringing).all()
    for last in before:
        assert last.v_drain.argmin() == len(last.v_drain) - 1
        assert last.v_drain[-1] < 300.0


def test_without_leakage_the_secondary_takes_over_at_once() -> None:
    """No ringing sets the pace of the search then, and the secondary's peak is n times the primary's."""
    p = replace(PLAIN.primary, L_leak=0.0, R_leak=OPEN)
    c = replace(of_family("valley switching", on_bench(PLAIN, 300.0)), primary=p)
    found, before = troughs(c, amps(1.0))
    assert found.traces is not None
    assert found.traces.i_sec.max() == pytest.approx(14.0 * found.figures.I_pk_max, rel=0.02)
    assert all(last.i_sec.max() == 0.0 for last in before)
    sound(found)


def test_leakage_ringing_is_no_end_of_conduction() -> None:
    """Light pulses and a large leakage: the secondary's current rings down to zero long before its end."""
    p = replace(PLAIN.primary, L_m=1.0e-3, L_leak=120e-6, C_d=120e-12, R_leak=20e3)
    c = replace(of_family("valley switching", on_bench(PLAIN, 300.0), f_max=None), primary=p)
    state = replace(warm(c), command=0.05)
    found = run(changed(c, control={"integral": 0.0}), ohms(50.0), state=state, trace=ALWAYS, span=0.3e-3)
    assert found.traces is not None
    w = found.traces
    gaps = [w.between(t, t + T) for t, T in zip(found.pulses.t, found.pulses.T, strict=True)]
    # it does ring to zero and conduct again
    assert any(np.count_nonzero(np.diff((g.i_sec > 1e-6).astype(int)) == 1) > 1 for g in gaps)
    for t in found.pulses.t[1:]:
        assert w.between(t - 50e-9, t - 1e-12).i_sec.max(initial=0.0) < 1e-6


@pytest.mark.parametrize("family", ["valley switching", "self-oscillating"])
def test_the_rate_of_a_free_running_board_is_that_of_the_closed_form(family: str) -> None:
    """Plain board at its limit into its set voltage, against `operating_point`."""
    circuit, supply = traced(board(family))
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    for V_dc in (150.0, 320.0):
        c = traced_board.converter(circuit, numbers, Line(V_fixed=V_dc), V_set=5.0)
        found = steady.held(c, V_dc=np.array(V_dc), V_o=np.array(5.0))
        V_r = float(transformer.reflected_voltage(n=supply.n, V_o=5.0, V_f=supply.V_f))
        closed = limit_pulse(circuit, supply, V_dc=V_dc, V_r=V_r)
        assert closed is not None
        assert found.settled
        assert float(found.f_s) == pytest.approx(float(closed.f_s), rel=0.03)
        assert float(found.I_pk) == pytest.approx(float(closed.I_pk), rel=0.02)


def test_a_self_oscillating_pulse_keeps_its_duty_limit() -> None:
    """The on time is never more than D_max of the period that ends with it."""
    c = of_family("self-oscillating", on_bench(PLAIN, 45.0), D_max=0.5, I_drive=None)
    found = run(c, ohms(4.0), span=1e-3)
    p = found.pulses
    off = p.T[:-1] - p.t_on[:-1]
    assert (p.t_on[1:] <= off * (1 + 1e-9)).all()
    assert p.t_on[-1] == pytest.approx(off[-1], rel=1e-9)
    sound(found)


def test_the_secondary_conducts_for_its_share_of_the_period() -> None:
    """Constant current: t_dem / T is held, and the output current follows from it."""
    c = of_family("primary-side constant current", SUPPLY, I_th=0.0, V_set=math.inf, gain=0.0, integral=0.0)
    found = run(replace(c, output=()), Load.constant("voltage", 4.0))
    p = found.pulses
    assert p.t_dem[1:-1] / p.T[1:-1] == pytest.approx(0.45, rel=2e-3)
    # half the secondary's triangle over its share, less what the clamp takes of its beginning
    ideal = 14.0 * found.figures.I_pk * 0.45 / 2
    assert found.figures.I_o == pytest.approx(ideal, rel=0.06)
    assert found.figures.I_o < ideal


@pytest.mark.parametrize(
    "family", ["valley switching", "self-oscillating", "primary-side constant current"]
)
def test_the_next_pulse_waits_for_the_end_of_conduction_however_long(family: str) -> None:
    """Into a short circuit with a synchronous rectifier: L_s / R ln(1 + I R / V_f), 1.7 ms."""
    c = of_family(family, on_bench(PLAIN, 300.0), gain=0.0, integral=0.0, I_th=0.0)
    c = replace(c, output=(), secondary=Secondary(n=5.0, V_f=0.05, R_f=0.01, R_sec=0.01))
    found = run(c, Load.constant("voltage", 0.0), state=warm(c, 0.0), span=5e-3)
    p = found.pulses
    L_s, R, I_s_pk = c.primary.L_m / 25, 0.02, 5.0 * p.I_pk
    assert p.t_dem == pytest.approx(L_s / R * np.log1p(I_s_pk * R / 0.05), rel=2e-3)
    assert p.t_dem.min() > 1.5e-3
    # nothing of it is left when the next pulse begins
    assert p.I_v[1:] == pytest.approx(0.0, abs=1e-4)
    sound(found)


def test_a_secondary_that_would_overlap_the_next_pulse_runs_into_it() -> None:
    """At a bulk too low for the share the period is just on time and conduction."""
    c = of_family("primary-side constant current", on_bench(PLAIN, 40.0), d_dem=0.7, f_max=None)
    found = run(at_limit(c), ohms(5.0), span=0.5e-3)
    p = found.pulses
    assert p.T[1:-1] == pytest.approx(p.t_on[1:-1] + p.t_dem[1:-1], rel=0.02)
    sound(found)
