"""Boards and operating points of the outside circuit simulation, kinds a to g.

Source of `data/simulated.json`: a general-purpose circuit simulator (transient analysis, trapezoidal or
Gear integration), one netlist a case; inputs and measured results side by side. Diode drops are read
from the netlists' diode models here, at half the peak secondary current, so that no figure comes from
the package under test.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.operating_point import point_at_load
from flyback.analysis.trace import trace
from flyback.board.model import Board, Label, Origin, Part, Shape, State, Value
from flyback.equations import ports

Inputs = Mapping[str, Any]
Measured = Mapping[str, float]
Field = tuple[float, str]
"""A value in SI units and its dimension."""

SIMULATED = Path(__file__).parent / "data" / "simulated.json"
DOCUMENT = json.loads(SIMULATED.read_text(encoding="utf-8"))
CASES: Mapping[str, Mapping[str, Any]] = DOCUMENT["cases"]
SOURCE: str = DOCUMENT["source"]

FIXED_FREQUENCY = "fixed-frequency peak current"
VALLEY_SWITCHING = "valley switching"
CONSTANT_CURRENT = "primary-side constant current"
SELF_OSCILLATING = "self-oscillating"

THERMAL_VOLTAGE = 0.025852  # V, k T / q at 27 degC, the simulator's temperature
DIODES = {  # saturation current [A], emission coefficient, series resistance [ohm], from the netlists
    "dbr": (7e-9, 1.8, 0.04),
    "dcl": (1e-9, 1.7, 0.1),
    "dsk": (20e-6, 1.05, 15e-3),
    "dsk100": (2e-6, 1.2, 15e-3),
}


@dataclass(frozen=True, slots=True)
class ConstantLoad:
    """Something that takes the same power [W] at any bulk voltage."""

    P_in: float


@dataclass(frozen=True, slots=True)
class Converter:
    """A simulated converter as the closed forms see it."""

    circuit: Circuit
    supply: Supply


def diode_drop(model: str, current: float) -> float:
    """Forward drop of a netlist's diode at a current, from its model equation [V]."""
    saturation, emission, resistance = DIODES[model]
    return emission * THERMAL_VOLTAGE * math.log1p(current / saturation) + resistance * current


def nominal(board: Board) -> Converter:
    """Trace a board and take its nominal values."""
    circuit = trace(board)
    return Converter(circuit, circuit.supply({key: v.nominal for key, v in circuit.values.items()}))


# --- bulk, kind a ---------------------------------------------------------------------------------


def bulk_supply(inputs: Inputs, measured: Measured) -> Supply:
    """Mains rectifier, series resistance and bulk capacitor of kind a."""
    bridge = inputs["bridge"]
    period = {"full": 180, "half": 360}[bridge]
    while_charging = inputs["p"] / measured["Vavg"] * period / measured["angle_deg"]
    return nominal(
        _board(
            FIXED_FREQUENCY,
            part(
                "D1",
                "mains rectifier",
                {"arrangement": f"{bridge} wave"},
                forward_drop=(diode_drop("dbr", while_charging), "voltage"),
            ),
            part("R1", "series resistor", resistance=(inputs["rs"], "resistance")),
            part("C1", "bulk capacitor", capacitance=(inputs["c"], "capacitance")),
            *_any_converter(),
        )
    ).supply


def lossless_bulk(C_bulk: float) -> Supply:
    """A full-wave bulk capacitor without diode drops or series resistance."""
    board = _board(
        FIXED_FREQUENCY,
        part("D1", "mains rectifier", {"arrangement": "full wave"}, forward_drop=(0.0, "voltage")),
        part("C1", "bulk capacitor", capacitance=(C_bulk, "capacitance")),
        *_any_converter(),
    )
    return nominal(board).supply


def _any_converter() -> tuple[Part, ...]:
    """A converter that makes a circuit complete where only the bulk is looked at."""
    inputs = CASES["b1_dcm_5V1A_110V_65k"]["inputs"]
    return (
        transformer(inputs),
        part("D2", "output rectifier", forward_drop=(0.5, "voltage")),
        mosfet(inputs),
    )


# --- converters, kinds b to g ---------------------------------------------------------------------


def part(designator: str, role: str, words: Mapping[str, str] | None = None, **fields: Field) -> Part:
    """A fitted part with exact values."""
    values = {
        name: _exact(f"{designator}.{name}", number, dimension)
        for name, (number, dimension) in fields.items()
    }
    return Part(
        designator, role, State.FITTED, MappingProxyType(values), MappingProxyType(dict(words or {}))
    )


def _exact(key: str, number: float, dimension: str) -> Value:
    return Value(key, number, number, number, dimension, Shape.EXACT, Origin.DATASHEET, "", key)


