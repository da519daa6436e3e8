"""Draws, histograms, intervals and corners, against exact distributions and brute force."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from boards import Changes, board
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import brentq

from flyback.analysis.tolerance import (
    BINS_PER_UNIT,
    BLOCK,
    Array,
    Share,
    Tally,
    blocks,
    corners,
    draw,
    wilson,
)
from flyback.analysis.trace import trace
from flyback.board.model import Origin, Shape, Value
from flyback.errors import NumericalError

SIZE = 200_000


def value(
    low: float, nominal: float, high: float, shape: Shape = Shape.RECTANGULAR, key: str = "X1.value"
) -> Value:
    return Value(key, nominal, low, high, "voltage", shape, Origin.DATASHEET, "", cause=key)


# The shapes of a spread


def halves(low: float, nominal: float, high: float) -> Callable[[Array], Array]:
    """Distribution with half its weight, evenly spread, on each side of the typical value."""

    def below(x: Array) -> Array:
        left = 0.5 * (x - low) / (nominal - low)
        right = 0.5 + 0.5 * (x - nominal) / (high - nominal)
        return np.clip(np.where(x < nominal, left, right), 0.0, 1.0)

    return below


def cut_normal(low: float, nominal: float, high: float) -> Callable[[Array], Array]:
    """Two normal halves whose limits are two standard deviations away, and cut there."""

    def below(x: Array) -> Array:
        scale = np.where(x < nominal, nominal - low, high - nominal) / 2
        return np.asarray(stats.truncnorm.cdf((x - nominal) / scale, -2, 2))

    return below


SHAPES = pytest.mark.parametrize(
    ("spread", "exact"),
    [
        (value(0.9, 1.0, 1.1), stats.uniform(0.9, 0.2).cdf),
        (value(2.0, 2.0, 3.0), stats.uniform(2.0, 1.0).cdf),
        (value(0.52, 0.65, 0.68, Shape.TWO_PIECE), halves(0.52, 0.65, 0.68)),
        (value(100.0, 200.0, 300.0, Shape.TWO_PIECE), halves(100.0, 200.0, 300.0)),
        (value(4.9, 5.0, 5.1, Shape.NORMAL), cut_normal(4.9, 5.0, 5.1)),
        (value(4.9, 5.0, 5.3, Shape.NORMAL), cut_normal(4.9, 5.0, 5.3)),
    ],
    ids=["rectangular", "one-sided", "two-piece", "even two-piece", "normal", "uneven normal"],
)
MIXED = pytest.mark.parametrize("mixed", [False, True])


@MIXED
@SHAPES
def test_limits_hold(spread: Value, exact: Callable[[Array], Array], mixed: bool) -> None:
    drawn = draw(spread, SIZE, block=0, mixed=mixed)
    assert drawn.shape == (SIZE,)
    assert spread.low <= drawn.min() < drawn.max() <= spread.high
    width = spread.high - spread.low
    assert drawn.min() - spread.low < 1e-3 * width
    assert spread.high - drawn.max() < 1e-3 * width


@MIXED
@SHAPES
def test_shape(spread: Value, exact: Callable[[Array], Array], mixed: bool) -> None:
    """Kolmogorov-Smirnov against the exact distribution; the seed is fixed, so the outcome is too."""
    assert stats.kstest(draw(spread, SIZE, block=0, mixed=mixed), exact).pvalue > 1e-3


@MIXED
@SHAPES
def test_moments(spread: Value, exact: Callable[[Array], Array], mixed: bool) -> None:
    """Mean and variance from the exact distribution by integration, within four standard errors."""
    low, high = spread.low, spread.high
    mean = high - quad(exact, low, high, points=[spread.nominal])[0]
    square = high**2 - quad(lambda x: 2 * x * exact(x), low, high, points=[spread.nominal])[0]
    sigma = math.sqrt(square - mean**2)
    drawn = draw(spread, SIZE, block=1, mixed=mixed)
    assert abs(drawn.mean() - mean) < 4 * sigma / math.sqrt(SIZE)
    # the variance of a variance is at most that of a two-point distribution of this width
    assert abs(drawn.var() - sigma**2) < 4 * (high - low) ** 2 / 4 / math.sqrt(SIZE)


@pytest.mark.parametrize("shape", [Shape.TWO_PIECE, Shape.NORMAL])
def test_half_the_weight_lies_on_each_side_of_typical(shape: Shape) -> None:
    """A half counted in N tries has a standard error of 1/(2 sqrt N)."""
    drawn = draw(value(0.52, 0.65, 0.68, shape), SIZE, block=0)
    assert abs((drawn < 0.65).mean() - 0.5) < 4 * 0.5 / math.sqrt(SIZE)


def test_normal_moments_in_closed_form() -> None:
    """σ is a quarter of the width; cut at 2 σ its variance shrinks to 1 - 4 φ(2)/(2 Φ(2) - 1) = 0.7737."""
    shrunk = 1 - 4 * stats.norm.pdf(2) / (2 * stats.norm.cdf(2) - 1)
    assert shrunk == pytest.approx(0.7737, abs=5e-5)
    drawn = draw(value(4.9, 5.0, 5.1, Shape.NORMAL), SIZE, block=0)
    assert drawn.std() == pytest.approx(0.05 * math.sqrt(shrunk), rel=0.01)


# One draw for one cause


def test_one_cause_is_one_draw() -> None:
    first = value(0.9, 1.0, 1.1, key="R1.resistance")
    second = replace(value(1.8, 2.0, 2.2, key="R2.resistance"), cause="R1.resistance")
    drawn = [draw(spread, 1000, block=0) for spread in (first, second)]
    assert 2 * drawn[0] == pytest.approx(drawn[1], rel=1e-12)


def test_one_cause_is_one_share_whatever_the_shapes() -> None:
    """How far up each lies in its exact distribution, at its ends and nominal value above all."""
    shapes = {
        Shape.RECTANGULAR: stats.uniform(0.52, 0.16).cdf,
        Shape.TWO_PIECE: halves(0.52, 0.65, 0.68),
        Shape.NORMAL: cut_normal(0.52, 0.65, 0.68),
    }
    values = {
        str(shape): replace(value(0.52, 0.65, 0.68, shape, key=str(shape)), cause="one") for shape in shapes
    }
    ((_, numbers),) = blocks(values, 5000)
    shares = [exact(np.asarray(numbers[str(shape)])) for shape, exact in shapes.items()]
    assert shares[1] == pytest.approx(shares[0], abs=1e-9)
    assert shares[2] == pytest.approx(shares[0], abs=1e-6)


def test_only_a_cause_of_several_shapes_changes_how_a_normal_spread_is_drawn() -> None:
    normal = value(4.9, 5.0, 5.1, Shape.NORMAL, key="a")
    for other in ("b", "a"):
        spreads = {"a": normal, "b": replace(value(0.9, 1.0, 1.1, key="b"), cause=other)}
        ((_, numbers),) = blocks(spreads, 500)
        alone = np.array_equal(numbers["a"], draw(normal, 500, block=0))
        assert alone == (other == "b")


def test_a_measured_part_moves_with_a_marked_one_off_its_reel() -> None:
    measured = {"marking": None, "tolerance": None, "value": "2.41 ohm ±0.5 %", "origin": "measured"}
    ((_, numbers),) = sampled(500, R3=measured, R4={"same_reel_as": "R3"})
    R_3, R_4 = (np.asarray(numbers[f"{name}.resistance"]) for name in ("R3", "R4"))
    assert np.array_equal(np.argsort(R_3), np.argsort(R_4))


@pytest.mark.parametrize("other", [{"key": "X2.value"}, {"block": 1}, {"seed": 1}])
def test_other_causes_blocks_and_seeds_are_independent(other: dict[str, int | str]) -> None:
    """The correlation of N independent pairs has a standard error of 1/sqrt(N)."""
    key = str(other.get("key", "X1.value"))
    block, seed = int(other.get("block", 0)), int(other.get("seed", 20240229))
    drawn = draw(value(0.9, 1.0, 1.1), SIZE, block=0)
    apart = draw(value(0.9, 1.0, 1.1, key=key), SIZE, block=block, seed=seed)
    assert abs(np.corrcoef(drawn, apart)[0, 1]) < 4 / math.sqrt(SIZE)


def test_repeated_exactly() -> None:
    spread = value(4.9, 5.0, 5.1, Shape.NORMAL)
    assert np.array_equal(draw(spread, 999, block=7), draw(spread, 999, block=7))


def sampled(samples: int, **changes: Changes) -> list[tuple[int, Mapping[str, Array | float]]]:
    return list(blocks(trace(board(**changes)).values, samples))


def test_a_changed_board_keeps_the_draws_of_the_parts_it_kept() -> None:
    ((_, before),) = sampled(500)
    ((_, after),) = sampled(
        500,
        R4={"marking": "1R2"},
        C2={"role": "bulk capacitor", "value": "10 uF ±20 %", "origin": "marked"},
        D6={"role": "indicator LED"},
    )
    kept = [key for key in before if key in after and key != "R4.resistance"]
    assert len([key for key in kept if isinstance(before[key], np.ndarray)]) >= 6
    for key in kept:
        assert np.array_equal(before[key], after[key]), key
    assert np.asarray(before["R4.resistance"]) / 2 == pytest.approx(np.asarray(after["R4.resistance"]))


def test_parts_off_one_reel_move_together() -> None:
    ((_, numbers),) = sampled(500, R4={"same_reel_as": "R3"})
    assert np.array_equal(numbers["R3.resistance"], numbers["R4.resistance"])


def test_threshold_and_overload_move_together() -> None:
    ((_, numbers),) = sampled(500, U1={"overload_voltage": "0.70 V ±6 %"})
    limit, overload = (np.asarray(numbers[f"U1.{key}"]) for key in ("limit_voltage", "overload_voltage"))
    assert overload / limit == pytest.approx(0.70 / 0.80)


def test_blocks_cover_the_samples() -> None:
    found = sampled(2 * BLOCK + 5)
    assert [size for size, _ in found] == [BLOCK, BLOCK, 5]
    for size, numbers in found:
        assert {np.size(number) for number in numbers.values()} == {1, size}
        assert numbers["T1.primary_turns"] == 120


def test_a_block_does_not_depend_on_those_before_it() -> None:
    spreads = {key: found for key, found in trace(board()).values.items() if found.spread}
    forwards = sampled(3 * BLOCK)
    for key, spread in reversed(spreads.items()):
        for block in (2, 0, 1):
            assert np.array_equal(draw(spread, BLOCK, block=block), forwards[block][1][key])


# Histograms


def product_quantile(share: float) -> float:
    """Quantile of the product of two values, each rectangular between 0.9 and 1.1."""

    def below(z: float) -> float:
        def inner(x: float) -> float:
            return min(max((z / x - 0.9) / 0.2, 0.0), 1.0)

        kinks = [min(max(z / 1.1, 0.9), 1.1), min(z / 0.9, 1.1)]
        return float(quad(inner, 0.9, 1.1, points=kinks)[0] / 0.2)

    return float(brentq(lambda z: below(z) - share, 0.8101, 1.2099))


EVENLY = 0.9 + 0.2 * (np.arange(1000) + 0.5) / 1000
PRODUCTS = np.multiply.outer(EVENLY, EVENLY).ravel()
"""The same product on an even grid, in place of chance."""


@pytest.mark.parametrize("coverage", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("nominal", [1.0, 12.6, 0.004])
def test_band_of_a_product(coverage: float, nominal: float) -> None:
    """Within one bin, 1/1024 of the nominal value."""
    tally = Tally(nominal)
    for part in np.array_split(PRODUCTS * nominal, 7):
        tally.add(part, part.size)
    for found, share in zip(tally.band(coverage), ((1 - coverage) / 2, (1 + coverage) / 2), strict=True):
        assert found == pytest.approx(product_quantile(share) * nominal, abs=nominal / BINS_PER_UNIT)


def test_band_of_samples() -> None:
    """Drawn at random: standard error of a quantile, sqrt(p (1 - p)/N) over the density there."""
    first, second = (draw(value(0.9, 1.0, 1.1, key=key), SIZE, block=0) for key in ("a", "b"))
    tally = Tally(1.0)
    tally.add(first * second, SIZE)
    for found, share in zip(tally.band(0.95), (0.025, 0.975), strict=True):
        step = 1e-3
        density = 2 * step / (product_quantile(share + step) - product_quantile(share - step))
        error = math.sqrt(share * (1 - share) / SIZE) / density
        assert found == pytest.approx(product_quantile(share), abs=4 * error + 1 / BINS_PER_UNIT)


def test_a_single_value_is_its_own_band() -> None:
    tally = Tally(3.0)
    tally.add(2.71828, 100)
    assert tally.band() == (2.71828, 2.71828)
    assert (tally.least, tally.most) == (2.71828, 2.71828)


def test_extremes_are_exact_and_bound_the_band() -> None:
    tally = Tally(1.0)
    tally.add(np.array([0.12345, 1.0, 20.0]), 3)
    assert (tally.least, tally.most) == (0.12345, 20.0)
    low, high = tally.band(0.99)
    assert 0.12345 <= low <= high <= 20.0


def test_absent_values_are_counted_apart() -> None:
    tally = Tally(1.0)
    tally.add(np.concatenate([np.full(960, 1.0), np.full(40, np.inf)]), 1000)
    assert tally.absent == 40
    assert tally.counts.sum() == 960
    assert tally.most == 1.0
    low, high = tally.band(0.95)
    assert low == pytest.approx(1.0, abs=1 / BINS_PER_UNIT)
    assert math.isinf(high), "more than 2.5 % have no limit"
    low, high = tally.band(0.9)
    assert math.isfinite(high), "fewer than 5 % have none"


def test_a_limit_that_is_never_there() -> None:
    tally = Tally(1.0)
    tally.add(np.inf, 100)
    assert (tally.absent, tally.band()) == (100, (math.inf, math.inf))


def test_not_a_number_is_an_error() -> None:
    tally = Tally(1.0)
    with pytest.raises(NumericalError):
        tally.add(np.array([1.0, np.nan, 1.1]), 3)


def test_memory_does_not_grow_with_the_samples() -> None:
    small, large = Tally(1.0), Tally(1.0)
    small.add(PRODUCTS[:10], 10)
    for _ in range(3):
        large.add(PRODUCTS, PRODUCTS.size)
    assert large.counts.nbytes == small.counts.nbytes < 100_000
    assert large.counts.sum() == 3 * PRODUCTS.size


# Probabilities


@pytest.mark.parametrize(
    ("count", "samples"),
    [(0, 10), (1, 10), (5, 10), (9, 10), (10, 10), (3, 1000), (330, 1000), (16380, 16384), (16384, 16384)],
)
def test_wilson_interval(count: int, samples: int) -> None:
    """scipy's interval at 95 %; ours takes z = 1.959964, so it agrees to six digits."""
    expected = stats.binomtest(count, samples).proportion_ci(confidence_level=0.95, method="wilson")
    assert wilson(count, samples) == pytest.approx((expected.low, expected.high), rel=1e-6, abs=1e-12)
    share = Share(count, samples)
    assert share.value == count / samples
    assert share.interval == wilson(count, samples)
    assert share.interval[0] <= share.value <= share.interval[1]


