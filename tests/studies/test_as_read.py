"""Readings by themselves: figures by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from worked import board as demo

from flyback.board.model import LoadReading, LoadTest, ReadAt
from flyback.studies.as_read import AsRead, Showing, as_read
from flyback.studies.readings import Detail, observe

BOARD = demo("bedside_charger")


def details(
    *rows: tuple[float, float], read_at: ReadAt | None = ReadAt.SOCKET, mains: float = 230.0
) -> tuple[Detail, ...]:
    tests = tuple(
        LoadTest(
            readings=(LoadReading(port="1", voltage=volts, current=amps),),
            wall_power=None,
            mains=mains,
            read_at=read_at,
        )
        for volts, amps in rows
    )
    return observe(replace(BOARD, load_tests=tests), None).details


def shown(*rows: tuple[float, float], **how: object) -> AsRead:
    return as_read(details(*rows, **how), BOARD.label, voltage=5.0, current=2.0)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("rows", "showing", "words"),
    [
        # 4.0 V with 1 % + 20 mV is 4.07 V at the most, below 4.5 V; 0.9 A is less than 2 A
        ([(5.0, 0.5), (4.0, 0.9), (3.5, 1.0)], Showing.SHORT, "falls short: 4.00 V at 0.900 A on 230 V"),
        # 2.2 A less 2 % + 20 mA is 2.136 A at least
        ([(5.0, 1.0), (4.9, 2.2), (4.8, 2.5)], Showing.GIVEN, "given: 4.90 V at 2.20 A on 230 V"),
        # 2.0 A may be 1.94 A
        ([(5.0, 1.0), (4.9, 2.0)], Showing.NOT_TRIED, "not tried beyond 2.00 A on 230 V"),
        # given way only beyond what is claimed: says nothing against it
        ([(5.0, 1.0), (3.0, 2.5)], Showing.NOT_TRIED, "not tried beyond 1.00 A on 230 V"),
        ([], Showing.NOT_TRIED, "nothing was read"),
    ],
)
def test_what_readings_show(rows: list[tuple[float, float]], showing: Showing, words: str) -> None:
    found = shown(*rows)
    assert (found.showing, found.words) == (showing, words)


def test_volts_that_may_have_been_lost_in_a_cable_do_not_speak_against_a_claim() -> None:
    assert shown((4.0, 0.9), read_at=None).showing is Showing.NOT_TRIED
    assert shown((4.0, 0.9), read_at=ReadAt.SOCKET).showing is Showing.SHORT


def test_a_meter_that_may_err_that_much_does_not_speak_against_a_claim() -> None:
    # 4.46 V with 1 % + 20 mV may be 4.53 V
    assert shown((4.46, 0.9)).showing is Showing.NOT_TRIED


def test_one_mains_of_the_range_is_enough_and_others_do_not_count() -> None:
    both = (*details((4.9, 2.5)), *details((4.0, 0.9), mains=100.0))
    assert as_read(both, BOARD.label, voltage=5.0, current=2.0).showing is Showing.SHORT
    low = (*details((4.9, 2.5)), *details((4.0, 0.9), mains=80.0))
    assert as_read(low, BOARD.label, voltage=5.0, current=2.0).showing is Showing.GIVEN