def _board(control: str, *parts: Part) -> Board:
    return Board(
        name="simulated",
        topology="flyback",
        control=control,
        label=Label(None, (), ()),
        parts=MappingProxyType({part.designator: part for part in parts}),
    )


def transformer(inputs: Inputs) -> Part:
    return part(
        "T1",
        "transformer",
        primary_turns=(10 * inputs["n"], "turns"),
        secondary_turns=(10, "turns"),
        primary_inductance=(inputs["lp"], "inductance"),
        leakage_inductance=(inputs["lp"] * inputs["leak"], "inductance"),
        primary_resistance=(inputs["rp"], "resistance"),
        secondary_resistance=(inputs["rsw"], "resistance"),
    )


def mosfet(inputs: Inputs) -> Part:
    return part(
        "Q1",
        "switching transistor",
        {"kind": "MOSFET"},
        on_resistance=(inputs["ron"], "resistance"),
        drain_capacitance=(inputs["cd"], "capacitance"),
    )


def converter_board(
    control: str, inputs: Inputs, *, V_clamp: float, half_peak: float, switching: tuple[Part, ...]
) -> Board:
    """A simulated converter.

    Args:
        V_clamp: clamp voltage the simulation settled at [V].
        half_peak: half of the peak secondary current the simulation shows [A], for the rectifier drop.
        switching: the switch and what controls it.
    """
    sense = inputs.get("rs", inputs.get("re"))
    drop = diode_drop(inputs["diode"], half_peak)
    parts = [
        transformer(inputs),
        part("D1", "clamp suppressor", clamp_voltage=(V_clamp, "voltage")),
        part("D2", "output rectifier", forward_drop=(drop, "voltage")),
        *switching,
    ]
    if "esr" in inputs:  # else the simulation loads the secondary with a voltage source
        C_o, esr = (inputs["co"], "capacitance"), (inputs["esr"], "resistance")
        parts.append(part("C2", "output capacitor", capacitance=C_o, esr=esr))
    if sense is not None:
        parts.append(part("R1", "sense resistor", resistance=(sense, "resistance")))
    return _board(control, *parts)


def converter(control: str, inputs: Inputs, measured: Measured) -> Converter:
    """A simulated converter of kinds b to e or g, with the simulation's clamp voltage and diode drop."""
    return nominal(
        converter_board(
            control,
            inputs,
            V_clamp=measured["Vclamp"],
            half_peak=measured["Iskp_fit"] / 2,
            switching=(mosfet(inputs), _controller(inputs)),
        )
    )


def _controller(inputs: Inputs) -> Part:
    control = inputs["control"]
    fields: dict[str, Field] = {"delay": (control.get("td", 0.0), "time")}
    if "T" in inputs:
        fields["frequency"] = (1 / inputs["T"], "frequency")
    if "vlim" in control:
        fields["limit_voltage"] = (control["vlim"], "voltage")
    if "D" in control:
        fields["conduction_share"] = (control["D"], "ratio")
        fields["conduction_threshold"] = (control["ith"], "current")
    return part("U1", "switching IC", None, **fields)


COLD_V_BE = 0.65  # V, from memory: small-signal transistor at 25 degC, as in the simulation at 27 degC
SATURATION = 0.8  # V, from memory; 0.4 V more or less moves current and frequency by 0.1 %


def self_oscillating(inputs: Inputs, measured: Measured, t_store: float) -> Converter:
    """The simulated self-oscillating converter of kind f.

    The simulation reports the clamp's power, not its voltage; the clamp resistor tells it.

    Args:
        t_store: storage time of the bipolar switch [s], which no netlist states.
    """
    switch = part(
        "Q1",
        "switching transistor",
        {"kind": "bipolar"},
        storage_time=(t_store, "time"),
        saturation_voltage=(SATURATION, "voltage"),
        drain_capacitance=(inputs["cd"], "capacitance"),
    )
    sense = part("Q2", "sense transistor", base_emitter_voltage=(COLD_V_BE, "voltage"))
    return nominal(
        converter_board(
            SELF_OSCILLATING,
            inputs,
            V_clamp=math.sqrt(measured["Pclamp"] * inputs["rcl"]),
            half_peak=inputs["n"] * measured["Ipk"] / 2,
            switching=(switch, sense),
        )
    )


def closed_form_efficiency(case: str, *, V_o: float, I_o: float) -> float:
    """Efficiency from bulk to socket of a simulated board at a load of our choice."""
    simulated = CASES[case]
    board = converter(FIXED_FREQUENCY, simulated["inputs"], simulated["measured"])
    at = point_at_load(board.circuit, board.supply, V_dc=simulated["inputs"]["vin"], V_o=V_o, I_o=I_o)
    return float(ports.efficiency(P_socket=at.delivery.P_socket, P_in=at.pulse.P_in))
