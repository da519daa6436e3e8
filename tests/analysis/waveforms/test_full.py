"""Fidelity "full" from outside: energy, textbook relations, and that a run can be cut anywhere."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from boards import board, traced
from converters import CLOCK, FAMILIES, MAINS, PLAIN, amps, cold, of_family, ohms, on_bench, warm
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.analysis.bulk import Line
from flyback.analysis.operating_point import limit_pulse
from flyback.analysis.waveforms import steady
from flyback.analysis.waveforms import traced as traced_board
from flyback.analysis.waveforms.converter import (
    OPEN,
    Capacitor,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.full import simulate
from flyback.analysis.waveforms.load import LETS_GO, Load
from flyback.analysis.waveforms.regulator import FIRST_SHARE
from flyback.analysis.waveforms.run import Run, State, Traces
from flyback.equations import transformer

RESIDUAL = 1e-9
"""Energy found nowhere, as a share of what was put in; rounding alone gives 1e-11."""

ALWAYS = (-math.inf, math.inf)

SUPPRESSOR = Clamp(V_c=130.0)
CLAMPS = {"resistor and capacitor": PLAIN.clamp, "suppressor": SUPPRESSOR}
SCENES = {
    "bench, discontinuous": on_bench(PLAIN, 300.0),
    "bench, continuous": on_bench(PLAIN, 65.0),
    "full wave": PLAIN,
    "half wave": replace(PLAIN, feed=replace(MAINS, n_pulse=1)),
}

BUCKET = replace(on_bench(PLAIN), control=replace(PLAIN.control, gain=0.3, integral=400.0))
"""Fixed frequency on a bench supply, with a faster loop."""


def changed(c: Converter, **parts: Mapping[str, Any]) -> Converter:
    """A converter with fields of its parts changed: ``primary={"R_pri": 0.0}``."""
    return replace(c, **{name: replace(getattr(c, name), **fields) for name, fields in parts.items()})


def run(c: Converter, load: Load, *, span: float = 1e-3, state: State | None = None, **asked: Any) -> Run:
    return simulate(c, load, warm(c) if state is None else state, span=span, **asked)


def sound(found: Run) -> None:
    """Energy is kept, no loss is negative, and every figure is a number."""
    assert abs(found.energy.residual) < RESIDUAL
    assert min(found.energy.losses.values()) > -1e-12
    assert all(math.isfinite(getattr(found.figures, f.name)) for f in fields(found.figures))


# --- energy ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("clamp", CLAMPS)
@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("family", FAMILIES)
def test_energy_is_kept(family: str, scene: str, clamp: str) -> None:
    c = replace(of_family(family, SCENES[scene]), clamp=CLAMPS[clamp])
    sound(run(c, amps(0.9), span=0.4e-3))


def test_energy_is_told_apart_by_part() -> None:
    """The rectifier's loss is its drop times the mean current and its slope times the mean square."""
    found = run(BUCKET, amps(1.0), span=0.5e-3, trace=ALWAYS)
    f, s = found.figures, BUCKET.secondary
    length = f.end - f.start
    assert found.traces is not None
    charge = np.trapezoid(found.traces.i_sec, found.traces.t)
    assert found.energy.losses["output rectifier"] == pytest.approx(
        s.V_f * charge + s.R_f * f.I_s_rms**2 * length, rel=2e-3
    )
    assert found.energy.losses["primary winding"] == pytest.approx(1.5 * f.I_p_rms**2 * length, rel=1e-9)
    assert found.energy.losses["secondary winding"] == pytest.approx(
        s.R_sec * f.I_s_rms**2 * length, rel=1e-9
    )


def test_a_stiff_load_holds_the_output_whatever_capacitors_are_there() -> None:
    bare = run(replace(BUCKET, output=()), Load.constant("voltage", 4.0))
    with_capacitors = run(BUCKET, Load.constant("voltage", 4.0))
    assert bare.figures == with_capacitors.figures
    assert bare.figures.V_o == pytest.approx(4.0, rel=1e-12)
    assert bare.figures.V_swing == 0.0
    sound(bare)


def test_a_shorted_output_takes_no_power() -> None:
    found = run(replace(BUCKET, output=()), Load.constant("voltage", 0.0))
    sound(found)
    assert found.figures.P_o == 0.0
    assert found.figures.I_o > 5.0