# Corners


Numbers = Mapping[str, "Array | float"]


def brute(spreads: Mapping[str, Value], measure: Callable[[Numbers], Array | float]) -> tuple[float, float]:
    """Smallest and largest over all 2^k corners."""
    keys = list(spreads)
    ends = product(*((spreads[key].low, spreads[key].high) for key in keys))
    found = [float(measure(dict(zip(keys, corner, strict=True)))) for corner in ends]
    return min(found), max(found)


def spread_of(limits: Mapping[str, tuple[float, float]]) -> dict[str, Value]:
    return {key: value(low, (low + high) / 2, high, key=key) for key, (low, high) in limits.items()}


FIVE = {"a": (0.8, 1.2), "b": (0.9, 1.1), "c": (2.0, 3.0), "d": (0.5, 0.7), "e": (9.0, 11.0)}


@pytest.mark.parametrize(
    "measure",
    [
        lambda x: x["a"] * x["b"] ** 2 / x["c"],
        lambda x: x["a"] + x["b"] - x["c"] + x["d"] * x["e"],
        lambda x: np.minimum(x["a"] * x["c"], x["d"] * x["e"] / 2) - x["b"],
        lambda x: x["a"] / (x["b"] + x["c"]) + np.sqrt(x["e"] / x["d"]),
    ],
)
def test_corners_of_a_monotone_function(measure: Callable[[Numbers], Array | float]) -> None:
    spreads = spread_of(FIVE)
    assert corners(spreads, lambda x: [measure(x)])[0] == pytest.approx(brute(spreads, measure))


