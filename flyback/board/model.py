"""What was traced: frozen data, SI units, every value with its spread and origin."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from flyback.units import Quantity


class Origin(StrEnum):
    """Where a value comes from; WHAT_IF is tried on paper and was found on no board."""

    MARKED = "marked"
    MEASURED = "measured"
    DATASHEET = "datasheet"
    HANDBOOK = "handbook"
    GUESS = "guess"
    WHAT_IF = "what if"


class Shape(StrEnum):
    """How a value is spread between its limits.

    RECTANGULAR: only the limits are known (JCGM 101, from memory).
    NORMAL: measured; the limits are the expanded uncertainty, k = 2, and cut the tails.
    TWO_PIECE: minimum, typical and maximum; half the weight on each side of typical.
    """

    EXACT = "exact"
    RECTANGULAR = "rectangular"
    NORMAL = "normal"
    TWO_PIECE = "two-piece"


class State(StrEnum):
    """Whether a part takes part in the circuit."""

    FITTED = "fitted"
    NOT_FITTED = "not fitted"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class Value:
    """One known number of the board.

    Attributes:
        key: designator and field, such as "R5.resistance".
        nominal, low, high: SI values; low and high are the limits of the spread.
        dimension: name in `flyback.units.DIMENSIONS`.
        text: what the user wrote, or the handbook entry.
        cause: spread key; values with one cause share one draw.
        note, source, basis: the user's remark; the handbook's source and how it was seen.
    """

    key: str
    nominal: float
    low: float
    high: float
    dimension: str
    shape: Shape
    origin: Origin
    text: str
    cause: str
    note: str = ""
    source: str = ""
    basis: str = ""
    line: int | None = None

    @property
    def spread(self) -> bool:
        return self.low < self.high


@dataclass(frozen=True, slots=True)
class Unknown:
    """A value the user looked for and does not know."""

    key: str
    line: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One component under its designator.

    Attributes:
        role: a key of `flyback.board.roles.ROLES`.
        values: the role's numbers that were given, by field.
        words: the role's choices and texts that were given, by field.
        same_reel_as: designator of a part whose spread this one shares.
    """

    designator: str
    role: str
    state: State
    values: Mapping[str, Value | Unknown]
    words: Mapping[str, str]
    marking: str = ""
    note: str = ""
    same_reel_as: str = ""
    line: int | None = None

    @property
    def fitted(self) -> bool:
        return self.state is State.FITTED

    def known(self, key: str) -> Value | None:
        value = self.values.get(key)
        return value if isinstance(value, Value) else None


@dataclass(frozen=True, slots=True)
class OutputClaim:
    """One row of the label's output: so many ports, each this voltage and current."""

    voltage: float
    current: float
    ports: int = 1
    port: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Label:
    """What is printed on the case, SI units; None where it says nothing.

    Attributes:
        mains: printed voltage range [V], low and high (equal for a single voltage).
        frequencies: printed mains frequencies [Hz].
        outputs: output rows; rows with one ``port`` name are alternatives of one socket.
        power: printed total output power [W].
        total_current: printed total output current [A].
        input_current: printed input current [A].
        efficiency_mark: Roman numeral of the efficiency mark.
    """

    mains: tuple[float, float] | None
    frequencies: tuple[float, ...]
    outputs: tuple[OutputClaim, ...]
    power: float | None = None
    total_current: float | None = None
    input_current: float | None = None
    efficiency_mark: str = ""
    lines: Mapping[str, int] = field(default_factory=dict)


class ReadAt(StrEnum):
    """Where the volts of a load test were read, on the way from the socket to the load."""

    SOCKET = "socket"
    METER = "meter"
    CABLE_END = "end of cable"


class WallMeter(StrEnum):
    """What the mains wattmeter makes of a current that is no sine wave."""

    TRUE_POWER = "true power"
    CHEAP = "cheap"


@dataclass(frozen=True, slots=True)
class LoadReading:
    """Volts and amps read at one port."""

    port: str
    voltage: float
    current: float


@dataclass(frozen=True, slots=True)
class LoadTest:
    """What was read at one load, as it was written down: nothing is corrected yet. SI units.

    Attributes:
        readings: one for each port, all of one moment.
        wall_power: power at the wall [W]; wall_apparent: volt-amperes there [VA].
        mains, frequency: what fed the supply [V rms, Hz].
        line: line of the file it comes from.
        read_at: where the volts were read, or None where that is not said.
        minutes: how long it had been loaded so.
        case_temperature, ambient_temperature: [K].
        ripple: of the output, peak to peak [V].
        pulse_frequency: measured switching frequency [Hz].
        mains_dips: whether a scope showed the output dipping at every mains valley.
        restarts: whether the output came and went, or stayed down; both are None where nobody looked.
        source: name of the meter log it comes from, "" for the board file itself.
    """

    readings: tuple[LoadReading, ...]
    wall_power: float | None
    mains: float | None
    note: str = ""
    line: int | None = None
    wall_apparent: float | None = None
    frequency: float | None = None
    read_at: ReadAt | None = None
    minutes: float | None = None
    case_temperature: float | None = None
    ambient_temperature: float | None = None
    ripple: float | None = None
    pulse_frequency: float | None = None
    mains_dips: bool | None = None
    restarts: bool | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of a meter's error: a share of the reading and a fixed amount on top (SI).

    >>> Accuracy(share=0.01, floor=0.02, text="1 % + 20 mV").limit(5.0)
    0.07
    """

    share: float
    floor: float
    text: str

    def limit(self, reading: float) -> float:
        """Largest error at a reading; where it lies below that is not known."""
        return self.share * reading + self.floor


@dataclass(frozen=True, slots=True)
class Meters:
    """What the load tests were read with; None where it is not said.

    Attributes:
        cable_resistance: of the load cable, both conductors and contacts [ohm].
        meter_resistance: of the USB meter between socket and load [ohm].
    """

    voltage: Accuracy | None = None
    current: Accuracy | None = None
    wall_power: Accuracy | None = None
    cable_resistance: Quantity | None = None
    meter_resistance: Quantity | None = None
    wall_meter: WallMeter | None = None


@dataclass(frozen=True, slots=True)
class Board:
    """The bench notebook of one supply.

    Attributes:
        control: a key of `flyback.board.roles.CONTROL_FAMILIES`.
        topology: a key of `flyback.board.roles.TOPOLOGIES`; only a flyback is judged.
        rail_voltage: measured voltage of the rail, where given.
        tried_on: mains voltage [V] and frequency [Hz] the supply was tried on.
        digest: SHA-256 of the file's bytes, first 12 hex digits.
    """

    name: str
    topology: str
    control: str
    label: Label
    parts: Mapping[str, Part]
    rail_voltage: Value | None = None
    tried_on: tuple[float, float] | None = None
    load_tests: tuple[LoadTest, ...] = ()
    meters: Meters = Meters()
    notes: str = ""
    path: Path | None = None
    digest: str = ""

    def playing(self, role: str) -> tuple[Part, ...]:
        """The fitted parts that play a role, in file order."""
        return tuple(p for p in self.parts.values() if p.role == role and p.fitted)
