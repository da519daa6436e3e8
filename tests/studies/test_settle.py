"""What would settle a verdict: the worked examples, what is certain, what is unknown, what is refused."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from functools import cache

import pytest
from worked import (
    NAMES,
    UNKNOWN_CORE,
    UNKNOWN_FREQUENCY,
    UNKNOWN_RECTIFIER,
    UNKNOWN_RIPPLE,
    UNKNOWN_SENSE,
    Change,
    board,
)

import flyback
from flyback.analysis.knowable import Kind
from flyback.analysis.leverage import Saving
from flyback.analysis.measurements import BENCH, TRANSFORMER, Access
from flyback.errors import NotAFlybackError, RequestError
from flyback.studies.evidence import weigh
from flyback.studies.settle import Next, Row, settle
from flyback.studies.settle_words import Way
from flyback.verdict.check import Check, check

BEDSIDE = "2 A from one port"
UNKNOWNS = (UNKNOWN_SENSE, UNKNOWN_FREQUENCY, UNKNOWN_CORE, UNKNOWN_RECTIFIER, UNKNOWN_RIPPLE)

POINTS = 64
"""Shares of the variance have a test of their own."""


@cache
def checked(name: str, *changes: Change, tested: bool = False) -> Check:
    """With its load test, or without, as if nobody had loaded it yet."""
    made = board(name, *changes)
    return check(made if tested else replace(made, load_tests=()), samples=4096)


@cache
def settled(name: str, *changes: Change, claim: str | None = None, tested: bool = False) -> Next:
    return settle(checked(name, *changes, tested=tested), claim=claim, points=POINTS)


def answer(found: Next) -> str:
    return " ".join(found.answer.words)


def row(found: Next, name: str) -> Row:
    return next(row for row in found.rows if row.name == name)


# --- the chance -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_the_chance_is_that_of_the_check(name: str) -> None:
    """The study draws the samples of the check again, and judges at the same line."""
    found = settled(name)
    judgement = next(j for j in checked(name).claims if j.text == found.claim)
    assert judgement.outcome is not None
    assert judgement.column is not None
    held = judgement.outcome.both.value
    assert found.chance == min(held, 1 - held)
    assert found.line.full_name == judgement.column.line.full_name
    assert found.samples == 4096
    band = judgement.column.lowest
    if not any(step.subharmonics < 1 for step in judgement.column.steps):
        # the check's band comes from bins of 0.1 % of the nominal power
        assert found.band == pytest.approx((band.low, band.high), rel=5e-3)


@pytest.mark.parametrize("name", NAMES)
def test_no_reading_saves_more_than_there_is(name: str) -> None:
    found = settled(name)
    assert found.chance is not None
    for one in found.rows:
        assert 0 <= one.saved.chance <= one.known.chance + 0.005
        assert one.known.chance <= found.chance
        assert 0 <= one.narrowing_share <= 1
        assert one.low <= one.expected <= one.high
        assert one.saves in (0, one.saved.chance)
    saved = [one.saves for one in found.rows]
    assert saved == sorted(saved, reverse=True)


def test_the_claim_in_doubt_is_taken_first() -> None:
    assert settled("bedside_charger").claim == BEDSIDE
    assert settled("bedside_charger", claim="24W").claim == "24 W in total"


# --- common sense on the worked examples ----------------------------------------------------------


def test_only_a_load_test_settles_the_bedside_charger() -> None:
    """At either end of any one part's spread the claim still holds more often than not."""
    found = settled("bedside_charger")
    assert found.chance is not None
    assert [one.kind for one in found.rows[:2]] == [Kind.KNEE, Kind.KNEE]
    assert found.rows[0].saved.chance > found.chance / 2
    assert all(one.known.chance < 0.005 for one in found.rows if one.kind is Kind.VALUE)
    assert (found.answer.way, found.exit_code) == (Way.LOAD_TEST, 0)
    assert "No unpowered reading helps." in answer(found)
    assert "Without a variable transformer, the output current at the knee, 230 V" in answer(found)


def test_the_knee_where_it_is_judged_decides() -> None:
    found = settled("bedside_charger")
    assert row(found, "output current at the knee, 90 V 50 Hz").known.chance == pytest.approx(
        found.chance, abs=0.005
    )
    low, usual = (row(found, f"output current at the knee, {V} V 50 Hz") for V in (90, 230))
    assert low.transformer
    assert TRANSFORMER in low.caution
    assert not usual.transformer
    assert TRANSFORMER not in usual.caution


