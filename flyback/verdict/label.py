"""What the label claims, and what its own figures say about each other.

Label arithmetic comes before any part is looked at, because a label can contradict itself whatever the
board can do: 5 V at 3 A is 15 W, whatever else is printed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import reduce

from flyback.analysis.demand import Demand
from flyback.analysis.inputs import printed
from flyback.board.model import Label, OutputClaim
from flyback.equations import ports
from flyback.equations.formula import Real
from flyback.errors import Problem, RequestError
from flyback.reference import rows
from flyback.verdict.words import Judgement, Word

ROUNDING = 0.02
"""Relative difference between printed figures that still counts as rounding (our choice)."""


def amount(value: float, unit: str) -> str:
    """A printed figure without trailing zeros: "24 W", "2.4 A"."""
    return f"{value:.4g} {unit}"


# --- claims that the board decides ----------------------------------------------------------------


def sockets(label: Label) -> list[list[OutputClaim]]:
    """Output rows grouped by socket: rows that share a port name are alternatives of one socket."""
    groups: dict[str, list[OutputClaim]] = {}
    for index, row in enumerate(label.outputs):
        groups.setdefault(row.port or f"row {index}", []).append(row)
    return list(groups.values())


def power_claims(label: Label, rail: float | None) -> list[Demand]:
    """The claims that the board's power can be judged on: totals first, then each output.

    Args:
        rail: set or measured rail voltage [V], for a label of watts alone.

    Raises:
        RequestError: the label prints no output voltage and the rail's is not known either.
    """
    claims = []
    best = max(label.outputs, key=lambda row: row.voltage * row.current, default=None)
    voltage = rail if best is None else best.voltage
    if voltage is None:
        raise RequestError(
            Problem(
                "the label prints watts without a voltage;",
                field="label.output",
                hint="measure the rail and write [rail] voltage, or add the label's output.",
                line=label.lines.get("power"),
            )
        )
    if label.power is not None:
        claims.append(Demand(f"{amount(label.power, 'W')} in total", voltage, power=label.power))
    if label.total_current is not None:
        text = f"{amount(label.total_current, 'A')} in total"
        claims.append(Demand(text, voltage, current=label.total_current))
    claims += [Demand(_output_text(label, row), row.voltage, current=row.current) for row in label.outputs]
    together = _all_ports_power(label)
    if together is not None and label.power is None and label.total_current is None:
        claims.append(Demand(_all_ports_text(label), voltage, power=float(together)))
    return claims


def _output_text(label: Label, row: OutputClaim) -> str:
    several_voltages = len({other.voltage for other in label.outputs}) > 1
    at = f" at {amount(row.voltage, 'V')}" if several_voltages else ""
    if row.port:
        return f"{amount(row.current, 'A')}{at} from {row.port}"
    single = sum(group[0].ports for group in sockets(label)) == 1
    return f"{amount(row.current, 'A')}{at}" + ("" if single else " from one port")


def _all_ports_text(label: Label) -> str:
    groups = sockets(label)
    if len(groups) == 1 and len(groups[0]) == 1:
        row = groups[0][0]
        return f"{row.ports} x {amount(row.current, 'A')}"
    return "all ports at once"


# --- label arithmetic -----------------------------------------------------------------------------


def judge_label(label: Label) -> list[Judgement]:
    """What the label's own figures say about each other, before any part is looked at."""
    found = [
        _ports_against_power(label),
        _ports_against_current(label),
        _socket_against_power(label),
        _input_against_output(label),
        _efficiency_mark(label),
    ]
    return [judgement for judgement in found if judgement is not None]


def _row_power(row: OutputClaim) -> Real:
    return ports.label_power_of_ports(
        V_label=printed("printed voltage", row.voltage, "V", "voltage"),
        I_label=printed("printed current", row.current, "A", "current"),
        n_ports=printed("printed ports", row.ports, "", "number"),
    )


def _several_sockets(label: Label) -> bool:
    return sum(group[0].ports for group in sockets(label)) > 1


def _all_ports_power(label: Label) -> Real | None:
    """What all sockets amount to at once [W]; None for a single socket."""
    if not _several_sockets(label):
        return None
    most = [max((_row_power(row) for row in group), key=float) for group in sockets(label)]
    return reduce(lambda P_1, P_2: ports.powers_together(P_1=P_1, P_2=P_2), most)


def claimed_power(label: Label) -> Real | None:
    """The output power the label claims: printed, or what its sockets amount to [W]."""
    if label.power is not None:
        return printed("printed power", label.power, "W", "power")
    together = _all_ports_power(label)
    if together is not None:
        return together
    return max((_row_power(row) for row in label.outputs), key=float, default=None)


