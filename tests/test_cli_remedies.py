"""flyback remedies: exit codes, options, and words for what cannot be used."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result
from worked import path

from flyback.cli import main
from flyback.errors import FlybackError

FAST = ["--samples", "200", "--mains", "90V"]


def invoke(name: str, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["remedies", str(path(name)), *arguments, *FAST])


@pytest.mark.parametrize(
    ("name", "claim", "code", "said"),
    [
        ("strip_adapter", None, 0, "nothing needs to change"),
        ("bedside_charger", "14 W", 0, "On paper 14 W is very likely"),
        ("travel_cube", None, 1, "cannot be made a 1 A supply"),
    ],
)
def test_the_exit_code_says_how_it_ends(name: str, claim: str | None, code: int, said: str) -> None:
    result = invoke(name, *(() if claim is None else ("--claim", claim)))
    assert result.exit_code == code, result.output
    assert said in " ".join(result.output.split())


def test_json() -> None:
    result = invoke("bedside_charger", "--claim", "14 W", "--json")
    assert result.exit_code == 0
    data = json.loads(result.output)
    assert data["format"] == "flyback remedies"
    assert data["claim"]["text"] == "14 W"


def test_a_bench_supply() -> None:
    result = CliRunner().invoke(
        main, ["remedies", str(path("wall_charger")), "--claim", "3 A", "--dc", "150V", "--samples", "200"]
    )
    assert result.exit_code in (0, 1)
    assert "150 V dc" in result.output
    assert "µF" not in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--claim", "lots"], "neither a claim of the label nor a figure"),
        (["--claim", "2 a"], 'did you mean "2 A"'),
    ],
)
def test_refused_in_words(arguments: list[str], words: str) -> None:
    result = invoke("wall_charger", *arguments)
    assert result.exit_code != 0
    assert isinstance(result.exception, FlybackError)
    assert words in str(result.exception)


def test_help_says_what_it_is_for() -> None:
    result = CliRunner().invoke(main, ["remedies", "--help"])
    assert result.exit_code == 0
    assert "For teaching, not for repairs" in result.output
    assert "Exit codes" in result.output
