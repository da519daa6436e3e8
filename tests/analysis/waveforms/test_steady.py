"""The steady state of one cycle: the same that waiting finds, and honest where there is none."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from converters import FAMILIES, PLAIN, amps, of_family, ohms, on_bench, warm

from flyback.analysis.waveforms import full
from flyback.analysis.waveforms.converter import OPEN, Clamp, Converter
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import State
from flyback.analysis.waveforms.steady import bench, guess, held, steadies, steady, unregulated

QUICK = replace(PLAIN.control, gain=0.3, integral=400.0)
"""A loop that settles within milliseconds."""

SUPPRESSED = replace(on_bench(PLAIN), control=QUICK, clamp=Clamp(V_c=130.0))
"""Fixed frequency, whose clamp keeps nothing from one period to the next."""


def family(name: str, V_dc: float = 150.0) -> Converter:
    rated = name == "primary-side constant current"
    loop = {"integral": 1e8} if rated else {} if name == "on/off" else {"gain": 0.3, "integral": 400.0}
    return replace(of_family(name, on_bench(PLAIN, V_dc), **loop), clamp=Clamp(V_c=130.0))


def apart(a: State, b: State) -> float:
    """Largest difference of two states, each variable as a share of its size or of 1."""
    found = [abs(x - y) / max(abs(x), 1.0) for x, y in zip(a.v_out, b.v_out, strict=True)]
    for name in ("i_m", "i_leak", "v_drain", "v_clamp", "command"):
        x, y = getattr(a, name), getattr(b, name)
        found.append(abs(x - y) / max(abs(x), 1.0))
    return max(found)


# --- the fixed point ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["resistance", "current", "power"])
def test_one_more_period_changes_nothing(kind: str) -> None:
    value = {"resistance": 6.0, "current": 0.8, "power": 4.0}[kind]
    load = Load.constant(kind, value)
    found = steady(SUPPRESSED, load)
    assert found.settled
    on = full.simulate(SUPPRESSED, load, found.state, span=20 / 65e3)
    assert apart(on.state, found.state) < 1e-6


@pytest.mark.parametrize("name", [n for n in FAMILIES if n != "on/off"])
def test_waiting_leads_to_the_same_state(name: str) -> None:
    """Newton's fixed point against some milliseconds of plain pulses."""
    c, load = family(name), ohms(6.0)
    found = steady(c, load)
    assert found.settled
    assert found.multiplier < 1.0
    elsewhere = replace(found.state, v_out=tuple(v - 0.05 for v in found.state.v_out), i_m=0.0, i_leak=0.0)
    waited = full.simulate(c, load, elsewhere, span=5e-3, measure_from=4.8e-3)
    now, then = found.run.figures, waited.figures
    # the loop is nearly settled by then; another test waits for a millionth
    for figure in ("V_o", "I_o", "P_in", "I_pk", "f_s", "I_s_rms"):
        assert getattr(then, figure) == pytest.approx(getattr(now, figure), rel=1e-3), figure
    assert now.V_o == pytest.approx(5.0, rel=1e-6)


def test_waiting_long_leads_there_to_a_millionth() -> None:
    c = replace(unregulated(SUPPRESSED), output=())
    load = Load.constant("voltage", 4.0)
    found = steady(c, load)
    waited = full.simulate(c, load, warm(c), span=1.5e-3)
    assert apart(replace(waited.state, command=found.state.command), found.state) < 1e-6


def test_a_self_oscillating_duty_limit_is_part_of_the_state() -> None:
    """Each on time follows from the last off time; bulk so low that this ends every pulse."""
    c = unregulated(replace(family("self-oscillating", 45.0), output=()))
    c = replace(c, control=replace(c.control, D_max=0.5, I_drive=None))
    load = Load.constant("voltage", 5.0)
    found = steady(c, load)
    assert found.settled
    row = found.run.pulses
    assert row.t_on[0] == pytest.approx(row.T[0] / 2, rel=1e-6)
    waited = full.simulate(c, load, warm(c), span=3e-3)
    assert waited.pulses.T[-1] == pytest.approx(row.T[0], rel=1e-5)


def test_the_rest_of_a_disturbance_shrinks_by_the_multiplier() -> None:
    """An output left to itself returns as exp(-T / RC'): the slowest direction of the map."""
    c = unregulated(SUPPRESSED)
    load = ohms(4.0)
    found = steady(c, load)
    moved = replace(found.state, v_out=tuple(v + 0.05 for v in found.state.v_out))
    after = full.simulate(c, load, moved, span=100.5 / 65e3)
    left = (after.state.v_out[0] - found.state.v_out[0]) / 0.05
    assert left == pytest.approx(found.multiplier ** len(after.pulses.t), rel=0.02)


def test_the_output_of_equal_pulses_settles_at_twice_the_rate_of_its_load() -> None:
    """Constant energy a pulse into R and C: C dv/dt = P / v - v / R, whose rate is 2 / RC."""
    p = replace(PLAIN.primary, L_leak=0.1e-6)
    c = replace(unregulated(SUPPRESSED), primary=p)
    found = steady(c, ohms(8.0))
    C = sum(capacitor.C for capacitor in c.output)
    V_o, V_f = found.run.figures.V_o, c.secondary.V_f
    # the rectifier's drop takes a part of each pulse too: P / (v + V_f)
    rate = (1.0 + V_o / (V_o + V_f)) / (8.0 * C)
    assert -math.log(found.multiplier) * 65e3 == pytest.approx(rate, rel=0.05)


