"""Fidelity "full" from outside: energy, what a load gets, stops and starts, and that a run can be cut."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from converters import CLOCK, FAMILIES, MAINS, PLAIN, amps, cold, of_family, ohms, on_bench, warm
from full_runs import ALWAYS, RESIDUAL, SUPPLY, changed, run, sound

from flyback.analysis.waveforms.converter import (
    Capacitor,
    Clamp,
    Converter,
)
from flyback.analysis.waveforms.load import LETS_GO, Load
from flyback.analysis.waveforms.regulator import FIRST_SHARE
from flyback.analysis.waveforms.run import State

CLAMPS = {"resistor and capacitor": PLAIN.clamp, "suppressor": Clamp(V_c=130.0)}
SCENES = {
    "bench, discontinuous": on_bench(PLAIN, 300.0),
    "bench, continuous": on_bench(PLAIN, 65.0),
    "full wave": PLAIN,
    "half wave": replace(PLAIN, feed=replace(MAINS, n_pulse=1)),
}

# --- energy ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("clamp", CLAMPS)
@pytest.mark.parametrize("scene", SCENES)
@pytest.mark.parametrize("family", FAMILIES)
def test_energy_is_kept(family: str, scene: str, clamp: str) -> None:
    c = replace(of_family(family, SCENES[scene]), clamp=CLAMPS[clamp])
    sound(run(c, amps(0.9), span=0.4e-3))


def test_energy_is_told_apart_by_part() -> None:
    """The rectifier's loss is its drop times the mean current and its slope times the mean square."""
    found = run(SUPPLY, amps(1.0), span=0.5e-3, trace=ALWAYS)
    f, s = found.figures, SUPPLY.secondary
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
    bare = run(replace(SUPPLY, output=()), Load.constant("voltage", 4.0))
    with_capacitors = run(SUPPLY, Load.constant("voltage", 4.0))
    assert bare.figures == with_capacitors.figures
    assert bare.figures.V_o == pytest.approx(4.0, rel=1e-12)
    assert bare.figures.V_swing == 0.0
    sound(bare)


def test_a_shorted_output_takes_no_power() -> None:
    found = run(replace(SUPPLY, output=()), Load.constant("voltage", 0.0))
    sound(found)
    assert found.figures.P_o == 0.0
    assert found.figures.I_o > 5.0


def test_nothing_that_holds_the_output_is_refused() -> None:
    with pytest.raises(ValueError, match="output capacitor"):
        run(replace(SUPPLY, output=()), amps(1.0))


# --- what the load gets ---------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "value"), [("resistance", 5.5), ("current", 0.9), ("power", 4.5)])
def test_the_load_gets_what_it_asks_for(kind: str, value: float) -> None:
    found = run(SUPPLY, Load.constant(kind, value), span=5e-3, measure_from=3e-3)
    f = found.figures
    got = {"resistance": f.V_o / f.I_o, "current": f.I_o, "power": f.P_o}[kind]
    # what is no resistance is set once a pulse, by the mean of the last one
    assert got == pytest.approx(value, rel=1e-4)
    assert f.V_o == pytest.approx(5.0, rel=5e-3)
    sound(found)


def test_a_step_of_the_load_moves_the_output_by_its_charge() -> None:
    """Without a loop the pulses keep their power: a lower output gets a little more current of it."""
    c = changed(SUPPLY, control={"gain": 0.0, "integral": 0.0})
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
    found = run(SUPPLY, load, span=9e-3, trace=ALWAYS)
    sound(found)
    short = found.traces.between(2e-3, 3e-3) if found.traces else None
    assert short is not None
    # every pulse at its limit: what it gives into a held output of as many volts
    held = run(replace(SUPPLY, output=()), Load.constant("voltage", float(short.v_out.mean())))
    assert np.trapezoid(short.v_out, short.t) / np.ptp(short.t) == pytest.approx(
        0.02 * held.figures.I_o, rel=0.03
    )
    assert short.v_out.min() > 0.0
    assert found.state.v_out[0] == pytest.approx(5.0, rel=0.02)