def test_nothing_that_holds_the_output_is_refused() -> None:
    with pytest.raises(ValueError, match="output capacitor"):
        run(replace(BUCKET, output=()), amps(1.0))


# --- what the load gets ---------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "value"), [("resistance", 5.5), ("current", 0.9), ("power", 4.5)])
def test_the_load_gets_what_it_asks_for(kind: str, value: float) -> None:
    found = run(BUCKET, Load.constant(kind, value), span=5e-3, measure_from=3e-3)
    f = found.figures
    got = {"resistance": f.V_o / f.I_o, "current": f.I_o, "power": f.P_o}[kind]
    # what is no resistance is set once a pulse, by the mean of the last one
    assert got == pytest.approx(value, rel=1e-4)
    assert f.V_o == pytest.approx(5.0, rel=5e-3)
    sound(found)


def test_a_step_of_the_load_moves_the_output_by_its_charge() -> None:
    """Without a loop the pulses keep their power: a lower output gets a little more current of it."""
    c = changed(BUCKET, control={"gain": 0.0, "integral": 0.0})
    c = replace(c, output=(Capacitor(690e-6),))
    before, after, at = 1.3, 1.4, 2e-3
    plain = run(c, amps(before), span=3e-3)
    stepped = run(c, Load.step("current", before, after, at=at), span=3e-3)
    fall = np.subtract(plain.state.v_out, stepped.state.v_out)[0]
    conductance = plain.figures.I_o / (plain.figures.V_o + c.secondary.V_f)
    passed = conductance * (stepped.state.t - at) / 690e-6
    # the step may wait a pulse
    assert fall == pytest.approx((after - before) / conductance * -math.expm1(-passed), rel=0.02)


def test_a_short_circuit_comes_and_goes() -> None:
    """A step of a resistance to a small part of itself and back: it stays a resistance all the time."""
    load = Load("resistance", (1e-3, 1e-3, 3e-3, 3e-3), (5.0, 0.02, 0.02, 5.0))
    found = run(BUCKET, load, span=9e-3, trace=ALWAYS)
    sound(found)
    short = found.traces.between(2e-3, 3e-3) if found.traces else None
    assert short is not None
    # every pulse at its limit: what it gives into a held output of as many volts
    held = run(replace(BUCKET, output=()), Load.constant("voltage", float(short.v_out.mean())))
    assert np.trapezoid(short.v_out, short.t) / np.ptp(short.t) == pytest.approx(
        0.02 * held.figures.I_o, rel=0.03
    )
    assert short.v_out.min() > 0.0
    assert found.state.v_out[0] == pytest.approx(5.0, rel=0.02)


@pytest.mark.parametrize("kind", ["resistance", "current", "power"])
def test_a_slow_ramp_passes_through_steady_states(kind: str) -> None:
    ends = {"resistance": (20.0, 5.0), "current": (0.2, 1.0), "power": (1.0, 5.0)}[kind]
    ramp = Load.ramp(kind, *ends, start=0.0, end=3e-3)
    after = run(BUCKET, ramp, span=7e-3, measure_from=6.5e-3)
    at_once = run(BUCKET, Load.constant(kind, ends[1]), span=6e-3, measure_from=5.5e-3)
    for name in ("V_o", "I_o", "P_in", "I_pk"):
        assert getattr(after.figures, name) == pytest.approx(getattr(at_once.figures, name), rel=5e-3)
    sound(after)


# --- start, stop and start again ------------------------------------------------------------------


def test_it_starts_from_nothing() -> None:
    c = changed(PLAIN, control={"t_soft": 3e-3})
    found = run(c, amps(0.8), span=10e-3, state=cold(c))
    sound(found)
    assert found.figures.I_line > 2 * found.figures.I_line_rms
    assert found.state.v_out[0] == pytest.approx(5.0, rel=0.02)
    assert found.figures.V_swing > 5.0


def test_a_soft_start_begins_with_a_share_of_the_limit() -> None:
    c = changed(BUCKET, control={"t_soft": 3e-3})
    found = run(c, amps(0.8), span=2e-3, state=cold(c))
    k = c.control
    delayed = 150.0 / c.primary.L_p * k.t_delay
    assert found.pulses.I_off[0] == pytest.approx(FIRST_SHARE * k.I_limit + delayed, rel=0.02)
    assert found.pulses.I_off[-1] == pytest.approx(
        (FIRST_SHARE + (1 - FIRST_SHARE) * 2 / 3) * k.I_limit + delayed, rel=0.02
    )


