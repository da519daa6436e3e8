"""From parts to the circuit: what adds, what is parallel, which rating decides."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from boards import FAMILIES, board, nominal, traced

from flyback.analysis.circuit import Supply
from flyback.analysis.trace import trace


def marked(role: str, value: str, **more: Any) -> dict[str, Any]:
    return {"role": role, "value": value, "origin": "marked", **more}


def rated(role: str, value: str, **ratings: str) -> dict[str, Any]:
    entries = {key: {"value": text, "origin": "datasheet"} for key, text in ratings.items()}
    return marked(role, value, **entries)


def number(made: Supply, name: str) -> float:
    found = getattr(made, name)
    assert found is not None, name
    return float(found)


def supply(control: str = "fixed-frequency peak current", /, **changes: Any) -> Supply:
    return traced(board(control, **changes))[1]


@pytest.mark.parametrize(
    ("changes", "name", "expected"),
    [
        # 2.4 · 2.4 / (2.4 + 2.4) = 1.2
        ({}, "R_s", 1.2),
        # conductances 1/2.4 + 1/2.4 + 1/1.2 = 1.6667 S
        ({"R5": marked("sense resistor", "1R2")}, "R_s", 0.6),
        ({"C2": marked("bulk capacitor", "10 uF")}, "C_bulk", 32e-6),
        (
            {"C2": marked("bulk capacitor", "10 uF"), "C3": marked("bulk capacitor", "4u7")},
            "C_bulk",
            36.7e-6,
        ),
        ({"C6": marked("output capacitor", "1000 uF")}, "C_o", 1680e-6),
        # 30 mΩ || 60 mΩ = 20 mΩ
        ({"C6": rated("output capacitor", "330 uF", esr="60 mohm")}, "R_esr", 20e-3),
        (
            {"R1": marked("series resistor", "10 ohm"), "R2": marked("series resistor", "4R7")},
            "R_series",
            14.7,
        ),
        # 150k || 75k = 50k
        (
            {
                "D4": None,
                "R20": marked("clamp resistor", "150 kohm"),
                "R21": marked("clamp resistor", "75 kohm"),
            },
            "R_cl",
            50e3,
        ),
        ({}, "n", 15.0),
        ({}, "L_m", 975e-6),
        ({}, "R_on", 3.0 + 1.5 + 1.2),
        ({}, "t_delay", 200e-9),
        (
            {"D7": {"role": "output rectifier", "current_rating": {"value": "3 A", "origin": "datasheet"}}},
            "I_rectifier",
            8.0,
        ),
    ],
)
def test_parts_together(changes: dict[str, Any], name: str, expected: float) -> None:
    assert getattr(supply(**changes), name) == pytest.approx(expected, rel=1e-12)


def test_storage_time_follows_the_delay() -> None:
    """200 ns in the controller, then 0.5 µs in the bipolar switch."""
    switch = {
        "role": "switching transistor",
        "kind": "bipolar",
        "storage_time": {"value": "0.5 us", "origin": "datasheet"},
        "saturation_voltage": {"value": "0.8 V", "origin": "datasheet"},
        "drain_capacitance": {"value": "50 pF", "origin": "datasheet"},
    }
    made = supply(Q1=switch)
    assert made.t_delay == pytest.approx(700e-9)
    assert made.V_sat == 0.8
    assert made.R_on == pytest.approx(1.5 + 1.2), "a bipolar switch has no on-resistance"


def test_base_resistors_add() -> None:
    made = supply("self-oscillating", R8=marked("base resistor", "47 ohm"))
    assert made.R_b == pytest.approx(147.0)


DIVIDER = {
    "U2": {"role": "voltage reference", "reference_voltage": {"value": "2.495 V", "origin": "datasheet"}},
    "R10": marked("upper divider resistor", "10 kohm"),
    "R11": marked("lower divider resistor", "9k76"),
}


def test_divider_sets_the_rail() -> None:
    """2.495 V · (1 + 10000 / 9760) = 2.495 V · 2.024590 = 5.05135 V; printed as 5.0514 V."""
    assert supply(**DIVIDER).V_rail == pytest.approx(5.0514, abs=5e-5)


def test_divider_of_several_resistors() -> None:
    """2.495 V · (1 + (10000 + 2200) / (9760 || 100000)), the parallel pair being 8892.13 Ω: 5.91814 V."""
    changes = {
        **DIVIDER,
        "R12": marked("upper divider resistor", "2k2"),
        "R13": marked("lower divider resistor", "100 kohm"),
    }
    assert supply(**changes).V_rail == pytest.approx(5.91814, abs=5e-6)


@pytest.mark.parametrize("left_out", ["R10", "R11"])
def test_half_a_divider_leaves_the_measured_rail(left_out: str) -> None:
    half = {part: entry for part, entry in DIVIDER.items() if part != left_out}
    assert supply(**half).V_rail == 5.0


def test_no_divider_and_no_measurement() -> None:
    assert supply(rail=None).V_rail is None


# Ratings: the first part to reach its own decides


def test_sense_resistor_rating() -> None:
    """Two 2R4 of 0.5 W: 1 W in 1.2 Ω, so 0.9129 A; each then takes half the current and 0.5 W."""
    I_sense = number(supply(), "I_sense")
    assert I_sense == pytest.approx(math.sqrt(1.0 / 1.2))
    assert (I_sense / 2) ** 2 * 2.4 == pytest.approx(0.5)


def test_the_smaller_sense_resistor_decides() -> None:
    """1R2 || 2R4, 0.5 W each: 1R2 takes two thirds of the current and reaches 0.5 W first."""
    made = supply(R4={"marking": "1R2"})
    I_sense = number(made, "I_sense")
    one, other = I_sense * 2 / 3, I_sense / 3
    assert one**2 * 1.2 == pytest.approx(0.5)
    assert other**2 * 2.4 == pytest.approx(0.25)


def test_the_weaker_sense_resistor_decides() -> None:
    made = supply(R4={"power_rating": {"value": "0.125 W", "origin": "datasheet"}})
    assert (number(made, "I_sense") / 2) ** 2 * 2.4 == pytest.approx(0.125)


def test_output_capacitors_share_ripple_by_capacitance() -> None:
    """680 µF of 2.5 A and 340 µF of 1 A: the smaller takes a third and allows 3 A, the larger 3.75 A."""
    made = supply(C6=rated("output capacitor", "340 uF", esr="60 mohm", ripple_rating="1.0 A"))
    assert made.I_ripple == pytest.approx(3.0)


def test_a_single_output_capacitor() -> None:
    assert supply().I_ripple == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"C5": {"ripple_rating": None}}, "I_ripple"),
        ({"R4": {"power_rating": None}}, "I_sense"),
        ({"D5": {"current_rating": None}}, "I_rectifier"),
        ({"C1": None}, "C_bulk"),
        ({"C5": None}, "C_o"),
        ({"R3": None, "R4": None}, "R_s"),
        ({"U1": {"frequency": None}}, "f_s"),
        ({"T1": {"core_area": None}}, "A_e"),
    ],
)
def test_what_is_unknown_is_none(changes: dict[str, Any], name: str) -> None:
    assert getattr(supply(**changes), name) is None


# One circuit from many numbers


@pytest.mark.parametrize("control", FAMILIES)
def test_arrays_are_scalars_element_by_element(control: str) -> None:
    circuit = trace(board(control, C6=marked("output capacitor", "330 uF"), **DIVIDER))
    random = np.random.default_rng(3)
    factors = {key: random.uniform(0.9, 1.1, 5) for key in circuit.values}
    many = circuit.supply({key: value.nominal * factors[key] for key, value in circuit.values.items()})
    for index in range(5):
        one = circuit.supply({k: value.nominal * factors[k][index] for k, value in circuit.values.items()})
        for field in fields(Supply):
            whole, single = getattr(many, field.name), getattr(one, field.name)
            if single is None:
                assert whole is None, field.name
            else:
                assert np.broadcast_to(whole, 5)[index] == pytest.approx(single, rel=1e-12), field.name


def test_free_running_and_constant_current_families() -> None:
    circuits = {control: trace(board(control)) for control in FAMILIES}
    assert [name for name, circuit in circuits.items() if circuit.free_running] == [
        "valley switching",
        "self-oscillating",
    ]
    assert [name for name, circuit in circuits.items() if circuit.constant_current] == [
        "primary-side constant current"
    ]


def test_a_second_converter() -> None:
    assert not trace(board()).second_converter
    assert nominal(trace(board())).eta_post == 1.0
    behind = trace(board(U5={"role": "post converter"}))
    assert behind.second_converter
    assert nominal(behind).eta_post == pytest.approx(0.9), "the handbook's typical efficiency"
