"""Simulated points of the output's volts and amps: every pulse at its limit, into a held output voltage."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.waveforms import cycle, steady, traced
from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Array, Run
from flyback.analysis.waveforms.scene import charged, uneven

RUNAWAY = 2.0
"""Peak current, in units of the limit, from which "cycle" is not believed.

Near a short circuit the shortest pulse already gives more than the output takes. What holds the current is
then that the leakage's current never catches up within the pulse, which only "full" follows.
"""

MOST_PERIODS = 8
"""Most mains periods that are followed for one point."""

REPEATS = 2e-3
"""Share by which the mean current may still change from one mains period to the next."""


def limit_points(
    circuit: Circuit, numbers: Mapping[str, float], line: Line, *, V_set: float, V_o: Array
) -> Iterator[tuple[float, float, str, bool]]:
    """Output voltage, mean current, fidelity, and whether pulses are uneven, for each held voltage.

    On mains whole periods are followed in fidelity "cycle" until the mean current repeats, so that the sag
    of the bulk counts; on a bench supply, and where the current runs away, the steady state is found in
    "full" at the mean supply. A point that does not settle is left out.

    Args:
        V_o: held output voltages [V].

    Raises:
        RequestError: a value that the simulation cannot do without is unknown.
    """
    converter = replace(
        steady.unregulated(traced.converter(circuit, numbers, line, V_set=V_set)), output=()
    )
    if line.V_ac is None:
        held = steady.held(converter, V_dc=np.asarray(line.V_fixed, dtype=float), V_o=V_o)
        for V, I_o, settled, unstable in zip(
            held.V_o, held.I_o, held.settled, held.alternates, strict=True
        ):
            if settled:
                yield float(V), float(I_o), "full", bool(unstable)
        return
    for V in V_o:
        run = _on_mains(converter, float(V))
        if run is None:
            continue
        if run.figures.I_pk < RUNAWAY * converter.control.I_limit:
            yield float(V), run.figures.I_o, "cycle", uneven(run)
            continue
        held = steady.held(converter, V_dc=np.asarray(run.figures.V_mean), V_o=np.asarray(V))
        if held.settled:
            yield float(V), float(held.I_o), "full", bool(held.alternates)


def _on_mains(converter: Converter, V_o: float) -> Run | None:
    """The mains period whose mean output current repeats the one before."""
    load = Load.constant("voltage", V_o)
    period = 1.0 / (converter.feed.f_line or 1.0)
    state = replace(charged(converter, load), v_out=(V_o,))
    last = None
    for _ in range(MOST_PERIODS):
        run = cycle.simulate(converter, load, state, span=period)
        state = run.state
        if not run.finished:
            return None
        if last is not None and abs(run.figures.I_o - last) <= REPEATS * abs(run.figures.I_o):
            return run
        last = run.figures.I_o
    return None
