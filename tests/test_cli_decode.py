"""flyback decode: what is printed and refused, and with which exit code."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest
from click.testing import CliRunner, Result
from worked import ROOT

from flyback.board.decoding.clues import Kind
from flyback.cli import main
from flyback.cli.noting import decode as command


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["decode", *arguments])


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["102"], 0, "1.00 nF"),
        (["br", "bk", "rd", "gd"], 0, "1.00 kΩ"),
        (["br bk rd gd"], 0, "1.00 kΩ"),
        (["100", "16V"], 0, "100 µF"),
        (["103", "--measured", "9.8k"], 0, "fits"),
        (["100", "--measured", "98"], 0, "Another reading of it, 100 Ω, fits."),
        (["101", "--measured", "9.8k"], 1, "No reading of it fits."),
        (["102", "--as", "capacitor"], 0, "1.00 nF"),
    ],
)
def test_what_is_printed(arguments: list[str], code: int, words: str) -> None:
    result = invoke(*arguments)
    assert result.exit_code == code
    assert words in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([""], "the marking is empty"),
        (["104", "103"], "contradicts itself"),
        (["1" * 200], "200 characters long"),
        (["4Q7"], "perhaps 4R7"),
        (["103", "--measured", "lots"], "--measured"),
        (["103", "--as", "capacitor", "--measured", "9.8k"], "not a capacitance"),
    ],
)
def test_refused_in_words(arguments: list[str], words: str) -> None:
    result = invoke(*arguments)
    assert words in str(result.exception)


def test_without_a_marking_or_with_another_kind() -> None:
    assert invoke().exit_code == 2
    assert invoke("102", "--as", "diode").exit_code == 2


def test_the_kinds_are_those_that_are_read() -> None:
    (option,) = (option for option in command.params if option.name == "kind")
    assert list(option.type.choices) == list(Kind)  # type: ignore[attr-defined]


def test_json() -> None:
    read = json.loads(invoke("2A104J", "--json").stdout)
    assert read["format"] == "flyback decode"
    assert [one["value"] for one in read["readings"]] == [pytest.approx(100e-9)]


def test_the_page_shows_what_is_printed() -> None:
    page = (ROOT / "docs" / "decode.md").read_text(encoding="utf-8")
    screens = re.findall(r"^```\n\$ flyback decode (.*?)\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert len(screens) >= 2
    for arguments, screen in screens:
        printed = invoke(*arguments.split()).output
        for paragraph in screen.strip().split("\n\n"):
            assert paragraph in printed


def test_no_heavy_library_but_numpy_is_loaded() -> None:
    script = (
        "import sys; sys.argv = ['flyback', 'decode', '102', '--json']\n"
        "from flyback import cli\n"
        "try:\n    cli.run()\nexcept SystemExit:\n    pass\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True, timeout=60
    )
    packages = {module.partition(".")[0] for module in done.stderr.split()}
    assert packages.isdisjoint(("numpy", "scipy", "pint", "sympy", "matplotlib", "tomlkit", "rich"))
