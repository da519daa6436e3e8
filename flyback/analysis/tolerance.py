"""What the spreads of the parts do to every ceiling: seeded Monte Carlo in blocks, and corners.

One draw per physical cause and block, from a stream keyed by the cause's name: a changed board sees the
same draws for the parts it kept. Bands come from fixed-bin histograms of value over nominal, so memory
does not grow with the number of samples; probabilities come from counting.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from flyback.board.model import Shape, Value
from flyback.errors import NumericalError

Array = NDArray[np.float64]

BLOCK = 8192
"""Samples drawn and judged at a time."""

SAMPLES = 16384
SEED = 20240229
COVERAGE = 0.95
"""Share of the samples that a band holds."""

BINS_PER_UNIT = 1024
"""Resolution of a band: bins per nominal value, so about 0.1 % of it."""

CUT = 2.0
"""Standard deviations at which a normal spread ends: its limits are the expanded uncertainty, k = 2."""

_TOP = 8
"""Histograms end at this many times the nominal value; what lies above counts in the last bin."""


def draw(value: Value, size: int, *, block: int, seed: int = SEED, mixed: bool = False) -> Array:
    """Samples of one value, the same for the same cause, block and seed.

    Args:
        mixed: draw as for a value of another shape with the same cause: both then lie equally far up in
            what they can be. A normal spread is drawn more slowly so, and in other numbers.
    """
    stream = np.random.default_rng([seed, block, crc32(value.cause.encode())])
    if value.shape is Shape.NORMAL and not mixed:
        return at_deviation(value, _cut_normal(stream, size))
    u = stream.random(size)
    if value.shape is Shape.NORMAL:
        return at_deviation(value, np.interp(u, *_cut_normal_table()))
    return at_share(value, u)


def at_share(value: Value, u: Array) -> Array:
    """Numbers of a value whose limits alone are known, at shares of its spread from 0 to 1."""
    if value.shape is Shape.TWO_PIECE:
        below = value.low + (value.nominal - value.low) * 2 * u
        above = value.nominal + (value.high - value.nominal) * (2 * u - 1)
        return np.where(u < 0.5, below, above)
    return value.low + (value.high - value.low) * u


def at_deviation(value: Value, z: Array) -> Array:
    """Numbers of a value of normal spread at standard deviations, with k = 2 at the limits."""
    half = np.where(z < 0, value.nominal - value.low, value.high - value.nominal)
    return np.asarray(value.nominal + z * half / CUT)


def _cut_normal(stream: np.random.Generator, size: int) -> Array:
    """Standard normal numbers; what falls outside the limits is drawn again."""
    z = stream.standard_normal(size)
    while np.any(outside := np.abs(z) > CUT):
        z[outside] = stream.standard_normal(int(np.count_nonzero(outside)))
    return z


@cache
def _cut_normal_table() -> tuple[Array, Array]:
    """Share of a cut normal distribution below a number, and the number; straight between to 1e-6."""
    z = np.linspace(-CUT, CUT, 4097)
    shares = [(1 + math.erf(x / math.sqrt(2)) / math.erf(CUT / math.sqrt(2))) / 2 for x in z]
    return np.array(shares), z


def _mixed_causes(values: Mapping[str, Value]) -> set[str]:
    """Causes of a normal spread and of one of another shape."""
    spread = [value for value in values.values() if value.spread]
    normal = {value.cause for value in spread if value.shape is Shape.NORMAL}
    return normal & {value.cause for value in spread if value.shape is not Shape.NORMAL}


def blocks(
    values: Mapping[str, Value], samples: int, *, seed: int = SEED
) -> Iterator[tuple[int, dict[str, Array | float]]]:
    """Numbers for `Circuit.supply` with their count, block by block.

    Values without spread stay plain floats.
    """
    mixed = _mixed_causes(values)
    for block, first in enumerate(range(0, samples, BLOCK)):
        size = min(BLOCK, samples - first)
        numbers: dict[str, Array | float] = {}
        for key, value in values.items():
            numbers[key] = value.nominal
            if value.spread:
                numbers[key] = draw(value, size, block=block, seed=seed, mixed=value.cause in mixed)
        yield size, numbers


@dataclass
class Tally:
    """Histogram of one quantity relative to its nominal value, fed block by block."""

    nominal: float
    counts: NDArray[np.int64] = field(
        default_factory=lambda: np.zeros(_TOP * BINS_PER_UNIT + 1, dtype=np.int64)
    )
    least: float = np.inf
    most: float = -np.inf
    absent: int = 0

    def add(self, values: Array | float, size: int) -> None:
        """Count a block. Infinite values (a limit that is not there) are counted apart."""
        block = np.broadcast_to(np.asarray(values, dtype=float), (size,))
        if np.isnan(block).any():
            raise NumericalError("a sample is not a number")
        present = block[np.isfinite(block)]
        self.absent += size - present.size
        if present.size == 0:
            return
        self.least = min(self.least, float(present.min()))
        self.most = max(self.most, float(present.max()))
        scaled = np.minimum(present * (BINS_PER_UNIT / self.nominal), _TOP * BINS_PER_UNIT)
        self.counts += np.bincount(scaled.astype(np.int64), minlength=self.counts.size)

    def band(self, coverage: float = COVERAGE) -> tuple[float, float]:
        """Limits that hold the middle share of all samples; infinite where the limit is absent."""
        total = int(self.counts.sum()) + self.absent
        below = np.cumsum(self.counts)
        tail = (1 - coverage) / 2 * total

        def at(count: float) -> float:
            if below[-1] < count:
                return float("inf")
            index = int(np.searchsorted(below, count))
            before = below[index - 1] if index else 0
            share = (count - before) / max(int(self.counts[index]), 1)
            return float(np.clip((index + share) * self.nominal / BINS_PER_UNIT, self.least, self.most))

        return at(tail), at(total - tail)


@dataclass(frozen=True, slots=True)
class Share:
    """How many of the samples reached something.

    Attributes:
        low, high: Wilson score interval at 95 % (Wilson 1927; formula from memory).
    """

    count: int
    samples: int

    @property
    def value(self) -> float:
        return self.count / self.samples

    @property
    def interval(self) -> tuple[float, float]:
        return wilson(self.count, self.samples)


def wilson(count: int, samples: int, z: float = 1.959964) -> tuple[float, float]:
    """Wilson score interval of a proportion.

    >>> [round(x, 3) for x in wilson(8, 10)]
    [0.49, 0.943]
    """
    p = count / samples
    centre = p + z**2 / (2 * samples)
    half = z * np.sqrt(p * (1 - p) / samples + z**2 / (4 * samples**2))
    scale = 1 + z**2 / samples
    low = 0.0 if count == 0 else (centre - half) / scale
    high = 1.0 if count == samples else (centre + half) / scale
    return float(low), float(high)


def corners(
    values: Mapping[str, Value],
    measure: Callable[[Mapping[str, Array | float]], Sequence[Array | float]],
    *,
    rounds: int = 4,
) -> list[tuple[float, float]]:
    """Smallest and largest of several quantities over the limits of all spreads.

    A coordinate search: the sign of each cause on its own gives a first corner, then single causes
    are flipped while that helps. All quantities and candidates are judged together as one array.

    Args:
        measure: quantities as functions of the numbers, each an array over the candidates.
        rounds: most passes of single flips.

    Returns:
        One (smallest, largest) pair for each quantity.
    """
    causes = sorted({value.cause for value in values.values() if value.spread})
    if not causes:
        return [(float(x), float(x)) for x in measure(_numbers(values, [], np.zeros((1, 0))))]
    singles = np.repeat(np.full((1, len(causes)), 0.5), 2 * len(causes), axis=0)
    for index in range(len(causes)):
        singles[2 * index, index], singles[2 * index + 1, index] = 0.0, 1.0
    results = [_full(x, len(singles)) for x in measure(_numbers(values, causes, singles))]
    searches = []
    for result in results:
        rising = result[1::2] >= result[0::2]
        searches += [np.where(rising, 0.0, 1.0), np.where(rising, 1.0, 0.0)]
    best = np.array(searches)
    wanted = np.tile([-1.0, 1.0], len(results))
    owner = np.repeat(np.arange(len(results)), 2)
    score = _scores(values, causes, best, measure, owner, wanted)
    for _ in range(rounds):
        flips = np.repeat(best, len(causes), axis=0)
        cause = np.tile(np.arange(len(causes)), len(best))
        flips[np.arange(len(flips)), cause] = 1 - flips[np.arange(len(flips)), cause]
        flipped = _scores(
            values,
            causes,
            flips,
            measure,
            np.repeat(owner, len(causes)),
            np.repeat(wanted, len(causes)),
        ).reshape(len(best), len(causes))
        choice = flipped.argmax(axis=1)
        better = flipped[np.arange(len(best)), choice] > score + 1e-12
        if not better.any():
            break
        rows = np.flatnonzero(better)
        best[rows, choice[rows]] = 1 - best[rows, choice[rows]]
        score = np.where(better, flipped[np.arange(len(best)), choice], score)
    ends = score * wanted
    return [(float(ends[2 * i]), float(ends[2 * i + 1])) for i in range(len(results))]


def _scores(
    values: Mapping[str, Value],
    causes: list[str],
    where: Array,
    measure: Callable[[Mapping[str, Array | float]], Sequence[Array | float]],
    owner: NDArray[np.int64],
    wanted: Array,
) -> Array:
    results = np.array([_full(x, len(where)) for x in measure(_numbers(values, causes, where))])
    return results[owner, np.arange(len(where))] * wanted


def _full(values: Array | float, size: int) -> Array:
    return np.broadcast_to(np.asarray(values, dtype=float), (size,))


def _numbers(values: Mapping[str, Value], causes: list[str], where: Array) -> dict[str, Array | float]:
    """Numbers at positions between the limits: 0 low, 0.5 nominal, 1 high; one row a candidate."""
    column = {cause: index for index, cause in enumerate(causes)}
    numbers: dict[str, Array | float] = {}
    for key, value in values.items():
        if value.spread and value.cause in column:
            at = where[:, column[value.cause]]
            numbers[key] = np.interp(at, [0.0, 0.5, 1.0], [value.low, value.nominal, value.high])
        else:
            numbers[key] = value.nominal
    return numbers
