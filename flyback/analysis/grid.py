"""Ceilings over many boards at once that differ in a few numbers, with the spread of all of them.

A point is one such board. A pass takes all points as one array; the bands take a row for each point and a
column for each sample, in blocks that keep the memory bounded. Every point sees the same draws.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import bulk, tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Rung, rungs
from flyback.analysis.circuit import Supply
from flyback.analysis.demand import CLOSE, Case
from flyback.analysis.limits import LIMIT, LIMIT_RUNGS, Ceiling, Situation, Start, situation
from flyback.analysis.operating_point import Pulse
from flyback.analysis.subharmonic import power_share
from flyback.analysis.tolerance import Array
from flyback.equations.formula import Real

ELEMENTS = 8192
"""Points times samples judged at a time, so that an array of them stays in the processor's cache."""

TIE = 1e-6
"""Relative difference below which two ceilings are one; the first along the power's path is named then."""

_ALTERNATING = ("current limit", "overload timer")
"""Rungs whose pulses the controller's comparator ends: at a fixed frequency these can alternate."""


@dataclass(frozen=True, slots=True)
class Points:
    """Boards that differ from the case's circuit in a few numbers.

    Attributes:
        size: how many they are.
        numbers: nominal values by key of the circuit, one for each point. Each keeps the spread of the
            circuit's value in proportion.
        line: what feeds them; its numbers may be arrays of ``size`` too.
    """

    case: Case
    size: int
    numbers: Mapping[str, Array]
    line: Line

    def supply(self) -> Supply:
        """All points, nominal."""
        circuit = self.case.circuit
        plain = {key: value.nominal for key, value in circuit.values.items()}
        return circuit.supply({**plain, **self.numbers})

    def in_rows(self, some: slice) -> Points:
        """Some of the points, a row each."""
        line = Line(*(_in_rows(x, some) for x in (self.line.V_ac, self.line.f_line, self.line.V_fixed)))
        numbers = {key: _in_rows(x, some) for key, x in self.numbers.items()}
        return Points(self.case, len(range(self.size)[some]), numbers, line)


def _in_rows(x: Real, some: slice) -> Real:
    """What some points have, a row each; what all points share stays as it is."""
    return x[some, np.newaxis] if np.ndim(x) else x


@dataclass(frozen=True, slots=True)
class Nominal:
    """The nominal ladder at every point.

    Attributes:
        rungs: those that could be computed.
        power: a row a rung, a column a point [W]; infinite where a limit does not exist, not a number
            where the point has no result.
        needed: a row a demand, a column a point [W].
        binding: index of the lowest rung, -1 where there is none.
        close: points whose rail lies near the printed voltage, see `Case.rail`.
        starts: what the samples of a point start from.
        repeats: 1 where the pulses of the lowest rung repeat; below 1, how far alternating pulses may
            lower it.
    """

    rungs: tuple[Rung, ...]
    power: Array
    needed: Array
    binding: NDArray[np.int64]
    close: NDArray[np.bool_]
    starts: Mapping[str, Start]
    repeats: Array

    @property
    def lowest(self) -> Array:
        """Lowest ceiling of each point [W]; not a number where the point has no result."""
        least: Array = np.min(self.power, axis=0)
        return least

    @property
    def settled(self) -> NDArray[np.bool_]:
        """Points that have a result."""
        return ~np.isnan(self.lowest)


@dataclass(frozen=True, slots=True)
class Bands:
    """What the spreads do at every point.

    Attributes:
        low, high: the middle 95 % of the samples of the lowest ceiling [W].
        met: share of the samples that reach and hold each demand, a row a demand.
        unsettled: samples that have no result; they count as meeting nothing.
    """

    low: Array
    high: Array
    met: Array
    unsettled: int


