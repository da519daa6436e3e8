"""What a run of the fidelity "cycle" gives back: parts of runs, rows, waveforms, progress."""

from __future__ import annotations

import math
import tracemalloc
from collections.abc import Callable
from dataclasses import astuple, fields, replace
from typing import Any

import numpy as np
import pytest
from converters import (
    CLOCK,
    FAMILIES,
    PLAIN,
    amps,
    continuous,
    of_family,
    ohms,
    on_bench,
    warm,
)

from flyback.analysis.waveforms import cycle_parts, cycle_rest
from flyback.analysis.waveforms.cycle import simulate

EVERY_FAMILY = pytest.mark.parametrize("family", FAMILIES)


@EVERY_FAMILY
def test_two_runs_go_on_as_one(family: str) -> None:
    """Within 1e-4: the second forgets what foresight the last pulse gave of bulk and output voltage."""
    c, load = of_family(family), ohms(6.0)
    state = replace(warm(c), command=40e3 if "constant" in family else 0.3)
    whole = simulate(c, load, state, span=8e-3)
    first = simulate(c, load, state, span=3.3e-3)
    second = simulate(c, load, first.state, span=8e-3 - first.state.t)
    assert first.figures.pulses + second.figures.pulses == whole.figures.pulses
    ours, theirs = (np.array([s.t, s.v_bulk, *s.v_out]) for s in (second.state, whole.state))
    assert ours == pytest.approx(theirs, rel=1e-4)
    assert first.energy.source + second.energy.source == pytest.approx(whole.energy.source, rel=1e-4)


def test_a_part_is_measured_as_if_it_were_alone() -> None:
    c, load, state = PLAIN, amps(1.0), warm(PLAIN)
    whole = simulate(c, load, state, span=9e-3)
    part = simulate(c, load, state, span=9e-3, measure_from=5e-3)
    late = whole.pulses.t >= 5e-3 - 1e-8
    assert part.state == whole.state
    assert part.pulses.t == pytest.approx(whole.pulses.t[late])
    assert part.figures.pulses == late.sum()
    assert part.figures.I_pk == pytest.approx(whole.pulses.I_pk[late].mean())
    assert part.figures.I_pk_max == whole.pulses.I_pk[late].max()
    assert part.figures.V_valley >= whole.figures.V_valley


def test_nothing_is_measured_of_a_run_that_ends_before() -> None:
    run = simulate(PLAIN, amps(1.0), warm(PLAIN), span=1e-3, measure_from=2e-3)
    assert run.figures.pulses == 0
    assert math.isnan(run.figures.P_in)
    assert run.energy.residual == 0


@pytest.mark.parametrize("most", [100, 101, 64, 1])
def test_rows_are_thinned_evenly(most: int) -> None:
    every = simulate(PLAIN, amps(1.0), warm(PLAIN), span=20e-3)
    thinned = simulate(PLAIN, amps(1.0), warm(PLAIN), span=20e-3, most_rows=most)
    stride = thinned.pulses.stride
    assert len(thinned.pulses.t) <= most
    assert math.log2(stride).is_integer()
    for field in fields(thinned.pulses):
        if field.name != "stride":
            kept, all_ = getattr(thinned.pulses, field.name), getattr(every.pulses, field.name)
            assert kept == pytest.approx(all_[::stride])
    assert astuple(thinned.figures) == astuple(every.figures)
    assert thinned.energy == every.energy


def test_memory_does_not_grow_with_the_run() -> None:
    """Eight times the run, as many rows, within a twentieth the same memory at its peak."""

    def peak(span: float) -> int:
        tracemalloc.start()
        simulate(on_bench(PLAIN), amps(1.0), warm(PLAIN), span=span, most_rows=200)
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    peak(4e-3)
    assert peak(64e-3) < 1.05 * peak(8e-3)


