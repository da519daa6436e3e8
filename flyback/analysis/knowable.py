"""What could be known of a board by measuring: single values, several read as one, and the loaded output.

A `Knowable` is data only; `taken` gives its numbers for a block of samples. How well a meter reads it is
another matter (`flyback.analysis.measurements`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, lowest
from flyback.analysis.limits import LIMIT_RUNGS, Ceiling
from flyback.analysis.load_point import describe
from flyback.analysis.operating_point import OperatingPoint
from flyback.board.model import Value
from flyback.equations import rectifier
from flyback.equations.formula import Real


class Kind(StrEnum):
    """How the numbers of a reading come about; those at the output are named by it."""

    VALUE = "value"
    TOGETHER = "together"
    KNEE = "output current at the knee"
    RATE = "pulse rate at the knee"
    RIPPLE = "output ripple at the knee"


@dataclass(frozen=True, slots=True)
class Knowable:
    """Something that could be read.

    The knee is the load at which the output begins to sag, in the valleys of the bulk: the lowest limit
    that stops the power. A meter's mean current once it sags all the time is a few percent higher at low
    mains.

    Attributes:
        kind: what it is.
        parts: the parts it stands for, as a report names them; "output" at the output.
        field: key of the board file, without the part ("limit_voltage"); the kind at the output.
        role: role of its parts; "rail", "clamp" or "output" where it is not of one part.
        source: key of `Circuit.values`, or field of `Supply`; "" at the output.
        dimension: name in `flyback.units.DIMENSIONS`.
        line: number of the line it is read at; None where no mains is needed.
        within: name of the reading that gives it together with others; "" where there is none.
    """

    kind: Kind
    parts: str
    field: str
    role: str
    source: str
    dimension: str
    line: int | None = None
    within: str = ""

    @property
    def name(self) -> str:
        """Such as "U1 limit voltage", "R5 || R6 resistance", "output current at the knee"."""
        if self.line is not None:
            return self.field
        return f"{self.parts} {self.field.replace('_', ' ')}"

    def named(self, lines: Sequence[Line]) -> str:
        """The name with the line that it is read at, if there is one."""
        return self.name if self.line is None else f"{self.name}, {lines[self.line].full_name}"


@dataclass(frozen=True, slots=True)
class Block:
    """One block of samples, or the nominal numbers.

    Attributes:
        V_o: rail voltage at which the demands are judged [V].
        V_socket: voltage at the sockets [V].
        ladders: by number of the line, at least those that a reading is taken at.
    """

    circuit: Circuit
    numbers: Mapping[str, Real]
    supply: Supply
    V_o: Real
    V_socket: Real
    lines: Sequence[Line]
    ladders: Mapping[int, Mapping[str, Ceiling]]

    @classmethod
    def of(
        cls,
        case: Case,
        numbers: Mapping[str, Real],
        supply: Supply,
        lines: Sequence[Line],
        ladders: Mapping[int, Mapping[str, Ceiling]],
    ) -> Block:
        """A block of a case's circuit."""
        V_o = case.rail(supply)
        return cls(case.circuit, numbers, supply, V_o, case.socket(V_o), lines, ladders)


def taken(knowable: Knowable, block: Block) -> Real:
    """The numbers of a reading [SI]; infinite where what it reads does not exist."""
    return _TAKE[knowable.kind](knowable, block)


def knowables(
    case: Case, lines: Sequence[Line], ladders: Sequence[Mapping[str, Ceiling]], judged: int
) -> tuple[Knowable, ...]:
    """Everything that could be read, in the order of the power's path and then at the output.

    Args:
        ladders: the nominal ladder of every line.
        judged: number of the line at which the demands are judged.
    """
    circuit = case.circuit
    together = _together(circuit)
    within = {key: reading.name for reading in together for key in _keys(circuit, reading)}
    found = [replace(value, within=within.get(value.source, "")) for value in _values(circuit)]
    found += together
    for line in sorted({judged, *_sockets(circuit, lines)}):
        found += _at_output(circuit, ladders[line], line)
    return tuple(found)


# --- values of the board --------------------------------------------------------------------------


def _values(circuit: Circuit) -> list[Knowable]:
    """One reading a cause: values that share their spread are known by any one of them."""
    by_cause: dict[str, Value] = {}
    for value in circuit.values.values():
        if value.spread:
            by_cause.setdefault(value.cause, value)
    return [_value(circuit, value) for value in by_cause.values()]


