"""Parts and readings weighed: readings are those of the parts' own nominal board, or not at all like it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from worked import Change
from worked import board as demo

from flyback.board.model import Board, LoadReading, LoadTest, ReadAt
from flyback.studies.as_read import Showing
from flyback.studies.evidence import MOST_POINTS, Evidence, Verdict, thinned, weigh
from flyback.studies.readings import observe
from flyback.verdict.check import check
from flyback.verdict.words import Word

Rows = Sequence[tuple[float, float]]


def written(
    rows: Rows, *, mains: float | None = 230.0, read_at: ReadAt | None = ReadAt.SOCKET
) -> tuple[LoadTest, ...]:
    return tuple(
        LoadTest(
            readings=(LoadReading(port="1", voltage=volts, current=amps),),
            wall_power=None,
            mains=mains,
            read_at=read_at,
        )
        for volts, amps in rows
    )


def weighed(board: Board, rows: Rows, **how: object) -> Evidence:
    told = replace(board, load_tests=written(rows, **how))  # type: ignore[arg-type]
    return weigh(check(told, samples=500), samples=2000)


def bedside(*changes: Change) -> Board:
    return demo("bedside_charger", *changes)


def one(found: Evidence, text: str) -> Verdict:
    (verdict,) = (verdict for verdict in found.verdicts if verdict.text == text)
    return verdict


KNEE = [(5.05, 1.0), (5.03, 2.6), (4.8, 2.75), (4.4, 3.0)]
"""What the bedside charger's load test read, which its parts allow."""


def test_readings_make_a_verdict_firmer() -> None:
    """At 90 V the parts alone leave one board in ten below 2 A; the knee at 230 V rules those out."""
    found = weighed(bedside(), KNEE)
    port = one(found, "2 A from one port")
    assert port.parts.word is Word.LIKELY
    assert port.word is Word.VERY_LIKELY
    assert port.chance is not None
    assert port.chance.after > port.chance.before
    assert port.readings.showing is Showing.GIVEN
    assert port.reason == "parts and readings together decide it"
    assert found.reconciled is not None
    (there,) = (one for one in found.reconciled.delivered if one.line.V_ac == 230.0)
    assert there.after.width < there.before.width / 2


def test_what_no_tolerance_reaches_stays_impossible() -> None:
    total = one(weighed(bedside(), KNEE), "24 W in total")
    assert total.word is Word.IMPOSSIBLE
    assert total.reason == "the parts alone decide it"


def test_label_arithmetic_still_counts_for_the_exit_code() -> None:
    likely = weighed(bedside(('power = "24 W"\n', "")), KNEE)
    # four ports at 2 A are 40 W, which fails
    assert likely.exit_code == 1
    fair = (('power = "24 W"\n', ""), ("ports = 4", "ports = 1"))
    assert weighed(bedside(*fair), KNEE).exit_code == 0


def test_readings_that_fall_short_decide_whatever_the_parts_promise() -> None:
    """Half of the current limit is gone: 4.1 V at 0.9 A, where the parts promise 2.5 A."""
    found = weighed(demo("wall_charger"), [(5.0, 0.5), (4.6, 0.82), (4.1, 0.92), (3.6, 1.05)])
    claim = one(found, "2 A")
    assert claim.parts.word is Word.VERY_LIKELY
    assert claim.word is Word.VERY_UNLIKELY
    assert claim.reason == "the readings alone decide it, whatever the parts are"
    assert claim.chance is None
    assert found.exit_code == 1
    assert found.reconciled is not None
    assert found.reconciled.contradiction is not None
    assert "R3" in found.reconciled.contradiction.words


def test_more_than_the_parts_can_give_leaves_no_verdict() -> None:
    """At 5 V 4 A the board is not the one that was traced, and "impossible" no longer follows."""
    found = weighed(bedside(), [(5.05, 1.0), (5.03, 4.0)])
    total = one(found, "24 W in total")
    assert total.parts.word is Word.IMPOSSIBLE
    assert (total.word, total.reason) == (Word.CANNOT_TELL, "parts and readings contradict each other")


