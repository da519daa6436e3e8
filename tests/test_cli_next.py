"""flyback next: options, exit codes, and words for what cannot be settled."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import worked
from click.testing import CliRunner, Result
from worked import UNKNOWN_CORE, Change, path

from flyback.cli import main
from flyback.errors import NotAFlybackError, RequestError

HALL, WALL, BEDSIDE = (str(path(f"{name}_charger")) for name in ("hall", "wall", "bedside"))


def invoke(*arguments: str) -> Result:
    # the command sets this variable, which the runner then takes back
    return CliRunner(env={"OPENBLAS_NUM_THREADS": "1"}).invoke(main, ["next", *arguments])


def written(tmp_path: Path, name: str, *changes: Change) -> str:
    file = tmp_path / "board.toml"
    file.write_text(worked.text(name, *changes), encoding="utf-8")
    return str(file)


@pytest.mark.parametrize(
    ("name", "changes", "code", "words"),
    [
        ("travel_cube", (), 0, "Nothing: all samples agree"),
        ("hall_charger", (), 0, "Unplugged, with the C1 || C2 capacitance"),
        ("wall_charger", (UNKNOWN_CORE,), 1, "must be found first"),
        ("cracked_charger", (), 1, "contradicts the parts"),
    ],
)
def test_exit_codes(name: str, changes: tuple[Change, ...], code: int, words: str, tmp_path: Path) -> None:
    result = invoke(written(tmp_path, name, *changes), "--samples", "500")
    assert result.exit_code == code
    assert words in " ".join(result.output.split())


def test_a_claim_typed_loosely() -> None:
    result = invoke(BEDSIDE, "--samples", "500", "--claim", "24W")
    assert result.exit_code == 0
    assert '"24 W in total" at 90 V 50 Hz: impossible' in result.output


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (["--mains", "230V"], "at 230 V 50 Hz"),
        (["--mains", "230V", "--mains", "100V"], "at 100 V 50 Hz"),
        (["--mains", "100V", "--frequency", "60Hz"], "at 100 V 60 Hz"),
        (["--dc", "150V"], "at 150 V dc"),
    ],
)
def test_where_it_is_judged(options: list[str], line: str) -> None:
    assert line in invoke(WALL, "--samples", "500", *options).output


def test_json() -> None:
    result = invoke(WALL, "--samples", "5000", "--mains", "230V", "--json")
    data = json.loads(result.output)
    assert (data["format"], data["exit_code"], data["samples"]) == ("flyback next", result.exit_code, 5000)


@pytest.mark.parametrize(
    ("arguments", "error", "words"),
    [
        ([BEDSIDE, "--claim", "24 W in totla"], RequestError, 'Did you mean "24 W in total"?'),
        ([BEDSIDE, "--claim", "4x2A"], RequestError, "the label's own figures decide"),
        ([WALL, "--samples", "1"], RequestError, "samples"),
    ],
)
def test_refused_in_words(arguments: list[str], error: type[Exception], words: str) -> None:
    result = invoke("--samples", "500", *arguments)
    assert isinstance(result.exception, error)
    assert words in str(result.exception)


def test_another_converter_has_no_verdict_to_settle(tmp_path: Path) -> None:
    other = written(tmp_path, "wall_charger", ('topology = "flyback"', 'topology = "half bridge"'))
    result = invoke(other)
    assert isinstance(result.exception, NotAFlybackError)
    assert "no verdict to settle" in str(result.exception)


def test_help_tells_the_exit_codes() -> None:
    output = " ".join(invoke("--help").output.split())
    assert "0 nothing is left to settle, or it is said which measurement settles it" in output
    assert "1 no measurement as listed settles it" in output
    assert "2 the input cannot be used" in output