def test_the_limit_and_the_inductance_narrow_the_band_most_of_all_values() -> None:
    """Power goes with the square of the limit (6 %) and with the inductance (10 %): 12 against 10."""
    for name in ("bedside_charger", "wall_charger"):
        values = [one for one in settled(name).rows if one.kind is Kind.VALUE]
        values.sort(key=lambda one: -one.narrowing_share)
        assert [one.name for one in values[:2]] == ["U1 limit voltage", "T1 primary inductance"]


def test_the_bulk_capacitor_decides_the_travel_cube_s_band() -> None:
    values = [one for one in settled("travel_cube").rows if one.kind is Kind.VALUE]
    best = max(values, key=lambda one: one.narrowing_share)
    assert best.name == "C1 capacitance"
    assert best.access is Access.UNPLUGGED
    assert best.narrowing_share > 0.7


def test_a_board_in_doubt_may_be_settled_unplugged() -> None:
    """A bulk of wide spread alone decides what the travel cube brings at 90 V."""
    wide = ('value = "2.2 uF"\ntolerance = "20 %"', 'value = "2.2 uF"\ntolerance = "-20/+80 %"')
    claim = ('current = "1 A"', 'current = "0.2 A"')
    found = settled("travel_cube", wide, claim)
    assert found.chance is not None
    assert found.chance > 0.2
    best = row(found, "C1 capacitance")
    assert best.saved.chance > found.chance / 2
    assert best.accuracy_needed is not None
    assert best.accuracy_needed > 0.03
    assert found.answer.way is Way.UNPLUGGED
    assert answer(found).startswith(
        "Unplugged, with the C1 capacitance the chance of a wrong verdict falls"
    )


def test_what_is_certain_is_said_to_be() -> None:
    assert answer(settled("travel_cube")) == "Nothing: all samples agree on this claim."
    assert answer(settled("wall_charger")) == "Hardly anything: the chance of a wrong verdict is 0.3 %."
    for name in ("travel_cube", "wall_charger"):
        assert (settled(name).answer.way, settled(name).exit_code) == (Way.NOTHING_LEFT, 0)
        assert all(one.accuracy_needed is None for one in settled(name).rows)
        assert settled(name).rows[0].narrowing > 0


def test_a_better_meter_is_asked_for_where_that_is_the_trouble() -> None:
    found = settled("hall_charger")
    assert (found.answer.way, found.exit_code) == (Way.NO_READING, 1)
    assert "Read to 2.3 %, the output current at the knee, 90 V 50 Hz, would leave 9." in answer(found)


def test_what_is_taken_as_exact_is_told() -> None:
    (notice,) = settled("bedside_charger").notices
    assert "T1.leakage_inductance" in notice
    assert "R5." not in notice


def test_what_is_worth_telling() -> None:
    """Once each: not both bulk capacitors and the two together, no ripple on a second line."""
    found = settled("hall_charger")
    told = [one.name for one in found.worth_telling(8)]
    assert "C1 || C2 capacitance" in told
    assert {"C1 capacitance", "C2 capacitance"}.isdisjoint(told)
    assert sum("pulse rate" in name for name in told) == 1
    assert told == [one.name for one in found.rows if one.name in told]
    assert len(found.worth_telling(2)) == 2
    assert all(one.saves or one.narrowing_share >= 0.1 for one in found.worth_telling(99))


def test_a_rating_has_no_measurement() -> None:
    wide = (
        'ripple_rating = { value = "3.5 A", origin = "datasheet" }',
        'ripple_rating = { value = "2.5..3.5 A", origin = "datasheet" }',
    )
    one = row(settled("wall_charger", wide), "C5 ripple rating")
    assert (one.accuracy, one.access) == (None, Access.SHEET)
    assert one.known.chance > 0.01
    assert (one.saved, one.narrowing) == (Saving(0.0, 0.0), 0.0)


# --- what is unknown or refused -------------------------------------------------------------------


def test_an_unknown_value_comes_first() -> None:
    found = settled("wall_charger", UNKNOWN_CORE)
    assert (found.answer.way, found.exit_code) == (Way.UNKNOWN_VALUE, 1)
    assert answer(found).startswith("T1.core_area must be found first")
    assert "T1.core_area: calliper at the centre leg. Unplugged" in answer(found)


def test_an_unknown_value_keeps_nothing_impossible_waiting() -> None:
    """A known limit that fails is enough, whatever else is unknown."""
    unknown = ('core_area = { value = "32.1 mm²", origin = "datasheet" }', 'core_area = "unknown"')
    found = settled("bedside_charger", unknown, claim="24 W in total")
    assert found.answer.way is Way.NOTHING_LEFT


