"""What load tests leave open, against what weighing them with the parts gives by its own path."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np
import pytest
from worked import board

from flyback.analysis.leverage import FOLDS, Leverage
from flyback.studies.conditioning import Conditioned
from flyback.studies.evidence import Evidence, weigh
from flyback.studies.left_open import FEWEST, evenly, folded, left_open
from flyback.studies.redrawn import Drawn, Sets, middle
from flyback.studies.settle import _study
from flyback.verdict.check import Check, check

SAMPLES = 4096


@cache
def weighed(name: str) -> tuple[Check, Evidence]:
    result = check(board(name), samples=SAMPLES)
    return result, weigh(result, samples=SAMPLES, ask=())


@cache
def sets(name: str) -> tuple[Sets, ...]:
    result, evidence = weighed(name)
    assert evidence.reconciled is not None
    lines = _study(result, result.claims[-1]).lines
    with np.errstate(all="ignore"):
        return tuple(left_open(result, evidence.reconciled, lines, SAMPLES))


def drawn(name: str) -> Drawn:
    result, _ = weighed(name)
    with np.errstate(all="ignore"):
        return _study(result, result.claims[-1]).drawn(sets(name), result.seed)


@pytest.mark.parametrize("name", ["hall_charger", "bedside_charger"])
def test_the_chance_is_that_of_parts_and_readings(name: str) -> None:
    """Drawing evenly from weighted samples adds the noise of so many samples: three standard errors."""
    _, evidence = weighed(name)
    chance = evidence.verdicts[-1].chance
    assert chance is not None
    found = drawn(name).leverage
    noise = (chance.after * (1 - chance.after) / found.samples) ** 0.5
    assert found.held[0] / found.samples == pytest.approx(chance.after, abs=3 * noise + 1e-6)
    assert evidence.reconciled is not None
    assert found.samples == int(evidence.reconciled.effective)


def test_the_load_test_moves_the_chance_by_more_than_that() -> None:
    found = drawn("hall_charger").leverage
    outcome = weighed("hall_charger")[0].claims[-1].outcome
    assert outcome is not None
    assert abs(found.held[0] / found.samples - outcome.both.value) > 0.05


@pytest.mark.parametrize("name", ["hall_charger", "bedside_charger"])
def test_values_are_spread_as_the_readings_leave_them(name: str) -> None:
    _, evidence = weighed(name)
    assert evidence.reconciled is not None
    assert evidence.reconciled.moved
    for moved in evidence.reconciled.moved:
        values = np.concatenate([np.asarray(some.numbers[moved.value.key]) for some in sets(name)])
        # ends of a band of some thousand samples, one drawn in place of another
        close = 0.05 * moved.after.width
        assert float(np.median(values)) == pytest.approx(moved.after.median, abs=close)
        assert middle(values) == pytest.approx((moved.after.low, moved.after.high), abs=2 * close)


def test_the_closed_form_errs_a_little_more_where_nothing_was_read() -> None:
    result, evidence = weighed("bedside_charger")
    lines = _study(result, result.claims[-1]).lines
    assert evidence.reconciled is not None
    read = {told.reading.line for told in evidence.reconciled.told}
    own = [k for k, line in enumerate(lines) if line in read]
    other = [k for k, line in enumerate(lines) if line not in read]
    assert own
    assert other
    factors: Mapping[int, np.ndarray] = sets("bedside_charger")[0].factors
    ratio = factors[other[0]] / factors[own[0]]
    # 0.5 % (flyback.studies.likelihood), three standard errors of a deviation of some thousand samples
    assert float(np.std(ratio)) == pytest.approx(0.005, rel=0.15)


def test_a_rail_held_a_little_lower_is_taken_as_it_was_read() -> None:
    """Readings at 4.7 V of a 5 V rail are in regulation, not sagging, however many there are."""
    low = ('voltage = "5.05 V"\norigin = "measured"', 'voltage = "5.30 V"\norigin = "measured"')
    result = check(board("bedside_charger", low), samples=SAMPLES)
    evidence = weigh(result, samples=SAMPLES, ask=())
    assert evidence.reconciled is not None
    chance = evidence.verdicts[-1].chance
    assert chance is not None
    study = _study(result, result.claims[-1])
    with np.errstate(all="ignore"):
        found = study.drawn(left_open(result, evidence.reconciled, study.lines, SAMPLES), 0).leverage
    assert found.held[0] / found.samples == pytest.approx(chance.after, abs=0.01)


# --- drawing evenly -------------------------------------------------------------------------------


def test_each_is_drawn_as_often_as_its_weight_asks_for() -> None:
    weights = np.random.default_rng(1).random(500) ** 3
    weights /= weights.sum()
    times = np.bincount(evenly(weights, 2000), minlength=500)
    assert (np.abs(times - 2000 * weights) < 1 + 1e-9).all()


def test_copies_stay_in_one_fold() -> None:
    chosen = np.repeat(np.arange(90), 11)
    order = folded(chosen)
    assert sorted(order) == sorted(chosen)
    folds = [set(np.flatnonzero(order == k) % FOLDS) for k in range(90)]
    # three samples lie across the bounds of four folds
    assert sum(len(found) > 1 for found in folds) <= FOLDS - 1


@pytest.mark.parametrize(("apart", "least", "most"), [(True, 0.0, 0.02), (False, 0.03, 1.0)])
def test_copies_in_other_folds_would_save_where_nothing_is_to_save(
    apart: bool, least: float, most: float
) -> None:
    saved = []
    for seed in range(8):
        x, margin = np.random.default_rng(seed).standard_normal((2, 300))
        order = np.repeat(np.arange(300), 8)
        order = folded(order) if apart else order
        leverage = Leverage((), (1.0,), 0, 1)
        leverage.add([x[order]], margin[order], [0.0], order.size)
        saved.append(leverage.saves(0, 0).chance)
    assert least <= float(np.mean(saved)) <= most


def test_few_effective_samples_still_give_something_to_count(monkeypatch: pytest.MonkeyPatch) -> None:
    def worth_three(_: object, scores: np.ndarray, *, seed: int) -> Conditioned:
        weights = np.zeros(len(scores))
        weights[:3] = 1 / 3
        return Conditioned(scores, weights, 0.0, seed * 0)

    monkeypatch.setattr("flyback.studies.left_open.condition", worth_three)
    result, evidence = weighed("bedside_charger")
    assert evidence.reconciled is not None
    lines = _study(result, result.claims[-1]).lines
    with np.errstate(all="ignore"):
        assert sum(some.size for some in left_open(result, evidence.reconciled, lines, SAMPLES)) == FEWEST
