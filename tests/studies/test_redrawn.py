"""Samples of a study against double loops (one value held, all others drawn anew) and a Gaussian case."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from boards import DEMOS, demo

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import starting_points
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.leverage import Leverage
from flyback.analysis.trace import trace
from flyback.studies.redrawn import Drawn, Sets, Study, middle, narrowing, spreads

LOW = Line(90.0, 50.0)
SAMPLES = 16384

UNCERTAIN = {"hall_charger": 1.0, "bedside_charger": 2.2}
"""Demo boards and amps at 90 V of which some samples bring more and some less."""


@cache
def study(name: str, amps: float) -> Study:
    circuit = trace(demo(name))
    case = Case(circuit, DEMOS[name], (Demand(f"{amps} A", DEMOS[name], current=amps),))
    return Study.of(case, [LOW, Line(230.0, 50.0)])


@cache
def drawn(name: str) -> Drawn:
    one = study(name, UNCERTAIN[name])
    return one.drawn(spreads(one.case.circuit, SAMPLES, tolerance.SEED), tolerance.SEED)


def number(found: Drawn, name: str) -> int:
    return [knowable.name for knowable in found.leverage.knowables].index(name)


@np.errstate(all="ignore")
def double_loop(name: str, key: str, nodes: int = 48, inner: int = 2048) -> tuple[float, float]:
    """What knowing a value exactly saves, and narrows, by holding it at the middles of equal parts."""
    case = study(name, UNCERTAIN[name]).case
    value = case.circuit.values[key]
    supply = case.circuit.supply({k: v.nominal for k, v in case.circuit.values.items()})
    start = starting_points(supply, LOW, case.ladder(supply, LOW))
    wrong, width, every, holds = 0.0, 0.0, [], []
    for node in range(nodes):
        at = value.low + (node + 0.5) / nodes * (value.high - value.low)
        held = {**case.circuit.values, key: replace(value, nominal=at, low=at, high=at)}
        _, numbers = next(tolerance.blocks(held, inner, seed=node))
        supply = case.circuit.supply(numbers)
        ceiling = np.broadcast_to(lowest(case.ladder(supply, LOW, start)), (inner,))
        hold = ceiling >= case.needed(case.rail(supply))[0]
        share = float(hold.mean())
        wrong += min(share, 1 - share) / nodes
        width += float(np.ptp(middle(ceiling))) / nodes
        every.append(ceiling)
        holds.append(share)
    p = float(np.mean(holds))
    return min(p, 1 - p) - wrong, 1 - width / float(np.ptp(middle(np.concatenate(every))))


@pytest.mark.parametrize(
    ("name", "key", "reading"),
    [
        ("hall_charger", "U1.limit_voltage", "U1 limit voltage"),
        ("hall_charger", "C1.capacitance", "C1 capacitance"),
        ("bedside_charger", "U1.limit_voltage", "U1 limit voltage"),
        ("bedside_charger", "T1.primary_inductance", "T1 primary inductance"),
        ("bedside_charger", "U1.frequency", "U1 frequency"),
    ],
)
def test_a_double_loop_finds_the_same(name: str, key: str, reading: str) -> None:
    found = drawn(name)
    index = number(found, reading)
    saved, narrower = double_loop(name, key)
    known = found.leverage.saves(index, 0)
    # three standard errors of ours, and as much again for the loop and for what ours errs low by
    assert known.chance == pytest.approx(saved, abs=6 * max(known.error, 0.001))
    assert narrowing(found.read[index], found.ceiling) == pytest.approx(narrower, abs=0.02)


def test_the_double_loop_would_notice_another_value() -> None:
    found = drawn("bedside_charger")
    saved, narrower = double_loop("bedside_charger", "U1.limit_voltage")
    other = number(found, "U1 frequency")
    assert abs(found.leverage.saves(other, 0).chance - saved) > 6 * 0.004
    assert abs(narrowing(found.read[other], found.ceiling) - narrower) > 0.1


def test_first_order_shares_are_sobol_s() -> None:
    """Two estimates that share nothing but the ladder; noise of each is about 0.01."""
    for name in UNCERTAIN:
        found, one = drawn(name), study(name, UNCERTAIN[name])
        shares = one.shares(2048, tolerance.SEED)
        for index, knowable in enumerate(found.leverage.knowables):
            if knowable.source in shares:
                first = shares[knowable.source].first
                assert found.leverage.share(index) == pytest.approx(first, abs=0.03), knowable.name


def test_shares_of_a_nearly_linear_ceiling_add_up() -> None:
    shares = study("bedside_charger", 2.2).shares(1024, tolerance.SEED)
    assert sum(share.first for share in shares.values()) == pytest.approx(1.0, abs=0.03)
    assert sum(share.total for share in shares.values()) == pytest.approx(1.0, abs=0.03)


# --- narrowing ------------------------------------------------------------------------------------


@pytest.mark.parametrize("correlation", [0.3, 0.6, 0.9])
def test_a_gaussian_band_narrows_as_it_must(correlation: float) -> None:
    """Given one of two jointly normal numbers the other's spread is sqrt(1 - r^2) of what it was."""
    x, y = np.random.default_rng(2).standard_normal((2, 65536))
    other = correlation * x + math.sqrt(1 - correlation**2) * y
    assert narrowing(x, other) == pytest.approx(1 - math.sqrt(1 - correlation**2), abs=0.01)