def test_a_bench_supply_has_a_caution_of_its_own() -> None:
    found = settle(check(board("wall_charger"), dc=150.0, samples=200), points=POINTS)
    knee = row(found, "output current at the knee, 150 V dc")
    assert (knee.caution, knee.access) == (BENCH, Access.LIVE)


def test_nothing_known_has_nothing_to_rank() -> None:
    with pytest.raises(RequestError, match=r"find .*resistance"):
        settled("wall_charger", *UNKNOWNS)


def test_a_claim_that_is_not_there() -> None:
    with pytest.raises(RequestError, match="no claim of power"):
        settled("bedside_charger", claim="3 A")


def test_another_converter_is_refused() -> None:
    with pytest.raises(NotAFlybackError, match="no verdict to settle"):
        settled("wall_charger", ('topology = "flyback"', 'topology = "half bridge"'))


# --- with a load test -----------------------------------------------------------------------------


def test_a_load_test_settles_the_bedside_charger() -> None:
    found = settled("bedside_charger", tested=True)
    assert (found.claim, found.word) == (BEDSIDE, "very likely")
    assert (found.chance, found.weighed, found.answer.way) == (0.0, True, Way.NOTHING_LEFT)
    assert any("load test in the file is counted in" in notice for notice in found.notices)


def test_after_the_load_test_the_bulk_is_what_is_left_of_the_hall_charger() -> None:
    """At 230 V it gave its 1 A; how far the bulk lets it sag at 90 V only its capacitance can tell."""
    before, found = settled("hall_charger"), settled("hall_charger", tested=True)
    assert before.rows[0].kind is Kind.KNEE
    assert found.rows[0].name == "C1 || C2 capacitance"
    assert found.answer.way is Way.UNPLUGGED
    assert not row(found, "output current at the knee, 230 V 50 Hz").saves
    assert all(one.total is None for one in found.rows)


def test_the_verdict_is_that_of_parts_and_readings() -> None:
    result = checked("hall_charger", tested=True)
    (verdict,) = weigh(result, ask=()).verdicts
    found = settled("hall_charger", tested=True)
    assert verdict.chance is not None
    assert (found.word, found.holds) == (verdict.word, verdict.chance.after > 0.5)
    # as many sets as the weights are worth: three standard errors
    left = min(verdict.chance.after, 1 - verdict.chance.after)
    assert found.chance == pytest.approx(left, abs=3 * (left / found.samples) ** 0.5)


def test_a_contradiction_asks_for_the_parts_that_would_explain_it() -> None:
    found = settled("cracked_charger", tested=True)
    assert (found.answer.way, found.exit_code, found.chance) == (Way.CONTRADICTION, 1, None)
    assert [one.name for one in found.rows] == ["R3 || R4 resistance"]
    assert "decides the claim by itself (falls short" in answer(found)
    assert "one of R3 || R4 may be open" in answer(found)


def test_a_load_test_that_falls_short_decides_by_itself() -> None:
    found = settled("hall_charger", ('current = "1 A"', 'current = "1.08 A"'), tested=True)
    assert (found.word, found.chance, found.answer.way) == ("very unlikely", 0.0, Way.NOTHING_LEFT)
    assert answer(found).startswith("Nothing: the load test decides it by itself (falls short")


def test_a_load_test_that_cannot_be_weighed_is_told() -> None:
    bench = board("bedside_charger")
    adrift = replace(
        bench, tried_on=None, load_tests=tuple(replace(one, mains=None) for one in bench.load_tests)
    )
    found = settle(check(adrift, samples=4096), points=POINTS)
    assert not found.weighed
    assert any("is not counted in; flyback evidence says why" in notice for notice in found.notices)


# --- results --------------------------------------------------------------------------------------


def test_equal_runs_give_equal_results() -> None:
    first = settled("hall_charger")
    assert first == settle(checked("hall_charger"), points=POINTS)
    assert first != settle(replace(checked("hall_charger"), seed=1), points=POINTS)
    with pytest.raises(FrozenInstanceError):
        first.rows = ()  # type: ignore[misc]


def test_the_package_offers_it() -> None:
    made = board("hall_charger")
    assert flyback.settle(made, claim="1A", samples=4096, mains=230.0) == settle(
        check(made, samples=4096, mains=230.0), claim="1 A"
    )


def test_more_samples_than_the_check_s() -> None:
    found = settle(replace(checked("hall_charger"), samples=200), points=POINTS)
    assert found.samples == 4096
    assert settle(checked("hall_charger"), samples=8192, points=POINTS).samples == 8192
