"""The measurements that a check names: from its own samples, three at most, none of them live."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from worked import NAMES, UNKNOWN_CORE, Change, board

from flyback.analysis.measurements import MEASUREMENTS
from flyback.studies.hints import LITTLE, MOST, Hints, hints
from flyback.studies.settle import settle
from flyback.verdict.check import Check, check

DOUBTFUL = {
    "bedside_charger": (),
    "hall_charger": (),
    "wall_charger": (('current = "2 A"', 'current = "2.4 A"'),),
    "strip_adapter": (('current = "2 A"', 'current = "2.6 A"'), ('power = "24 W"', 'power = "31 W"')),
}
"""Worked examples, changed where their verdict is certain, so that a reading would tell something."""


@cache
def checked(name: str, *changes: Change) -> Check:
    """Without its load test, which would tell too."""
    return check(replace(board(name, *changes), load_tests=()), samples=4096)


def found(name: str, *changes: Change) -> Hints:
    hinted = hints(checked(name, *DOUBTFUL.get(name, ()), *changes))
    assert hinted is not None
    return hinted


def test_the_readings_that_save_most() -> None:
    hinted = found("bedside_charger")
    assert hinted.claim == "2 A from one port"
    assert [(hint.name, hint.where) for hint in hinted.rows] == [
        ("output current at the knee, 90 V 50 Hz", "variable transformer"),
        ("output current at the knee, 230 V 50 Hz", "from outside"),
    ]


@pytest.mark.parametrize("name", DOUBTFUL)
def test_they_are_those_of_the_study(name: str) -> None:
    """The same samples, counted once by the check and once by the study."""
    hinted, study = found(name), settle(checked(name, *DOUBTFUL[name]), points=64)
    assert hinted.claim == study.claim
    assert hinted.chance == study.chance
    rows = {row.name: row for row in study.rows}
    for hint in hinted.rows:
        assert hint.then == pytest.approx(hinted.chance - rows[hint.name].saved.chance, abs=1e-12)
        assert hinted.chance - hint.then >= LITTLE


def test_the_last_is_one_that_needs_no_power() -> None:
    hinted = found("hall_charger")
    assert 2 <= len(hinted.rows) <= MOST
    assert (hinted.rows[-1].name, hinted.rows[-1].where) == ("C1 || C2 capacitance", "unplugged")


@pytest.mark.parametrize("name", DOUBTFUL)
def test_no_probe_goes_into_a_live_supply(name: str) -> None:
    hinted = found(name)
    assert 1 <= len(hinted.rows) <= MOST
    assert {hint.where for hint in hinted.rows} <= {"unplugged", "from outside", "variable transformer"}


def test_a_live_measurement_would_be_named_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit voltage of the hall charger saves enough to be named, were it not live."""
    key = ("switching IC", "limit_voltage")
    wide = ('limit_voltage = "0.50 V ±4 %"', 'limit_voltage = "0.50 V ±8 %"')
    assert all(hint.name != "U1 limit voltage" for hint in found("hall_charger", wide).rows)
    tame = {**MEASUREMENTS, key: replace(MEASUREMENTS[key], live=False)}
    monkeypatch.setattr("flyback.analysis.measurements.MEASUREMENTS", tame)
    assert any(hint.name == "U1 limit voltage" for hint in found("hall_charger", wide).rows)


def test_on_a_bench_supply_the_knee_is_live_too() -> None:
    bench = check(replace(board("bedside_charger"), load_tests=()), samples=4096, dc=85.0)
    leads = [lead.knowable.name for one in bench.assessments for lead in one.leads if lead.saved[1].chance]
    assert "output current at the knee" in leads
    hinted = hints(bench)
    assert hinted is None or all("knee" not in hint.name for hint in hinted.rows)


@pytest.mark.parametrize("name", ["travel_cube", "wall_charger", "strip_adapter"])
def test_a_certain_verdict_needs_none(name: str) -> None:
    assert hints(checked(name)) is None


def test_an_unknown_value_comes_first() -> None:
    assert hints(checked("wall_charger", *DOUBTFUL["wall_charger"], UNKNOWN_CORE)) is None


@pytest.mark.parametrize("name", NAMES)
def test_a_load_test_is_for_the_study_to_count_in(name: str) -> None:
    traced = board(name)
    if traced.load_tests:
        assert hints(check(traced, samples=500)) is None