@pytest.mark.parametrize("span", [2e-3, 20e-3])
def test_each_pulse_is_followed_once(monkeypatch: pytest.MonkeyPatch, span: float) -> None:
    """So that work grows with the number of pulses and nothing else."""
    calls = {"rising": 0, "catching": 0, "delivering": 0}

    def counted(name: str) -> Callable[..., Any]:
        make = getattr(cycle_parts, name)

        def made(*circuit: Any) -> Callable[..., Any]:
            step = make(*circuit)

            def count(*asked: float) -> Any:
                calls[name] += 1
                return step(*asked)

            return count

        return made

    for name in calls:
        monkeypatch.setattr(cycle_rest, name, counted(name))
    run = simulate(PLAIN, amps(1.0), warm(PLAIN), span=span)
    assert run.figures.pulses == round(span * CLOCK)
    assert set(calls.values()) == {run.figures.pulses}


def test_progress_rises_to_one() -> None:
    shares: list[float] = []
    simulate(PLAIN, amps(1.0), warm(PLAIN), span=20e-3, progress=shares.append)
    assert shares == sorted(shares)
    assert len(shares) == 100
    assert shares[-1] == pytest.approx(1.0, abs=1e-3)


WAVES = {
    "discontinuous": (PLAIN, amps(1.0)),
    "continuous": (continuous(), amps(1.0)),
    "valley switching": (of_family("valley switching"), amps(1.0)),
    "skipping": (of_family("on/off"), amps(0.1)),
}


@pytest.mark.parametrize("name", WAVES)
def test_waveforms_tell_the_same_as_the_figures(name: str) -> None:
    """Whole pulses drawn and measured; straight lines between corners cost 1 %."""
    c, load = WAVES[name]
    state = warm(c)
    run = simulate(c, load, state, span=12e-3, measure_from=6e-3, trace=(6e-3 - 1e-6, 13e-3))
    f, w = run.figures, run.traces
    assert w is not None
    assert (np.diff(w.t) >= -1e-15).all()
    assert w.t[0] == pytest.approx(f.start)
    assert w.t[-1] == pytest.approx(f.end)
    length = f.end - f.start

    def mean(values: np.ndarray) -> float:
        return float(np.trapezoid(values, w.t)) / length

    assert mean(w.v_out) == pytest.approx(f.V_o, rel=1e-3)
    assert mean(w.v_bulk) == pytest.approx(f.V_mean, rel=1e-3)
    assert w.v_bulk.min() == pytest.approx(f.V_valley, rel=1e-9)
    assert w.v_drain.max() == pytest.approx(f.V_ds, rel=1e-9)
    assert w.i_pri.max() == pytest.approx(f.I_pk_max, rel=1e-9)
    assert np.ptp(w.v_out) == pytest.approx(f.V_swing, rel=0.02)
    assert np.abs(w.i_line).max() == pytest.approx(f.I_line, rel=0.05)
    # a straight line's square between two corners
    i = w.i_sec
    squares = ((i[1:] ** 2 + i[1:] * i[:-1] + i[:-1] ** 2) / 3 * np.diff(w.t)).sum()
    assert math.sqrt(squares / length) == pytest.approx(f.I_s_rms, rel=0.01)


def test_a_window_cuts_the_waveforms() -> None:
    run = simulate(PLAIN, amps(1.0), warm(PLAIN), span=5e-3, trace=(2e-3, 2.1e-3))
    assert run.traces is not None
    assert run.traces.t[0] == pytest.approx(2e-3, abs=1 / CLOCK)
    assert run.traces.t[-1] <= 2.1e-3
    assert (run.traces.t >= 2e-3).all()
    nothing = simulate(PLAIN, amps(1.0), warm(PLAIN), span=1e-3, trace=(2e-3, 3e-3)).traces
    assert nothing is not None
    assert len(nothing.t) == 0
    assert simulate(PLAIN, amps(1.0), warm(PLAIN), span=1e-3).traces is None
