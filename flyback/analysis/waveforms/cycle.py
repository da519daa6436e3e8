"""Fidelity "cycle": charge and energy pulse by pulse, without ringing.

A period is followed in steps whose ends are closed forms (`cycle_parts`): the leakage fills where the
secondary still conducts, the primary current rises as an exponential to the command current and on through
the delay, the drain is lifted out of bulk and field, the leakage is reset by the clamp, the field empties
into the output, the mains charges the bulk. What a part takes is what another gives: energy is kept to
rounding over any run. Left out is what rings; its energy is lost at once:

* the drain stands at the bulk when a clock closes the switch in discontinuous conduction, at the reflected
  voltage above it in continuous conduction, and at the same below it in a trough;
* the ringing current at that moment, at most V_r sqrt(C_d / L_p), is no part of the next pulse. Where a
  current limit ends the pulse it cancels; a fixed on time in discontinuous conduction shows all of it;
* all output capacitors are one; mains and primary each see the bulk's ESR with their own current alone;
* the load current stands still within a pulse. Without a clock the pulse rate is too high where a load
  empties the output within a few pulses: 1 % in 14 of them, 5 % in 3, 5 to 40 % into a short circuit, and
  several times with a rectifier that drops next to nothing.

Measured against the outside circuit simulation, kinds c, d, e, g and h where its time step resolves the
ringing (`tests/published/test_switching.py` holds it to the bounds in brackets):

* bulk valley and crest within 0.1 % (0.3 %), largest mains current 1.7 % low (2.5 %), its rms 0.2 % (1 %);
* magnetising peak within 0.2 % (0.5 %), what is left of it in continuous conduction 1.7 % (2.5 %), pulse
  rate 0.6 % (1 %);
* power from the bulk within 1.3 % (1.5 %), output power, voltage and current 0.5 % (1 %);
* rms of secondary and output capacitors' current within 1 % (1.5 %); of the primary 1 to 7 % low, as the
  ringing between leakage and drain flows there too (8 %);
* output ripple 3.3 to 4.1 % below a line fitted under the outside ringing (5 %);
* highest drain voltage within 1.5 % (2 %), the ringing above the clamp's voltage left out.

With a fixed on time in discontinuous conduction (kind b) the peak is off by that ringing current, there 1.6
and 2.3 %, and powers by twice that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.cycle_pulses import INSTANT, pulses
from flyback.analysis.waveforms.cycle_record import Rows, Sums, energy, figures, traces
from flyback.analysis.waveforms.cycle_rest import Place, Steps, place, rest, steps, stored
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.regulator import SKIPPED_WAIT, Regulator
from flyback.analysis.waveforms.run import Run, State

FIDELITY = "cycle"


def simulate(
    converter: Converter,
    load: Load,
    state: State,
    *,
    span: float,
    measure_from: float | None = None,
    trace: tuple[float, float] | None = None,
    most_rows: int = 20000,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Follow a converter from a state, pulse by pulse, as `run.Simulation` says."""
    fixed = steps(converter, load)
    at, regulator = place(fixed, state), Regulator(converter.control, state)
    sums, rows = Sums(), Rows(most_rows)
    begun: Place | None = None
    end = state.t + span
    stops = {end, *(trace or ()), *(() if measure_from is None else (measure_from,))}
    if progress is not None:
        stops.update(state.t + span * share / 100 for share in range(1, 100))
    for stop in sorted(stop for stop in stops if state.t < stop <= end):
        if begun is None and (measure_from is None or at.t >= measure_from - INSTANT):
            sums, begun = Sums(), replace(at)
            rows.begin()
        drawn = trace is not None and trace[0] - INSTANT <= at.t < trace[1]
        _go(fixed, at, regulator, sums, rows, stop, drawn)
        if progress is not None:
            progress(min((at.t - state.t) / span, 1.0))
    if begun is None:
        sums, begun = Sums(), at
    c = fixed.converter
    spent = energy(c, sums, stored(fixed, begun, at))
    return Run(
        fidelity=FIDELITY,
        traces=None if trace is None else traces(c, rows.drawn, trace),
        pulses=rows.pulses(),
        figures=figures(begun.t, at.t, sums, spent),
        energy=spent,
        state=_state(c, at, regulator),
        finished=at.stuck is None,
        notices=(*regulator.notices, *(() if at.stuck is None else (at.stuck,))),
    )


def _go(
    fixed: Steps, at: Place, regulator: Regulator, sums: Sums, rows: Rows, until: float, drawn: bool
) -> None:
    """Pulses, and stretches without, up to the first pulse that would begin after an instant."""
    while at.stuck is None and (at.pause is not None or at.t < until - INSTANT):
        if at.pause is not None:
            pause, at.pause = at.pause, None
            area = pause.area + rest(fixed, at, sums, rows, pause.left, drawn)
            T = pause.T + pause.left
            regulator.advance(at.t, T, area / T, pause.asked, pause.limit)
        elif regulator.resume_at is not None:
            if at.t < regulator.resume_at - INSTANT:
                rest(fixed, at, sums, rows, min(regulator.resume_at, until) - at.t, drawn)
            else:
                regulator.resume(at.t)
        elif regulator.skips(at.out, limit := regulator.limit(at.t, at.v)):
            asked = regulator.asked(at.out, limit)
            f_s = fixed.converter.control.f_s
            T = 1.0 / f_s if f_s else max(regulator.shortest_period(at.out), SKIPPED_WAIT)
            area = rest(fixed, at, sums, rows, T, drawn)
            regulator.advance(at.t, T, area / T, asked, limit)
        else:
            pulses(fixed, at, regulator, sums, rows, until, drawn)


def _state(c: Converter, at: Place, regulator: Regulator) -> State:
    return State(
        t=at.t,
        v_bulk=at.v,
        i_m=at.i,
        i_leak=0.0,
        v_drain=at.drain,
        v_clamp=at.clamp,
        v_out=(at.out,) * max(len(c.output), 1),
        command=regulator.command,
        started=regulator.started,
        limited_since=regulator.limited_since,
        unsupplied_since=regulator.unsupplied_since,
        resume_at=regulator.resume_at,
    )
