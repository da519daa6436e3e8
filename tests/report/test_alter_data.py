"""A what-if as JSON: every key documented, figures those of the study, nothing infinite."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest
from worked import NAMES, ROOT, SAMPLES, board

from flyback.board.edit import read_changes
from flyback.report.alter_data import to_data, to_json
from flyback.studies.alter import Altered, alter

DOCUMENT = (ROOT / "docs" / "alter.md").read_text(encoding="utf-8")
CHECKS = ("before", "after")
"""Keys under which a whole check stands, documented in docs/json.md."""


@cache
def found(name: str, *texts: str) -> Altered:
    made = board(name)
    return alter(made, read_changes(made, texts), samples=SAMPLES)


def keys(data: Any, inside: str = "") -> Iterator[tuple[str, str]]:
    """Every key with the one it stands under, but for those of the two checks."""
    if isinstance(data, list):
        for entry in data:
            yield from keys(entry, inside)
    elif isinstance(data, dict):
        for key, value in data.items():
            yield inside, key
            if inside or key not in CHECKS:
                yield from keys(value, key)


def documented() -> set[str]:
    return set(re.findall(r"^\| `(\w+)` \|", DOCUMENT, re.MULTILINE))


@pytest.mark.parametrize(("name", "change"), [("wall_charger", "R4=open"), ("bedside_charger", "R7=2R2")])
def test_every_key_is_documented(name: str, change: str) -> None:
    used = {key for _, key in keys(to_data(found(name, change)))}
    assert used == documented()


def test_the_figures_are_those_of_the_study() -> None:
    study = found("wall_charger", "R4=open")
    data = to_data(study)
    assert (data["format"], data["format_version"], data["exit_code"]) == ("flyback alter", 1, 1)
    (claim,) = data["claims"]
    assert (claim["word_before"], claim["word_after"], claim["unit"], claim["turn"]) == (
        "very likely",
        "impossible",
        "A",
        "worse",
    )
    low_line = claim["lines"][0]
    assert low_line["line"] == "90 V"
    reached = study.claims[0].lines[0].before
    assert reached is not None
    assert low_line["before"] == {
        "nominal": reached.nominal,
        "low_95": reached.low,
        "high_95": reached.high,
        "met": reached.met.value,
    }
    assert data["made"] == [
        {
            "designator": "R4",
            "role": "sense resistor",
            "key": "",
            "before": "2R4 ± 1 %",
            "after": "open",
        }
    ]
    first = data["ladders"][0]["first"][-1]
    assert first == {
        "line": "264 V",
        "before": {"name": "capacitor ripple", "parts": "C5"},
        "after": {"name": "current limit", "parts": "R3"},
        "changed": True,
    }


def test_both_checks_are_whole() -> None:
    data = to_data(found("bedside_charger", "R7=2R2"))
    assert [data[key]["format"] for key in CHECKS] == ["flyback check"] * 2
    assert data["before"]["claims"][1]["word"] == data["claims"][1]["word_before"]
    assert data["after"]["board"]["file"] is None, "no file says this"
    assert data["before"]["seed"] == data["after"]["seed"]


@pytest.mark.parametrize("name", NAMES)
def test_it_is_json(name: str) -> None:
    designator = board(name).playing("output capacitor")[0].designator
    data = json.loads(to_json(found(name, f"{designator}.esr=100 mohm")))
    assert data["moved"] is True
    assert data["changes"] == [{"text": f"{designator}.esr=100 mohm", "idle": False}]