def test_the_run_is_one_period_of_it() -> None:
    found = steady(SUPPRESSED, ohms(6.0))
    assert found.run.figures.pulses == 1
    assert found.run.traces is None
    assert found.run.figures.f_s == pytest.approx(65e3)
    assert abs(found.run.energy.stored) < 1e-6 * found.run.energy.source
    assert found.run.energy.load == pytest.approx(
        found.run.energy.source - sum(found.run.energy.losses.values()), rel=1e-6
    )


def test_as_many_periods_of_waveforms_as_asked_for() -> None:
    found = steady(SUPPRESSED, ohms(6.0), trace_periods=3)
    assert found.run.figures.pulses == 3
    assert found.run.traces is not None
    assert np.ptp(found.run.traces.t) == pytest.approx(3 / 65e3)
    first = found.run.traces.v_drain[0]
    assert found.run.traces.v_drain[-1] == pytest.approx(first, abs=1e-3)


def test_a_search_may_begin_anywhere() -> None:
    load = ohms(6.0)
    here = steady(SUPPRESSED, load)
    for begin in (warm(SUPPRESSED, 3.0), warm(SUPPRESSED, 8.0, share=0.2), here.state):
        again = steady(SUPPRESSED, load, start=begin)
        assert again.settled
        assert apart(again.state, here.state) < 1e-6
    assert again.steps <= 1


# --- what has none --------------------------------------------------------------------------------


def test_mains_have_no_steady_state_of_one_period() -> None:
    with pytest.raises(ValueError, match="fixed supply"):
        steady(PLAIN, ohms(6.0))


def test_an_output_without_load_is_not_called_settled() -> None:
    """No pulse in the period and an output that creeps: there is no fixed point to find."""
    found = steady(SUPPRESSED, amps(0.0))
    assert not found.settled


def test_pulses_left_out_now_and_then_are_not_called_settled() -> None:
    assert not steady(family("on/off"), ohms(12.0)).settled


def test_an_unstable_fixed_point_is_found_and_called_so() -> None:
    """Continuous conduction at a duty cycle above a half, without slope compensation."""
    p = replace(PLAIN.primary, L_m=4e-3, L_leak=20e-6)
    c = replace(unregulated(SUPPRESSED), primary=p)
    low = bench(replace(c, control=replace(c.control, D_max=0.9)), 60.0)
    found = steady(low, Load.constant("voltage", 5.0))
    assert found.settled
    assert found.alternates
    assert not steady(bench(low, 200.0), Load.constant("voltage", 5.0)).alternates


# --- many points ----------------------------------------------------------------------------------


def test_neighbours_help_each_other_and_change_nothing() -> None:
    loads = [ohms(R) for R in (5.0, 6.0, 7.0, 9.0)]
    together = steadies([SUPPRESSED] * 4, loads)
    for load, found in zip(loads, together, strict=True):
        alone = steady(SUPPRESSED, load)
        assert found.settled
        assert apart(found.state, alone.state) < 1e-6


def test_arrays_hold_what_single_calls_give() -> None:
    V_dc, V_o = np.array([[90.0], [300.0]]), np.array([1.0, 3.0, 5.0])
    told: list[float] = []
    found = held(SUPPRESSED, V_dc=V_dc, V_o=V_o, progress=told.append)
    assert told == pytest.approx(np.arange(1, 7) / 6)
    assert found.settled.all()
    for f in fields(found):
        assert getattr(found, f.name).shape == (2, 3)
    open_loop = replace(unregulated(SUPPRESSED), output=())
    for at in np.ndindex(2, 3):
        c = bench(open_loop, float(found.V_dc[at]))
        alone = steady(c, Load.constant("voltage", float(found.V_o[at]))).run.figures
        for name in ("I_o", "I_pk", "P_in", "f_s"):
            assert getattr(found, name)[at] == pytest.approx(getattr(alone, name), rel=1e-6)


def test_single_numbers_give_single_numbers() -> None:
    found = held(SUPPRESSED, V_dc=np.array(150.0), V_o=np.array(5.0))
    assert found.I_o.shape == ()
    assert bool(found.settled)


# --- where it begins --------------------------------------------------------------------------------


def test_unregulated_leaves_the_limit_alone() -> None:
    control = replace(PLAIN.control, t_overload=1e-3, V_stop=3.0, t_soft=1e-3, S_ramp=2e3, k_line=1e-4)
    c = unregulated(replace(PLAIN, control=control))
    kept: dict[str, Any] = {"S_ramp": 2e3, "k_line": 1e-4, "I_limit": PLAIN.control.I_limit}
    assert {name: getattr(c.control, name) for name in kept} == kept
    assert (c.control.gain, c.control.t_overload, c.control.V_stop, c.control.t_soft) == (0, None, None, 0)


def test_a_guess_is_a_state_of_its_converter() -> None:
    state = guess(on_bench(PLAIN, 200.0), ohms(5.0))
    assert (state.v_bulk, state.v_out) == (200.0, (5.0, 5.0))
    assert guess(replace(PLAIN, output=()), Load.constant("voltage", 3.0)).v_out == (3.0,)
    no_leakage = replace(SUPPRESSED, primary=replace(PLAIN.primary, L_leak=0.0, R_leak=OPEN))
    assert steady(no_leakage, ohms(6.0)).settled
