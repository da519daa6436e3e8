"""What a reading saves, against closed forms of a linear Gaussian model and against exact sums.

The model: a margin y = m + a_1 x_1 + ... of independent standard normals; a claim holds where y > 0.
Whoever knows x_1 knows the mean M of y given it, a normal of standard deviation a_1, and calls by its sign.

- A wrong call costs 1: what is wrong is P(M and y differ in sign), from the bivariate normal of correlation
  a_1 / s; for m = 0 that is arccos(a_1 / s) / pi (Sheppard 1899, from memory).
- A wrong call costs |y| instead (the usual net benefit): knowing x_1 is worth
  a_1 phi(m / a_1) - |m| Phi(-|m| / a_1), the unit normal loss integral (Raiffa and Schlaifer 1961, from
  memory).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from flyback.analysis.leverage import BINS, FOLDS, Leverage, Saving, learnt, saving, smeared

WEIGHTS = np.array([0.7, 0.5, 0.4, 0.2, 0.1])
SPREAD = float(np.sqrt((WEIGHTS**2).sum()))
SAMPLES = 32768
BLOCK = 8192


def counted(inputs: np.ndarray, margin: np.ndarray, *, samples: int = SAMPLES) -> Leverage:
    """Rows of inputs against a margin that holds above zero, fed in blocks."""
    leverage = Leverage((), (1.0,) * len(inputs), 0, 1)
    for first in range(0, samples, BLOCK):
        part = slice(first, first + BLOCK)
        leverage.add(list(inputs[:, part]), margin[part], [0.0], margin[part].size)
    return leverage


def gaussian(mean: float, seed: int = 1, samples: int = SAMPLES) -> tuple[np.ndarray, np.ndarray]:
    """The weighted inputs and one without influence; and the margin."""
    inputs = np.random.default_rng(seed).standard_normal((WEIGHTS.size + 1, samples))
    return inputs, mean + WEIGHTS @ inputs[:-1]


def exactly_saved(mean: float, weight: float) -> float:
    """What knowing a part of the margin with that standard deviation saves, a wrong call costing 1."""
    known, all_of_it = mean / weight, mean / SPREAD
    covariance = [[1, weight / SPREAD], [weight / SPREAD, 1]]
    both = multivariate_normal(cov=covariance).cdf([-known, -all_of_it])
    wrong = norm.cdf(-known) + norm.cdf(-all_of_it) - 2 * both
    return float(min(norm.cdf(all_of_it), norm.cdf(-all_of_it)) - wrong)


def far(found: Saving, exact: float, samples: int = SAMPLES) -> bool:
    """True where an estimate is off by more than three standard errors and the stated bias."""
    bias = samples ** (-2 / 3) + 1 / (2 * BINS) + (0.5 / math.sqrt(samples))
    return not exact - 3 * found.error - bias <= found.chance <= exact + 3 * found.error + 1e-4


# --- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize("mean", [0.0, 0.5, -0.5, 1.2])
def test_a_wrong_call_costs_one(mean: float) -> None:
    leverage = counted(*gaussian(mean))
    for index, weight in enumerate(WEIGHTS):
        exact = exactly_saved(mean, weight)
        assert not far(leverage.saves(index, 0), exact), (weight, leverage.saves(index, 0), exact)
    assert leverage.chance(0) == pytest.approx(norm.cdf(-abs(mean) / SPREAD), abs=0.01)


@pytest.mark.parametrize("weight", WEIGHTS)
def test_the_two_closed_forms_meet_at_an_even_chance(weight: float) -> None:
    assert exactly_saved(0.0, weight) == pytest.approx(0.5 - math.acos(weight / SPREAD) / math.pi, abs=1e-9)


@pytest.mark.parametrize("mean", [0.5, 1.2])
def test_that_check_finds_a_wrong_expectation(mean: float) -> None:
    leverage = counted(*gaussian(mean))
    assert far(leverage.saves(0, 0), exactly_saved(mean, WEIGHTS[1]))
    assert far(leverage.saves(1, 0), exactly_saved(mean, WEIGHTS[0]))


@pytest.mark.parametrize("mean", [0.0, 0.2, -0.2, 0.5])
def test_a_wrong_call_costs_what_it_is_wrong_by(mean: float) -> None:
    """The same rules and folds, with the margin itself for a score: the published closed form."""
    inputs, margin = gaussian(mean)
    for row, weight in zip(inputs, WEIGHTS, strict=False):
        bins = np.clip((row + 5) * BINS / 10, 0, BINS - 1).astype(int)
        at = bins + BINS * (np.arange(SAMPLES) % FOLDS)
        scores, counts = (
            np.bincount(at, weights=w, minlength=FOLDS * BINS).reshape(FOLDS, BINS)
            for w in (margin, np.ones(SAMPLES))
        )
        exact = weight * norm.pdf(mean / weight) - abs(mean) * norm.cdf(-abs(mean) / weight)
        # noise of a mean of up to a standard deviation of the margin, three times
        assert saving(scores, counts).chance == pytest.approx(exact, abs=3 * SPREAD / math.sqrt(SAMPLES))


@pytest.mark.parametrize("error", [0.1, 0.5, 1.0, 2.0])
def test_a_meter_with_an_error(error: float) -> None:
    """Given a reading with a normal error e, the margin's mean varies by a_1 / sqrt(1 + e^2)."""
    leverage = counted(*gaussian(0.5))
    exact = exactly_saved(0.5, WEIGHTS[0] / math.sqrt(1 + error**2))
    assert not far(leverage.saves(0, 0, accuracy=2 * error), exact)
    assert far(leverage.saves(0, 0), exactly_saved(0.5, WEIGHTS[0] / math.sqrt(1 + 4.0)))


