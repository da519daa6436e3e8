"""What lifting costs: figures of the altered board's own ladder, by hand where a hand can."""

from __future__ import annotations

import pytest
from worked import board as worked

from flyback.board.changes import altered
from flyback.board.edit import read_changes
from flyback.studies.remedies import Remedies, remedies
from flyback.studies.stress import Cost
from flyback.verdict.check import check


@pytest.fixture(scope="module")
def bedside() -> Remedies:
    return remedies(check(worked("bedside_charger"), samples=500, mains=(90.0, 230.0)))


def cost(found: Remedies, name: str) -> Cost:
    return next(cost for cost in found.costs if cost.name == name)


def test_flux_by_hand(bedside: Remedies) -> None:
    """L I / (N A) = 0.68 mH x I / (98 x 32.1 mm²) = 0.216 T/A."""
    peak, flux = cost(bedside, "primary peak current"), cost(bedside, "flux density")
    per_amp = 0.68e-3 / (98 * 32.1e-6)
    assert flux.before == pytest.approx(per_amp * peak.before, rel=1e-9)
    assert flux.after == pytest.approx(per_amp * peak.after, rel=1e-9)


def test_the_figures_are_those_of_a_check_of_the_altered_board(bedside: Remedies) -> None:
    board = altered(
        bedside.check.board, read_changes(bedside.check.board, [str(change) for change in bedside.changes])
    )
    after = check(board, samples=500, mains=(90.0, 230.0))
    ladder = next(a for a in after.assessments if a.voltage == 5.0)
    column = next(column for column in ladder.columns if column.line.name == "90 V")
    step = next(step for step in column.steps if step.rung.name == "current limit")
    assert step.ceiling.loaded is not None
    assert cost(bedside, "primary peak current").after == pytest.approx(
        float(step.ceiling.loaded.load.I_pk)
    )
    assert cost(bedside, "bulk voltage, valley").after == pytest.approx(float(step.ceiling.loaded.V_valley))
    most = max(float(column.steps[0].ceiling.power) for column in ladder.columns)
    assert cost(bedside, "most it gives at all").after == pytest.approx(most)


def test_what_does_not_move_is_no_cost() -> None:
    line = check(worked("wall_charger"), samples=100, mains=230.0).assessments[0].columns[0].line
    assert not Cost("flux", line, 0.3, 0.3001, "flux density").moved
    assert Cost("flux", line, 0.3, 0.301, "flux density").moved


def test_a_core_that_saturates_before_the_limit_acts_is_told() -> None:
    found = remedies(check(worked("wall_charger"), samples=500, mains=90.0), claim="3 A")
    assert any("saturate before the current limit" in notice for notice in found.notices)
    plain = remedies(check(worked("bedside_charger"), samples=500, mains=90.0), claim="14 W")
    assert not any("saturate" in notice for notice in plain.notices)


def test_another_voltage_takes_another_divider() -> None:
    found = remedies(check(worked("strip_adapter"), samples=500), claim="5 V 2 A")
    assert any("12.1 V: 5 V would take another divider" in notice for notice in found.notices)
    same = remedies(check(worked("strip_adapter"), samples=500), claim="12 V 2 A")
    assert not any("divider" in notice for notice in same.notices)