STOPS = {"t_restart": 15e-3, "t_soft": 1e-3}


def test_an_overload_stops_it_until_its_pause_is_over() -> None:
    c = changed(BUCKET, control={"t_overload": 2e-3, **STOPS})
    found = run(c, amps(2.5), span=24e-3)
    sound(found)
    # it starts again, and stops again
    assert ["overload timer" in words for words in found.notices] == [True, True]
    t = found.pulses.t
    pause = int(np.argmax(np.diff(t)))
    # 2 ms at the limit after the output fell below what it is set to, then the pause to the instant
    assert 2e-3 < t[pause] < 3.5e-3
    assert t[pause + 1] - t[pause] == pytest.approx(15e-3, abs=2 / CLOCK)


def test_a_controller_that_loses_its_supply_stops() -> None:
    c = changed(BUCKET, control={"V_stop": 3.8, "t_hold": 1e-3, **STOPS})
    found = run(c, ohms(1.0), span=6e-3)
    sound(found)
    assert "lost its supply" in found.notices[0]
    assert found.state.resume_at is not None
    assert found.pulses.t[-1] < found.state.resume_at - 14e-3


def test_a_constant_current_empties_the_output_along_its_own_curve() -> None:
    """Stopped: a straight line down to the voltage where the load lets go, then an exponential."""
    amps_drawn, C = 2.0, 690e-6
    c = replace(BUCKET, output=(Capacitor(C),))
    state = replace(warm(c), resume_at=1.0)
    found = run(c, amps(amps_drawn), span=5e-3, state=state, trace=ALWAYS)
    assert found.traces is not None
    t_go = (5.0 - LETS_GO) * C / amps_drawn
    tau = LETS_GO * C / amps_drawn

    def hand(t: float) -> float:
        return 5.0 - amps_drawn * t / C if t < t_go else LETS_GO * math.exp(-(t - t_go) / tau)

    for t in (0.3e-3, 1.0e-3, 1.3e-3, 1.6e-3, 2.5e-3):
        assert np.interp(t, found.traces.t, found.traces.v_out) == pytest.approx(hand(t), abs=0.01)
    assert found.traces.v_out.min() > -1e-9
    assert (found.figures.pulses, found.figures.V_ripple) == (0, 0.0)
    assert found.figures.V_swing == pytest.approx(5.0, abs=0.01)
    assert abs(found.energy.residual) < RESIDUAL


def test_a_pause_is_no_ripple() -> None:
    c = changed(BUCKET, control={"t_overload": 1e-3, **STOPS})
    found = run(c, amps(2.5), span=18e-3)
    assert found.figures.V_swing > 4.9
    assert found.figures.V_ripple < 0.5


# --- cut and joined, windows ----------------------------------------------------------------------


JOINED = [
    *((of_family(family), Load.constant("resistance", 6.0)) for family in FAMILIES),
    (of_family("fixed-frequency peak current"), Load.ramp("current", 0.5, 1.5, start=0.0, end=2e-3)),
    (of_family("valley switching"), Load.constant("power", 5.0)),
    (of_family("self-oscillating", on_bench(PLAIN, 45.0), D_max=0.5, I_drive=None), amps(0.8)),
    (changed(PLAIN, control={"t_overload": 0.4e-3, "t_restart": 0.9e-3}), ohms(1.5)),
]


@pytest.mark.parametrize(("c", "load"), JOINED, ids=lambda x: getattr(x, "kind", None))
def test_two_runs_joined_are_one(c: Converter, load: Load) -> None:
    whole = run(c, load, span=2e-3)
    first = run(c, load, span=1e-3)
    second = run(c, load, span=2e-3 - first.state.t, state=first.state)
    for f in fields(State):
        a, b = getattr(whole.state, f.name), getattr(second.state, f.name)
        if a is None:
            assert b is None
            continue
        # rounding, which a long ringing makes larger
        assert b == pytest.approx(a, rel=1e-8, abs=1e-8), f.name
    count = len(first.pulses.t)
    joined = np.concatenate([first.pulses.I_pk, second.pulses.I_pk])
    assert joined == pytest.approx(whole.pulses.I_pk, rel=1e-8)
    assert second.pulses.v_out[0] == pytest.approx(whole.pulses.v_out[count], rel=1e-8)
    assert second.pulses.i_line[0] == pytest.approx(whole.pulses.i_line[count], rel=1e-6)
    source = first.energy.source + second.energy.source
    assert source == pytest.approx(whole.energy.source, rel=1e-8)


