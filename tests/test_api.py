"""The package as Python sees it: two functions, frozen results, words for every mistake."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from worked import NAMES, ROOT, SAMPLES, checked, path

import flyback
from flyback.equations.formula import Recorder
from flyback.errors import BoardFileError, FlybackError, InputError, RequestError
from flyback.verdict.check import Check
from flyback.verdict.check import check as checking


def test_all_is_complete_and_sorted() -> None:
    assert flyback.__all__ == sorted(flyback.__all__)
    script = "import flyback, types\nprint(*(n for n, v in vars(flyback).items() if not n.startswith('_')))"
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    borrowed = {"annotations", "os", "Any", "TYPE_CHECKING"}
    assert set(done.stdout.split()) - borrowed == set(flyback.__all__) - {"__version__"}
    assert all(hasattr(flyback, name) for name in flyback.__all__)


def test_the_version_is_that_of_the_package() -> None:
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert f'version = "{flyback.__version__}"' in project


@pytest.mark.parametrize("function", [flyback.load, flyback.check, checking])
def test_public_functions_are_explained(function: Any) -> None:
    text = inspect.getdoc(function)
    assert text
    assert text.partition("\n")[0].endswith(".") or ";" in text.partition("\n")[0]


def test_every_option_of_a_check_is_explained_with_its_unit() -> None:
    text = inspect.getdoc(checking) or ""
    options = [
        name for name, p in inspect.signature(checking).parameters.items() if p.kind is p.KEYWORD_ONLY
    ]
    assert {"mains", "frequency", "dc", "load", "samples"} <= set(options)
    for name, unit in {"mains": "V", "frequency": "Hz", "dc": "V", "load": "A"}.items():
        described = text.partition(f"    {name}: ")[2].partition("\n    d")[0]
        assert f"[{unit}" in described
    for error in ("RequestError", "BoardFileError", "NumericalError"):
        assert error in text


def test_options_have_no_place_of_their_own() -> None:
    board = flyback.load(path("wall_charger"))
    with pytest.raises(TypeError):
        flyback.check(board, 230.0)  # type: ignore[call-arg, arg-type]


# --- load -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_load_takes_a_path_or_its_text(name: str) -> None:
    board = flyback.load(path(name))
    assert board == flyback.load(str(path(name)))
    assert board.path == path(name)


def test_load_says_what_is_wrong() -> None:
    with pytest.raises(BoardFileError) as caught:
        flyback.load(Path("nowhere") / "board.toml")
    assert isinstance(caught.value, InputError)
    assert isinstance(caught.value, ValueError)
    assert isinstance(caught.value, FlybackError)
    assert len(caught.value.problems) == 1


# --- check ----------------------------------------------------------------------------------------


def test_check_is_the_check_of_the_verdict() -> None:
    board = flyback.load(path("bedside_charger"))
    assert flyback.check(board, samples=SAMPLES, mains=230.0) == checking(
        board, samples=SAMPLES, mains=230.0
    )


def test_check_refuses_in_words() -> None:
    board = flyback.load(path("wall_charger"))
    with pytest.raises(RequestError, match="load: -1 A"):
        flyback.check(board, load=-1.0)


@pytest.mark.parametrize("name", NAMES)
def test_equal_runs_give_equal_results(name: str) -> None:
    board = flyback.load(path(name))
    first, second = (flyback.check(board, samples=SAMPLES) for _ in range(2))
    assert first == second
    assert first is not second


def test_results_that_differ_are_not_equal() -> None:
    board = flyback.load(path("wall_charger"))
    results = [flyback.check(board, samples=SAMPLES, mains=volts) for volts in (229.0, 230.0)]
    assert results[0] != results[1]


def test_a_check_leaves_its_board_alone() -> None:
    board = flyback.load(path("wall_charger"))
    flyback.check(board, samples=SAMPLES, mains=230.0)
    assert board == flyback.load(path("wall_charger"))


# --- results are frozen ---------------------------------------------------------------------------


def parts_of(value: Any, where: str = "check") -> Iterator[tuple[str, Any]]:
    """Every value inside a result; the working is a list by design and is not entered."""
    yield where, value
    if isinstance(value, Recorder):
        return
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            yield from parts_of(getattr(value, field.name), f"{where}.{field.name}")
    elif isinstance(value, tuple):
        for entry in value:
            yield from parts_of(entry, f"{where}[]")
    elif isinstance(value, Mapping):
        for entry in value.values():
            yield from parts_of(entry, f"{where}{{}}")


def thawed(value: Any) -> list[str]:
    """Places in a result that could be changed by accident."""
    return sorted(
        {
            where
            for where, part in parts_of(value)
            if isinstance(part, (list, set))
            or (
                dataclasses.is_dataclass(part)
                and not isinstance(part, Recorder)
                and not type(part).__dataclass_params__.frozen
            )
        }
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_result_is_frozen_through_and_through(name: str) -> None:
    assert thawed(checked(name)) == []


def test_what_is_not_frozen_would_be_found() -> None:
    result = dataclasses.replace(checked("wall_charger"), notices=["a list"])  # type: ignore[arg-type]
    assert thawed(result) == ["check.notices"]


def test_a_result_copies() -> None:
    result = checked("wall_charger")
    assert copy.copy(result) == result
    assert isinstance(dataclasses.replace(result, load=1.0), Check)
