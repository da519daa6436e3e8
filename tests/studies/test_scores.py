"""Scores: there and back, normal before anything is read, and the normal distribution itself."""

from __future__ import annotations

import numpy as np
import pytest
from boards import DEMOS, board, demo_traced
from scipy import special, stats

from flyback.analysis import tolerance
from flyback.analysis.trace import trace
from flyback.board.model import Origin, Shape, Value
from flyback.studies.scores import RANGE, Prior, at_score, log_normal_cdf, normal_quantile, score

SEED = 7
SIZE = 20_000
SAME = 1e-4
"""Chance below which samples are not taken to follow a distribution (Kolmogorov and Smirnov)."""


def value(low: float, nominal: float, high: float, shape: Shape) -> Value:
    return Value("X1.value", nominal, low, high, "voltage", shape, Origin.DATASHEET, "", cause="X1.value")


SHAPES = [
    value(0.9, 1.0, 1.1, Shape.RECTANGULAR),
    value(0.9, 0.9, 1.1, Shape.RECTANGULAR),
    value(0.52, 0.65, 0.68, Shape.TWO_PIECE),
    value(4.9, 5.0, 5.3, Shape.NORMAL),
]


@pytest.mark.parametrize("spread", SHAPES, ids=lambda v: f"{v.shape} {v.low:g} to {v.high:g}")
def test_scores_of_draws_are_normal_and_lead_back(spread: Value) -> None:
    numbers = tolerance.draw(spread, SIZE, block=0, seed=SEED)
    scores = score(spread, numbers)
    assert stats.kstest(scores, stats.norm.cdf).pvalue > SAME
    assert at_score(spread, scores) == pytest.approx(numbers, rel=1e-6)


def test_scores_by_another_shape_would_be_noticed() -> None:
    """The draws of a two-piece spread, taken for rectangular ones."""
    numbers = tolerance.draw(SHAPES[2], SIZE, block=0, seed=SEED)
    wrong = score(value(0.52, 0.65, 0.68, Shape.RECTANGULAR), numbers)
    assert stats.kstest(wrong, stats.norm.cdf).pvalue < SAME


@pytest.mark.parametrize("name", DEMOS)
def test_the_samples_are_those_of_the_spreads(name: str) -> None:
    circuit, _, _ = demo_traced(name)
    samples = tolerance.BLOCK + 100  # the second block is a short one
    prior = Prior.of(circuit.values, ("error",))
    numbers = prior.numbers(prior.draw(samples, seed=SEED))
    blocks = [drawn for _, drawn in tolerance.blocks(circuit.values, samples, seed=SEED)]
    for key in circuit.values:
        expected = np.concatenate([np.atleast_1d(np.asarray(drawn[key])) for drawn in blocks])
        assert np.ravel(numbers[key]) == pytest.approx(
            expected if expected.size == samples else expected[:1], rel=1e-6
        )


def test_values_of_one_cause_share_a_score() -> None:
    apart, together = trace(board()), trace(board(R4={"same_reel_as": "R3"}))
    priors = [Prior.of(circuit.values, ()) for circuit in (apart, together)]
    assert len(priors[0].columns) == len(priors[1].columns) + 1
    numbers = priors[1].numbers(priors[1].draw(100, seed=SEED))
    assert np.array_equal(numbers["R3.resistance"], numbers["R4.resistance"])
    numbers = priors[0].numbers(priors[0].draw(100, seed=SEED))
    assert not np.array_equal(numbers["R3.resistance"], numbers["R4.resistance"])


def test_free_values_move_together_and_evenly_in_the_logarithm() -> None:
    circuit = trace(board())
    prior = Prior.of(circuit.values, ("error",), free=circuit.keys["R_s"])
    scores = prior.draw(SIZE, seed=SEED)
    numbers = prior.numbers(scores)
    factors = np.ravel(numbers["R3.resistance"]) / circuit.values["R3.resistance"].nominal
    assert factors == pytest.approx(np.ravel(numbers["R4.resistance"]) / 2.4)
    low, high = np.log(RANGE)
    assert stats.kstest(np.log(factors), stats.uniform(low, high - low).cdf).pvalue > SAME


def test_the_normal_distribution() -> None:
    z = np.linspace(-60.0, 8.0, 5001)
    # far below, the logarithm is large: 1e-4 of 1 there, where it only weighs what hardly counts
    assert log_normal_cdf(z) == pytest.approx(special.log_ndtr(z), abs=1e-4)
    near = z[z > -6]
    assert np.exp(log_normal_cdf(near)) == pytest.approx(special.ndtr(near), abs=2e-7)
    share = np.concatenate([np.geomspace(1e-12, 0.5, 200), 1 - np.geomspace(1e-12, 0.5, 200)])
    assert normal_quantile(share) == pytest.approx(special.ndtri(share), abs=1e-5)