def test_a_run_that_goes_on_while_the_bulk_is_charged_knows_it_at_once() -> None:
    first = run(PLAIN, ohms(6.0), span=0.2e-3, state=cold(PLAIN))
    whole = run(PLAIN, ohms(6.0), span=0.3e-3, state=cold(PLAIN))
    second = run(PLAIN, ohms(6.0), span=0.1e-3, state=first.state)
    assert second.pulses.i_line[0] == pytest.approx(whole.pulses.i_line[len(first.pulses.t)], rel=1e-6)
    assert second.pulses.i_line[0] > 1.0
    assert second.pulses.v_bulk[0] == pytest.approx(whole.pulses.v_bulk[len(first.pulses.t)], rel=1e-9)


def test_only_the_measured_part_counts() -> None:
    found = run(BUCKET, amps(1.0), span=2e-3, measure_from=1e-3)
    f = found.figures
    assert 1e-3 <= f.start < 1e-3 + 1 / CLOCK
    assert 2e-3 <= f.end < 2e-3 + 1 / CLOCK
    assert f.end == found.state.t
    assert found.pulses.t[0] == f.start
    assert f.pulses == len(found.pulses.t) == round((f.end - f.start) * CLOCK)
    assert f.f_s == pytest.approx(CLOCK)
    assert found.energy.load == pytest.approx(f.P_o * (f.end - f.start), rel=1e-12)


def test_nothing_is_measured_where_nothing_was_asked_for() -> None:
    f = run(BUCKET, amps(1.0), span=0.2e-3, measure_from=1.0).figures
    assert f.pulses == 0
    assert math.isnan(f.V_o)


def test_waveforms_stay_in_their_window() -> None:
    found = run(BUCKET, amps(1.0), span=1e-3, trace=(0.40e-3, 0.45e-3))
    assert found.traces is not None
    assert 0.40e-3 <= found.traces.t[0] < 0.401e-3
    assert 0.449e-3 < found.traces.t[-1] <= 0.45e-3
    assert (np.diff(found.traces.t) >= 0).all()
    assert run(BUCKET, amps(1.0), span=0.1e-3).traces is None
    late = run(BUCKET, amps(1.0), span=0.1e-3, trace=(1.0, 2.0)).traces
    assert late is not None
    assert len(late.t) == 0


@pytest.mark.parametrize("clamp", CLAMPS)
def test_waveforms_and_figures_agree(clamp: str) -> None:
    found = run(replace(PLAIN, clamp=CLAMPS[clamp]), amps(1.0), trace=ALWAYS)
    f, w = found.figures, found.traces
    assert w is not None
    assert f.V_ds == w.v_drain.max()
    assert (f.V_valley, f.V_crest) == (w.v_bulk.min(), w.v_bulk.max())
    assert f.V_swing == pytest.approx(np.ptp(w.v_out), rel=1e-12)
    assert f.I_line == np.abs(w.i_line).max()
    assert f.I_pk == pytest.approx(found.pulses.I_pk.mean(), rel=1e-12)
    assert (f.I_pk_min, f.I_pk_max) == (found.pulses.I_pk.min(), found.pulses.I_pk.max())
    # closed integrals against straight lines between the points
    length = f.end - f.start
    dt = np.diff(w.t)
    for value, course in ((f.V_mean, w.v_bulk), (f.V_o, w.v_out)):
        assert np.trapezoid(course, w.t) / length == pytest.approx(value, rel=1e-3)
    for value, x in ((f.I_p_rms, w.i_pri), (f.I_s_rms, w.i_sec), (f.I_line_rms, w.i_line)):
        square = (x[1:] ** 2 + x[1:] * x[:-1] + x[:-1] ** 2) / 3
        assert math.sqrt(square @ dt / length) == pytest.approx(value, rel=1e-3)


