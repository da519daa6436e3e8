"""The printed load tests: figures by hand, everything said once, long logs kept short."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import paper
import pytest
from worked import board as demo

from flyback.board.meter_log import read_log_text
from flyback.board.model import Board, LoadTest
from flyback.report.evidence_text import MOST_NOTICES, MOST_ROWS, show_evidence
from flyback.studies.corrections import with_bar
from flyback.studies.curve import read_curves
from flyback.studies.evidence import Evidence, weigh
from flyback.verdict.check import check


@cache
def bedside() -> Evidence:
    return weigh(check(demo("bedside_charger"), samples=500), samples=500)


def of(board: Board, log: Sequence[LoadTest] = ()) -> Evidence:
    return weigh(check(board, samples=200), log, samples=200)


def printed(found: Evidence) -> str:
    return paper.printed(show_evidence, found, read_curves(found.weighed))


def test_a_row_says_what_was_read_and_what_the_parts_allow() -> None:
    """4.40 V 3.0 A from 16.6 W: 13.2 W, 79.5 %."""
    text = printed(bedside())
    (row,) = (line for line in text.splitlines() if "4.40 V" in line)
    assert re.search(r"230 V +4\.40 V +3\.00 A +13\.2 ± 0\.5 W +79 ± 5 %|80 ± 5 %", row)
    assert row.endswith("inside")


def test_where_the_readings_lie_is_counted() -> None:
    text = " ".join(printed(bedside()).split())
    assert "3 in regulation, nothing more was asked for; 2 at the limit, as the parts allow" in text


def test_everything_fits_and_cautions_are_there() -> None:
    text = printed(bedside())
    assert paper.misfits(text) == []
    assert paper.cautioned(text)


def test_what_the_meters_lend_is_listed_with_its_figure_and_source() -> None:
    text = printed(bedside())
    assert bedside().readings.assumed
    assert text.count("(common practice, no source)") >= len(bedside().readings.assumed)
    assert re.search(r"meters\.voltage, fixed: [0-9.]+ mV", text)


def test_a_long_log_is_kept_short_and_its_length_told() -> None:
    log = "voltage_V,current_A,wall_W\n" + "\n".join(f"5.04,{0.001 * k},20" for k in range(1, 501))
    text = printed(of(replace(demo("bedside_charger"), load_tests=()), read_log_text(log, mains=230.0)))
    assert "500 load tests" in text
    assert sum("5.04 V" in line for line in text.splitlines()) == MOST_ROWS
    assert f"{MOST_ROWS} of 500 shown" in " ".join(text.split())


def test_the_verdict_of_both_stands_first() -> None:
    text = printed(bedside())
    claims = text[: text.index("Mains")]
    assert re.search(r"2 A from one port +likely +given: 5\.02 V at 2\.60 +very likely", claims)
    assert re.search(r"24 W in total +impossible .* impossible", claims)


def test_the_curve_and_what_it_rests_on_follow() -> None:
    text = " ".join(printed(bedside()).split())
    assert "The curve, 230 V 50 Hz constant power" in text
    assert re.search(r"power on 230 V 50 Hz 1[34]\.\d W \([\d.]+ to [\d.]+\)", text)
    assert "R5 || R6 = 1.10 Ω traced, the readings imply 1.1" in text


def test_a_contradiction_is_told_before_everything_else() -> None:
    text = printed(of(demo("cracked_charger")))
    assert text.index("Contradiction") < text.index("Mains")
    assert "one of R3 || R4 may be open" in " ".join(text.split())
    assert "falls short" in text


def test_many_notices_are_counted() -> None:
    noisy = tuple(f"trouble {k}." for k in range(40))
    text = " ".join(printed(replace(bedside(), notices=noisy)).split())
    assert f"trouble {MOST_NOTICES - 1}." in text
    assert "trouble 20." not in text
    assert "more like these" in text


def test_nothing_to_compare_is_a_dash() -> None:
    board = replace(demo("bedside_charger"), tried_on=None)
    bare = replace(board, load_tests=tuple(replace(test, mains=None) for test in board.load_tests))
    rows = [line for line in printed(of(bare)).splitlines() if re.search(r"± [0-9.]+ W .*-$", line)]
    assert len(rows) == 5
    assert all(row.startswith("-") and row.endswith("-") for row in rows)


@pytest.mark.parametrize(
    ("value", "U", "words"),
    [
        (5.0631, 0.023, "5.06 ± 0.02 W"),
        (5.0631, 0.0123, "5.063 ± 0.012 W"),
        (110.2, 8.7, "110 ± 9 W"),
        (1234.0, 56.0, "1234 ± 56 W"),
        (0.0, 0.1, "0.00 ± 0.10 W"),
    ],
)
def test_an_error_bar_sets_the_digits(value: float, U: float, words: str) -> None:
    assert with_bar(value, U, "W") == words
