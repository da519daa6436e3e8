"""Conditioning against a case in closed form: normal unknowns, read by sums of them with normal noise."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from flyback.studies.conditioning import (
    ENOUGH,
    IMPOSSIBLE,
    Conditioned,
    allowed_misfit,
    condition,
    effective,
    normalised,
    quantiles,
)

Array = NDArray[np.float64]

SEED = 3
SAMPLES = 16_384
DEVIATIONS = 4.5
"""How many of its own standard errors an estimate may lie off; there are 33 of them in a case."""


@dataclass(frozen=True)
class Gaussian:
    """Unknowns x, standard normal, and readings y = A x + noise."""

    A: Array
    noise: float
    y: Array

    @classmethod
    def of(cls, unknowns: int, readings: int, *, noise: float, shift: float) -> Gaussian:
        """Readings that lie ``shift`` of their own deviations beside what is expected."""
        stream = np.random.default_rng(unknowns)
        A = stream.standard_normal((readings, unknowns))
        return cls(A, noise, shift * np.sqrt((A**2).sum(axis=1) + noise**2))

    def log_likelihood(self, x: Array) -> Array:
        off = (self.y - x @ self.A.T) / self.noise
        constant = np.log(self.noise * np.sqrt(2 * np.pi)) * self.y.size
        return np.asarray(-(off**2).sum(axis=1) / 2 - constant)

    @property
    def covariance(self) -> Array:
        return np.linalg.inv(np.eye(self.A.shape[1]) + self.A.T @ self.A / self.noise**2)

    @property
    def mean(self) -> Array:
        return np.asarray(self.covariance @ self.A.T @ self.y / self.noise**2)

    @property
    def log_evidence(self) -> float:
        covariance = self.A @ self.A.T + self.noise**2 * np.eye(self.y.size)
        return float(stats.multivariate_normal.logpdf(self.y, cov=covariance))

    def conditioned(self, samples: int = SAMPLES) -> Conditioned:
        x = np.random.default_rng(SEED).standard_normal((samples, self.A.shape[1]))
        return condition(self.log_likelihood, x, seed=SEED)

    def faults(self, found: Conditioned) -> list[str]:
        """Where weighted samples are not what they must be."""
        wrong = []
        count = found.effective
        deviation = np.sqrt(np.diagonal(self.covariance))
        mean = found.weights @ found.scores
        if np.any(np.abs(mean - self.mean) > DEVIATIONS * deviation / np.sqrt(count)):
            wrong.append("mean")
        spread = np.sqrt(found.weights @ (found.scores - mean) ** 2)
        if np.any(np.abs(spread / deviation - 1) > DEVIATIONS / np.sqrt(2 * count)):
            wrong.append("spread")
        for column in range(len(deviation)):
            share = float(found.weights @ (found.scores[:, column] < self.mean[column]))
            if abs(share - 0.5) > DEVIATIONS * 0.5 / np.sqrt(count):
                wrong.append(f"median of {column}")
        if abs(found.log_evidence - self.log_evidence) > DEVIATIONS / np.sqrt(count):
            wrong.append("evidence")
        return wrong


WIDE = Gaussian.of(11, 3, noise=2.0, shift=0.5)
THIN = {
    "precise": Gaussian.of(11, 3, noise=0.05, shift=0.5),
    "far off": Gaussian.of(11, 2, noise=0.3, shift=4.0),
    "one unknown": Gaussian.of(1, 1, noise=1e-4, shift=1.0),
    "many": Gaussian.of(25, 4, noise=0.1, shift=1.5),
}


def test_weights_on_the_samples_are_enough_for_a_vague_reading() -> None:
    found = WIDE.conditioned()
    assert WIDE.faults(found) == []
    assert found.rounds == 0
    assert found.effective > ENOUGH
    assert found.method == "importance weights on the samples of the spreads"


@pytest.mark.parametrize("case", THIN.values(), ids=THIN)
def test_better_samples_are_drawn_where_hardly_any_explains_the_readings(case: Gaussian) -> None:
    """Plain weights leave less than one sample in forty there."""
    x = np.random.default_rng(SEED).standard_normal((SAMPLES, case.A.shape[1]))
    assert effective(normalised(case.log_likelihood(x))) < ENOUGH
    found = case.conditioned()
    assert case.faults(found) == []
    assert found.rounds > 0
    assert found.effective > ENOUGH
    assert found.method.startswith("adaptive importance sampling, ")


def test_few_samples_to_begin_with() -> None:
    assert THIN["precise"].faults(THIN["precise"].conditioned(samples=100)) == []


def test_the_same_seed_gives_the_same_samples() -> None:
    first, second = THIN["far off"].conditioned(), THIN["far off"].conditioned()
    assert np.array_equal(first.scores, second.scores)
    assert np.array_equal(first.weights, second.weights)


@pytest.mark.parametrize("case", [WIDE, THIN["precise"]])
def test_wrong_weights_are_noticed(case: Gaussian) -> None:
    found = case.conditioned()
    even = np.full(len(found.weights), 1 / len(found.weights))
    half = normalised(np.log(np.maximum(found.weights, 1e-300)) / 2)
    assert case.faults(replace(found, weights=even)) != []
    assert case.faults(replace(found, weights=half)) != []
    assert case.faults(replace(found, log_evidence=found.log_evidence + 0.5)) == ["evidence"]


def test_readings_that_nothing_explains() -> None:
    found = condition(lambda x: np.full(len(x), -np.inf), np.zeros((50, 2)), seed=SEED)
    assert found.log_evidence == IMPOSSIBLE
    assert found.weights == pytest.approx(1 / 50)


def test_without_rounds_the_samples_stay() -> None:
    x = np.random.default_rng(SEED).standard_normal((1000, 11))
    found = condition(THIN["precise"].log_likelihood, x, seed=SEED, rounds=0)
    assert np.array_equal(found.scores, x)


def test_quantiles_of_even_weights_are_those_of_the_samples() -> None:
    x = np.random.default_rng(SEED).standard_normal(4001)
    ours = quantiles(x, np.full(4001, 1 / 4001), (0.025, 0.5, 0.975))
    assert ours == pytest.approx(np.quantile(x, (0.025, 0.5, 0.975), method="hazen"))


def test_quantiles_of_whole_weights_are_those_of_repeated_samples() -> None:
    x, times = np.array([1.0, 2.0, 3.0, 4.0]), np.array([5, 1, 9, 5])
    middle = quantiles(x, times / times.sum(), [0.5])[0]
    assert middle == pytest.approx(float(np.median(np.repeat(x, times))), abs=0.5)


@pytest.mark.parametrize("terms", [1, 2, 3, 5, 10, 30])
def test_the_allowed_misfit(terms: int) -> None:
    """The approximation is 3 % off for a single number, and closer for more."""
    assert allowed_misfit(terms) == pytest.approx(float(stats.chi2.isf(1e-3, terms)), rel=0.035)
