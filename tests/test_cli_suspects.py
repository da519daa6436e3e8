"""flyback suspects: what it prints, its exit codes, and what it loads."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from test_imports import BEYOND_NUMPY, command
from worked import path, text

from flyback.cli import main
from flyback.errors import BoardFileError, NotAFlybackError


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["suspects", *arguments])


@pytest.mark.parametrize(
    ("name", "code", "words"),
    [
        ("hall_charger", 1, "R12 and R13 exchanged?"),
        ("cracked_charger", 1, "R3 or R4 open?"),
        ("wall_charger", 0, "Nothing on this board looks swapped, misread or open."),
        ("strip_adapter", 0, "Nothing on this board looks swapped, misread or open."),
    ],
)
def test_the_worked_examples(name: str, code: int, words: str) -> None:
    result = invoke(str(path(name)))
    assert result.exit_code == code
    assert words in result.output


def test_as_json() -> None:
    result = invoke(str(path("hall_charger")), "--json")
    assert result.exit_code == 1
    assert json.loads(result.output)["format"] == "flyback suspects"


def test_another_converter_is_refused(tmp_path: Path) -> None:
    other = tmp_path / "dropper.toml"
    other.write_text(text("wall_charger", ('topology = "flyback"', 'topology = "capacitive dropper"')))
    assert isinstance(invoke(str(other)).exception, NotAFlybackError)


def test_a_file_that_cannot_be_used_is_refused(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    broken.write_text(text("wall_charger", ('marking = "2R4"', 'marking = "two"')))
    assert isinstance(invoke(str(broken)).exception, BoardFileError)


def test_it_loads_numpy_and_no_heavier_library() -> None:
    packages = command("suspects", str(path("wall_charger")), "--json")
    assert "numpy" in packages
    assert packages.isdisjoint((*BEYOND_NUMPY, "rich"))
