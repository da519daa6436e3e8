"""flyback alter: what is printed, written and refused, and with which exit code."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from worked import path

import flyback
from flyback.cli import main
from flyback.errors import RequestError

WALL = str(path("wall_charger"))
BEDSIDE = str(path("bedside_charger"))
FAST = ["--samples", "200"]


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["alter", *arguments, *FAST])


@pytest.mark.parametrize(
    ("arguments", "code"),
    [([WALL, "C5.esr=40 mohm"], 0), ([WALL, "R4=open"], 1), ([BEDSIDE, "R7=2R2", "R5<->R6"], 1)],
)
def test_the_exit_code_is_that_of_the_changed_board(arguments: list[str], code: int) -> None:
    result = invoke(*arguments)
    assert result.exit_code == code
    assert "What got worse" in result.output


def test_options_of_a_check() -> None:
    result = invoke(WALL, "T1.primary_turns=90", "--mains", "230V", "--frequency", "50Hz", "--load", "0.5A")
    assert "At a load of 0.500 A" in result.output
    assert "115 V" not in result.output
    assert "150 V dc" in invoke(WALL, "R4=open", "--dc", "150V").output


def test_the_changed_board_is_written_and_nothing_written_over(tmp_path: Path) -> None:
    wanted = tmp_path / "what_if.toml"
    first = invoke(WALL, "R4=open", "-o", str(wanted))
    assert f"Wrote {wanted}." in first.output
    second = invoke(WALL, "R3=open", "-o", str(wanted))
    assert f"Wrote {tmp_path / 'what_if-2.toml'} ({wanted} exists and is kept)." in second.output
    assert len(flyback.load(wanted).playing("sense resistor")) == 1


def test_json_stays_json_when_a_file_is_written(tmp_path: Path) -> None:
    result = invoke(WALL, "R4=open", "--json", "-o", str(tmp_path / "x.toml"))
    assert json.loads(result.stdout)["format"] == "flyback alter"
    assert "Wrote" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([WALL], "no change is given"),
        ([WALL, "R9=1R0", "T1.primary_turn=3"], "2 problems"),
        ([WALL, "T1=open"], "there is no power to judge"),
        ([WALL, "T1.primary_inductance=20 uH"], "with these changes"),
        (["nowhere.toml", "R4=open"], "there is no file nowhere.toml"),
    ],
)
def test_refused_in_words(arguments: list[str], words: str) -> None:
    result = invoke(*arguments)
    assert words in str(result.exception)


def test_a_file_of_another_kind_is_refused_before_the_work() -> None:
    result = invoke(WALL, "R4=open", "-o", "x.svg")
    assert result.exit_code == 2
    assert 'the name "x.svg" must end in .toml.' in result.output


def test_nothing_is_written_where_nothing_was_judged(tmp_path: Path) -> None:
    wanted = tmp_path / "x.toml"
    invoke(WALL, "T1.primary_inductance=20 uH", "-o", str(wanted))
    assert not wanted.exists()


def test_from_python() -> None:
    board = flyback.load(WALL)
    found = flyback.alter(board, "R4=open", samples=200, mains=230.0)
    assert found.exit_code == 1
    with pytest.raises(RequestError, match="no change is given"):
        flyback.alter(board)
