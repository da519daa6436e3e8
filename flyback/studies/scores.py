"""Spread values as functions of independent standard normal scores, one for each cause.

Scores are what a sample can be moved along: whatever the shapes of the spreads, before any reading they
are all normal with mean 0 and deviation 1, and values that share a cause share a score.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from zlib import crc32

import numpy as np

from flyback.analysis import tolerance
from flyback.analysis.tolerance import CUT, Array
from flyback.board.model import Shape, Value

RANGE = (0.3, 3.0)
"""What a value whose own spread is set aside may be, in units of the traced one (our choice)."""

_EDGE = 8.0
"""Scores at which the table of the normal distribution ends; beyond lies 1e-15."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the readings.

    Attributes:
        values: every number of the circuit.
        columns: cause, or name of a further unknown, to its column of the scores.
        free: keys of values whose own spread is set aside; they move together, by one factor.
    """

    values: Mapping[str, Value]
    columns: Mapping[str, int]
    free: tuple[str, ...] = ()

    @classmethod
    def of(cls, values: Mapping[str, Value], further: Sequence[str], free: Sequence[str] = ()) -> Prior:
        """Columns for every cause of a spread and for further unknowns."""
        fixed = {
            key: replace(value, low=value.nominal, high=value.nominal) if key in free else value
            for key, value in values.items()
        }
        names = dict.fromkeys(value.cause for value in fixed.values() if value.spread)
        names |= dict.fromkeys(further)
        if free:
            names[_FACTOR] = None
        return cls(fixed, {name: column for column, name in enumerate(names)}, tuple(free))

    def draw(self, samples: int, *, seed: int) -> Array:
        """Scores of the samples that `tolerance.blocks` draws, one row each."""
        scores = np.empty((samples, len(self.columns)))
        first = 0
        for size, numbers in tolerance.blocks(self.values, samples, seed=seed):
            rows = slice(first, first + size)
            seen = set()
            for key, value in self.values.items():
                if value.spread and value.cause not in seen:
                    seen.add(value.cause)
                    scores[rows, self.columns[value.cause]] = score(value, np.asarray(numbers[key]))
            first += size
        drawn = {value.cause for value in self.values.values() if value.spread}
        for name, column in self.columns.items():
            if name not in drawn:
                stream = np.random.default_rng([seed, crc32(name.encode())])
                scores[:, column] = stream.standard_normal(samples)
        return scores

    def numbers(self, scores: Array) -> dict[str, Array | float]:
        """Numbers for `Circuit.supply`, each spread value a column."""
        numbers: dict[str, Array | float] = {}
        for key, value in self.values.items():
            numbers[key] = value.nominal
            if value.spread:
                numbers[key] = at_score(value, scores[:, self.columns[value.cause], np.newaxis])
            elif key in self.free:
                numbers[key] = value.nominal * self.factor(scores)[:, np.newaxis]
        return numbers

    def factor(self, scores: Array) -> Array:
        """What the free values are multiplied by: even in the logarithm over `RANGE`."""
        share = np.exp(log_normal_cdf(scores[:, self.columns[_FACTOR]]))
        low, high = RANGE
        return np.asarray(low * (high / low) ** share)


_FACTOR = "factor of the free values"


def score(value: Value, drawn: Array) -> Array:
    """The score of drawn numbers of a value."""
    below = np.where(drawn < value.nominal, value.nominal - value.low, value.high - value.nominal)
    if value.shape is Shape.NORMAL:
        z = CUT * (drawn - value.nominal) / np.where(below > 0, below, 1.0)
        inside = np.exp(log_normal_cdf(z)) - _cut_share()
        return normal_quantile(inside / (1 - 2 * _cut_share()))
    if value.shape is Shape.TWO_PIECE:
        share = 0.5 + 0.5 * (drawn - value.nominal) / np.where(below > 0, below, 1.0)
        return normal_quantile(share)
    return normal_quantile((drawn - value.low) / (value.high - value.low))


def at_score(value: Value, scores: Array) -> Array:
    """Numbers of a value at scores, the inverse of `score`."""
    share = np.exp(log_normal_cdf(scores))
    if value.shape is Shape.NORMAL:
        z = normal_quantile(_cut_share() + share * (1 - 2 * _cut_share()))
        return tolerance.at_deviation(value, z)
    return tolerance.at_share(value, share)


# --- the normal distribution ----------------------------------------------------------------------


def log_normal_cdf(z: Array) -> Array:
    """Logarithm of the standard normal distribution function, within 1e-4 also far below zero.

    >>> log_normal_cdf(np.array([-40.0, 0.0]))
    array([-804.608442,   -0.693147])
    """
    at, logs = _table()
    near = np.interp(z, at, logs)
    if np.all(z >= -_EDGE):
        return near
    # asymptotic series: the first term left out is below 1e-4 at the table's end, of a logarithm of -35
    far = np.minimum(z, -_EDGE)
    tail = -(far**2) / 2 - np.log(-far * math.sqrt(2 * math.pi)) + np.log1p(-(far**-2) + 3 * far**-4)
    return np.asarray(np.where(z < -_EDGE, tail, near))


def normal_quantile(share: Array) -> Array:
    """The score below which a share of a standard normal distribution lies."""
    at, logs = _table()
    least = math.exp(logs[0])
    tail = np.log(np.maximum(np.minimum(share, 1 - share), least))
    half = at <= 0
    return np.asarray(np.interp(tail, logs[half], at[half]) * np.where(share < 0.5, 1.0, -1.0))


@cache
def _table() -> tuple[Array, Array]:
    at = np.linspace(-_EDGE, _EDGE, 16 * 512 + 1)
    logs = [math.log(math.erfc(-z / math.sqrt(2)) / 2) for z in at]
    return at, np.array(logs)


@cache
def _cut_share() -> float:
    return math.erfc(CUT / math.sqrt(2)) / 2
