"""flyback evidence: load tests of the file and of a log, and words for what cannot be used."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from worked import path

from flyback.cli import main

BEDSIDE = str(path("bedside_charger"))
WALL = str(path("wall_charger"))
FAST = ["--samples", "200"]


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["evidence", *arguments, *FAST])


def test_load_tests_of_the_file() -> None:
    """The bedside charger's claims fail whatever was read."""
    result = invoke(BEDSIDE)
    assert result.exit_code == 1
    assert "5 load tests" in result.output


def test_a_log_comes_on_top(tmp_path: Path) -> None:
    log = tmp_path / "meter.csv"
    log.write_text("voltage_V,current_A\n5.05,1.0\n4.9,2.7\n", encoding="utf-8")
    result = invoke(BEDSIDE, "--log", str(log), "--mains", "230V", "--read-at", "meter")
    assert result.exit_code == 1
    assert "7 load tests" in result.output


def test_a_log_alone(tmp_path: Path) -> None:
    log = tmp_path / "meter.csv"
    log.write_text("voltage_V,current_A\n5.05,1.0\n", encoding="utf-8")
    result = invoke(WALL, "--log", str(log), "--mains", "230V")
    assert result.exit_code == 0
    assert "1 load test" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([WALL], "has no load test"),
        ([BEDSIDE, "--mains", "230V"], "are of a meter log"),
        ([BEDSIDE, "--log", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_refused_in_words(arguments: list[str], words: str) -> None:
    result = invoke(*arguments)
    assert result.exit_code != 0
    assert words in str(result.exception)


def test_a_bad_log_names_its_lines(tmp_path: Path) -> None:
    log = tmp_path / "meter.csv"
    log.write_text("voltage_V,current_A\n5.05,abc\n,1\n", encoding="utf-8")
    result = invoke(BEDSIDE, "--log", str(log))
    assert result.exit_code != 0
    assert "line 2" in str(result.exception)
    assert "line 3" in str(result.exception)


def test_a_claim_that_falls_short_in_the_readings_fails(tmp_path: Path) -> None:
    """The wall charger's parts promise 2 A; a log in which it gives way at 0.9 A says otherwise."""
    log = tmp_path / "meter.csv"
    log.write_text("voltage_V,current_A\n5.0,0.5\n4.1,0.9\n3.6,1.05\n", encoding="utf-8")
    result = invoke(WALL, "--log", str(log), "--mains", "230V", "--read-at", "socket")
    assert result.exit_code == 1
    assert "falls short" in result.output


def test_json_is_json() -> None:
    found = json.loads(invoke(BEDSIDE, "--json").output)
    assert found["format"] == "flyback evidence"
    assert [one["word"] for one in found["claims"]] == ["impossible", "very likely"]
