"""Samples conditioned on what was seen: weights, and where too few samples carry them, better samples.

Everything is done in scores, which are standard normal before anything is seen, and needs only the
logarithm of a likelihood. Samples drawn from the spreads are weighted by it (importance sampling). Where
hardly any of them explains what was seen, new ones are drawn near those that do, in rounds: the
likelihood is first taken to a power below one, low enough for the samples at hand, a normal distribution
is fitted to what it leaves, and the next samples come from that (adaptive importance sampling with
tempering; Bugallo et al., IEEE Signal Processing Magazine 34(4), 2017, from memory). Weights account for
where samples were drawn, so that every round is right by itself; the rounds only make it sharper.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from flyback.analysis.tolerance import Array

LogLikelihood = Callable[[Array], Array]
"""Logarithm of the likelihood of what was seen, for scores in rows."""

ENOUGH = 400.0
"""Effective samples from which the first samples are kept; a share of one half is then known to 2.5 %."""

AIMED = 1000.0
"""Effective samples at which the rounds end."""

GAIN = 1.1
"""Factor by which a round at full power must raise the effective samples for another one to follow."""

ROUNDS, ROUND = 12, 4096
"""Most rounds, and the samples of each."""

SHARE_OF_PRIOR = 0.1
"""Share of a round drawn from the spreads as they are: no weight can exceed its inverse ten times."""

IMPOSSIBLE = -1e9
"""Stands for the logarithm of a likelihood of nothing, so that a power of it stays a number."""

UNLIKELY = 3.0902
"""Score that a standard normal number exceeds once in a thousand."""

WIDER = 1.2
"""Variance of the fitted distribution in units of the samples': its tails must not be the thinner ones."""


@dataclass(frozen=True, slots=True)
class Conditioned:
    """Weighted samples.

    Attributes:
        scores: one row a sample; weights: their weights, with sum 1.
        log_evidence: logarithm of the mean likelihood over the spreads.
        rounds: rounds of better samples; 0 where the first ones were enough.
    """

    scores: Array
    weights: Array
    log_evidence: float
    rounds: int

    @property
    def effective(self) -> float:
        """Effective number of samples (Kish): how many even ones would know as much."""
        return effective(self.weights)

    @property
    def method(self) -> str:
        """How the samples were found, in words."""
        if self.rounds == 0:
            return "importance weights on the samples of the spreads"
        plural = "" if self.rounds == 1 else "s"
        return f"adaptive importance sampling, {self.rounds} round{plural}"


def condition(
    log_likelihood: LogLikelihood,
    scores: Array,
    *,
    seed: int,
    rounds: int = ROUNDS,
    logs: Array | None = None,
) -> Conditioned:
    """Condition samples on what was seen.

    Args:
        scores: samples of the spreads, one row each.
        rounds: most rounds of better samples.
        logs: the likelihood's logarithm for ``scores``, where it is known already.
    """
    logs = np.maximum(log_likelihood(scores) if logs is None else logs, IMPOSSIBLE)
    found = _weighted(scores, logs, 0)
    if found.effective >= ENOUGH or scores.shape[1] == 0 or np.all(logs == IMPOSSIBLE):
        return found
    stream = np.random.default_rng([seed, scores.shape[1]])
    ratio = np.zeros(len(scores))
    least = ENOUGH / GAIN
    for turn in range(1, rounds + 1):
        power = _power(ratio, logs)
        scores, ratio = _drawn_near(scores, normalised(ratio + power * logs), stream)
        logs = np.maximum(log_likelihood(scores), IMPOSSIBLE)
        found = _weighted(scores, ratio + logs, turn)
        if power == 1 and (found.effective >= AIMED or found.effective < GAIN * least):
            break
        least = found.effective
    return found


def _weighted(scores: Array, logs: Array, rounds: int) -> Conditioned:
    return Conditioned(scores, normalised(logs), log_mean(logs), rounds)


def _power(ratio: Array, logs: Array) -> float:
    """Largest power of the likelihood, up to 1, that leaves enough effective samples."""
    if effective(normalised(ratio + logs)) >= ENOUGH:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        if effective(normalised(ratio + middle * logs)) >= ENOUGH:
            low = middle
        else:
            high = middle
    return low


def _drawn_near(scores: Array, weights: Array, stream: np.random.Generator) -> tuple[Array, Array]:
    """Samples near weighted ones, and the logarithm of how much rarer the spreads give each of them."""
    width = scores.shape[1]
    centre = weights @ scores
    offset = scores - centre
    spread = WIDER * (offset.T * weights) @ offset + 1e-6 * np.eye(width)
    root = np.linalg.cholesky(spread)
    drawn = stream.standard_normal((ROUND, width))
    near = np.arange(ROUND) >= SHARE_OF_PRIOR * ROUND
    drawn[near] = centre + drawn[near] @ root.T
    plain = -np.sum(drawn**2, axis=1) / 2
    fitted = np.sum(np.linalg.solve(root, (drawn - centre).T) ** 2, axis=0) / -2
    fitted = fitted - np.sum(np.log(np.diagonal(root)))
    mixed = np.logaddexp(
        math.log(SHARE_OF_PRIOR) + plain,
        math.log(1 - SHARE_OF_PRIOR) + fitted,
    )
    return drawn, plain - mixed


# --- weights --------------------------------------------------------------------------------------


def normalised(logs: Array) -> Array:
    """Weights with sum 1 from their logarithms."""
    weights = np.exp(logs - np.max(logs))
    return np.asarray(weights / weights.sum())


def log_mean(logs: Array) -> float:
    """Logarithm of the mean of numbers given by their logarithms, not below `IMPOSSIBLE`."""
    logs = np.maximum(logs, IMPOSSIBLE)
    top = float(np.max(logs))
    return top + math.log(float(np.mean(np.exp(logs - top))))


def effective(weights: Array) -> float:
    """Effective number of weighted samples.

    >>> effective(np.array([0.5, 0.5, 0.0]))
    2.0
    """
    return float(1 / np.sum(weights**2))


def quantiles(values: Array, weights: Array, shares: Sequence[float]) -> list[float]:
    """Values below which shares of weighted samples lie.

    >>> quantiles(np.array([3.0, 1.0, 2.0]), np.array([0.25, 0.25, 0.5]), [0.5])
    [2.0]
    """
    order = np.argsort(values)
    below = np.cumsum(weights[order]) - weights[order] / 2
    return [float(x) for x in np.interp(shares, below, values[order])]


def allowed_misfit(terms: int) -> float:
    """Chi squared that `terms` numbers exceed once in a thousand (Wilson and Hilferty's approximation).

    >>> round(allowed_misfit(5), 1)
    20.8
    """
    share = 2 / (9 * terms)
    return float(terms * (1 - share + UNLIKELY * math.sqrt(share)) ** 3)
