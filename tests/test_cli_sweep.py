"""flyback sweep: what is printed, written and refused, and that it loads no more than it needs."""

from __future__ import annotations

import doctest
import json
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from test_imports import BEYOND_NUMPY, HEAVY, command
from worked import ROOT, path

from flyback.cli import main

WALL = str(path("wall_charger"))
BEDSIDE = str(path("bedside_charger"))
FAST = ["--samples", "100", "--steps", "5"]


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["sweep", *arguments])


def test_one_and_two() -> None:
    one = invoke(BEDSIDE, "R6=0.5ohm..2ohm", *FAST)
    assert one.exit_code == 0
    assert "R6, sense resistor: 0.500 to 2.00 Ω in 5 steps; 2.20 Ω on this board." in one.output
    two = invoke(BEDSIDE, "R6=0.5ohm..2ohm", "--against", "mains=90V..264V", *FAST)
    assert two.exit_code == 0
    assert "R6 \\ mains" in two.output


def test_options() -> None:
    output = invoke(WALL, "R3=1ohm..4ohm", *FAST, "--mains", "230V", "--frequency", "60Hz").output
    assert "At 230 V 60 Hz." in output
    assert "At 150 V dc." in invoke(WALL, "R3=1ohm..4ohm", *FAST, "--dc", "150V").output
    series = invoke(WALL, "R3=1ohm..4ohm", "--series", "E6", "--samples", "100").output
    assert "1.00 to 3.30 Ω, the 4 values of E6" in series
    assert "no claim at 9 V" in str(invoke(WALL, "R3=1ohm..4ohm", "--at", "9V").exception)
    assert invoke(WALL, "R3=1ohm..4ohm", *FAST, "--at", "5V").exit_code == 0


@pytest.mark.parametrize(("suffix", "first"), [("csv", b"R3_ohm,"), ("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_files_are_written_and_nothing_written_over(tmp_path: Path, suffix: str, first: bytes) -> None:
    wanted = tmp_path / f"sweep.{suffix}"
    assert f"Wrote {wanted}." in invoke(WALL, "R3=1ohm..4ohm", *FAST, "-o", str(wanted)).output
    assert wanted.read_bytes().startswith(first)
    again = invoke(WALL, "R3=1ohm..4ohm", *FAST, "-o", str(wanted)).output
    assert f"Wrote {tmp_path / f'sweep-2.{suffix}'} ({wanted} exists and is kept)." in again


def test_json_stays_json_when_a_file_is_written(tmp_path: Path) -> None:
    result = invoke(WALL, "R3=1ohm..4ohm", *FAST, "--json", "-o", str(tmp_path / "x.csv"))
    assert json.loads(result.stdout)["format"] == "flyback sweep"
    assert "Wrote" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([WALL, "R9=1ohm..2ohm"], 'the board has no part "R9"'),
        ([WALL, "R3=2ohm..1ohm", "--against", "mains=90V..2kV", "--steps", "999"], "3 problems"),
        (["nowhere.toml", "R3=1ohm..2ohm"], "there is no file nowhere.toml"),
    ],
)
def test_refused_in_words(arguments: list[str], words: str) -> None:
    assert words in str(invoke(*arguments).exception)


def test_a_file_of_another_kind_is_refused_before_the_work() -> None:
    result = invoke(WALL, "R3=1ohm..2ohm", "-o", "x.txt")
    assert result.exit_code == 2
    assert 'the name "x.txt" must end in .svg, .png or .csv.' in result.output


def test_it_loads_no_more_than_it_needs() -> None:
    assert command("sweep", "--help").isdisjoint(HEAVY)
    packages = command("sweep", WALL, "R3=1ohm..2ohm", *FAST)
    assert "numpy" in packages
    assert packages.isdisjoint(set(BEYOND_NUMPY) - {"tomlkit"})


DOCUMENT = (ROOT / "docs" / "sweep.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^flyback (sweep .*)$", DOCUMENT, re.MULTILINE)


@pytest.mark.parametrize("written", COMMANDS)
def test_the_commands_of_the_page_do_what_they_say(
    written: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    arguments = [str(ROOT / one) if one.endswith(".toml") else one for one in shlex.split(written)]
    result = CliRunner().invoke(main, [*arguments, "--samples", "100"])
    assert result.exit_code == 0
    assert [file.name for file in tmp_path.iterdir()] == re.findall(r"-o (\S+)", written)


def test_the_example_of_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failed, tried = doctest.testfile(str(ROOT / "docs" / "sweep.md"), module_relative=False)
    assert (failed, tried > 0) == (0, True)


def test_the_options_of_the_page_are_there() -> None:
    offered = invoke("--help").output
    for option in set(re.findall(r"`(--\w+)", DOCUMENT)):
        assert option in offered
