"""The JSON of load tests: valid, documented key by key, and the same figures as the evidence."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from json_document import Document, read_json
from worked import board as demo

from flyback.board.model import Board
from flyback.report.evidence_data import to_json
from flyback.studies.curve import read_curves
from flyback.studies.evidence import Evidence, weigh
from flyback.verdict.check import check

DOCUMENT = Document("json_evidence.md")


def boards() -> dict[str, Board]:
    bedside = demo("bedside_charger")
    return {
        "agreeing": bedside,
        "contradicting": demo("cracked_charger"),
        "without mains": replace(
            bedside, tried_on=None, load_tests=tuple(replace(t, mains=None) for t in bedside.load_tests)
        ),
        "not a flyback": demo("bedside_charger", ('topology = "flyback"', 'topology = "other"')),
        "one reading": replace(bedside, load_tests=bedside.load_tests[:1]),
    }


@cache
def found(name: str) -> Evidence:
    return weigh(check(boards()[name], samples=300), samples=300)


def data(name: str) -> dict[str, Any]:
    return read_json(to_json(found(name), read_curves(found(name).weighed)))


@pytest.mark.parametrize("name", boards())
def test_every_key_is_documented_and_there(name: str) -> None:
    assert DOCUMENT.undocumented(data(name)) == []
    assert DOCUMENT.wrong_nulls(data(name)) == []


def test_every_documented_object_is_met() -> None:
    met = {path for name in boards() for path, _ in DOCUMENT.objects(data(name))}
    assert set(DOCUMENT.tables) == met


def test_the_figures_are_those_of_the_evidence() -> None:
    evidence, read = found("agreeing"), data("agreeing")
    assert read["exit_code"] == evidence.exit_code
    assert [one["word"] for one in read["claims"]] == [one.word for one in evidence.verdicts]
    assert [one["current_A"] for one in read["readings"]] == [1.0, 2.0, 2.6, 2.75, 3.0]
    assert evidence.reconciled is not None
    moved = {one["key"]: one["after"]["median"] for one in read["together"]["moved"]}
    assert moved == {one.value.key: one.after.median for one in evidence.reconciled.moved}
    assert read["together"]["contradiction"] is None


def test_a_contradiction_says_what_would_explain_it() -> None:
    wrong = data("contradicting")["together"]["contradiction"]
    likely = [other["words"] for other in wrong["alternatives"] if other["explains"]]
    assert "one of R3 || R4 may be open" in likely