def _value(circuit: Circuit, value: Value) -> Knowable:
    designator, dot, field = value.key.partition(".")
    part = circuit.board.parts.get(designator)
    if not dot:
        behind = (circuit.parts.get(name) for name, keys in circuit.keys.items() if value.key in keys)
        designator, field = next(filter(None, behind), "board"), value.key
    role = designator if part is None else part.role
    return Knowable(Kind.VALUE, designator, field, role, value.key, value.dimension)


_TOGETHER = ("R_series", "C_bulk", "R_s", "R_b", "R_cl", "C_o", "R_esr")
"""Fields of `Supply` that several parts make up and that one reading gives as they stand in the circuit."""


def _together(circuit: Circuit) -> list[Knowable]:
    found = []
    for name in _TOGETHER:
        values = [circuit.values[key] for key in circuit.keys.get(name, ())]
        if len({value.cause for value in values if value.spread}) > 1:
            first = _value(circuit, values[0])
            found.append(
                Knowable(
                    Kind.TOGETHER, circuit.parts[name], first.field, first.role, name, values[0].dimension
                )
            )
    if all(circuit.keys.get(name) for name in _DIVIDER) and _spread(circuit, _DIVIDER):
        found.append(
            Knowable(Kind.TOGETHER, "output", "voltage, hardly loaded", "output", "V_rail", "voltage")
        )
    return found


_DIVIDER = ("R_upper", "R_lower", "V_ref")
"""Fields that set the rail together."""


def _keys(circuit: Circuit, reading: Knowable) -> list[str]:
    """Keys of the values that a reading gives together."""
    names = _DIVIDER if reading.source == "V_rail" else (reading.source,)
    return [key for name in names for key in circuit.keys[name]]


def _spread(circuit: Circuit, names: Sequence[str]) -> bool:
    return any(circuit.values[key].spread for name in names for key in circuit.keys[name])


# --- at the output --------------------------------------------------------------------------------


SOCKETS = (115.0, 230.0)
"""Voltages that come out of a wall somewhere [V]: where a supply can be loaded without a transformer."""


def _sockets(circuit: Circuit, lines: Sequence[Line]) -> list[int]:
    """The line it was tried on; where none is noted, those at a usual voltage."""
    tried = circuit.board.tried_on
    usual = SOCKETS if tried is None else (tried[0],)
    return [number for number, line in enumerate(lines) if line.V_ac in usual]


def _at_output(circuit: Circuit, ladder: Mapping[str, Ceiling], line: int) -> list[Knowable]:
    """A limit that is nowhere at the nominal numbers, or stops everything, has no knee to look for."""
    if not 0 < float(lowest(ladder, Question.REACH)) < float("inf"):
        return []

    def read(kind: Kind, dimension: str) -> Knowable:
        return Knowable(kind, "output", str(kind), "output", "", dimension, line)

    found = [read(Kind.KNEE, "current")]
    if any(ladder[name].loaded is not None for name in LIMIT_RUNGS if name in ladder):
        if circuit.free_running or circuit.constant_current:
            found.append(read(Kind.RATE, "frequency"))
        if "C_o" in circuit.keys:
            found.append(read(Kind.RIPPLE, "voltage"))
    return found


def _ladder(knowable: Knowable, block: Block) -> tuple[Line, Mapping[str, Ceiling]]:
    if knowable.line is None:
        raise ValueError(f"{knowable.name} is not read at a line")
    return block.lines[knowable.line], block.ladders[knowable.line]


def _knee(knowable: Knowable, block: Block) -> Real:
    _, ladder = _ladder(knowable, block)
    return rectifier.current_at_power(P_o=lowest(ladder, Question.REACH), V_o=block.V_socket)


def _limited(ladder: Mapping[str, Ceiling]) -> Ceiling:
    return next(ladder[name] for name in LIMIT_RUNGS if name in ladder)


def _rate(knowable: Knowable, block: Block) -> Real:
    limited = _limited(_ladder(knowable, block)[1])
    assert limited.loaded is not None
    return limited.loaded.load.f_s


def _ripple(knowable: Knowable, block: Block) -> Real:
    line, ladder = _ladder(knowable, block)
    limited = _limited(ladder)
    assert limited.loaded is not None
    assert limited.delivered is not None
    at = limited.loaded
    point = OperatingPoint(at.load, limited.delivered)
    return describe(block.supply, line, at.V_valley, at.V_mean, point, block.V_o).V_ripple


Take = Callable[[Knowable, Block], Real]

_TAKE: Mapping[Kind, Take] = {
    Kind.VALUE: lambda knowable, block: block.numbers[knowable.source],
    Kind.TOGETHER: lambda knowable, block: getattr(block.supply, knowable.source),
    Kind.KNEE: _knee,
    Kind.RATE: _rate,
    Kind.RIPPLE: _ripple,
}
