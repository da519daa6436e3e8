"""The recorded working of the nominal pass: nothing unexplained, everything down to the board file."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import pytest
from boards import DEMOS, FAMILIES, board, demo

from flyback.analysis.assessment import Assessment, Column, assess
from flyback.analysis.demand import Demand
from flyback.analysis.inputs import asked, mains_line, nominal_numbers
from flyback.analysis.load_point import load_point
from flyback.analysis.trace import trace
from flyback.equations.formula import (
    TRIAL,
    Input,
    Recorder,
    Solved,
    Step,
    Traced,
    leaves,
    recording,
)

LINES = ((90.0, 50.0), (230.0, 50.0))
RESIDUAL = 1e-6

EVERY_DEMO = pytest.mark.parametrize("name", DEMOS)


@cache
def assessed(name: str) -> Assessment:
    """A demo board at two lines, with few samples: only the nominal pass is looked at."""
    voltage = DEMOS[name]
    demand = Demand("1 A", voltage, current=1.0)
    return assess(
        trace(demo(name)), [mains_line(*line) for line in LINES], [demand], voltage=voltage, samples=16
    )


def origins(number: Traced) -> Iterator[Input | Step | Solved]:
    """Everything a recorded number rests on, itself included."""
    pending, seen = [number], set()
    while pending:
        origin = pending.pop().origin
        if id(origin) in seen:
            continue
        seen.add(id(origin))
        yield origin
        if isinstance(origin, Step):
            pending += origin.arguments.values()
        elif isinstance(origin, Solved):
            pending += [origin.left, origin.right]


def unsettled(number: Traced) -> list[str]:
    """Solved numbers whose two sides differ by more than `RESIDUAL`."""
    return [
        f"{origin.symbol}: {origin.residual:.1e}"
        for origin in origins(number)
        if isinstance(origin, Solved) and origin.residual >= RESIDUAL
    ]


def not_from_the_board(number: Traced, keys: set[str]) -> list[str]:
    """Inputs that are neither keys of the circuit nor asked for nor printed on the label."""
    known = keys | {"mains voltage", "mains frequency", "label voltage", "claim", "load"}
    return [
        origin.key
        for origin in origins(number)
        if isinstance(origin, Input) and origin.origin != TRIAL and origin.key not in known
    ]


def figures(column: Column) -> Iterator[Traced]:
    """Every recorded figure of a column: ceilings, powers at the mean voltage, demands."""
    numbers = [step.ceiling.power for step in column.steps]
    numbers += [step.mean_power for step in column.steps] + [outcome.needed for outcome in column.outcomes]
    return (number for number in numbers if isinstance(number, Traced))


@EVERY_DEMO
def test_nothing_is_untraced(name: str) -> None:
    assert assessed(name).recorder.untraced == []
    assert assessed(name).recorder.steps


def operating_point(control: str) -> tuple[Recorder, Traced]:
    circuit = trace(board(control))
    with recording() as recorder:
        found = load_point(
            circuit,
            circuit.supply(nominal_numbers(circuit)),
            mains_line(230.0, 50.0),
            V_o=asked("output voltage", 5.0, "V", "voltage"),
            I_o=asked("load", 1.0, "A", "current"),
        )
    assert found is not None
    assert isinstance(found.V_ripple, Traced)
    return recorder, found.V_ripple


@pytest.mark.parametrize("control", [name for name in FAMILIES if name != "on/off"])
def test_an_operating_point_is_traced(control: str) -> None:
    recorder, ripple = operating_point(control)
    assert recorder.untraced == []
    assert unsettled(ripple) == []
    assert {"load", "C5.esr", "C5.capacitance"} <= {leaf.key for leaf in leaves(ripple)}


@pytest.mark.parametrize("control", FAMILIES)
def test_no_family_leaves_anything_untraced(control: str) -> None:
    circuit = trace(board(control))
    found = assess(circuit, [mains_line(230.0, 50.0)], [], voltage=5.0, samples=16)
    assert found.recorder.untraced == []


@EVERY_DEMO
def test_every_ceiling_is_recorded(name: str) -> None:
    """Only a limit that does not exist, infinity, needs no working."""
    for column in assessed(name).columns:
        for step in column.steps:
            recorded = isinstance(step.ceiling.power, Traced)
            assert recorded == (float(step.ceiling.power) < float("inf")), step.rung.name


@EVERY_DEMO
def test_solved_numbers_balance(name: str) -> None:
    for column in assessed(name).columns:
        for number in figures(column):
            assert unsettled(number) == []


def test_a_bad_balance_is_found() -> None:
    volts = [Traced(value, Input("V", "measured", "", "voltage")) for value in (1.0, 1.0 + 2e-6)]
    number = Traced(1.0, Solved("V_valley", "one = the other", *volts))
    assert unsettled(number) == ["V_valley: 2.0e-06"]


@EVERY_DEMO
def test_every_figure_unfolds_to_the_board(name: str) -> None:
    keys = set(trace(demo(name)).values)
    for column in assessed(name).columns:
        for number in figures(column):
            assert not_from_the_board(number, keys) == []
            ends = [origin for origin in origins(number) if isinstance(origin, Input)]
            assert {end.key for end in ends if end.origin != TRIAL} == {leaf.key for leaf in leaves(number)}
            assert all(end.origin != "untraced" for end in ends)


def test_a_number_from_elsewhere_is_found() -> None:
    number = Traced(1.0, Input("somewhere", "marked", "1 V", "voltage"))
    assert not_from_the_board(number, {"R3.resistance"}) == ["somewhere"]


@pytest.mark.parametrize(
    ("name", "rung", "parts"),
    [
        (
            "wall_charger",
            "current limit",
            {"R3.resistance", "R4.resistance", "U1.limit_voltage", "U1.delay", "U1.frequency"}
            | {"T1.primary_inductance", "T1.primary_turns", "D5.forward_drop", "U2.reference_voltage"}
            | {"C1.capacitance", "C2.capacitance", "mains voltage", "mains frequency"},
        ),
        (
            "bedside_charger",
            "current limit",
            {"R5.resistance", "R6.resistance", "U1.limit_voltage", "rail.voltage", "D4.clamp_voltage"},
        ),
        (
            "travel_cube",
            "current limit",
            {"R3.resistance", "Q2.base_emitter_voltage", "Q1.storage_time", "Q1.saturation_voltage"},
        ),
        ("strip_adapter", "current limit", {"R5.resistance", "U1.limit_voltage", "R10.resistance"}),
        (
            "hall_charger",
            "constant-current loop",
            {"R3.resistance", "U1.limit_voltage", "U1.conduction_share"},
        ),
        ("wall_charger", "saturation", {"T1.core_area", "T1.saturation_flux", "T1.primary_turns"}),
        ("wall_charger", "rectifier current", {"D5.current_rating"}),
        ("bedside_charger", "capacitor ripple", {"C5.ripple_rating", "C6.ripple_rating", "C6.capacitance"}),
        ("wall_charger", "sense resistor power", {"R3.power_rating", "R4.power_rating"}),
        ("travel_cube", "base drive", {"R4.resistance", "Q1.gain", "T1.base_turns"}),
        ("wall_charger", "bulk valley", {"U1.max_duty", "C1.capacitance", "C2.capacitance"}),
    ],
)
def test_leaves_name_the_parts_behind_a_ceiling(name: str, rung: str, parts: set[str]) -> None:
    for column in assessed(name).columns:
        power = next(step.ceiling.power for step in column.steps if step.rung.name == rung)
        assert parts <= {leaf.key for leaf in leaves(power)}


def test_a_part_that_is_out_is_no_leaf() -> None:
    """The bedside charger's third sense resistor is an empty footprint."""
    for column in assessed("bedside_charger").columns:
        for number in figures(column):
            assert not [leaf.key for leaf in leaves(number) if leaf.key.startswith("R7.")]


def test_leaves_keep_what_was_written() -> None:
    (column, _) = assessed("wall_charger").columns
    power = next(step.ceiling.power for step in column.steps if step.rung.name == "current limit")
    found = {leaf.key: leaf for leaf in leaves(power)}
    assert (found["R3.resistance"].text, found["R3.resistance"].origin) == ("2R4 ± 1 %", "marked")
    assert found["BR1.forward_drop"].origin == "handbook"
    assert found["BR1.forward_drop"].source
    assert found["absent.S_ramp" if "absent.S_ramp" in found else "absent.k_line"].origin == "not counted"
    assert found["mains voltage"].origin == "asked for"


@EVERY_DEMO
def test_recorded_and_unrecorded_passes_agree(name: str) -> None:
    """A step's value is what its formula gives for its arguments, bit for bit."""
    for step in assessed(name).recorder.steps:
        arguments = {key: float(number) for key, number in step.arguments.items()}
        assert float(step.formula.function(**arguments)) == step.value