def _ports_against_power(label: Label) -> Judgement | None:
    together = _all_ports_power(label)
    if together is None or label.power is None:
        return None
    text, own = _all_ports_text(label), f"the label's own {amount(label.power, 'W')}"
    watts = amount(float(together), "W")
    if together > label.power * (1 + ROUNDING):
        return Judgement(text, Word.CONTRADICTS, f"{own}: it would be {watts}", figure=together)
    if together < label.power * (1 - ROUNDING):
        return Judgement(text, Word.CONTRADICTS, f"{own}: it is only {watts}", figure=together)
    return Judgement(text, Word.CONSISTENT, f"{watts} with all ports at once", figure=together)


def _ports_against_current(label: Label) -> Judgement | None:
    if label.total_current is None or not _several_sockets(label):
        return None
    most = [max(row.current * row.ports for row in group) for group in sockets(label)]
    amps = [printed("printed current of a socket", I_o, "A", "current") for I_o in most]
    together = reduce(lambda I_1, I_2: ports.currents_together(I_1=I_1, I_2=I_2), amps)
    text = f"{_all_ports_text(label)} at once"
    own, total = amount(label.total_current, "A"), amount(float(together), "A")
    if together > label.total_current * (1 + ROUNDING):
        reason = f"the label's own {own} in total: it would be {total}"
        return Judgement(text, Word.CONTRADICTS, reason, figure=together)
    return Judgement(text, Word.CONSISTENT, f"{total} of {own}", figure=together)


def _socket_against_power(label: Label) -> Judgement | None:
    """A single socket's volts and amps against the printed watts."""
    if label.power is None or not label.outputs or _several_sockets(label):
        return None
    row = max(label.outputs, key=lambda r: r.voltage * r.current)
    watts = _row_power(row)
    text = f"{amount(row.voltage, 'V')} x {amount(row.current, 'A')}"
    if abs(watts - label.power) > ROUNDING * label.power:
        reason = f"the label's own {amount(label.power, 'W')}: it is {amount(float(watts), 'W')}"
        return Judgement(text, Word.CONTRADICTS, reason, figure=watts)
    return Judgement(text, Word.CONSISTENT, f"{amount(float(watts), 'W')}, as printed", figure=watts)


def _input_against_output(label: Label) -> Judgement | None:
    watts = claimed_power(label)
    if label.input_current is None or label.mains is None or watts is None:
        return None
    V_ac = printed("printed mains", label.mains[0], "V", "voltage")
    available = ports.label_input(
        V_ac=V_ac, I_label=printed("printed input current", label.input_current, "A", "current")
    )
    text = f"input {amount(label.input_current, 'A')}"
    out = f"{amount(float(watts), 'W')} out"
    reason = f"{amount(float(available), 'VA')} at {amount(label.mains[0], 'V')} for {out}"
    if available < watts:
        return Judgement(text, Word.CONTRADICTS, f"only {reason}", figure=available)
    return Judgement(text, Word.CONSISTENT, reason, figure=available)


def _efficiency_mark(label: Label) -> Judgement | None:
    """What the mark asks for; the losses that would decide it are not computed."""
    watts = claimed_power(label)
    if not label.efficiency_mark or watts is None:
        return None
    text = f"efficiency mark {label.efficiency_mark}"
    asks = _least_efficiency(label, float(watts))
    reason = "the losses are not computed, so the mark is not judged"
    if asks is not None:
        reason = f"asks for {100 * asks:.1f} % on average at {amount(float(watts), 'W')}; {reason}"
    return Judgement(text, Word.CANNOT_TELL, reason)


def _least_efficiency(label: Label, watts: float) -> float | None:
    """Least average efficiency that a mark asks for at a power, by the supply's class."""
    classes = ("any", _supply_class(label))
    for row in rows("average_efficiency"):
        if row["level"] == label.efficiency_mark and row["supply_class"] in classes:
            for band in row["bands"]:
                if band["above_W"] < watts <= band["up_to_W"]:
                    return _asked(band, watts)
    return None


def _asked(band: Mapping[str, float], watts: float) -> float:
    """The rule's own empirical fit, with the power as a plain number of watts."""
    return band["log"] * math.log(watts) + band["linear"] * watts + band["constant"]


def _supply_class(label: Label) -> str:
    """Low-voltage below 6 V and from 0.55 A up, else basic (alternatives of one socket are one output)."""
    low = all(row.voltage < 6 and row.current >= 0.55 for row in label.outputs)
    return "low-voltage" if low else "basic"
