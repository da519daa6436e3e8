"""Small currents of the rail: indicator LED and bleeder, with the power of their resistors."""

from __future__ import annotations

from dataclasses import dataclass

from flyback.analysis.inputs import traced
from flyback.analysis.trace import lent
from flyback.board.model import Board, Part, Value
from flyback.equations import indicators
from flyback.equations.formula import Real
from flyback.reference import handbook


@dataclass(frozen=True, slots=True)
class Indicator:
    """One small current of the rail.

    Attributes:
        name: "indicator LED D6 through R12", "bleeder R13".
        current: its current [A].
        power: power in its resistor [W].
        rating: power rating of that resistor [W], or None where it is not given.
        assumed: the LED's forward voltage where the handbook lent it.
    """

    name: str
    current: Real
    power: Real
    rating: float | None
    assumed: Value | None = None


def small_currents(board: Board, V_o: Real) -> tuple[tuple[Indicator, ...], tuple[str, ...]]:
    """Currents of every LED and bleeder at a rail voltage, and what could not be computed."""
    found: list[Indicator] = []
    lacking: list[str] = []
    resistors = board.playing("LED series resistor")
    for index, led in enumerate(board.playing("indicator LED")):
        if index >= len(resistors):
            lacking.append(f"LED current: needs a part with role LED series resistor for {led.designator}")
            continue
        resistor = resistors[index]
        R_led, forward = resistor.known("resistance"), _forward(led)
        if R_led is None or forward is None:
            needed = f"{resistor.designator}.resistance" if R_led is None else f"{led.designator}.colour"
            lacking.append(f"LED current: needs {needed}")
            continue
        value, lent = forward
        R = traced(R_led)
        I_led = indicators.led_current(V_o=V_o, V_led=traced(value), R_led=R)
        found.append(
            Indicator(
                f"indicator LED {led.designator} through {resistor.designator}",
                I_led,
                indicators.resistor_power(I_R=I_led, R_1=R),
                _rating(resistor),
                value if lent else None,
            )
        )
    for bleeder in board.playing("bleeder"):
        R_bleed = bleeder.known("resistance")
        if R_bleed is None:
            lacking.append(f"bleeder current: needs {bleeder.designator}.resistance")
            continue
        R = traced(R_bleed)
        I_bleed = indicators.bleeder_current(V_o=V_o, R_bleed=R)
        power = indicators.resistor_power(I_R=I_bleed, R_1=R)
        found.append(Indicator(f"bleeder {bleeder.designator}", I_bleed, power, _rating(bleeder)))
    return tuple(found), tuple(lacking)


def _rating(resistor: Part) -> float | None:
    rating = resistor.known("power_rating")
    return rating.nominal if rating else None


def _forward(led: Part) -> tuple[Value, bool] | None:
    """Forward voltage of an LED, and whether the handbook lent it."""
    known = led.known("forward_voltage")
    if known is not None:
        return known, False
    row = handbook("indicator LED", "forward_voltage", led.words.get("colour"))
    if row is None:
        return None
    return lent(f"{led.designator}.forward_voltage", row), True