def test_a_row_a_pulse_agrees_with_the_waveforms() -> None:
    found = run(BUCKET, amps(1.0), span=0.3e-3, trace=ALWAYS)
    w, p = found.traces, found.pulses
    assert w is not None
    assert p.t[1:] == pytest.approx(p.t[:-1] + p.T[:-1], rel=1e-12)
    for k in range(3, len(p.t)):
        period = w.between(p.t[k], p.t[k] + p.T[k])
        assert p.v_bulk[k] == pytest.approx(period.v_bulk[0])
        on = period.between(p.t[k], p.t[k] + p.t_on[k])
        assert on.i_pri[-1] == pytest.approx(p.I_off[k], rel=1e-9)
        assert p.I_pk[k] == pytest.approx(p.I_off[k], rel=0.02)
        conducting = period.i_sec > 1e-6
        assert p.t_dem[k] == pytest.approx(np.ptp(period.t[conducting]), rel=0.02)


def test_fewer_rows_change_no_figure() -> None:
    c = of_family("valley switching", BUCKET)
    every = run(c, amps(1.0))
    for most in (5, 6, 50):
        some = run(c, amps(1.0), most_rows=most)
        stride = some.pulses.stride
        assert some.figures == every.figures
        assert some.energy == every.energy
        assert len(some.pulses.t) <= most
        assert (some.pulses.t == every.pulses.t[::stride]).all()


def test_progress_is_told_on_the_way() -> None:
    told: list[float] = []
    run(BUCKET, amps(1.0), span=0.5e-3, progress=told.append)
    assert told == sorted(told)
    assert 0.0 < told[0] < 0.1
    assert told[-1] <= 1.0


# --- the controller -------------------------------------------------------------------------------


def at_limit(c: Converter, **control: Any) -> Converter:
    """Every pulse ended by the limit."""
    return changed(c, control={"gain": 0.0, "integral": 0.0, **control})


def test_a_pulse_ends_at_the_limit_and_its_delay() -> None:
    found = run(replace(at_limit(BUCKET), output=()), Load.constant("voltage", 5.0))
    p, c = BUCKET.primary, BUCKET.control
    V_on = 150.0 - p.R_on * c.I_limit
    assert found.pulses.I_off[-1] == pytest.approx(c.I_limit + V_on / p.L_p * c.t_delay, rel=1e-3)


def test_a_delay_longer_than_the_period_lets_the_duty_limit_end_the_pulse() -> None:
    c = replace(at_limit(BUCKET, t_delay=20e-6, D_max=0.4), output=())
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
    p = replace(BUCKET.primary, R_pri=0.01, R_switch=0.01, R_s=0.01, C_d=1e-12)
    c = replace(at_limit(BUCKET, I_limit=math.inf, D_max=0.2), primary=p, output=())
    f = run(c, Load.constant("voltage", 5.0)).figures
    assert f.P_in == pytest.approx((150.0 * 0.2) ** 2 / (2 * p.L_p * CLOCK), rel=0.01)


def test_the_loop_ends_pulses_where_there_is_no_limit() -> None:
    c = changed(BUCKET, control={"I_limit": math.inf})
    found = run(c, amps(0.8), state=replace(warm(BUCKET), command=0.25), span=5e-3, measure_from=4e-3)
    assert found.figures.V_o == pytest.approx(5.0, rel=5e-3)
    assert found.pulses.t_on.max() < 0.4 / CLOCK


def test_a_limit_of_nothing_gives_no_energy() -> None:
    c = replace(at_limit(BUCKET, I_limit=0.0, t_delay=0.0), output=())
    found = run(c, Load.constant("voltage", 5.0), span=0.3e-3)
    assert found.figures.I_o == 0.0
    assert abs(found.energy.residual) < RESIDUAL


def test_on_off_gives_whole_pulses_and_none() -> None:
    c = of_family("on/off", BUCKET)
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
    c = of_family("primary-side constant current", BUCKET, I_th=0.0, V_set=math.inf, gain=0.0, integral=0.0)
    found = run(replace(c, output=()), Load.constant("voltage", 4.0))
    p = found.pulses
    assert p.t_dem[1:-1] / p.T[1:-1] == pytest.approx(0.45, rel=2e-3)
    # half the secondary's triangle over its share, less what the clamp takes of its beginning
    ideal = 14.0 * found.figures.I_pk * 0.45 / 2
    assert found.figures.I_o == pytest.approx(ideal, rel=0.06)
    assert found.figures.I_o < ideal


