"""Which roles a part can play and which values each role has: the one table of the board file.

The loader, the template of ``flyback new`` and the board file reference are all made from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a part.

    Attributes:
        key: the key in the file.
        dimension: name in `flyback.units.DIMENSIONS`, or "choice" or "text".
        meaning: one line for the template and the reference page.
        example: how it is written.
        choices: the words allowed where dimension is "choice".
        zero_allowed: True where 0 is a sensible value.
    """

    key: str
    dimension: str
    meaning: str
    example: str
    choices: tuple[str, ...] = ()
    zero_allowed: bool = False


@dataclass(frozen=True, slots=True)
class Role:
    """What a part does on the board.

    Attributes:
        name: the word in the file.
        letters: usual designator letters, for the template.
        fields: the role's own keys by name.
        value_field: the field that ``value`` and ``marking`` stand for, if the role has one.
        used_for: what the check does with it.
    """

    name: str
    letters: str
    used_for: str
    fields: Mapping[str, Field]
    value_field: str | None = None


def _role(name: str, letters: str, used_for: str, *fields: Field, value_field: str | None = None) -> Role:
    return Role(name, letters, used_for, MappingProxyType({f.key: f for f in fields}), value_field)


_RESISTANCE = Field("resistance", "resistance", "resistance of the part", "4k7")
_POWER_RATING = Field("power_rating", "power", "power rating of one part", "0.5 W")
_CAPACITANCE = Field("capacitance", "capacitance", "capacitance of the part", "10 uF ±20 %")
_VOLTAGE_RATING = Field("voltage_rating", "voltage", "voltage rating of the part", "400 V")
_RIPPLE_RATING = Field(
    "ripple_rating",
    "current",
    "rated ripple current of one part, rms, switching frequency",
    "2.5 A",
)
_DRAIN_CAPACITANCE = Field(
    "drain_capacitance", "capacitance", "drain (collector) capacitance, winding included", "50 pF"
)
_TECHNOLOGY = Field(
    "technology",
    "choice",
    "kind of rectifier",
    "schottky",
    choices=("schottky", "silicon", "synchronous"),
)


def _resistor(name: str, used_for: str, *fields: Field, example: str = "4k7") -> Role:
    resistance = replace(_RESISTANCE, example=example)
    return _role(name, "R", used_for, resistance, _POWER_RATING, *fields, value_field="resistance")


def _capacitor(name: str, used_for: str, *fields: Field, example: str = "10 uF ±20 %") -> Role:
    capacitance = replace(_CAPACITANCE, example=example)
    return _role(name, "C", used_for, capacitance, _VOLTAGE_RATING, *fields, value_field="capacitance")


_TURNS = tuple(
    Field(f"{winding}_turns", "turns", f"turns of the {winding} winding", example)
    for winding, example in (
        ("primary", "120"),
        ("secondary", "8"),
        ("auxiliary", "18"),
        ("base", "6"),
    )
)

