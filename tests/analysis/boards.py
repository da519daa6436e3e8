"""Boards for the tests of the analysis: one plain board, the demo boards, and changes to either.

A change names a designator and the keys that differ: ``board(R3={"marking": "3R3"})`` writes one key,
``board(U1={"delay": None})`` takes one out, ``board(R4=None)`` takes the part out. Everything goes through
the loader, so that a board of a test is a board a user could have written.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit

from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.trace import trace
from flyback.board.file import loads
from flyback.board.model import Board

EXAMPLES = Path(__file__).parents[2] / "worked_examples"

DEMOS = {
    "wall_charger": 5.0,
    "bedside_charger": 5.0,
    "travel_cube": 5.0,
    "strip_adapter": 12.0,
    "hall_charger": 5.0,
}
"""The demo boards and the voltage each label prints [V]."""

PLAIN = """
[board]
name = "Plain board"
topology = "flyback"
control = "fixed-frequency peak current"

[label]
mains = "100..240 V"
frequency = "50 Hz"
output = [{ ports = 1, voltage = "5 V", current = "2 A" }]

[rail]
voltage = "5 V"
origin = "measured"

[parts.BR1]
role = "mains rectifier"
arrangement = "full wave"
forward_drop = { value = "0.8 V", origin = "measured" }

[parts.C1]
role = "bulk capacitor"
value = "22 uF ±20 %"
origin = "marked"

[parts.U1]
role = "switching IC"
origin = "datasheet"
limit_voltage = "0.80 V ±6 %"
delay = "200 ns"
frequency = "65 kHz ±6 %"
max_duty = "70 %"
on_resistance = "3 ohm"
drain_capacitance = "50 pF"

[parts.R3]
role = "sense resistor"
marking = "2R4"
tolerance = "1 %"
power_rating = { value = "0.5 W", origin = "datasheet" }

[parts.R4]
role = "sense resistor"
marking = "2R4"
tolerance = "1 %"
power_rating = { value = "0.5 W", origin = "datasheet" }

[parts.T1]
role = "transformer"
origin = "measured"
primary_turns = 120
secondary_turns = 8
primary_inductance = { value = "1.00 mH ±10 %", origin = "datasheet" }
leakage_inductance = "25 uH"
core_area = "20.1 mm²"
saturation_flux = { value = "0.32..0.39 T", origin = "handbook" }
primary_resistance = "1.5 ohm"
secondary_resistance = "10 mohm"

[parts.D4]
role = "clamp suppressor"
clamp_voltage = { value = "150 V", origin = "marked" }

[parts.D5]
role = "output rectifier"
forward_drop = { value = "0.45 V", origin = "datasheet" }
current_rating = { value = "5 A", origin = "datasheet" }

[parts.C5]
role = "output capacitor"
value = "680 uF ±20 %"
origin = "marked"
esr = { value = "30 mohm", origin = "datasheet" }
ripple_rating = { value = "2.5 A", origin = "datasheet" }
"""

Changes = Mapping[str, Any] | None

FAMILIES: dict[str, dict[str, Any]] = {
    "fixed-frequency peak current": {},
    "on/off": {},
    "valley switching": {"U1": {"frequency": None}},
    "self-oscillating": {
        "U1": None,
        "Q1": {
            "role": "switching transistor",
            "kind": "bipolar",
            "origin": "datasheet",
            "saturation_voltage": "0.8 V",
            "storage_time": "0.5 us",
            "gain": "20",
            "max_duty": "70 %",
            "drain_capacitance": "50 pF",
        },
        "Q2": {
            "role": "sense transistor",
            "base_emitter_voltage": {"value": "0.65 V", "origin": "datasheet"},
        },
        "R7": {"role": "base resistor", "value": "100 ohm", "origin": "marked"},
        "T1": {"base_turns": 9},
    },
    "primary-side constant current": {"U1": {"frequency": None, "conduction_share": "0.45"}},
}
"""What turns the plain board into one of each control family."""


def board(control: str = "fixed-frequency peak current", /, **changes: Changes) -> Board:
    """The plain board of a control family, with changes."""
    document = tomllib.loads(PLAIN)
    document["board"]["control"] = control
    for change in (FAMILIES[control], changes):
        _apply(document, change)
    return loads(tomlkit.dumps(document))


def demo(name: str, **changes: Changes) -> Board:
    """One of the worked examples, with changes."""
    document = tomllib.loads((EXAMPLES / f"{name}.toml").read_text(encoding="utf-8"))
    _apply(document, changes)
    return loads(tomlkit.dumps(document))


def _apply(document: dict[str, Any], changes: Mapping[str, Changes]) -> None:
    for name, change in changes.items():
        section = document if name in ("board", "label", "rail") else document["parts"]
        if change is None:
            del section[name]
            continue
        merged = {**section.get(name, {}), **change}
        section[name] = {key: value for key, value in merged.items() if value is not None}


def nominal(circuit: Circuit, **fields: float) -> Supply:
    """The nominal circuit in plain floats, with some of its fields replaced."""
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    return replace(supply, **fields)


def traced(made: Board, **fields: float) -> tuple[Circuit, Supply]:
    """A board's circuit and its nominal numbers."""
    circuit = trace(made)
    return circuit, nominal(circuit, **fields)


def demo_traced(name: str, **changes: Changes) -> tuple[Circuit, Supply, float]:
    """Circuit, nominal numbers and rail voltage (else the printed voltage) of a demo board."""
    circuit, supply = traced(demo(name, **changes))
    return circuit, supply, DEMOS[name] if supply.V_rail is None else float(supply.V_rail)