def test_nothing_and_everything() -> None:
    x, y = np.random.default_rng(2).standard_normal((2, SAMPLES))
    assert narrowing(x, y) < 0.01
    assert narrowing(np.zeros(SAMPLES), y) == 0
    assert narrowing(x, np.ones(SAMPLES)) == 0
    # of the outermost of 32 groups a part of the tail is left
    assert narrowing(x, x) > 0.95


def test_a_meter_s_error_leaves_more_of_the_band() -> None:
    found = drawn("bedside_charger")
    index = number(found, "U1 limit voltage")
    fine, middling, coarse = (found.narrowing(index, accuracy) for accuracy in (0.001, 0.05, 1.0))
    assert fine > middling > coarse
    assert coarse < 0.01
    assert fine == pytest.approx(narrowing(found.read[index], found.ceiling), abs=0.005)


# --- all unpowered measurements together ----------------------------------------------------------


def test_together_saves_no_less_than_each_alone() -> None:
    found = drawn("hall_charger")
    together = found.together()
    for name in ("C1 capacitance", "C2 capacitance", "C1 || C2 capacitance", "R3 resistance"):
        assert together.chance >= found.leverage.saves(number(found, name), 0, 0.03).chance - 0.004


def test_together_saves_everything_where_all_is_read_exactly(monkeypatch: pytest.MonkeyPatch) -> None:
    """With every cause in the fit and no error, what parabolas miss is all that is left."""
    monkeypatch.setattr("flyback.studies.redrawn._unplugged_accuracy", lambda knowable: 0.0)
    found = drawn("bedside_charger")
    assert found.together().chance == pytest.approx(found.leverage.chance(0), abs=0.01)


def test_readings_without_influence_save_nothing_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """Thirty coefficients fitted to the samples they are counted on would save 0.015 here."""
    monkeypatch.setattr("flyback.studies.redrawn._unplugged_accuracy", lambda knowable: 0.0)
    knowables = drawn("bedside_charger").leverage.knowables[:1] * 15
    saved = []
    for seed in range(8):
        stream = np.random.default_rng(seed)
        noise, margin = stream.standard_normal((15, 4096)), stream.standard_normal(4096)
        leverage = Leverage(knowables, (1.0,) * 15, 0, 1)
        saved.append(Drawn(leverage, noise, 10 + margin, np.full(4096, 10.0), seed).together().chance)
    assert float(np.mean(saved)) < 0.004


def test_together_saves_nothing_where_nothing_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flyback.studies.redrawn._unplugged_accuracy", lambda knowable: None)
    assert drawn("bedside_charger").together().chance == 0


# --- the closed form's own error ------------------------------------------------------------------


def test_a_factor_scales_what_stops_the_power_and_what_is_read_at_the_knee() -> None:
    """A rating of a part is not the closed form's to err in: a large factor leaves the hold rungs."""
    one = study("wall_charger", 2.0)
    size, numbers = next(tolerance.blocks(one.case.circuit.values, 256))
    plain = one.drawn([Sets(size, numbers)], 0)
    less, more = (
        one.drawn([Sets(size, numbers, {k: np.full(size, by) for k in range(2)})], 0) for by in (0.9, 9.0)
    )
    assert less.ceiling == pytest.approx(0.9 * plain.ceiling, rel=1e-9)
    assert 1.0 < float(np.max(more.ceiling / plain.ceiling)) < 2.0
    for found, by in ((less, 0.9), (more, 9.0)):
        knee = number(found, "output current at the knee")
        assert found.read[knee] == pytest.approx(by * plain.read[knee], rel=1e-9)
        ripple = number(found, "output ripple at the knee")
        assert found.read[ripple] == pytest.approx(plain.read[ripple])


# --- the accuracy that is needed ------------------------------------------------------------------


def test_half_is_kept_at_the_accuracy_needed() -> None:
    found = drawn("bedside_charger")
    index = number(found, "output current at the knee")
    needed = found.accuracy_needed(index)
    half = found.leverage.saves(index, 0).chance / 2
    assert found.leverage.saves(index, 0, needed).chance == pytest.approx(half, rel=0.02)
    assert found.leverage.saves(index, 0, needed / 2).chance > half
    assert found.leverage.saves(index, 0, needed * 2).chance < half


def test_a_band_of_limits_that_are_not_there() -> None:
    values = np.array([*np.arange(90.0), *[np.inf] * 10])
    low, high = middle(values)
    assert (low, high) == (2.0, math.inf)