_ROLES = (
    _role(
        "series resistor",
        "R",
        "mains-side series or fusible resistor, or a link of 0 ohm; several add",
        replace(_RESISTANCE, example="10 ohm", zero_allowed=True),
        _POWER_RATING,
        value_field="resistance",
    ),
    _role(
        "mains rectifier",
        "D",
        "bridge (two drops, both half-waves) or single diode (one drop, one half-wave)",
        Field(
            "arrangement",
            "choice",
            "full wave or half wave",
            "full wave",
            choices=("full wave", "half wave"),
        ),
        Field("forward_drop", "voltage", "forward drop of one diode", "0.85 V"),
    ),
    _capacitor("bulk capacitor", "mains-side storage; several add", _RIPPLE_RATING),
    _role(
        "switching IC",
        "U",
        "controller, with or without the switch inside",
        Field("limit_voltage", "voltage", "current-limit threshold at the sense resistor", "0.80 V"),
        Field("limit_current", "current", "current limit of an IC that senses inside", "0.42 A"),
        Field(
            "power_coefficient",
            "power coefficient",
            "limit current squared x frequency, where the maker gives it",
            "5200 A²Hz",
        ),
        Field(
            "limit_test_slope",
            "current slope",
            "current slope at which the limit holds",
            "80 mA/us",
        ),
        Field(
            "delay",
            "time",
            "from reaching the limit to the switch opening",
            "200 ns",
            zero_allowed=True,
        ),
        Field("frequency", "frequency", "switching frequency", "65 kHz ±6 %"),
        Field("max_frequency", "frequency", "highest switching frequency", "100 kHz"),
        Field("max_duty", "ratio", "largest duty cycle", "70 %"),
        Field("line_compensation", "ratio", "threshold lowered per volt of bulk", "0.0002"),
        Field("slope_compensation", "voltage slope", "ramp seen at the sense resistor", "20 mV/us"),
        Field("on_resistance", "resistance", "on-resistance of the switch inside, warm", "4 ohm"),
        _DRAIN_CAPACITANCE,
        Field("supply_stop", "voltage", "supply voltage below which it stops", "8.0 V"),
        Field(
            "overload_voltage",
            "voltage",
            "threshold above which the overload timer runs",
            "0.70 V",
        ),
        Field("overload_time", "time", "overload time until it stops", "60 ms"),
        Field(
            "conduction_share",
            "ratio",
            "secondary conduction share held in constant current",
            "0.50",
        ),
        Field(
            "conduction_threshold",
            "current",
            "secondary current at which the end of conduction is seen",
            "0.1 A",
            zero_allowed=True,
        ),
    ),
    _role(
        "switching transistor",
        "Q",
        "separate switch: MOSFET or bipolar transistor",
        Field("kind", "choice", "MOSFET or bipolar", "bipolar", choices=("MOSFET", "bipolar")),
        Field("on_resistance", "resistance", "on-resistance, warm (MOSFET)", "4 ohm"),
        Field("saturation_voltage", "voltage", "collector-emitter saturation (bipolar)", "0.8 V"),
        Field("storage_time", "time", "storage time (bipolar)", "0.5 us"),
        Field("gain", "ratio", "current gain (bipolar)", "20"),
        Field("max_duty", "ratio", "largest duty cycle of a self-oscillating board", "70 %"),
        _DRAIN_CAPACITANCE,
        _VOLTAGE_RATING,
    ),
    _role(
        "sense transistor",
        "Q",
        "ends the pulse of a self-oscillating board",
        Field("base_emitter_voltage", "voltage", "base-emitter voltage at turn-on", "0.65 V"),
    ),
    _resistor("sense resistor", "sets the peak current; several fitted ones are parallel", example="2R4"),
    _resistor("base resistor", "base drive of a self-oscillating board", example="22 ohm"),
    _role(
        "transformer",
        "T",
        "turns, inductances and core",
        *_TURNS,
        Field(
            "primary_inductance",
            "inductance",
            "primary inductance, secondary open",
            "1.00 mH ±10 %",
        ),
        Field("leakage_inductance", "inductance", "primary inductance, secondary shorted", "25 uH"),
        Field("core_area", "area", "effective core area", "20.1 mm²"),
        Field("saturation_flux", "flux density", "saturation flux density, hot", "0.36 T"),
        Field("primary_resistance", "resistance", "resistance of the primary", "1.5 ohm"),
        Field("secondary_resistance", "resistance", "resistance of the secondary", "10 mohm"),
    ),
    _resistor("clamp resistor", "resistor of the drain clamp", example="150 kohm"),
    _capacitor("clamp capacitor", "capacitor of the drain clamp", example="1 nF"),
    _role("clamp diode", "D", "diode of the drain clamp"),
    _role(
        "clamp suppressor",
        "D",
        "Zener or transient suppressor across the primary",
        Field("clamp_voltage", "voltage", "clamp voltage above the bulk", "150 V"),
    ),
    _role(
        "output rectifier",
        "D",
        "secondary rectifier; several on one winding are parallel",
        _TECHNOLOGY,
        Field("forward_drop", "voltage", "drop at half the peak secondary current", "0.45 V"),
        Field("current_rating", "current", "rated mean forward current", "5 A"),
        _VOLTAGE_RATING,
    ),
    _capacitor(
        "output capacitor",
        "smooths the rail; several are parallel",
        Field("esr", "resistance", "equivalent series resistance at 100 kHz", "30 mohm"),
        _RIPPLE_RATING,
    ),
    _role(
        "voltage reference",
        "U",
        "reference of the output divider",
        Field("reference_voltage", "voltage", "reference voltage", "2.495 V ±1 %"),
    ),
    _resistor("upper divider resistor", "from the rail to the reference; several are in series"),
    _resistor("lower divider resistor", "from the reference to ground; several are parallel"),
    _role(
        "indicator LED",
        "D",
        "shows that the rail is up",
        Field("forward_voltage", "voltage", "forward voltage at its small current", "1.9 V"),
        Field(
            "colour",
            "choice",
            "colour, for a forward voltage from the handbook",
            "red",
            choices=("red", "orange", "yellow", "green", "blue", "white"),
        ),
    ),
    _resistor("LED series resistor", "sets the LED current", example="1k0"),
    _resistor("bleeder", "preloads the rail", example="1k0"),
    _role(
        "post converter",
        "U",
        "a second converter between the rail and the sockets",
        Field("efficiency", "ratio", "efficiency at the claimed load", "88..94 %"),
    ),
    _role(
        "fuse",
        "F",
        "listed; no check reads it yet",
        Field("rating", "current", "rated current", "1 A"),
    ),
    _capacitor("X capacitor", "listed; no check reads it yet", example="100 nF"),
    _capacitor("Y capacitor", "listed; no check reads it yet", example="2.2 nF"),
    _resistor(
        "discharge resistor", "across the X capacitor; listed, no check reads it yet", example="1 Mohm"
    ),
    _resistor("start-up resistor", "listed; no check reads it yet", example="1 Mohm"),
    _resistor("snubber resistor", "listed; no check reads it yet", example="22 ohm"),
    _capacitor("snubber capacitor", "listed; no check reads it yet", example="1 nF"),
    _role("optocoupler", "U", "listed; no check reads it yet"),
    _role(
        "port switch",
        "U",
        "listed; no check reads it yet",
        Field("limit_current", "current", "current limit of one port", "2.4 A"),
    ),
)

ROLES: Mapping[str, Role] = MappingProxyType({role.name: role for role in _ROLES})
"""Every role by its word in the file."""

CONTROL_FAMILIES: Mapping[str, str] = MappingProxyType(
    {
        "fixed-frequency peak current": "an oscillator starts each pulse, the current limit ends it",
        "on/off": "pulses at the current limit, skipped when not needed; jitter counts as spread",
        "valley switching": "each pulse starts at the first trough after demagnetisation",
        "self-oscillating": "ringing-choke converter with a sense transistor",
        "primary-side constant current": "holds the secondary's conduction share, and so the current",
    }
)
"""What ``control`` may say, with one line each."""

TOPOLOGIES: Mapping[str, str] = MappingProxyType(
    {
        "flyback": "judged",
        "capacitive dropper": "not judged",
        "non-isolated buck": "not judged",
        "half bridge": "not judged",
        "forward": "not judged",
        "other": "not judged; say what it is in the notes",
    }
)
"""What ``topology`` may say."""
