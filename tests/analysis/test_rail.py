"""Small currents of the rail: indicator LEDs and bleeders."""

from __future__ import annotations

from typing import Any

import pytest
from boards import board, demo

from flyback.analysis.rail import small_currents
from flyback.board.model import Origin
from flyback.reference import handbook

LED = {"role": "indicator LED", "forward_voltage": {"value": "1.9 V", "origin": "measured"}}


def resistor(role: str, value: str, **more: Any) -> dict[str, Any]:
    return {"role": role, "value": value, "tolerance": "5 %", "origin": "marked", **more}


def series(value: str) -> dict[str, Any]:
    return resistor("LED series resistor", value)


def test_hall_charger_as_fitted() -> None:
    """(5 V - 1.9 V) / 22 kΩ = 0.141 mA and 5 V / 1 kΩ = 5 mA (plan figures: 0.14 mA and 5 mA)."""
    (led, bleeder), lacking = small_currents(demo("hall_charger"), 5.0)
    assert lacking == ()
    assert (led.name, bleeder.name) == ("indicator LED D6 through R12", "bleeder R13")
    assert led.current == pytest.approx(0.1409e-3, abs=5e-8)
    assert bleeder.current == pytest.approx(5e-3)
    # 0.1409 mA squared · 22 kΩ = 0.437 mW; 5 V squared / 1 kΩ = 25 mW
    assert led.power == pytest.approx(0.437e-3, abs=5e-7)
    assert bleeder.power == pytest.approx(25e-3)


def test_hall_charger_with_the_two_exchanged() -> None:
    """3.1 V / 1 kΩ = 3.1 mA and 5 V / 22 kΩ = 0.227 mA (plan figures, rough: 3 mA and 0.2 mA)."""
    swapped = demo("hall_charger", R12={"marking": "102"}, R13={"marking": "223"})
    (led, bleeder), _ = small_currents(swapped, 5.0)
    assert led.current == pytest.approx(3.1e-3)
    assert bleeder.current == pytest.approx(0.2273e-3, abs=5e-8)


def test_a_dark_led() -> None:
    (led,), _ = small_currents(board(D6=LED, R12=series("1 kohm")), 1.5)
    assert (led.current, led.power) == (0.0, 0.0)


@pytest.mark.parametrize("colour", ["red", "orange", "yellow", "green", "blue", "white"])
def test_forward_voltage_is_lent_by_colour(colour: str) -> None:
    led = {"role": "indicator LED", "colour": colour}
    (found,), lacking = small_currents(board(D6=led, R12=series("1 kohm")), 5.0)
    row = handbook("indicator LED", "forward_voltage", colour)
    assert row is not None
    assert lacking == ()
    assert found.current == pytest.approx((5.0 - row.typical) / 1e3)
    assert found.assumed is not None
    assert found.assumed.key == "D6.forward_voltage"
    assert (found.assumed.origin, found.assumed.source) == (Origin.HANDBOOK, row.source)


def test_a_measured_forward_voltage_is_not_assumed() -> None:
    (found,), _ = small_currents(board(D6=LED, R12=series("1 kohm")), 5.0)
    assert found.assumed is None


@pytest.mark.parametrize(
    ("parts", "needs"),
    [
        ({"D6": LED}, "LED series resistor for D6"),
        ({"D6": LED, "R12": series("unknown")}, "R12.resistance"),
        ({"D6": {"role": "indicator LED"}, "R12": series("1 kohm")}, "D6.colour"),
        ({"D6": {"role": "indicator LED", "colour": "unknown"}, "R12": series("1 kohm")}, "D6.colour"),
        ({"R13": resistor("bleeder", "unknown")}, "R13.resistance"),
    ],
)
def test_what_is_lacking_is_named(parts: dict[str, Any], needs: str) -> None:
    found, (lacking,) = small_currents(board(**without_tolerance(parts)), 5.0)
    assert found == ()
    assert needs in lacking


def without_tolerance(parts: dict[str, Any]) -> dict[str, Any]:
    """An unknown value has no tolerance."""
    return {
        name: {key: value for key, value in part.items() if key != "tolerance"}
        for name, part in parts.items()
    }


def test_several_leds_and_bleeders() -> None:
    """One after the other, each LED with its own resistor: 3.1 mA and 1.55 mA; 1 mA and 0.5 mA."""
    made = board(
        D6=LED,
        D7=LED,
        R12=series("1 kohm"),
        R14=series("2 kohm"),
        R13=resistor("bleeder", "5 kohm"),
        R15=resistor("bleeder", "10 kohm"),
    )
    found, lacking = small_currents(made, 5.0)
    assert lacking == ()
    assert [entry.current for entry in found] == pytest.approx([3.1e-3, 1.55e-3, 1e-3, 0.5e-3])
    assert found[1].name == "indicator LED D7 through R14"


def test_a_rail_without_either() -> None:
    assert small_currents(board(), 5.0) == ((), ())


def test_parts_that_are_out_take_no_part() -> None:
    out = board(R13=resistor("bleeder", "5 kohm", state="open"), D6={**LED, "state": "not fitted"})
    assert small_currents(out, 5.0) == ((), ())


@pytest.mark.parametrize(("rating", "expected"), [(None, None), ("0.125 W", 0.125)])
def test_rating_of_the_resistor(rating: str | None, expected: float | None) -> None:
    given = {} if rating is None else {"power_rating": {"value": rating, "origin": "datasheet"}}
    (bleeder,), _ = small_currents(board(R13=resistor("bleeder", "220 ohm", **given)), 5.0)
    assert bleeder.rating == expected
    assert bleeder.power == pytest.approx(25 / 220)