def test_a_secondary_that_would_overlap_the_next_pulse_runs_into_it() -> None:
    """At a bulk too low for the share the period is just on time and conduction."""
    c = of_family("primary-side constant current", on_bench(PLAIN, 40.0), d_dem=0.7, f_max=None)
    found = run(at_limit(c), ohms(5.0), span=0.5e-3)
    p = found.pulses
    assert p.T[1:-1] == pytest.approx(p.t_on[1:-1] + p.t_dem[1:-1], rel=0.02)
    sound(found)


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
    c = replace(BUCKET, clamp=Clamp(V_c=130.0, V_d=0.8, R_d=2.0))
    f = run(c, amps(1.0)).figures
    # the whole peak current passes its slope
    assert f.V_ds == pytest.approx(150.0 + 130.8 + 2.0 * f.I_pk_max, rel=2e-3)


def test_ripple_without_ringing_is_never_more_than_what_there_is() -> None:
    """Leakage that hardly resets: the secondary never gets the current it would have without it."""
    c = changed(BUCKET, secondary={"n": 24.0}, primary={"L_leak": 100e-6})
    c = replace(c, clamp=Clamp(V_c=140.0), output=(Capacitor(680e-6, 0.03),))
    found = run(c, amps(0.5), trace=ALWAYS)
    assert found.traces is not None
    rows = zip(found.pulses.t, found.pulses.T, strict=True)
    largest = max(np.ptp(found.traces.between(t, t + T).v_out) for t, T in rows)
    assert 0.5 * largest < found.figures.V_ripple <= largest * (1 + 1e-9)


def test_the_step_of_an_esr_is_the_peak_current_times_it() -> None:
    """A large capacitor: the ripple is n I_pk ESR, in parallel with the load."""
    p = replace(PLAIN.primary, L_leak=0.0, R_leak=OPEN)
    c = replace(BUCKET, primary=p, output=(Capacitor(0.01, 0.05),))
    c = changed(c, control={"gain": 0.0, "integral": 0.0})
    f = run(c, ohms(2.0), span=0.2e-3).figures
    R = 0.05 * 2.0 / 2.05
    assert f.V_ripple == pytest.approx(14.0 * f.I_pk_max * R, rel=0.02)


# --- extremes -------------------------------------------------------------------------------------

NO_RESISTANCE = {"R_pri": 0.0, "R_switch": 0.0, "R_s": 0.0}

EXTREMES: dict[str, Converter] = {
    "no resistance anywhere": replace(
        changed(BUCKET, primary=NO_RESISTANCE, secondary={"R_f": 0.0, "R_sec": 0.0}),
        output=(Capacitor(470e-6),),
    ),
    "two capacitors without ESR": replace(BUCKET, output=(Capacitor(470e-6), Capacitor(100e-6))),
    "no core loss": changed(BUCKET, primary={"R_core": OPEN}),
    "no leakage loss": changed(BUCKET, primary={"R_leak": OPEN}),
    "no loss at the ringing": changed(BUCKET, primary={"R_core": OPEN, "R_leak": OPEN}),
    "next to no leakage": changed(BUCKET, primary={"L_leak": 1e-9}),
    "no leakage": changed(BUCKET, primary={"L_leak": 0.0}),
    "no drain capacitance": changed(BUCKET, primary={"C_d": 0.0}),
    "a large drain capacitance": changed(BUCKET, primary={"C_d": 20e-9, "R_d": 10.0}),
    "a clamp without resistor": replace(BUCKET, clamp=Clamp(C_cl=1e-9)),
    "a bulk without ESR or path": replace(
        PLAIN, bulk=Capacitor(15e-6), feed=Feed(V_ac=115.0, f_line=60.0, n_pulse=2)
    ),
    "a bulk of next to nothing": replace(PLAIN, bulk=Capacitor(1e-9)),
    "mains of 10 V": replace(PLAIN, feed=replace(MAINS, V_ac=10.0)),
    "as many turns": changed(BUCKET, secondary={"n": 1.0}),
    "a limit that is there at once": changed(BUCKET, control={"I_limit": 1e-4}),
    "line compensation that takes all": changed(BUCKET, control={"k_line": 0.1}),
    "a rate limit far too low": of_family("valley switching", BUCKET, f_max=2e3),
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