def test_a_better_meter_saves_no_less() -> None:
    leverage = counted(*gaussian(0.5))
    saved = [leverage.saves(0, 0, accuracy).chance for accuracy in (0.0, 0.3, 1.0, 3.0, 10.0, 1000.0)]
    assert all(worse <= better + 5e-4 for better, worse in pairwise(saved))
    assert saved[-1] == 0


# --- nothing and everything -----------------------------------------------------------------------


@pytest.mark.parametrize("mean", [0.0, 0.5, 1.2])
def test_a_reading_without_influence_saves_nothing(mean: float) -> None:
    saved = [
        counted(*gaussian(mean, seed, BLOCK), samples=BLOCK).saves(WEIGHTS.size, 0).chance
        for seed in range(8)
    ]
    assert float(np.mean(saved)) < 0.001


def test_counting_on_the_samples_learnt_from_would_save_with_it() -> None:
    """The plain estimate, which this one replaces, fails the test above by far."""
    inputs, margin = gaussian(0.0, samples=BLOCK)
    order = margin[np.argsort(inputs[-1])] > 0
    held = order.reshape(-1, 16).sum(axis=1)
    plain = min(order.mean(), 1 - order.mean()) - np.minimum(held, 16 - held).sum() / BLOCK
    assert plain > 0.05


@pytest.mark.parametrize("level", [0.02, 0.1, 0.5, 0.9])
def test_a_reading_that_decides_saves_everything(level: float) -> None:
    """All but a part of the bin its bound falls into, and the samples between bounds learnt apart."""
    value = np.random.default_rng(3).random(SAMPLES)
    leverage = counted(np.array([value]), value - level)
    assert leverage.saves(0, 0).chance == pytest.approx(leverage.chance(0), abs=1 / BINS)
    assert leverage.share(0) == pytest.approx(1.0, abs=1e-3)


def test_a_reading_that_decides_by_lying_between_two_bounds() -> None:
    value = np.random.default_rng(3).random(SAMPLES)
    for sign in (1, -1):
        leverage = counted(np.array([value]), sign * (0.2 - np.abs(value - 0.4)))
        assert leverage.saves(0, 0).chance == pytest.approx(leverage.chance(0), abs=2 / BINS)


def test_a_certain_verdict_leaves_nothing_to_save() -> None:
    inputs, margin = gaussian(0.0)
    for shift in (100.0, -100.0):
        leverage = counted(inputs, margin + shift)
        assert leverage.chance(0) == 0
        assert leverage.saves(0, 0) == Saving(0.0, 0.0)


def test_a_reading_that_does_not_vary_saves_nothing() -> None:
    inputs, margin = gaussian(0.5)
    leverage = counted(np.array([np.full(SAMPLES, 7.0), inputs[0]]), margin)
    assert leverage.saves(0, 0) == Saving(0.0, 0.0)
    assert leverage.share(0) == 0


def test_readings_that_are_not_there_count_at_the_end() -> None:
    """A knee that exists in some samples only is above every other where it does not."""
    value = np.random.default_rng(3).random(SAMPLES)
    leverage = counted(np.array([np.where(value > 0.9, np.inf, value)]), value - 0.5)
    assert leverage.saves(0, 0).chance == pytest.approx(leverage.chance(0), abs=1 / BINS)


