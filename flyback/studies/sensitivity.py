"""Shares of a variance: Sobol' indices of the lowest ceiling over the spreads of the parts.

The indices are scipy's, on low-discrepancy points (Saltelli et al. 2010); what is ours are the quantile
functions of the spreads and one column a cause, as in the Monte Carlo pass.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import tolerance
from flyback.board.model import Shape, Value
from flyback.errors import NumericalError, Problem, RequestError

Array = NDArray[np.float64]

POINTS = 1024
"""Points of each of the two base samples; the quantity is evaluated at (causes + 2) times as many."""

CUT = 2.0
"""Standard deviations at which a normal spread is cut: its limits are k = 2."""


@dataclass(frozen=True, slots=True)
class Shares:
    """How one cause shares in the variance of a quantity.

    Attributes:
        first: share that the cause explains on its own, by which the variance would fall on average if
            it were known.
        total: share that is left on average when all other causes are known.
    """

    first: float
    total: float


def quantile(value: Value, u: Array) -> Array:
    """The value below which a share ``u`` of its spread lies, for every shape of a spread.

    The same distributions as `tolerance.draw` samples from.
    """
    if value.shape is Shape.NORMAL:
        z = _cut_normal(u)
        half = np.where(z < 0, value.nominal - value.low, value.high - value.nominal)
        return value.nominal + z * half / CUT
    if value.shape is Shape.TWO_PIECE:
        return np.interp(u, [0.0, 0.5, 1.0], [value.low, value.nominal, value.high])
    return value.low + (value.high - value.low) * u


def _cut_normal(u: Array) -> Array:
    from scipy.special import ndtr, ndtri

    below = ndtr(-CUT)
    z: Array = ndtri(below + u * (1 - 2 * below))
    return z


@dataclass(frozen=True, slots=True)
class _Share:
    """A share of a spread in place of its value, as scipy asks for it: values follow by `quantile`."""

    def ppf(self, u: Array) -> Array:
        return u


def sobol_shares(
    values: Mapping[str, Value],
    measure: Callable[[Mapping[str, Array | float]], Array],
    *,
    points: int = POINTS,
    seed: int = tolerance.SEED,
) -> dict[str, Shares]:
    """First-order and total shares of every cause.

    An index is good to about 0.01 to 0.02 at 1024 points where a few causes carry most of the variance;
    small first-order shares may come out a little below zero.

    Args:
        measure: the quantity as a function of numbers for every key of ``values``, an array.
        points: a power of two.

    Returns:
        Shares by cause, all zero where the quantity does not vary.

    Raises:
        RequestError: ``points`` is no power of two.
        NumericalError: the quantity is not finite somewhere, so that it has no variance.
    """
    if points < 2 or points & (points - 1):
        raise RequestError(Problem(f"{points} is not a power of two;", field="points", hint="write 1024."))
    causes = sorted({value.cause for value in values.values() if value.spread})
    if not causes:
        return {}

    def evaluate(shares: Array) -> Array:
        parts = np.array_split(shares, max(1, shares.shape[1] // tolerance.BLOCK), axis=1)
        return np.concatenate([_measured(values, causes, part, measure) for part in parts])

    first, total = _indices(evaluate, len(causes), points, seed)
    return {cause: Shares(float(s), float(t)) for cause, s, t in zip(causes, first, total, strict=True)}


def _measured(
    values: Mapping[str, Value],
    causes: Sequence[str],
    shares: Array,
    measure: Callable[[Mapping[str, Array | float]], Array],
) -> Array:
    row = {cause: index for index, cause in enumerate(causes)}
    numbers = {
        key: quantile(value, shares[row[value.cause]]) if value.spread else value.nominal
        for key, value in values.items()
    }
    found = np.broadcast_to(np.asarray(measure(numbers), dtype=float), (shares.shape[1],))
    if not np.isfinite(found).all():
        raise NumericalError(
            "the quantity is not finite in every sample, so it has no variance to share out"
        )
    return found


def _indices(
    evaluate: Callable[[Array], Array], causes: int, points: int, seed: int
) -> tuple[Array, Array]:
    if causes == 1:  # the only cause explains everything, and scipy wants two
        varies = float(np.ptp(evaluate(np.linspace(0, 1, points)[None, :])) > 0)
        return np.array([varies]), np.array([varies])
    from scipy.stats import sobol_indices

    stream = np.random.default_rng(seed)
    # by its old name, which every scipy from 1.12 on takes; rng is known from 1.15 on
    found = sobol_indices(func=evaluate, n=points, dists=[_Share()] * causes, random_state=stream)
    return found.first_order, found.total_order