@pytest.mark.parametrize("kind", ["resistance", "current", "power"])
def test_a_slow_ramp_passes_through_steady_states(kind: str) -> None:
    ends = {"resistance": (20.0, 5.0), "current": (0.2, 1.0), "power": (1.0, 5.0)}[kind]
    ramp = Load.ramp(kind, *ends, start=0.0, end=3e-3)
    after = run(SUPPLY, ramp, span=7e-3, measure_from=6.5e-3)
    at_once = run(SUPPLY, Load.constant(kind, ends[1]), span=6e-3, measure_from=5.5e-3)
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
    c = changed(SUPPLY, control={"t_soft": 3e-3})
    found = run(c, amps(0.8), span=2e-3, state=cold(c))
    k = c.control
    delayed = 150.0 / c.primary.L_p * k.t_delay
    assert found.pulses.I_off[0] == pytest.approx(FIRST_SHARE * k.I_limit + delayed, rel=0.02)
    assert found.pulses.I_off[-1] == pytest.approx(
        (FIRST_SHARE + (1 - FIRST_SHARE) * 2 / 3) * k.I_limit + delayed, rel=0.02
    )


STOPS = {"t_restart": 15e-3, "t_soft": 1e-3}


def test_an_overload_stops_it_until_its_pause_is_over() -> None:
    c = changed(SUPPLY, control={"t_overload": 2e-3, **STOPS})
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
    c = changed(SUPPLY, control={"V_stop": 3.8, "t_hold": 1e-3, **STOPS})
    found = run(c, ohms(1.0), span=6e-3)
    sound(found)
    assert "lost its supply" in found.notices[0]
    assert found.state.resume_at is not None
    assert found.pulses.t[-1] < found.state.resume_at - 14e-3


def test_a_constant_current_empties_the_output_along_its_own_curve() -> None:
    """Stopped: a straight line down to the voltage where the load lets go, then an exponential."""
    amps_drawn, C = 2.0, 690e-6
    c = replace(SUPPLY, output=(Capacitor(C),))
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
    c = changed(SUPPLY, control={"t_overload": 1e-3, **STOPS})
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
    found = run(SUPPLY, amps(1.0), span=2e-3, measure_from=1e-3)
    f = found.figures
    assert 1e-3 <= f.start < 1e-3 + 1 / CLOCK
    assert 2e-3 <= f.end < 2e-3 + 1 / CLOCK
    assert f.end == found.state.t
    assert found.pulses.t[0] == f.start
    assert f.pulses == len(found.pulses.t) == round((f.end - f.start) * CLOCK)
    assert f.f_s == pytest.approx(CLOCK)
    assert found.energy.load == pytest.approx(f.P_o * (f.end - f.start), rel=1e-12)


def test_nothing_is_measured_where_nothing_was_asked_for() -> None:
    f = run(SUPPLY, amps(1.0), span=0.2e-3, measure_from=1.0).figures
    assert f.pulses == 0
    assert math.isnan(f.V_o)


def test_waveforms_stay_in_their_window() -> None:
    found = run(SUPPLY, amps(1.0), span=1e-3, trace=(0.40e-3, 0.45e-3))
    assert found.traces is not None
    assert 0.40e-3 <= found.traces.t[0] < 0.401e-3
    assert 0.449e-3 < found.traces.t[-1] <= 0.45e-3
    assert (np.diff(found.traces.t) >= 0).all()
    assert run(SUPPLY, amps(1.0), span=0.1e-3).traces is None
    late = run(SUPPLY, amps(1.0), span=0.1e-3, trace=(1.0, 2.0)).traces
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
    found = run(SUPPLY, amps(1.0), span=0.3e-3, trace=ALWAYS)
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
    c = of_family("valley switching", SUPPLY)
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
    run(SUPPLY, amps(1.0), span=0.5e-3, progress=told.append)
    assert told == sorted(told)
    assert 0.0 < told[0] < 0.1
    assert told[-1] <= 1.0
