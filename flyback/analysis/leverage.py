"""How much a reading would tell about a verdict: counts of readings against outcomes, fed block by block.

A claim is called "holds" or "does not hold"; a wrong call costs 1, a right one nothing. Without a reading
the better call is wrong with the chance min(p, 1 - p), p being the share of samples that hold. Whoever
reads a quantity may call it anew for every reading, and is wrong with the chance E[min(p(x), 1 - p(x))].
The difference is what the reading saves (the expected value of partial perfect information; with an error
of the meter on top, of sample information).

The estimate. A rule is learnt on three quarters of the samples and counted on the last, four times over:
call it one way for readings between two bounds and the other way outside, the bounds (which may lie at an
end) where the most learnt samples are called right. What a rule saves on samples it has not seen is never
too much on average, so a reading without influence comes out at nothing without any baseline to subtract,
and "saved" errs on the low side: by the samples between the bounds found and the true ones (of the order
of samples^(-2/3)), by half the samples of the bin a bound falls into (1 / `BINS` of them), where p is near
one half by what the call without a reading has of luck (at most 1 / (2 sqrt(samples))), and where the call
would have to change more than twice over the range. Choosing the best bounds on the samples they are
counted on would err on the high side instead.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case, lowest
from flyback.analysis.knowable import Block, Knowable, knowables, taken
from flyback.analysis.limits import Ceiling
from flyback.analysis.measurements import measurement_of
from flyback.equations.formula import Real

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

BINS = 512
"""Bins of a reading, over the range of the first block and a little more."""

FOLDS = 4
"""Parts of the samples of which each in turn is only counted on; every fourth sample is in one."""

MARGIN = 0.02
"""Share of the range by which the bins reach over either end; what lies outside is in the end bins."""

NARROWEST = 0.3
"""Bins below which a meter's error is not seen: it moves hardly a sample to another bin."""


@dataclass(frozen=True, slots=True)
class Saving:
    """What a reading saves of the chance of a wrong call.

    Attributes:
        chance: by how much the chance falls; 0 where no rule helped.
        error: standard error of it, from the number of samples.
    """

    chance: float
    error: float


# --- rules ----------------------------------------------------------------------------------------


def learnt(scores: Array) -> NDArray[np.bool_]:
    """Where to call "holds", from what that call is better by in each bin.

    Args:
        scores: sums over the samples of a bin of (gain of calling it "holds" less that of "does not").

    Returns:
        The call of every bin: the best of all rules with one stretch that is called differently.
    """
    levels = np.concatenate([[0.0], np.cumsum(scores)])
    rise = levels - np.minimum.accumulate(levels)
    fall = np.maximum.accumulate(levels) - levels
    calls = np.zeros(scores.size, dtype=bool)
    if rise.max() >= levels[-1] + fall.max():
        end = int(rise.argmax())
        calls[int(levels[: end + 1].argmin()) : end] = True
        return calls
    end = int(fall.argmax())
    calls[int(levels[: end + 1].argmax()) : end] = True
    return ~calls


def saving(scores: Array, counts: Array) -> Saving:
    """What rules learnt on the other folds save on each fold.

    Args:
        scores: what calling it "holds" is better by, a row a fold, summed in each bin.
        counts: samples of the same bins.
    """
    samples, total = float(counts.sum()), scores.sum(axis=0)
    holds = bool(total.sum() > 0)
    saved = changed = 0.0
    for own, seen in zip(scores, counts, strict=True):
        other = learnt(total - own) != holds
        saved += float(own[other].sum()) * (-1 if holds else 1)
        changed += float(seen[other].sum())
    return Saving(max(saved, 0.0) / samples, math.sqrt(changed) / samples)