@pytest.mark.parametrize(
    "measure",
    [
        lambda x: (x["a"] - 1) * (x["b"] - 1),  # a saddle: neither shows a sign on its own
        lambda x: (x["a"] - 1) * (x["c"] - 2.5) + 0.1 * x["e"],
        lambda x: (x["a"] - 1) * (x["b"] - 1) + (x["c"] - 2.5) * (x["d"] - 0.6),  # two saddles
        lambda x: (x["a"] - x["d"]) ** 2 + x["b"],
        lambda x: np.abs(x["e"] - 9.7) * x["c"] - x["a"] * x["d"],
    ],
)
def test_corners_of_a_function_that_is_not_monotone(measure: Callable[[Numbers], Array | float]) -> None:
    spreads = spread_of(FIVE)
    assert corners(spreads, lambda x: [measure(x)])[0] == pytest.approx(brute(spreads, measure))


@given(
    weights=st.lists(st.floats(-2, 2), min_size=5, max_size=5),
    pair=st.floats(-0.2, 0.2),
)
def test_corners_are_real_corners(weights: list[float], pair: float) -> None:
    """Never beyond brute force; equal to it where each value pulls one way whatever the others do."""

    def measure(x: Numbers) -> Array | float:
        total = sum(weight * x[key] for weight, key in zip(weights, FIVE, strict=True))
        return total + pair * x["a"] * x["b"]

    spreads = spread_of(FIVE)
    low, high = corners(spreads, lambda x: [measure(x)])[0]
    least, most = brute(spreads, measure)
    assert least - 1e-9 <= low <= high <= most + 1e-9
    if abs(weights[0]) > 0.3 and abs(weights[1]) > 0.3:
        assert (low, high) == pytest.approx((least, most), abs=1e-9)


