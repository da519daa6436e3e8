"""What the load tests of a board leave open: sets of numbers of its parts that would have read as was read.

They stand in for the samples of the spreads, so that everything that is asked of those can be asked after
a load test too. The closed form's own error, which the readings bear on as well, stays with them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.bulk import Line
from flyback.analysis.leverage import FOLDS
from flyback.analysis.tolerance import BLOCK, Array
from flyback.studies.conditioning import condition, effective
from flyback.studies.likelihood import ELSEWHERE, FACTOR, OTHER_LINES, LoadTest
from flyback.studies.reconcile import Reconciled
from flyback.studies.redrawn import Sets
from flyback.studies.scores import Prior
from flyback.verdict.check import Check

FEWEST = 100
"""Sets that are drawn even where the weights are worth fewer, so that there is something to count."""


def left_open(check: Check, found: Reconciled, lines: Sequence[Line], samples: int) -> Iterator[Sets]:
    """Numbers as the load tests leave them.

    Args:
        found: parts and readings of the check put together, without a contradiction.
        lines: of the study that they are for, in plain numbers.
        samples: samples of the spreads that are weighed; fewer sets come of them.
    """
    assert check.circuit is not None
    readings = tuple(told.reading for told in found.told)
    test = LoadTest(check.circuit, found.V_set, readings, ())
    prior = Prior.of(check.circuit.values, (FACTOR, OTHER_LINES))
    kept = condition(
        lambda scores: test.log_likelihood(prior, scores),
        prior.draw(samples, seed=check.seed),
        seed=check.seed,
    )
    chosen = evenly(kept.weights, max(int(effective(kept.weights)), FEWEST))
    own = {reading.line for reading in readings}
    for first in range(0, chosen.size, BLOCK):
        scores = kept.scores[folded(chosen[first : first + BLOCK])]
        factor = test.judged(prior, scores, test.predicted(prior, scores)).factor
        elsewhere = factor * (1 + ELSEWHERE * scores[:, prior.columns[OTHER_LINES]])
        numbers = {
            key: np.ravel(value) if isinstance(value, np.ndarray) else value
            for key, value in prior.numbers(scores).items()
        }
        factors = {k: factor if line in own else elsewhere for k, line in enumerate(lines)}
        yield Sets(len(scores), numbers, factors)


def evenly(weights: Array, count: int) -> NDArray[np.int64]:
    """Numbers of weighted samples, each as often as its weight asks for (systematic resampling).

    >>> evenly(np.array([0.5, 0.0, 0.25, 0.25]), 4).tolist()
    [0, 0, 2, 3]
    """
    steps = (np.arange(count) + 0.5) / count
    found = np.searchsorted(np.cumsum(weights), steps)
    return np.minimum(found, weights.size - 1)


def folded(chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """The same in an order that keeps copies of one sample in one fold of `flyback.analysis.leverage`.

    A rule would otherwise be counted on what it was learnt from.

    >>> folded(np.array([0, 0, 1, 1, 2, 2, 3, 3])).tolist()
    [0, 1, 2, 3, 0, 1, 2, 3]
    """
    order = np.argsort(np.arange(chosen.size) % FOLDS, kind="stable")
    found = np.empty_like(chosen)
    found[order] = chosen
    return found