def smeared(counts: Array, error: float) -> Array:
    """Counts of a reading as a meter with a normal error gives it, expected over that error.

    Args:
        counts: a row a fold, over the bins of the quantity itself.
        error: standard deviation in bins.

    Returns:
        Rows that are longer by what the error adds at either end.
    """
    if error < NARROWEST:
        return counts
    reach = math.ceil(4 * error)
    edges = [math.erf((step - 0.5) / (error * math.sqrt(2))) for step in range(-reach, reach + 2)]
    kernel = np.diff(edges) / (edges[-1] - edges[0])
    size = counts.shape[1] + kernel.size - 1
    padded = 1 << size.bit_length()
    both = np.fft.rfft(counts, padded) * np.fft.rfft(kernel, padded)
    # rounded, so that what is none stays none: the transform leaves a trace of everything everywhere
    return np.round(np.fft.irfft(both, padded)[:, :size], 9)


# --- counting -------------------------------------------------------------------------------------


@dataclass
class _Tallied:
    """One reading: how many samples fall into each bin, hold each demand there, and their ceilings."""

    low: float
    scale: float
    counts: Counts
    held: Counts
    sums: Array

    @classmethod
    def over(cls, first: Array, demands: int) -> _Tallied:
        present = first[np.isfinite(first)]
        low, high = (float(present.min()), float(present.max())) if present.size else (0.0, 0.0)
        room = MARGIN * (high - low)
        width = (high - low + 2 * room) / BINS
        scale = 1 / width if width > 0 else 0.0
        size = FOLDS * BINS
        counts, held = np.zeros(size, np.int64), np.zeros((demands, size), np.int64)
        return cls(low - room, scale, counts, held, np.zeros(size))

    def add(self, values: Array, folds: Counts, holds: Sequence[NDArray[np.bool_]], ceiling: Array) -> None:
        if self.scale == 0:
            return
        # fmax, because a reading that is no number in a sample must land somewhere too
        bins = np.fmin(np.fmax((values - self.low) * self.scale, 0.0), BINS - 1).astype(np.int64)
        bins += folds
        size = FOLDS * BINS
        counts = np.bincount(bins, minlength=size)
        self.counts += counts
        self.sums += np.bincount(bins, weights=ceiling, minlength=size)
        for total, hold in zip(self.held, holds, strict=True):
            if hold.all():
                total += counts
            elif hold.any():
                total += np.bincount(bins[hold], minlength=size)


