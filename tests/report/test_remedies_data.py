"""Remedies as JSON: every key in docs/remedies.md, no null unannounced, and what the text says too."""

from __future__ import annotations

import doctest
from functools import cache
from typing import Any

import boards
import pytest
from json_document import DOCS, Document, read_json
from worked import UNKNOWN_CORE
from worked import board as worked

from flyback.board.edit import read_changes
from flyback.board.model import Board
from flyback.report.remedies_data import FORMAT, FORMAT_VERSION, to_data, to_json
from flyback.studies.remedies import TEACHING, Remedies, remedies
from flyback.verdict.check import check

DOCUMENT = Document("remedies.md")

SENSED_INSIDE = boards.board(R3=None, R4=None, U1={"limit_voltage": None, "limit_current": "0.5 A ±7 %"})

VARIANTS: dict[str, tuple[Board, str | None]] = {
    "met": (worked("bedside_charger"), None),
    "already met": (worked("strip_adapter"), None),
    "amps": (worked("wall_charger"), "3 A"),
    "core": (worked("hall_charger"), "1.3 A"),
    "bulk": (worked("travel_cube"), None),
    "inside": (SENSED_INSIDE, "3 A"),
    "unknown": (worked("wall_charger", UNKNOWN_CORE), "2.5 A"),
    "nothing known": (boards.board(U1={"frequency": "unknown"}, D5={"current_rating": None}), None),
}


@cache
def found(variant: str) -> Remedies:
    board, claim = VARIANTS[variant]
    return remedies(check(board, samples=300, mains=90.0), claim=claim)


def read(variant: str) -> dict[str, Any]:
    return read_json(to_json(found(variant)))


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_key_is_documented_and_every_documented_key_is_there(variant: str) -> None:
    assert DOCUMENT.undocumented(read(variant)) == []


@pytest.mark.parametrize("variant", VARIANTS)
def test_null_only_where_the_document_says_so(variant: str) -> None:
    assert DOCUMENT.wrong_nulls(read(variant)) == []


def test_a_key_without_a_table_would_be_found() -> None:
    data = read("met")
    data["limits"][0]["surprise"] = data["claim"].pop("text")
    assert set(DOCUMENT.undocumented(data)) == {"limits[] has surprise", "claim lacks text"}


def test_the_head() -> None:
    data = read("met")
    assert (data["format"], data["format_version"]) == (FORMAT, FORMAT_VERSION)
    assert data["cautions"][0] == TEACHING
    assert data["exit_code"] == 0


@pytest.mark.parametrize("variant", VARIANTS)
def test_figures_are_those_of_the_result(variant: str) -> None:
    result, data = found(variant), read(variant)
    assert data["ending"] == result.ending
    assert data["claim"]["needed_W"] == result.needed
    assert [limit["needed"] for limit in data["limits"]] == [lift.needed.value for lift in result.lifts]
    assert [limit["name"] for limit in data["limits"]] == [lift.step.rung.name for lift in result.lifts]
    assert data["after"]["word"] == result.after.word
    assert (data["remains"] is None) == (result.remains is None)


def test_ways_are_written_as_changes_are_read() -> None:
    data = read("met")
    for limit in data["limits"]:
        for way in (limit["way"], *limit["other_ways"]):
            assert read_changes(worked("bedside_charger"), way["changes"])


def test_the_data_are_plain() -> None:
    assert read_json(to_json(found("met"))) == to_data(found("met"))


def test_the_page_says_what_happens() -> None:
    failures, tests = doctest.testfile(
        str(DOCS / "remedies.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert tests > 0
    assert failures == 0
