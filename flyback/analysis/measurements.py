"""What can be measured of a board: how, how well, unplugged or not, and what to beware of.

Accuracies are those of ordinary bench meters used with care, relative and with k = 2, as a measured value
of a board file is written. Better ones can be had; a study says what accuracy would be worth it. The
cautions are from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from flyback.analysis.bulk import Line
from flyback.analysis.knowable import SOCKETS, Kind, Knowable


class Access(StrEnum):
    """How near to a danger a measurement goes."""

    UNPLUGGED = "unplugged"
    OUTSIDE = "from outside"
    LIVE = "live inside"
    SHEET = "data sheet"


@dataclass(frozen=True, slots=True)
class Measurement:
    """How one quantity is had.

    Attributes:
        how: what to do, in a few words that follow a name and a colon.
        accuracy: expanded relative uncertainty (k = 2) to expect, or None where no meter gives it and
            only a data sheet does.
        unpowered: True where the supply is unplugged, whatever a bench supply or a meter feeds into a part.
        caution: what to beware of.
        live: True where a probe goes into the open, plugged-in supply.
        source, basis: where the accuracy comes from, as in `flyback.reference`.
    """

    how: str
    accuracy: float | None
    unpowered: bool
    caution: str
    live: bool = False
    source: str = "ordinary bench meters, from memory"
    basis: str = "from memory"

    @property
    def access(self) -> Access:
        if self.accuracy is None:
            return Access.SHEET
        if self.live:
            return Access.LIVE
        return Access.UNPLUGGED if self.unpowered else Access.OUTSIDE


UNPLUGGED = "Unplugged, and the bulk capacitors measured empty."
LIVE = (
    "Live on the mains side: for competent people only, with an isolation transformer and a suitable "
    "probe. A load test tells nearly as much from outside."
)
CLOSED = "Case closed and no longer than needed: at the knee parts may be above their ratings."
SHEET = "A rating is a promise of the maker, which no reading can check."

_PRACTICE = ("common practice, no source", "common practice")


def _unplugged(how: str, accuracy: float, beware: str = "") -> Measurement:
    return Measurement(how, accuracy, True, f"{UNPLUGGED} {beware}".strip())


def _live(how: str, accuracy: float) -> Measurement:
    return Measurement(how, accuracy, False, LIVE, True, *_PRACTICE)


def _by_loop(how: str) -> Measurement:
    caution = "Nothing is touched: a loop of a few turns near the case. Jitter widens it; take the mean."
    return Measurement(how, 0.01, False, caution, False, *_PRACTICE)


def _output(how: str, accuracy: float, caution: str = CLOSED) -> Measurement:
    return Measurement(how, accuracy, False, caution, False, *_PRACTICE)


def _sheet(what: str) -> Measurement:
    return Measurement(f"{what} of the part in its data sheet", None, True, SHEET, False, *_PRACTICE)


_OHMS = _unplugged("ohmmeter", 0.01, "In the circuit the parts around it may read along.")
_LOW_OHMS = _unplugged(
    "four-wire ohmmeter, or the drop at a known current", 0.01, "Two leads add some 0.1 Ω of their own."
)
_FARADS = _unplugged(
    "capacitance meter at 100 or 120 Hz", 0.03, "In the circuit all in parallel read as one."
)
_WINDING = _unplugged(
    "four-wire ohmmeter, cold", 0.02, "Warm copper has more, 0.4 % a kelvin; at high frequency more again."
)
_DROP = _unplugged(
    "drop at the working current from a bench supply", 0.02, "A diode test at 1 mA reads less."
)
_TURNS = _unplugged(
    "ratio of the voltages of two windings, a generator on one, and one of them counted", 0.01
)
_PULSE_RATE = _by_loop("pick-up loop near the transformer, loaded, with a frequency counter")

_BY_FIELD: Mapping[tuple[str, str], Measurement] = {
    ("series resistor", "resistance"): _LOW_OHMS,
    ("mains rectifier", "forward_drop"): _DROP,
    ("bulk capacitor", "capacitance"): _FARADS,
    ("switching IC", "limit_voltage"): _live("oscilloscope across the sense resistor at full load", 0.02),
    ("switching IC", "limit_current"): _live("current probe in the primary at full load", 0.03),
    ("switching IC", "power_coefficient"): _live("current probe in the primary, and the pulse rate", 0.05),
    ("switching IC", "limit_test_slope"): _sheet("test slope"),
    ("switching IC", "delay"): _live("oscilloscope at the sense resistor and the drain", 0.1),
    ("switching IC", "frequency"): _PULSE_RATE,
    ("switching IC", "max_frequency"): _PULSE_RATE,
    ("switching IC", "max_duty"): _live("oscilloscope at the drain, overloaded at low mains", 0.02),
    ("switching IC", "line_compensation"): _live("sense voltage at full load, at two mains voltages", 0.2),
    ("switching IC", "slope_compensation"): _sheet("ramp"),
    ("switching IC", "on_resistance"): _sheet("warm on-resistance"),
    ("switching IC", "drain_capacitance"): _live("period of the ringing after demagnetisation", 0.1),
    ("switching IC", "supply_stop"): _unplugged(
        "bench supply at the supply pin, turned down until it stops", 0.01, "The bulk stays empty."
    ),
    ("switching IC", "overload_voltage"): _live("sense voltage at the load it just bears for long", 0.03),
    ("switching IC", "conduction_share"): Measurement(
        "oscilloscope across the output rectifier, at the knee",
        0.02,
        False,
        "On the output side, yet with the case open and plugged in: only behind an isolation transformer.",
        True,
        *_PRACTICE,
    ),
    ("switching IC", "conduction_threshold"): _sheet("threshold"),
    ("switching transistor", "on_resistance"): _unplugged(
        "drop at a known current, gate at 10 V", 0.05, "Warm it has half as much again."
    ),
    ("switching transistor", "saturation_voltage"): _unplugged(
        "drop at the working current and base current", 0.05
    ),
    ("switching transistor", "storage_time"): _live("oscilloscope at base and collector", 0.1),
    ("switching transistor", "gain"): _unplugged(
        "transistor tester at the working current", 0.1, "At 1 mA it reads another gain; warm it is higher."
    ),
    ("switching transistor", "max_duty"): _live("oscilloscope at the collector, overloaded", 0.02),
    ("switching transistor", "drain_capacitance"): _live("period of the ringing", 0.1),
    ("sense transistor", "base_emitter_voltage"): _unplugged(
        "drop of base to emitter at the base current it turns on with", 0.02, "Falls by 2 mV a kelvin."
    ),
    ("sense resistor", "resistance"): _LOW_OHMS,
    ("base resistor", "resistance"): _OHMS,
    ("clamp resistor", "resistance"): _OHMS,
    ("transformer", "primary_turns"): _TURNS,
    ("transformer", "secondary_turns"): _TURNS,
    ("transformer", "auxiliary_turns"): _TURNS,
    ("transformer", "base_turns"): _TURNS,
    ("transformer", "primary_inductance"): _unplugged(
        "LCR meter across the primary, secondary open", 0.02, "At 10 kHz or more; hot it differs a little."
    ),
    ("transformer", "leakage_inductance"): _unplugged(
        "LCR meter across the primary, secondary shorted", 0.05, "Short the winding at its pins."
    ),
    ("transformer", "core_area"): _unplugged("calliper at the centre leg", 0.03),
    ("transformer", "saturation_flux"): _unplugged(
        "low-voltage pulses into the primary until the current bends upward",
        0.05,
        "Hot it saturates sooner.",
    ),
    ("transformer", "primary_resistance"): _WINDING,
    ("transformer", "secondary_resistance"): _WINDING,
    ("clamp suppressor", "clamp_voltage"): _unplugged(
        "insulation tester at a current of about 1 mA", 0.03, "Part lifted; up to a kilovolt at the tips."
    ),
    ("output rectifier", "forward_drop"): _DROP,
    ("output rectifier", "current_rating"): _sheet("current rating"),
    ("output capacitor", "capacitance"): _FARADS,
    ("output capacitor", "esr"): _unplugged("LCR or ESR meter at 100 kHz", 0.1, "Cold it has more."),
    ("output capacitor", "ripple_rating"): _sheet("ripple rating"),
    ("sense resistor", "power_rating"): _sheet("power rating"),
    ("voltage reference", "reference_voltage"): _output(
        "voltmeter at the output, hardly loaded, and the divider", 0.01, "Case closed."
    ),
    ("upper divider resistor", "resistance"): _OHMS,
    ("lower divider resistor", "resistance"): _OHMS,
    ("post converter", "efficiency"): Measurement(
        "volts and amps before and after it, loaded",
        0.03,
        False,
        "On the output side, yet with the case open and plugged in: only behind an isolation transformer.",
        True,
        *_PRACTICE,
    ),
    ("rail", "voltage"): _output("voltmeter at the output, hardly loaded", 0.005, "Case closed."),
    ("output", "voltage, hardly loaded"): _output("voltmeter at the socket", 0.005, "Case closed."),
    ("clamp", "clamp voltage over reflected voltage"): _live("oscilloscope at the drain", 0.05),
    ("output", Kind.KNEE): _output("load test up to where the voltage begins to sag, all ports", 0.03),
    ("output", Kind.RATE): _by_loop("pick-up loop near the transformer, with a frequency counter"),
    ("output", Kind.RIPPLE): _output(
        "oscilloscope at the socket, short ground lead",
        0.1,
        f"{CLOSED} Behind an isolation transformer.",
    ),
}

MEASUREMENTS: Mapping[tuple[str, str], Measurement] = MappingProxyType(dict(_BY_FIELD))
"""How each quantity is had, by role and key of the board file; readings at the output under "output"."""

UNHEARD_OF = Measurement("no meter is known for it", None, True, UNPLUGGED, False, *_PRACTICE)
"""Stands for a quantity without a row."""

BENCH = (
    "The case is open and the bulk is fed from a bench supply: as deadly as the mains, and it stays "
    "charged. For competent people only; at the knee parts may be above their ratings."
)
"""Stands for the caution where the output is loaded on a bench supply."""

TRANSFORMER = "Needs a variable transformer behind an isolation transformer for that mains voltage."
"""Added where a reading is taken at a line that comes from no wall."""


def measurement_of(knowable: Knowable) -> Measurement:
    """How a reading is had, whatever line it is read at."""
    return MEASUREMENTS.get((knowable.role, knowable.field), UNHEARD_OF)


def measurement_at(knowable: Knowable, lines: Sequence[Line]) -> Measurement:
    """How a reading is had at its line, if it has one, with the cautions of that line."""
    measurement = measurement_of(knowable)
    if knowable.line is not None and lines[knowable.line].V_fixed is not None:
        return replace(measurement, caution=BENCH, live=True)
    if needs_transformer(knowable, lines):
        return replace(measurement, caution=f"{measurement.caution} {TRANSFORMER}")
    return measurement


def needs_transformer(knowable: Knowable, lines: Sequence[Line]) -> bool:
    """True where a reading is taken at a mains voltage that comes from no wall."""
    return knowable.line is not None and lines[knowable.line].V_ac not in (*SOCKETS, None)