# a search may pass through impossible values; a point without a finite result is marked, not hidden
@np.errstate(all="ignore")
def nominal(points: Points) -> Nominal:
    """The nominal ladder at every point, in one pass.

    Raises:
        ValueError: no rung of the board can be computed.
    """
    case, supply, line = points.case, points.supply(), points.line
    close = _close(case, supply, points.size)
    V_o = _rail(case, supply, close)
    at = situation(case.circuit, supply, line, V_o)
    found = _ladder(at)
    if not found:
        raise ValueError("no ceiling can be computed")
    power = np.array([np.broadcast_to(ceiling.power, points.size) for ceiling in found.values()])
    power[:, ~_sound(at, found, points.size)] = np.nan
    needed = [np.broadcast_to(np.asarray(need, float), points.size) for need in case.needed(V_o)]
    binding = _binding(power)
    return Nominal(
        rungs=tuple(found),
        power=power,
        needed=np.array(needed).reshape(-1, points.size),
        binding=binding,
        close=close,
        starts=_starts(supply, line, found),
        repeats=_repeats(points, found, binding),
    )


@np.errstate(all="ignore")
def bands(
    points: Points,
    middle: Nominal,
    *,
    samples: int,
    seed: int = tolerance.SEED,
    progress: Callable[[float], None] | None = None,
) -> Bands:
    """The band of the lowest ceiling at every point, and the samples that meet each demand.

    Args:
        middle: the nominal ladders of the same points.
        progress: is told the share of the work that is done.
    """
    draws = _draws(points, samples, seed)
    low, high = np.full(points.size, np.nan), np.full(points.size, np.nan)
    met = np.zeros(middle.needed.shape)
    unsettled = 0
    step = max(1, ELEMENTS // samples)
    tail = (1 - tolerance.COVERAGE) / 2
    for first in range(0, points.size, step):
        some = slice(first, min(first + step, points.size))
        least, needed = _sampled(points.in_rows(some), middle, some, draws, samples)
        low[some], high[some] = _quantiles(least, tail)
        for index, need in enumerate(needed):
            met[index, some] = np.count_nonzero(least >= need, axis=1) / samples
        unsettled += int(np.count_nonzero(np.isnan(least[middle.settled[some]])))
        if progress is not None:
            progress(some.stop / points.size)
    low, high = (np.where(middle.settled, end, np.nan) for end in (low * middle.repeats, high))
    return Bands(low, high, np.where(middle.settled, met, np.nan), unsettled)


def _draws(points: Points, samples: int, seed: int) -> dict[str, Array | float]:
    """The draws of every value; those of the points' own numbers over their nominal value."""
    values = points.case.circuit.values
    found = [numbers for _, numbers in tolerance.blocks(values, samples, seed=seed)]
    draws: dict[str, Array | float] = {}
    for key, value in values.items():
        scale = (value.nominal or 1.0) if key in points.numbers else 1.0
        if value.spread:
            draws[key] = np.concatenate([numbers[key] for numbers in found]) / scale
        else:
            draws[key] = value.nominal / scale
    return draws


def _sampled(
    some: Points, middle: Nominal, where: slice, draws: Mapping[str, Array | float], samples: int
) -> tuple[Array, list[Real]]:
    """The lowest ceiling of every sample, a row a point, and each demand's power.

    A sample without a result is not a number.
    """
    case = some.case
    numbers = {key: some.numbers[key] * x if key in some.numbers else x for key, x in draws.items()}
    supply = case.circuit.supply(numbers)
    V_o = _rail(case, supply, middle.close[where, np.newaxis])
    starts = {
        name: Start(_in_rows(start.valley_share, where), _in_rows(start.I_off, where))
        for name, start in middle.starts.items()
    }
    at = situation(case.circuit, supply, some.line, V_o, starts)
    found = _ladder(at)
    shape = some.size, samples
    least = np.full(shape, np.inf)
    for ceiling in found.values():
        np.minimum(least, ceiling.power, out=least)
    least[~_sound(at, found, shape)] = np.nan
    return least, case.needed(V_o)


def _quantiles(least: Array, tail: float) -> tuple[Array, Array]:
    """Ends of the middle share of each row, of what has a result. Rows without any stay without."""
    ordered = np.sort(least, axis=1)  # what is not a number comes last
    last = np.maximum(np.count_nonzero(~np.isnan(least), axis=1) - 1, 0)
    rows = np.arange(len(least))
    ends = []
    for share in (tail, 1 - tail):
        at = share * last
        below = np.floor(at).astype(int)
        first, second = ordered[rows, below], ordered[rows, np.minimum(below + 1, last)]
        with np.errstate(invalid="ignore"):  # both may be infinite
            between = first + (at - below) * (second - first)
        ends.append(np.where((at == below) | (first == second), first, between))
    return ends[0], ends[1]


# --- the ladder of arrays -------------------------------------------------------------------------


def _ladder(at: Situation) -> dict[Rung, Ceiling]:
    """The ladder, where one point out of the formulas' range does not end them all."""
    known = [rung for rung in rungs(at.circuit, at.line) if not rung.lacking(at.circuit, at.line)]
    return {rung: rung.compute(at) for rung in known}


def _sound(at: Situation, found: Mapping[Rung, Ceiling], shape: int | tuple[int, ...]) -> NDArray[np.bool_]:
    """Where every rung is a number, finite if its limit always exists, and every valley has settled.

    A pulse that empties the bulk has no valley, and needs none where it is judged at the lowest usable
    voltage, see `Situation.at_valley`.
    """
    sound = np.ones(shape, dtype=bool)
    for rung, ceiling in found.items():
        sound &= ~np.isnan(ceiling.power) if rung.may_be_absent else np.isfinite(ceiling.power)
        if ceiling.loaded is not None:
            settled = np.less(ceiling.loaded.gap, bulk.SETTLED)
            if at.V_least is not None:
                settled = settled | np.less_equal(ceiling.loaded.V_valley, at.V_least)
            sound &= settled
    return sound


def _binding(power: Array) -> NDArray[np.int64]:
    least = np.min(power, axis=0)
    first = np.argmax(power <= least * (1 + TIE), axis=0)
    return np.where(np.isfinite(least), first, -1)


def _close(case: Case, supply: Supply, size: int) -> NDArray[np.bool_]:
    if supply.V_rail is None or case.circuit.second_converter:
        return np.ones(size, dtype=bool)
    return np.broadcast_to(np.abs(supply.V_rail / case.voltage - 1) <= CLOSE, size)


def _rail(case: Case, supply: Supply, close: NDArray[np.bool_]) -> Real:
    """`Case.rail`, decided for each point by itself [V]."""
    if supply.V_rail is None or np.all(close):
        return supply.V_rail if supply.V_rail is not None else case.voltage
    return np.where(close, supply.V_rail, case.voltage)


def _starts(supply: Supply, line: Line, found: Mapping[Rung, Ceiling]) -> dict[str, Start]:
    """`starting_points` of arrays."""
    crest = bulk.crest(supply, line) if any(ceiling.loaded for ceiling in found.values()) else 1.0
    starts = {
        rung.name: Start(ceiling.loaded.V_valley / crest, ceiling.loaded.load.I_off)
        for rung, ceiling in found.items()
        if ceiling.loaded is not None
    }
    limit = next((starts[name] for name in LIMIT_RUNGS if name in starts), None)
    return starts if limit is None else {**starts, LIMIT: limit}


def _repeats(points: Points, found: Mapping[Rung, Ceiling], binding: NDArray[np.int64]) -> Array:
    """How far pulses that alternate may lower the lowest ceiling of each point; 1 where they repeat."""
    repeats = np.ones(points.size)
    circuit = points.case.circuit
    if circuit.free_running or circuit.constant_current:
        return repeats
    plain = {key: value.nominal for key, value in circuit.values.items()}
    for index, (rung, ceiling) in enumerate(found.items()):
        if rung.name not in _ALTERNATING or ceiling.loaded is None:
            continue
        done = ceiling.loaded.load
        columns = [np.broadcast_to(getattr(done, field.name), points.size) for field in fields(done)]
        continuous = np.broadcast_to(np.greater(done.I_v, 0), points.size)
        for at in np.flatnonzero((binding == index) & continuous):
            supply = circuit.supply(plain | {key: float(x[at]) for key, x in points.numbers.items()})
            repeats[at] = power_share(supply, Pulse(*(column[at] for column in columns)))
    return repeats
