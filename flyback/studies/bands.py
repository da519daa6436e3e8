"""How much current the traced parts allow at an output voltage and a line: the middle 95 % of the samples.

A meter log holds thousands of readings at hardly different voltages. So currents are computed at the nodes
of a grid of voltages and mains, which are the readings' own where these are few, and in between the ends of
the band are interpolated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import bulk, tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.held import averaged, hold, with_fixed_clamp
from flyback.analysis.limits import lacking, stop_voltage
from flyback.analysis.regions import repeats
from flyback.analysis.tolerance import Array

SAMPLES = 2048

MOST_VOLTAGES, MOST_MAINS = 33, 9
"""Nodes of the grid. Over a range from 90 V to 264 V nine nodes of mains are 22 V apart."""

ELEMENTS = 8192
"""Numbers of an array that are judged at a time, so that it stays in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Where a band is wanted: output voltage [V], mains [V rms] and its frequency [Hz]."""

    V_o: float
    V_ac: float
    f_line: float


@np.errstate(all="ignore")
def current_bands(
    circuit: Circuit,
    wanted: Sequence[Wanted],
    *,
    V_set: float,
    samples: int = SAMPLES,
    seed: int = tolerance.SEED,
) -> tuple[Array, Array]:
    """Ends of the bands of the limiting current, for each of the wanted points [A].

    They are not numbers where the nominal board has no result, and zero where the controller has stopped.

    Args:
        V_set: voltage the rail is set to [V]; it tells the voltage of a clamp that was not traced.
    """
    low, high = np.empty(len(wanted)), np.empty(len(wanted))
    for f_line in sorted({one.f_line for one in wanted}):
        at = np.array([k for k, one in enumerate(wanted) if one.f_line == f_line])
        V_o = np.array([wanted[k].V_o for k in at])
        V_ac = np.array([wanted[k].V_ac for k in at])
        volts, mains = _nodes(V_o, MOST_VOLTAGES), _nodes(V_ac, MOST_MAINS)
        ends = _on_grid(circuit, f_line, volts, mains, V_set=V_set, samples=samples, seed=seed)
        low[at], high[at] = (_interpolated(mains, volts, end, V_ac, V_o) for end in ends)
    return low, high


def _on_grid(
    circuit: Circuit, f_line: float, volts: Array, mains: Array, *, V_set: float, samples: int, seed: int
) -> tuple[Array, Array]:
    """Ends of the bands, a row for each mains voltage and a column for each output voltage."""
    V_ac, V_o = (axis.ravel() for axis in np.meshgrid(mains, volts, indexing="ij"))
    line = Line(V_ac=V_ac, f_line=f_line)
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    held = hold(circuit, with_fixed_clamp(supply, V_set=V_set), line, V_o=V_o)
    mean = averaged(held)
    start = mean.V_valley / bulk.crest(supply, line)
    stops = not lacking(circuit, ("V_stop", "N_aux"))
    rows = max(1, ELEMENTS // V_o.size)
    currents = []
    for size, numbers in tolerance.blocks(circuit.values, samples, seed=seed):
        for first in range(0, size, rows):
            some = {
                key: number[first : first + rows, np.newaxis] if isinstance(number, np.ndarray) else number
                for key, number in numbers.items()
            }
            drawn = with_fixed_clamp(circuit.supply(some), V_set=V_set)
            I_o = averaged(hold(circuit, drawn, line, V_o=V_o), start=start).I_o
            I_o = np.broadcast_to(I_o, (min(rows, size - first), V_o.size))
            currents.append(np.where(np.less(V_o, stop_voltage(drawn)), 0.0, I_o) if stops else I_o)
    tail = (1 - tolerance.COVERAGE) / 2
    low, high = np.quantile(np.concatenate(currents), [tail, 1 - tail], axis=0)
    sound = np.isfinite(mean.I_o) & mean.settled
    low, high = (np.where(sound, end, np.nan) for end in (low * repeats(held, mean), high))
    return low.reshape(mains.size, volts.size), high.reshape(mains.size, volts.size)


def _nodes(values: Array, most: int) -> Array:
    own = np.unique(values)
    return own if own.size <= most else np.linspace(own[0], own[-1], most)


def _interpolated(mains: Array, volts: Array, grid: Array, V_ac: Array, V_o: Array) -> Array:
    """Bilinear interpolation inside a grid; at its nodes, exactly what stands there."""
    row, up = _between(mains, V_ac)
    column, right = _between(volts, V_o)
    lower, upper = (
        _mixed(grid[r, column], grid[r, np.minimum(column + 1, volts.size - 1)], right)
        for r in (row, np.minimum(row + 1, mains.size - 1))
    )
    return _mixed(lower, upper, up)


def _between(nodes: Array, at: Array) -> tuple[NDArray[np.intp], Array]:
    """Number of the node below, and the share of the way to the next."""
    below = np.searchsorted(nodes, at, side="right") - 1
    ahead = nodes[np.minimum(below + 1, nodes.size - 1)] - nodes[below]
    return below, np.where(ahead > 0, (at - nodes[below]) / np.where(ahead > 0, ahead, 1), 0.0)


def _mixed(first: Array, second: Array, share: Array) -> Array:
    return np.where(share > 0, first + share * (second - first), first)