def test_an_unknown_limit_is_not_made_known_by_readings_in_regulation() -> None:
    unknown = ('max_duty = "70 %"', 'max_duty = "unknown"')
    found = weighed(bedside(unknown), [(5.05, 1.0)])
    port = one(found, "2 A from one port")
    assert port.word is port.parts.word


def test_without_a_current_limit_only_the_readings_speak() -> None:
    unknown = ('marking = "2R2"\ntolerance = "1 %"', 'resistance = "unknown"')
    found = weighed(bedside(unknown), [(5.0, 0.5), (4.0, 0.9)])
    assert found.reconciled is None
    assert one(found, "2 A from one port").parts.word is Word.CANNOT_TELL


def test_no_verdict_is_given_of_what_is_not_a_flyback() -> None:
    board = bedside(('topology = "flyback"', 'topology = "capacitive dropper"'))
    found = weigh(check(board, samples=500), samples=500)
    assert found.verdicts == ()
    assert found.reconciled is None
    assert len(found.readings.details) == 5


def test_no_readings_leave_the_verdict_of_the_parts() -> None:
    board = replace(bedside(), load_tests=())
    found = weigh(check(board, samples=500), samples=500)
    assert found.reconciled is None
    assert [one.word for one in found.verdicts] == [one.word for one in found.check.claims]


def test_a_rail_held_a_little_low_is_not_one_that_sags() -> None:
    """4.80 V up to 2 A, on a rail that was taken for 5.05 V: in regulation, so no contradiction."""
    found = weighed(bedside(), [(4.80, 0.2), (4.79, 1.0), (4.79, 2.0)])
    assert found.reconciled is not None
    assert found.reconciled.contradiction is None


def test_each_reading_belongs_to_the_voltage_it_is_not_above() -> None:
    """A port of 5 V and 9 V: one reading at 9 V is set aside."""
    several = (
        'output = [{ ports = 4, voltage = "5 V", current = "2 A" }]',
        'output = [{ voltage = "5 V", current = "2 A" }, { voltage = "9 V", current = "1 A" }]',
    )
    rail = ('[rail]\nvoltage = "5.05 V"\norigin = "measured"\n', "")
    found = weighed(bedside(several, rail, ('power = "24 W"\n', "")), [(5.05, 1.0), (5.0, 2.0), (9.1, 0.5)])
    assert found.reconciled is not None
    assert len(found.reconciled.told) == 2
    assert "1 of the readings, taken at 9.00 V, not weighed: those at 5.00 V are." in found.notices


# --- long logs ------------------------------------------------------------------------------------


def test_a_long_log_is_thinned_evenly_along_its_curve() -> None:
    """9900 readings without load and 100 on the way down: the latter are not lost."""
    rows = [(5.05, 0.001 * k) for k in range(9900 // 100)] * 100
    rows += [(5.05 - 0.04 * k, 2.6 + 0.01 * k) for k in range(100)]
    board = replace(bedside(), load_tests=written(rows))
    kept = thinned(observe(board, None)).details
    assert len(kept) <= MOST_POINTS
    assert sum(detail.observed.I_o > 2.5 for detail in kept) > 10
    assert max(detail.observed.I_o for detail in kept) == pytest.approx(2.6 + 0.99)


def test_each_line_keeps_its_share() -> None:
    tests = (*written([(5.0, 0.01 * k) for k in range(200)]), *written([(5.0, 1.0)] * 3, mains=115.0))
    kept = thinned(observe(replace(bedside(), load_tests=tests), None)).details
    assert {float(d.observed.line.V_ac) for d in kept if d.observed.line} == {230.0, 115.0}


def test_a_short_one_is_kept_whole() -> None:
    found = observe(bedside(), None)
    assert thinned(found) is found


def test_what_is_not_weighed_is_said() -> None:
    rows = [(5.05, 0.01 * k) for k in range(1, 201)]
    found = weighed(bedside(), rows)
    assert any("of the 200 readings are weighed" in notice for notice in found.notices)
