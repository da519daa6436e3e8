"""Shares of a variance against published exact values, and quantiles of the spreads against scipy's.

Ishigami function with a = 7, b = 0.1 (Ishigami and Homma 1990) and Sobol' g-function (Saltelli et al.
2010): exact indices from their closed forms, from memory; the printed figures are those found everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from scipy.stats import kstest, sobol_indices, truncnorm, uniform

from flyback.analysis import tolerance
from flyback.board.model import Origin, Shape, Value
from flyback.errors import NumericalError, RequestError
from flyback.studies.sensitivity import Shares, quantile, sobol_shares

POINTS = 8192
CLOSE = 0.01
"""Noise of an index at 8192 points is a few thousandths."""

ISHIGAMI = {"a": (0.3139, 0.5576), "b": (0.4424, 0.4424), "c": (0.0, 0.2437)}


def value(key: str, low: float, high: float, shape: Shape = Shape.RECTANGULAR, **others: object) -> Value:
    nominal = others.pop("nominal", (low + high) / 2)
    cause = others.pop("cause", key)
    return Value(key, nominal, low, high, "ratio", shape, Origin.MARKED, "", cause)  # type: ignore[arg-type]


def ishigami(numbers: Mapping[str, np.ndarray]) -> np.ndarray:
    a, b, c = (numbers[key] for key in "abc")
    return np.sin(a) + 7 * np.sin(b) ** 2 + 0.1 * c**4 * np.sin(a)


def ishigami_values() -> dict[str, Value]:
    return {key: value(key, -np.pi, np.pi) for key in "abc"}


def faults(found: Mapping[str, Shares], exact: Mapping[str, tuple[float, float]]) -> list[str]:
    """Indices that are not close to their exact values."""
    return [
        f"{cause}: {found[cause]} for {first}, {total}"
        for cause, (first, total) in exact.items()
        if abs(found[cause].first - first) > CLOSE or abs(found[cause].total - total) > CLOSE
    ]


def g_function_exactly(sizes: list[float]) -> dict[str, tuple[float, float]]:
    parts = [1 / (3 * (1 + a) ** 2) for a in sizes]
    all_of_it = np.prod([1 + part for part in parts]) - 1
    return {
        f"x{i}": (
            float(part / all_of_it),
            float(part * np.prod([1 + other for j, other in enumerate(parts) if j != i]) / all_of_it),
        )
        for i, part in enumerate(parts)
    }


def test_ishigami() -> None:
    assert faults(sobol_shares(ishigami_values(), ishigami, points=POINTS), ISHIGAMI) == []


def test_ishigami_closed_form_is_what_is_printed() -> None:
    a, b, pi = 7.0, 0.1, np.pi
    parts = 0.5 * (1 + b * pi**4 / 5) ** 2, a**2 / 8, b**2 * pi**8 * 8 / 225
    exact = (parts[0], parts[0] + parts[2]), (parts[1], parts[1]), (0.0, parts[2])
    for printed, closed in zip(ISHIGAMI.values(), exact, strict=True):
        assert printed == pytest.approx([part / sum(parts) for part in closed], abs=5e-5)


@pytest.mark.parametrize("sizes", [[0.0, 1.0, 4.5, 9.0], [0.0, 0.5, 3.0, 9.0, 99.0, 99.0]])
def test_g_function(sizes: list[float]) -> None:
    values = {f"x{i}": value(f"x{i}", 0.0, 1.0) for i in range(len(sizes))}

    def g(numbers: Mapping[str, np.ndarray]) -> np.ndarray:
        return np.prod(
            [(np.abs(4 * numbers[f"x{i}"] - 2) + a) / (1 + a) for i, a in enumerate(sizes)], axis=0
        )

    found = sobol_shares(values, g, points=POINTS)
    assert faults(found, g_function_exactly(sizes)) == []
    assert faults(found, g_function_exactly(sizes[::-1])) != []


def test_wrong_expectations_are_found() -> None:
    found = sobol_shares(ishigami_values(), ishigami, points=POINTS)
    assert len(faults(found, {"a": (0.34, 0.56), "b": (0.4424, 0.4424), "c": (0.0, 0.27)})) == 2


def test_scipy_directly() -> None:
    """The same points through scipy's own distributions, instead of ours through quantiles."""
    direct = sobol_indices(
        func=lambda x: ishigami(dict(zip("abc", x, strict=True))),
        n=1024,
        dists=[uniform(-np.pi, 2 * np.pi)] * 3,
        random_state=np.random.default_rng(tolerance.SEED),
    )
    found = sobol_shares(ishigami_values(), ishigami, points=1024)
    assert [shares.first for shares in found.values()] == pytest.approx(direct.first_order, abs=1e-9)
    assert [shares.total for shares in found.values()] == pytest.approx(direct.total_order, abs=1e-9)


