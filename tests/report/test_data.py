"""The JSON of a check: valid, documented key by key, and the same figures as the check."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from json_document import Document, read_json
from worked import (
    EXAMPLES,
    FOUR_PORTS,
    NAMES,
    SAMPLES,
    UNKNOWN_BULK,
    UNKNOWN_FREQUENCY,
    UNKNOWN_RECTIFIER,
    UNKNOWN_SENSE,
    Change,
    board,
    checked,
)

import flyback
from flyback.report.data import to_data, to_json
from flyback.report.safety import CAUTIONS
from flyback.studies.evidence import Evidence, weigh
from flyback.verdict.check import Check, check

# the keys of `lacking` are names of rungs, not keys of the format
DOCUMENT = Document("json.md", frozenset({"ladders[].lacking"}))

VARIANTS: list[tuple[str, tuple[Change, ...]]] = [
    *((name, ()) for name in NAMES),
    ("wall_charger", (UNKNOWN_SENSE,)),
    ("wall_charger", (UNKNOWN_BULK,)),
    ("wall_charger", (UNKNOWN_FREQUENCY, UNKNOWN_RECTIFIER)),
    ("wall_charger", (('topology = "flyback"', 'topology = "other"'),)),
    ("bedside_charger", ((FOUR_PORTS, FOUR_PORTS.replace("2 A", "9 A")),)),
]

PLAIN_NUMBERS = {
    *("format_version", "exit_code", "samples", "seed", "unsettled_samples"),
    *("share", "low", "high", "duty_cycle", "share_of_larger_bulk", "share_if_pulses_alternate"),
    "value",
}
"""Numbers without a unit in their key."""


def with_tests(result: Check) -> Evidence | None:
    """The load tests of its file weighed with it, as the command does."""
    return weigh(result, samples=SAMPLES, ask=()) if result.board.load_tests else None


def read(result: Check) -> dict[str, Any]:
    return read_json(to_json(result, with_tests(result)))


def variant(name: str, changes: tuple[Change, ...]) -> dict[str, Any]:
    return read(checked(name, *changes))


# --- the format -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "changes"), VARIANTS)
def test_every_key_is_documented_and_there(name: str, changes: tuple[Change, ...]) -> None:
    data = variant(name, changes)
    assert DOCUMENT.undocumented(data) == []
    assert DOCUMENT.wrong_nulls(data) == []


def test_every_documented_object_is_met() -> None:
    met = {path for name, changes in VARIANTS for path, _ in DOCUMENT.objects(variant(name, changes))}
    assert set(DOCUMENT.tables) == met


@pytest.mark.parametrize(
    "place", [(), ("board",), ("claims", 0), ("ladders", 0, "lines", 0, "ceilings", 0)]
)
def test_a_planted_key_is_found(place: tuple[str | int, ...]) -> None:
    data = read(checked("wall_charger"))
    inner: Any = data
    for step in place:
        inner = inner[step]
    inner["surprise"] = 1
    assert [fault.split()[-1] for fault in DOCUMENT.undocumented(data)] == ["surprise"]
    del inner["surprise"]
    key, _ = inner.popitem()
    assert [fault.split()[-1] for fault in DOCUMENT.undocumented(data)] == [key]


def test_a_planted_object_and_a_planted_null_are_found() -> None:
    data = read(checked("wall_charger"))
    data["board"]["name"] = {"first": "Wall"}
    assert DOCUMENT.undocumented(data) == ["board.name has no table"]
    data["board"]["name"] = None
    assert DOCUMENT.wrong_nulls(data) == ["board.name"]


@pytest.mark.parametrize("constant", ["NaN", "Infinity", "-Infinity"])
def test_what_is_not_json_would_be_refused(constant: str) -> None:
    with pytest.raises(ValueError, match="not JSON"):
        read_json(f'{{"a": {constant}}}')


def test_format_and_version() -> None:
    data = read(checked("wall_charger"))
    assert data["format"] == "flyback check"
    assert data["format_version"] == 1
    assert data["flyback_version"] == flyback.__version__
    assert "`format_version` is 1." in DOCUMENT.text
    assert '`"flyback check"`' in DOCUMENT.text


@pytest.mark.parametrize(("name", "changes"), VARIANTS)
def test_units_end_the_keys(name: str, changes: tuple[Change, ...]) -> None:
    for path, found in DOCUMENT.objects(variant(name, changes)):
        in_band = path.endswith("_W")
        if in_band or path == "assumed[]":
            continue
        for key, value in found.items():
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                assert key in PLAIN_NUMBERS or re.search(r"_(V|A|W|Hz|T)$", key), f"{path}.{key}"


def test_the_example_is_the_first_claim_of_the_bedside_charger() -> None:
    shown = json.loads(DOCUMENT.text.rpartition("```json\n")[2].partition("```")[0])
    result = check(flyback.load(EXAMPLES / "bedside_charger.toml"), mains=90.0, frequency=50.0)
    real = json.loads(to_json(result))["claims"][0]
    assert list(shown) == list(real)
    for key, value in shown.items():
        if isinstance(value, dict):
            numbers = {inner: number for inner, number in value.items() if isinstance(number, float)}
            # three digits are shown
            assert {inner: real[key][inner] for inner in numbers} == pytest.approx(numbers, rel=6e-3)
            assert {inner: real[key][inner] for inner in value.keys() - numbers} == {
                inner: value[inner] for inner in value.keys() - numbers
            }
        else:
            assert real[key] == value


# --- the figures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_ladders_are_those_of_the_check(name: str) -> None:
    result = checked(name)
    data = read(result)
    for ladder, assessment in zip(data["ladders"], result.assessments, strict=True):
        assert ladder["output_V"] == assessment.voltage
        for line, column in zip(ladder["lines"], assessment.columns, strict=True):
            assert line["line"]["name"] == column.line.full_name
            assert line["line"]["mains_V"] == column.line.V_ac
            assert line["rail_V"] == column.V_o
            assert line["lowest_W"]["nominal"] == column.lowest.nominal
            for ceiling, step in zip(line["ceilings"], column.steps, strict=True):
                power = float(step.band.nominal)
                assert (ceiling["name"], ceiling["parts"]) == (step.rung.name, step.parts)
                assert ceiling["power_W"]["nominal"] == (None if power == float("inf") else power)


@pytest.mark.parametrize("name", NAMES)
def test_claims_are_those_of_the_check(name: str) -> None:
    result = checked(name)
    data = read(result)
    assert [(claim["text"], claim["word"], claim["stopped_by"]) for claim in data["claims"]] == [
        (judgement.text, judgement.word.value, judgement.culprit) for judgement in result.judgements
    ]
    kinds = ["power"] * len(result.claims) + ["label"] * len(result.label)
    assert [claim["kind"] for claim in data["claims"]] == kinds
    for claim, judgement in zip(data["claims"], result.claims, strict=False):
        assert claim["needed_W"] == judgement.outcome.needed
        assert claim["reached_and_held"]["share"] == judgement.outcome.both.value
        assert claim["lowest_W"]["low_95"] == judgement.column.lowest.low
    assert data["exit_code"] == (with_tests(result) or result).exit_code
    assert data["why"] == list(result.why)
    assert data["cautions"] == list(CAUTIONS)
    assert (data["samples"], data["seed"]) == (SAMPLES, result.seed)


@pytest.mark.parametrize("name", NAMES)
def test_operating_points_are_those_of_the_check(name: str) -> None:
    result = checked(name)
    data = read(result)["operating_points"]
    assert data["load_A"] == result.load
    for shown, point in zip(data["points"], result.points, strict=True):
        if point is None:
            assert shown is None
            continue
        assert shown["primary_peak_current_A"] == point.pulse.I_pk
        assert shown["bulk_valley_V"] == point.V_valley
        assert shown["continuous_conduction"] is point.continuous
        # volts times amps
        assert shown["socket_power_W"] == pytest.approx(float(point.V_o) * float(point.I_o))


def test_a_limit_that_is_not_there_is_null() -> None:
    ceilings = read(checked("strip_adapter"))["ladders"][0]["lines"][0]["ceilings"]
    duty = next(ceiling for ceiling in ceilings if ceiling["name"] == "duty limit")
    assert duty["power_W"]["nominal"] is None


def test_label_figures_have_no_ladder() -> None:
    ports = next(
        claim for claim in read(checked("bedside_charger"))["claims"] if claim["text"] == "4 x 2 A"
    )
    assert (ports["kind"], ports["word"]) == ("label", "contradicts")
    assert ports["figure"] == {"value": 40.0, "unit": "W"}
    for key in ("line", "needed_W", "lowest_W", "reached", "reached_and_held"):
        assert ports[key] is None


def test_what_is_unknown_is_named() -> None:
    data = read(checked("wall_charger", UNKNOWN_SENSE))
    assert data["ladders"][0]["lacking"]["current limit"] == ["R3.resistance"]
    assert "current limit: needs R3.resistance" in data["not_checked"]


def test_a_load_the_bulk_cannot_feed_is_null() -> None:
    points = read(check(board("travel_cube"), samples=SAMPLES, load=0.9))["operating_points"]["points"]
    assert [point is None for point in points] == [True, True, False, False]


def test_a_board_that_is_not_judged() -> None:
    data = variant("wall_charger", (('topology = "flyback"', 'topology = "other"'),))
    assert data["judged"] is False
    assert (data["ladders"], data["operating_points"]) == ([], {"load_A": None, "points": []})
    assert [claim["kind"] for claim in data["claims"]] == ["label"]


def test_names_come_back_as_written() -> None:
    name = 'Ladegerät "Ω" [red]x[/red] \\u0041 床头'
    changed = board("wall_charger", ('name = "Wall charger"', f"name = '{name}'"))
    data = read(check(changed, samples=SAMPLES, mains=230.0))
    assert data["board"]["name"] == name
    assert data["board"]["file"] is None


def test_the_file_is_named_as_it_was_given() -> None:
    path = EXAMPLES / "wall_charger.toml"
    loaded = flyback.load(path)
    data = to_data(check(loaded, samples=SAMPLES, mains=230.0))
    assert data["board"]["file"] == str(path)
    assert data["board"]["digest"] == loaded.digest
