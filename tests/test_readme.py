"""The README shows what really happens: its screen, its commands and its options."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from flyback.cli import main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _blocks(language: str) -> list[str]:
    blocks = re.findall(r"^```(\w*)\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
    return [text for named, text in blocks if named == language]


def test_opens_with_the_job_in_one_paragraph():
    _, first, *_ = README.split("\n\n")
    assert first.startswith("`flyback` judges whether the label")
    assert len(first.split()) < 150


def test_the_screen_it_shows_is_what_the_command_prints():
    (screen,) = _blocks("")
    run = subprocess.run(
        [sys.executable, "-m", "flyback", "check", "worked_examples/bedside_charger.toml"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    printed = run.stdout.split("\n\n")
    for paragraph in screen.strip().split("\n\n"):
        assert paragraph in printed


def test_ci_runs_its_two_commands():
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    commands = [block.strip() for block in _blocks("sh") if block.startswith("python3 -m venv")]
    assert [command.split()[-1] for command in commands] == [
        "worked_examples/bedside_charger.toml",
        "pytest",
    ]
    assert "README.md" in ci


@pytest.mark.parametrize("option", sorted(set(re.findall(r"`… (--\w+)", README))))
def test_every_option_it_names_exists(option):
    assert option in CliRunner().invoke(main, ["check", "--help"]).output


@pytest.mark.parametrize("name", sorted(set(re.findall(r"`(\w+\.toml)`", README))))
def test_every_board_it_names_is_there(name):
    assert (ROOT / "worked_examples" / name).is_file()