def test_readings_that_are_no_number_count_somewhere() -> None:
    """A reading may exist in some samples only; the others must neither end the check nor be lost."""
    value = np.random.default_rng(3).random(SAMPLES)
    leverage = counted(np.array([np.where(value > 0.9, np.nan, value)]), value - 0.5)
    assert int(leverage._tallied[0].counts.sum()) == SAMPLES
    assert 0 < leverage.saves(0, 0).chance <= leverage.chance(0)


# --- rules ----------------------------------------------------------------------------------------


def best_by_trying(scores: np.ndarray) -> float:
    stretches = [(a, b) for a in range(scores.size + 1) for b in range(a, scores.size + 1)]
    inside = [float(scores[a:b].sum()) for a, b in stretches]
    return max(*inside, *(float(scores.sum()) - part for part in inside))


@pytest.mark.parametrize("seed", range(40))
def test_the_best_rule_of_all(seed: int) -> None:
    generator = np.random.default_rng(seed)
    scores = generator.integers(-5, 6, generator.integers(1, 14)).astype(float)
    calls = learnt(scores)
    assert float(scores[calls].sum()) == best_by_trying(scores)
    assert np.count_nonzero(np.diff(calls.astype(int))) <= 2


def test_a_rule_that_is_not_the_best_is_seen() -> None:
    scores = np.array([-1.0, 3.0, -1.0, 2.0])
    assert float(scores[scores > 2].sum()) != best_by_trying(scores)


def test_an_error_spreads_counts_and_keeps_them() -> None:
    counts = np.zeros((2, BINS))
    counts[0, 100], counts[1, 400] = 8.0, 5.0
    for error in (1.0, 3.0, 20.0):
        wide = smeared(counts, error)
        reach = (wide.shape[1] - BINS) // 2
        at = np.arange(wide.shape[1]) - reach
        for row, where in zip(wide, (100, 400), strict=True):
            mean = float((row * at).sum() / row.sum())
            assert mean == pytest.approx(where, abs=1e-9)
            # Sheppard's correction: bins of width 1 add a twelfth; four standard deviations are kept
            spread = float((row * (at - mean) ** 2).sum() / row.sum())
            assert spread == pytest.approx(error**2 + 1 / 12, rel=5e-3)
        assert wide.sum(axis=1) == pytest.approx(counts.sum(axis=1))
    assert smeared(counts, 0.1) is counts


@pytest.mark.parametrize("error", [0.4, 7.0, 300.0])
def test_nothing_comes_of_nothing(error: float) -> None:
    """No count is below zero, and bins out of reach stay empty."""
    counts = np.zeros((1, BINS))
    counts[0, 200] = 1e6
    wide = smeared(counts, error)
    reach = math.ceil(4 * error)
    assert (wide >= 0).all()
    assert not wide[0, :200].any()
    assert not wide[0, 200 + 2 * reach + 1 :].any()


# --- shares of the variance, and blocks -----------------------------------------------------------


def test_first_order_shares() -> None:
    leverage = counted(*gaussian(0.5))
    found = [leverage.share(index) for index in range(WEIGHTS.size + 1)]
    # noise of a share, three times: about 2 sqrt(S (1 - S) / samples), no less than that of the bins
    assert found == pytest.approx([*(WEIGHTS / SPREAD) ** 2, 0.0], abs=0.02)


def test_an_infinite_ceiling_has_no_shares() -> None:
    inputs, margin = gaussian(0.5)
    with np.errstate(invalid="ignore"):
        leverage = counted(inputs, np.where(margin > 1, np.inf, margin))
    assert leverage.share(0) == 0
    assert leverage.saves(0, 0).chance == counted(inputs, margin).saves(0, 0).chance


def test_memory_does_not_grow() -> None:
    def size(samples: int) -> int:
        leverage = counted(*gaussian(0.5, samples=samples), samples=samples)
        return sum(t.counts.nbytes + t.held.nbytes + t.sums.nbytes for t in leverage._tallied)

    assert size(2 * BLOCK) == size(8 * BLOCK)


def test_demands_are_counted_apart() -> None:
    inputs, margin = gaussian(0.0)
    both = Leverage((), (1.0,) * len(inputs), 0, 2)
    both.add(list(inputs), margin, [0.0, 0.8], SAMPLES)
    alone = Leverage((), (1.0,) * len(inputs), 0, 1)
    alone.add(list(inputs), margin, [0.8], SAMPLES)
    assert both.chance(1) == alone.chance(0) != both.chance(0)
    assert both.saves(0, 1) == alone.saves(0, 0) != both.saves(0, 0)
