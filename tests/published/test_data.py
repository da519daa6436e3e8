"""The data files behind the comparisons: every row says where it comes from, nothing is left over."""

from __future__ import annotations

import json
import math
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import pytest

from .cases import DATA, PRACTICE, PUBLISHED, READ, RECOMPUTED, SECOND_PATH, all_checks, published_cases
from .recomputation import ARITHMETIC
from .recomputed_boards import NOT_CHECKED
from .rows import Kind
from .simulated import SIMULATED

BASES = {READ, SECOND_PATH, PRACTICE, "from memory", "circuit simulation"}
UNSOURCED = "common practice, no source"

EXAMPLES = tomllib.loads(PUBLISHED.read_text(encoding="utf-8"))["examples"]
SIMULATION = json.loads(SIMULATED.read_text(encoding="utf-8"))


def example_faults(example: Mapping[str, Any]) -> list[str]:
    """What is wrong with a worked example of the data file; empty for a sound one."""
    faults = []
    if not example.get("source", "").strip():
        faults.append("no source")
    if not all(math.isfinite(value) for value in example["inputs"].values()):
        faults.append("input not finite")
    unknown = set(example.get("inputs_not_seen", {})) - set(example["inputs"])
    faults += [f"not an input: {name}" for name in sorted(unknown)]
    for figure in example["figures"]:
        faults += [f"{figure.get('name')}: {fault}" for fault in figure_faults(figure, example)]
    return faults


def figure_faults(figure: Mapping[str, Any], example: Mapping[str, Any]) -> list[str]:
    faults = []
    basis = figure.get("basis")
    if basis not in BASES:
        faults.append(f"unknown basis {basis}")
    if (basis == PRACTICE) != (example.get("source") == UNSOURCED):
        faults.append("a common practice, and nothing else, has no source")
    try:
        Decimal(figure.get("printed", ""))
    except InvalidOperation:
        faults.append("printed is no number")
    if ("reach" in figure) != bool(figure.get("because", "").strip()):
        faults.append("reach and its reason go together")
    if figure.get("fitted") and not figure.get("remark", "").strip():
        faults.append("fitted without saying what was solved from it")
    return faults


def numbers(value: Any) -> Iterator[float]:
    """Every number anywhere inside a document."""
    if isinstance(value, Mapping):
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from numbers(inner)
    elif isinstance(value, int | float):
        yield value


def simulated_faults(document: Mapping[str, Any]) -> list[str]:
    """What is wrong with the simulation's data file; empty for a sound one."""
    faults = [] if document.get("source", "").strip() else ["no source"]
    if document.get("basis") != "circuit simulation":
        faults.append("unknown basis")
    for name, case in document["cases"].items():
        if case["kind"] != name[0]:
            faults.append(f"{name}: kind {case['kind']}")
        if not any(key in case for key in ("measured", "points", "runs")):
            faults.append(f"{name}: nothing measured")
        if not all(map(math.isfinite, numbers(case))):
            faults.append(f"{name}: not finite")
        runs = [case, *case.get("points", ()), *case.get("closed_loop", ()), *case.get("runs", ())]
        if any(run.get("sim", {}).get("log_bad") for run in runs):
            faults.append(f"{name}: the simulator complained")
    return faults


@pytest.mark.parametrize("example", EXAMPLES, ids=[example["id"] for example in EXAMPLES])
def test_worked_example_is_sound(example: Mapping[str, Any]) -> None:
    assert example_faults(example) == []


def test_simulation_is_sound() -> None:
    assert simulated_faults(SIMULATION) == []


@pytest.mark.parametrize(
    ("figure", "source", "fault"),
    [
        ({}, "", "no source"),
        ({"basis": "hearsay"}, "AN-0", "F: unknown basis hearsay"),
        ({"basis": PRACTICE}, "AN-0", "F: a common practice, and nothing else, has no source"),
        ({}, UNSOURCED, "F: a common practice, and nothing else, has no source"),
        ({"printed": "about 5"}, "AN-0", "F: printed is no number"),
        ({"reach": [1, 1]}, "AN-0", "F: reach and its reason go together"),
        ({"because": "it is so"}, "AN-0", "F: reach and its reason go together"),
        ({"fitted": True}, "AN-0", "F: fitted without saying what was solved from it"),
    ],
)
def test_a_fault_in_an_example_is_found(figure: Mapping[str, Any], source: str, fault: str) -> None:
    row = {"name": "F", "printed": "1.0", "basis": READ, **figure}
    assert example_faults({"source": source, "inputs": {}, "figures": [row]}) == [fault]


@pytest.mark.parametrize(
    ("inputs", "not_seen", "fault"),
    [({"x": math.nan}, {}, "input not finite"), ({"x": 1}, {"y": "inferred"}, "not an input: y")],
)
def test_a_fault_in_the_inputs_is_found(
    inputs: Mapping[str, float], not_seen: Mapping[str, str], fault: str
) -> None:
    example = {"source": "AN-0", "inputs": inputs, "inputs_not_seen": not_seen, "figures": []}
    assert example_faults(example) == [fault]


@pytest.mark.parametrize(
    ("case", "fault"),
    [
        ({"kind": "b", "measured": {}}, "a1: kind b"),
        ({"kind": "a"}, "a1: nothing measured"),
        ({"kind": "a", "measured": {"Ipk": math.inf}}, "a1: not finite"),
        (
            {"kind": "a", "points": [{"sim": {"log_bad": ["gmin stepping failed"]}}]},
            "a1: the simulator complained",
        ),
    ],
)
def test_a_fault_in_the_simulation_is_found(case: Mapping[str, Any], fault: str) -> None:
    assert simulated_faults({**SIMULATION, "cases": {"a1": case}}) == [fault]


@pytest.mark.parametrize(("key", "fault"), [("source", "no source"), ("basis", "unknown basis")])
def test_a_simulation_without_provenance_is_found(key: str, fault: str) -> None:
    assert simulated_faults({**SIMULATION, key: ""}) == [fault]


def test_every_published_figure_is_recomputed_or_says_why_not() -> None:
    figures = {case.key for case in published_cases()}
    assert set(RECOMPUTED) | set(NOT_CHECKED) == figures
    assert not set(RECOMPUTED) & set(NOT_CHECKED)
    assert all(NOT_CHECKED.values())


def test_arithmetic_of_a_source_is_told_apart() -> None:
    """These rows check the copied data, not our formulas."""
    arithmetic = {(check.case, check.figure) for check in all_checks() if ARITHMETIC in check.note}
    assert arithmetic == {
        ("ccm-12v-15w-ef25", "A_LG"),
        ("ccm-24v-60w", "Cout_ratio_2"),
        ("rcc-5v-0a4-spec", "Io_max"),
        ("psr-cc-constants", "eta_xfmr"),
        ("loss-34w-discrete", "loss"),
        ("loss-34w-discrete", "loss_sum"),
        ("bench-5v-0a5-stress", "n"),
    }


def test_rows_are_complete_and_told_apart() -> None:
    rows = all_checks()
    assert all(row.source and math.isfinite(row.ours) and row.low < row.high for row in rows)
    assert max(Counter(row.name for row in rows).values()) == 1
    assert {row.kind for row in rows} == set(Kind)


def test_the_data_are_copies_of_our_own() -> None:
    """The comparisons stand alone: two files beside the tests, no links to elsewhere."""
    files = sorted(DATA.iterdir())
    assert files == sorted([PUBLISHED, SIMULATED])
    assert DATA.resolve() == Path(__file__).resolve().parent / "data"
    assert not any(file.is_symlink() for file in files)
