"""The JSON of what to measure next: valid, documented key by key, and the same figures as the study."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from json_document import Document, read_json
from worked import UNKNOWN_CORE, board

from flyback.board.model import Board
from flyback.report.next_data import FORMAT, FORMAT_VERSION, to_json
from flyback.studies.settle import Next, settle
from flyback.studies.settle_words import Way
from flyback.verdict.check import check

DOCUMENT = Document("json_next.md")


def boards() -> dict[str, tuple[Board, dict[str, float]]]:
    bedside = board("bedside_charger")
    sheet = (
        'ripple_rating = { value = "3.5 A", origin = "datasheet" }',
        'ripple_rating = { value = "2.5..3.5 A", origin = "datasheet" }',
    )
    no_limit = ('limit_voltage = "0.80 V ±6 %"', 'limit_voltage = "unknown"')
    return {
        "in doubt": (replace(bedside, load_tests=()), {}),
        "with a load test": (board("hall_charger"), {}),
        "contradicted": (board("cracked_charger"), {}),
        "certain": (board("travel_cube"), {}),
        "unknown": (board("wall_charger", UNKNOWN_CORE), {}),
        "bench supply": (board("wall_charger"), {"dc": 150.0}),
        "data sheet": (board("wall_charger", sheet), {}),
        "hardly a limit": (board("wall_charger", no_limit), {}),
    }


@cache
def found(name: str) -> Next:
    made, options = boards()[name]
    return settle(check(made, samples=500, **options), points=64)


def data(name: str) -> dict[str, Any]:
    return read_json(to_json(found(name)))


@pytest.mark.parametrize("name", boards())
def test_every_key_is_documented_and_there(name: str) -> None:
    assert DOCUMENT.undocumented(data(name)) == []
    assert DOCUMENT.wrong_nulls(data(name)) == []


def test_every_documented_object_is_met() -> None:
    met = {path for name in boards() for path, _ in DOCUMENT.objects(data(name))}
    assert set(DOCUMENT.tables) == met


def test_every_way_is_documented() -> None:
    row = next(line for line in DOCUMENT.text.splitlines() if line.startswith("| `way`"))
    assert all(f"`{way.value}`" in row for way in Way)


def test_format_and_version() -> None:
    assert (data("certain")["format"], data("certain")["format_version"]) == (FORMAT, FORMAT_VERSION)
    assert f'`"{FORMAT}"`' in DOCUMENT.text
    assert f"version of this format; {FORMAT_VERSION} " in DOCUMENT.text


@pytest.mark.parametrize("name", ["in doubt", "with a load test", "contradicted"])
def test_the_figures_are_those_of_the_study(name: str) -> None:
    study, read = found(name), data(name)
    assert (read["claim"], read["word"], read["way"]) == (study.claim, study.word, study.answer.way)
    assert (read["exit_code"], read["chance_of_wrong"]) == (study.exit_code, study.chance)
    assert (read["low_95_W"], read["high_95_W"]) == study.band
    assert read["load_test_counted"] is study.weighed
    assert [one["name"] for one in read["readings"]] == [row.name for row in study.rows]
    for one, row in zip(read["readings"], study.rows, strict=True):
        assert one["saves"] == {"chance": row.saved.chance, "standard_error": row.saved.error}
        assert (one["expected"], one["accuracy"]) == (row.expected, row.accuracy)
        assert (one["variance_alone"], one["variance_in_all"]) == (row.first, row.total)


def test_readings_have_si_units() -> None:
    units = {one["name"]: one["unit"] for one in data("in doubt")["readings"]}
    assert units["C1 capacitance"] == "F"
    assert units["R5 || R6 resistance"] == "Ω"
    assert units["output current at the knee, 90 V 50 Hz"] == "A"