def test_a_shared_cause_is_one_column() -> None:
    values = {
        "p": value("p", 0.0, 1.0, cause="reel"),
        "q": value("q", 0.0, 2.0, cause="reel"),
        "r": value("r", 0.0, 3.0),
        "exact": value("exact", 5.0, 5.0),
    }
    found = sobol_shares(values, lambda n: np.asarray(n["p"] + n["q"] + n["r"]), points=1024)
    # both of the reel move together, over 3 in all, as far as r does alone
    assert set(found) == {"reel", "r"}
    assert [found[cause].first for cause in ("reel", "r")] == pytest.approx([0.5, 0.5], abs=CLOSE)


def test_one_cause_none_and_no_variation() -> None:
    alone = {"a": value("a", 0.0, 1.0)}
    assert sobol_shares(alone, lambda n: np.asarray(n["a"])) == {"a": Shares(1.0, 1.0)}
    assert sobol_shares(alone, lambda n: np.asarray(3.0)) == {"a": Shares(0.0, 0.0)}
    assert sobol_shares({"e": value("e", 1.0, 1.0)}, lambda n: np.asarray(n["e"])) == {}
    two = {**alone, "b": value("b", 0.0, 1.0)}
    assert sobol_shares(two, lambda n: np.asarray(3.0)) == dict.fromkeys("ab", Shares(0.0, 0.0))


def test_equal_runs_give_equal_shares() -> None:
    first, second = (sobol_shares(ishigami_values(), ishigami) for _ in range(2))
    assert first == second != sobol_shares(ishigami_values(), ishigami, seed=1)


def test_a_quantity_without_end_is_refused() -> None:
    two = {key: value(key, 0.0, 1.0) for key in "ab"}
    with pytest.raises(NumericalError, match="not finite"):
        sobol_shares(two, lambda n: np.where(np.asarray(n["a"]) > 0.9, np.inf, n["b"]))


@pytest.mark.parametrize("points", [0, 1, 3, 1000])
def test_points_that_are_no_power_of_two_are_refused(points: int) -> None:
    with pytest.raises(RequestError, match="not a power of two"):
        sobol_shares(ishigami_values(), ishigami, points=points)


# --- quantiles ------------------------------------------------------------------------------------

SPREADS = {
    "rectangular": value("v", 2.0, 6.0),
    "two-piece": value("v", 2.0, 6.0, Shape.TWO_PIECE, nominal=3.0),
    "normal": value("v", 2.0, 6.0, Shape.NORMAL),
    "skew normal": value("v", 2.0, 6.0, Shape.NORMAL, nominal=3.0),
}


@pytest.mark.parametrize("name", SPREADS)
def test_quantiles_are_those_of_the_draws(name: str) -> None:
    """Ranks of drawn samples among the quantiles are even: Kolmogorov and Smirnov find nothing."""
    spread = SPREADS[name]
    drawn = tolerance.draw(spread, 4096, block=0)
    u = np.linspace(0, 1, 20001)
    ranks = np.interp(drawn, quantile(spread, u), u)
    assert kstest(ranks, "uniform").pvalue > 0.01


def test_that_check_finds_another_distribution() -> None:
    drawn = tolerance.draw(SPREADS["normal"], 4096, block=0)
    u = np.linspace(0, 1, 20001)
    for other in ("rectangular", "two-piece", "skew normal"):
        assert kstest(np.interp(drawn, quantile(SPREADS[other], u), u), "uniform").pvalue < 1e-6


def test_the_cut_normal_is_scipy_s() -> None:
    u = np.array([0.0, 0.01, 0.2, 0.5, 0.7, 0.99, 1.0])
    assert quantile(SPREADS["normal"], u) == pytest.approx(truncnorm(-2, 2, loc=4, scale=1).ppf(u))


@pytest.mark.parametrize("name", SPREADS)
def test_quantiles_reach_from_limit_to_limit(name: str) -> None:
    spread = SPREADS[name]
    low, middle, high = quantile(spread, np.array([0.0, 0.5, 1.0]))
    assert (low, high) == pytest.approx((spread.low, spread.high))
    assert middle == pytest.approx(spread.nominal)
    assert np.all(np.diff(quantile(spread, np.linspace(0, 1, 101))) > 0)