def test_several_quantities_are_searched_at_once() -> None:
    spreads = spread_of(FIVE)
    (first, second) = corners(spreads, lambda x: [x["a"] * x["b"], x["a"] / x["b"]])
    assert first == pytest.approx((0.72, 1.32))  # 0.8 · 0.9 and 1.2 · 1.1
    assert second == pytest.approx((0.8 / 1.1, 1.2 / 0.9))


def test_one_cause_moves_as_one() -> None:
    """Off one reel both are high or both low: a difference cannot open up."""
    spreads = spread_of({"a": (0.9, 1.1), "b": (0.9, 1.1)})
    joined = {**spreads, "b": replace(spreads["b"], cause="a")}
    assert corners(spreads, lambda x: [x["a"] - x["b"]])[0] == pytest.approx((-0.2, 0.2))
    assert corners(joined, lambda x: [x["a"] - x["b"]])[0] == pytest.approx((0.0, 0.0))


def test_without_spread_there_is_one_corner() -> None:
    exact = {"a": value(2.0, 2.0, 2.0, Shape.EXACT, key="a")}
    assert corners(exact, lambda x: [x["a"] * 3]) == [(6.0, 6.0)]


def test_a_quantity_may_be_constant_or_infinite() -> None:
    spreads = spread_of(FIVE)
    (constant, absent) = corners(spreads, lambda x: [4.0, np.inf])
    assert constant == (4.0, 4.0)
    assert absent == (math.inf, math.inf)
