"""Figures of parts by themselves, against values worked by hand."""

from __future__ import annotations

import pytest
from boards import board, demo

from flyback.board.model import Board
from flyback.studies.figure import Figures
from flyback.studies.ordinary import Looked, Use
from flyback.studies.part_figures import preferred


def figures(made: Board) -> Figures:
    return Looked.at(made, Use.of(made)).at_rest()


def told(made: Board, name: str, *of: str) -> float:
    return figures(made)[name, of].told


WALL, HALL = demo("wall_charger"), demo("hall_charger")


def test_small_currents() -> None:
    # (5 V - 1.9 V) / 22 kohm; 5 V / 1 kohm
    assert told(HALL, "indicator LED current", "D6") == pytest.approx(3.1 / 22e3)
    assert told(HALL, "bleeder current", "R13") == pytest.approx(5e-3)
    # 25 mW of the 5 W that the label claims
    assert figures(HALL)["bleeder current", ("R13",)].value == pytest.approx(0.005)


def test_the_divider() -> None:
    # 2.495 V (1 + 10 / 9.76) and 2.495 V / 9.76 kohm
    assert told(WALL, "set output voltage") == pytest.approx(5.0514, abs=1e-4)
    assert told(WALL, "divider current") == pytest.approx(0.2556e-3, abs=1e-7)
    assert ("set output voltage beside the measured", ()) not in figures(WALL)


def test_the_divider_beside_a_measured_rail() -> None:
    made = demo("wall_charger", rail={"voltage": "5.3 V", "origin": "measured"})
    found = figures(made)["set output voltage beside the measured", ()]
    assert found.value == pytest.approx(5.0514 / 5.3, abs=1e-4)
    assert not found.outside


def test_the_windings() -> None:
    # 15 (5.051 V + 0.45 V); 25 uH of 1 mH; 8 turns
    assert told(WALL, "reflected voltage") == pytest.approx(82.5, abs=0.05)
    assert told(WALL, "leakage over primary inductance") == pytest.approx(0.025)
    assert told(WALL, "secondary turns") == 8
    assert figures(WALL)["secondary turns", ()].value == pytest.approx(8 / 5.501, rel=1e-3)


def test_capacitors_beside_the_claim() -> None:
    # 20 uF for 2 A at 5.051 V; 680 uF for 2 A; 680 uF times 30 mohm
    assert told(WALL, "bulk capacitance per watt") == pytest.approx(20e-6 / 10.103, rel=1e-3)
    assert told(WALL, "output capacitance per ampere") == pytest.approx(340e-6)
    assert told(WALL, "ESR times output capacitance") == pytest.approx(20.4e-6)
    assert told(WALL, "output current beside the rectifier's rating") == pytest.approx(2.0)


def test_touch_current_of_a_y_capacitor() -> None:
    # 2.51 nF lets 0.25 mA through at 264 V 60 Hz (computed for a list of limits)
    made = demo("wall_charger", CY1={"role": "Y capacitor", "value": "2.51 nF", "origin": "marked"})
    assert told(made, "touch current of the Y capacitors") == pytest.approx(0.25e-3, abs=0.5e-6)


@pytest.mark.parametrize(("nanofarads", "megohms"), [(47, 21.16), (100, 9.95), (220, 4.52), (1000, 0.99)])
def test_the_largest_discharge_resistor(nanofarads: float, megohms: float) -> None:
    """A list of the largest resistors for 60 V in 2 s from 373 V, with 10 % more capacitance."""
    made = demo(
        "strip_adapter",
        CX1={"value": f"{1.1 * nanofarads:g} nF"},
        R1={"marking": None, "value": f"{megohms / 2} Mohm", "origin": "measured"},
        R2={"marking": None, "value": f"{megohms / 2} Mohm", "origin": "measured"},
    )
    found = told(made, "discharge time of the X capacitor")
    assert found == pytest.approx(2.0, rel=0.006 if megohms > 1 else 0.01)


def test_the_heat_in_the_discharge_resistors() -> None:
    # (264 V)² / 2 Mohm
    assert told(demo("strip_adapter"), "discharge resistor power") == pytest.approx(34.8e-3, abs=0.05e-3)


def test_values_of_several_parts_together_and_each() -> None:
    parts = {
        "R20": {"role": "series resistor", "marking": "4R7"},
        "R21": {"role": "series resistor", "marking": "4R7"},
        "R22": {"role": "start-up resistor", "marking": "105"},
        "R23": {"role": "clamp resistor", "marking": "104"},
        "R24": {"role": "clamp resistor", "marking": "104"},
        "C20": {"role": "clamp capacitor", "marking": "102"},
    }
    made = board(**parts)
    assert told(made, "series resistance") == pytest.approx(9.4)
    assert told(made, "start-up resistance", "R22") == pytest.approx(1e6)
    assert told(made, "clamp resistance") == pytest.approx(50e3)
    assert told(made, "clamp capacitance", "C20") == pytest.approx(1e-9)


def test_a_value_that_is_not_known_has_no_figure() -> None:
    made = board(R22={"role": "start-up resistor", "resistance": "unknown"})
    assert "start-up resistance" not in {name for name, _ in figures(made)}


# --- preferred numbers ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "role", "fine", "expected"),
    [
        (47e3, "bleeder", False, 47e3),
        (45e3, "bleeder", False, 47e3),
        (0.98, "bleeder", False, 1.0),
        # E192 has 4.48; E24 has 4.3 and 4.7
        (4.48e3, "upper divider resistor", False, 4.48e3),
        (1.4e3, "upper divider resistor", True, 1.4e3),
        (1.4e3, "bleeder", False, 1.5e3),
        (0.25, "sense resistor", False, 0.25),
        (0.25, "bleeder", False, 0.24),
    ],
)
def test_the_nearest_value_that_is_made(value: float, role: str, fine: bool, expected: float) -> None:
    assert preferred(value, role, fine=fine) == pytest.approx(expected)


def test_twins_with_a_value_that_is_not_made_are_odd_once() -> None:
    def oddness(*codes: str) -> float:
        changes = {f"R{k}": {"marking": code, "tolerance": "5 %"} for k, code in enumerate(codes, 3)}
        found = figures(demo("wall_charger", **changes))
        return sum(one.oddness for one in found.values() if one.row.figure == "preferred number")

    one = oddness("2R6", "2R4")
    assert one > 5
    assert oddness("2R6", "2R6") == pytest.approx(one)
    assert oddness("2R4", "2R4") == 0


def test_what_was_measured_need_not_be_made() -> None:
    made = demo("wall_charger", R12={"marking": None, "value": "1.04 kohm", "origin": "measured"})
    assert ("preferred number", ("R12",)) not in figures(made)
