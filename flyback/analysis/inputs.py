"""Numbers that remember where they come from, at the entrance of a recorded pass."""

from __future__ import annotations

from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.board.model import Value
from flyback.equations.formula import Input, Traced


def nominal_numbers(circuit: Circuit) -> dict[str, Traced]:
    """Nominal values of a circuit with their origins."""
    return {key: traced(value) for key, value in circuit.values.items()}


def traced(value: Value) -> Traced:
    """A nominal value with its origin."""
    absent = value.key.startswith("absent.")
    return Traced(
        value.nominal,
        Input(
            key=value.key,
            origin="not counted" if absent else str(value.origin),
            text=value.text,
            dimension=value.dimension,
            note=value.note,
            source=value.source,
        ),
    )


def printed(key: str, number: float, unit: str, dimension: str) -> Traced:
    """A figure of the label."""
    return Traced(number, Input(key, "label", f"{number:.4g} {unit}", dimension))


def asked(key: str, number: float, unit: str, dimension: str) -> Traced:
    """A figure of the command line or of a call."""
    return Traced(number, Input(key, "asked for", f"{number:.4g} {unit}", dimension))


def mains_line(V_ac: float, f_line: float) -> Line:
    """Mains at a voltage [V rms] and frequency [Hz]."""
    return Line(
        V_ac=asked("mains voltage", V_ac, "V", "voltage"),
        f_line=asked("mains frequency", f_line, "Hz", "frequency"),
    )


def dc_line(V_fixed: float) -> Line:
    """A bench supply straight at the bulk [V]."""
    return Line(V_fixed=asked("bench supply", V_fixed, "V", "voltage"))


def plain(line: Line) -> Line:
    """The same line as plain floats, for passes that are not recorded."""
    return Line(*(None if x is None else float(x) for x in (line.V_ac, line.f_line, line.V_fixed)))