@dataclass
class Leverage:
    """Counts of every reading against the outcomes at one line; memory does not grow with the samples.

    Attributes:
        knowables: what could be read.
        nominal: their nominal numbers, to which accuracies are relative [SI].
        judged: number of the line where the demands are judged.
        demands: how many demands are judged.
        held: samples that hold each demand.
        samples: samples counted.
        spread: sum of squared differences of the lowest ceiling from its mean [W²]; not a number where
            the ceiling is infinite in a sample.
    """

    knowables: tuple[Knowable, ...]
    nominal: tuple[float, ...]
    judged: int
    demands: int
    samples: int = 0
    held: list[int] = field(default_factory=list)
    _mean: float = 0.0
    spread: float = 0.0
    _tallied: list[_Tallied] = field(default_factory=list)

    def add(self, values: Sequence[Real], ceiling: Real, needed: Sequence[Real], size: int) -> None:
        """Count a block.

        Args:
            values: the numbers of every reading.
            ceiling: the lowest ceiling at the line where the demands are judged [W].
            needed: what each demand amounts to [W].
        """
        arrays = [_full(value, size) for value in values]
        if not self._tallied:
            self._tallied = [_Tallied.over(array, self.demands) for array in arrays]
            self.held = [0] * self.demands
        least = _full(ceiling, size)
        holds = [_full(np.greater_equal(least, need), size) for need in needed]
        self.held = [
            count + int(np.count_nonzero(hold)) for count, hold in zip(self.held, holds, strict=True)
        ]
        self._widen(least)
        folds = (np.arange(size) % FOLDS) * BINS
        for tallied, array in zip(self._tallied, arrays, strict=True):
            tallied.add(array, folds, holds, least)

    def _widen(self, least: Array) -> None:
        """Mean and squared differences of one more block (Chan, Golub and LeVeque 1979, from memory)."""
        mean, size = float(least.mean()), least.size
        total = self.samples + size
        apart = mean - self._mean
        self.spread += float(((least - mean) ** 2).sum()) + apart**2 * self.samples * size / total
        self._mean += apart * size / total
        self.samples = total

    @property
    def lines(self) -> frozenset[int]:
        """Numbers of the lines whose ladders are needed."""
        return frozenset({self.judged, *(k.line for k in self.knowables if k.line is not None)})

    def chance(self, demand: int) -> float:
        """Chance of a wrong call without any reading."""
        held = self.held[demand]
        return min(held, self.samples - held) / self.samples

    def saves(self, reading: int, demand: int, accuracy: float = 0.0) -> Saving:
        """What a reading saves of that chance.

        Args:
            reading, demand: their numbers.
            accuracy: expanded uncertainty of the meter (k = 2), relative to the nominal number.
        """
        tallied = self._tallied[reading]
        blur = accuracy / 2 * abs(self.nominal[reading]) * tallied.scale
        if tallied.scale == 0 or blur > BINS or self.chance(demand) == 0:
            return Saving(0.0, 0.0)
        counts = tallied.counts.reshape(FOLDS, BINS).astype(float)
        held = tallied.held[demand].reshape(FOLDS, BINS)
        both = smeared(np.concatenate([2 * held - counts, counts]), blur)
        return saving(both[:FOLDS], both[FOLDS:])

    def share(self, reading: int) -> float:
        """First-order share of the ceiling's variance that a reading explains.

        The variance between the bins' means, less what so many bins would show of a reading without
        influence (the omega-squared of an analysis of variance, from memory).
        """
        tallied = self._tallied[reading]
        counts = tallied.counts.reshape(FOLDS, BINS).sum(axis=0)
        sums = tallied.sums.reshape(FOLDS, BINS).sum(axis=0)
        filled = counts > 0
        free = self.samples - int(np.count_nonzero(filled))
        if tallied.scale == 0 or free <= 0 or not self.spread > 0:
            return 0.0
        between = float((counts[filled] * (sums[filled] / counts[filled] - self._mean) ** 2).sum())
        within = (self.spread - between) / free
        by_chance = (np.count_nonzero(filled) - 1) * within
        return float(np.clip((between - by_chance) / (self.spread + within), 0.0, 1.0))


def _full(values: Real, size: int) -> NDArray[Any]:
    return np.broadcast_to(np.asarray(values), (size,))


@dataclass(frozen=True, slots=True)
class Lead:
    """A reading that would tell something about a verdict.

    Attributes:
        saved: what it saves with its ordinary measurement, a demand each.
    """

    knowable: Knowable
    saved: tuple[Saving, ...]


def leads(leverage: Leverage) -> tuple[Lead, ...]:
    """Every reading with a measurement that saves something of the chance of a wrong call."""
    found = []
    for index, knowable in enumerate(leverage.knowables):
        accuracy = measurement_of(knowable).accuracy
        if accuracy is not None:
            saved = tuple(
                _with_meter(leverage, index, demand, accuracy) for demand in range(leverage.demands)
            )
            if any(saving.chance > 0 for saving in saved):
                found.append(Lead(knowable, saved))
    return tuple(found)


def _with_meter(leverage: Leverage, index: int, demand: int, accuracy: float) -> Saving:
    """What a reading saves; a meter's error, which takes time to work out, adds nothing to nothing."""
    known = leverage.saves(index, demand)
    return leverage.saves(index, demand, accuracy) if known.chance > 0 else known


# --- of a board -----------------------------------------------------------------------------------


def started(case: Case, lines: Sequence[Line], ladders: Sequence[Mapping[str, Ceiling]]) -> Leverage:
    """Nothing counted yet; the demands are judged at the line with the lowest ladder.

    Args:
        ladders: the nominal ladder of every line.
    """
    judged = int(np.argmin([float(lowest(rows)) for rows in ladders]))
    found = knowables(case, lines, ladders, judged)
    numbers = {key: value.nominal for key, value in case.circuit.values.items()}
    block = Block.of(case, numbers, case.circuit.supply(numbers), lines, dict(enumerate(ladders)))
    nominal = tuple(float(taken(reading, block)) for reading in found)
    return Leverage(found, nominal, judged, len(case.demands))
