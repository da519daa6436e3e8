"""The JSON of suspicions: valid, documented key by key, and the same figures."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from boards import Changes, demo
from json_document import Document, read_json

from flyback.report.suspects_data import to_json
from flyback.studies.suspects import Suspicions, look_for

DOCUMENT = Document("json_suspects.md")

CASES: dict[str, tuple[str, dict[str, Changes]]] = {
    "exchanged": ("hall_charger", {}),
    "open": ("cracked_charger", {}),
    "nothing": ("wall_charger", {}),
    "misread": ("wall_charger", {"R11": {"value": "976 ohm"}}),
    "odd": ("wall_charger", {"T1": {"primary_turns": 30}}),
}


@cache
def found(case: str) -> Suspicions:
    name, changes = CASES[case]
    return look_for(demo(name, **changes))


def data(case: str) -> dict[str, Any]:
    return read_json(to_json(found(case)))


@pytest.mark.parametrize("case", CASES)
def test_every_key_is_documented_and_there(case: str) -> None:
    assert DOCUMENT.undocumented(data(case)) == []
    assert DOCUMENT.wrong_nulls(data(case)) == []


def test_every_documented_object_is_met() -> None:
    met = {path for case in CASES for path, _ in DOCUMENT.objects(data(case))}
    assert set(DOCUMENT.tables) == met


def test_the_figures_are_those_of_the_study() -> None:
    read, suspicions = data("exchanged"), found("exchanged")
    (finding,) = read["findings"]
    assert finding["grade"] == "suspect"
    assert finding["chance"] == suspicions.findings[0].chance
    one = finding["explanations"][0]
    assert (one["kind"], one["parts"], one["reading"]) == ("exchanged", ["R12", "R13"], None)
    led = next(pair for pair in one["figures"] if pair["as_traced"]["of"] == ["D6"])
    assert (led["as_traced"]["value"], led["then"]["value"]) == pytest.approx((3.1 / 22e3, 3.1e-3))
    assert (led["as_traced"]["low"], led["as_traced"]["high"]) == (0.5e-3, 20e-3)
    assert (led["as_traced"]["outside"], led["then"]["outside"]) == (True, False)
    assert read["exit_code"] == 1
    assert len(read["figures"]) == len(suspicions.figures)


def test_a_misreading_has_its_codes() -> None:
    one = data("misread")["findings"][0]["explanations"][0]
    assert one["reading"] == "9761"
    assert one["slip"] == "one zero more or less"
    assert "9762" in one["other_readings"]


def test_a_load_test_has_both_boards() -> None:
    told = data("open")["findings"][0]["explanations"][0]["load_test"]
    assert told["as_traced_A"] > 3 * told["current_A"]
    assert told["then_A"] == pytest.approx(told["current_A"], rel=0.05)
    assert told["at_the_limit"]


def test_nothing_is_an_empty_list() -> None:
    assert data("nothing")["findings"] == []
    assert [one["name"] for one in data("nothing")["not_traced"]] == ["fuse"]
    assert data("odd")["odd"]
