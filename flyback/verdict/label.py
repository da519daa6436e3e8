"""What the label claims, and what its own figures say about each other.

Label arithmetic comes before any part is looked at, because a label can contradict itself whatever the
board can do: 5 V at 3 A is 15 W, whatever else is printed.
"""

from __future__ import annotations

from flyback.analysis.assessment import Demand
from flyback.board.model import Label, OutputClaim
from flyback.equations import ports
from flyback.verdict.words import Judgement, Word

ROUNDING = 0.02
"""Relative difference between printed figures that still counts as rounding (our choice)."""


def amount(value: float, unit: str) -> str:
    """A printed figure without trailing zeros: "24 W", "2.4 A"."""
    return f"{value:.4g} {unit}"


def sockets(label: Label) -> list[list[OutputClaim]]:
    """Output rows grouped by socket: rows that share a port name are alternatives of one socket."""
    groups: dict[str, list[OutputClaim]] = {}
    for index, row in enumerate(label.outputs):
        groups.setdefault(row.port or f"row {index}", []).append(row)
    return list(groups.values())


def power_claims(label: Label) -> list[Demand]:
    """The claims that the board's power can be judged on, most demanding kind first."""
    claims = []
    best = max(label.outputs, key=lambda row: row.voltage * row.current, default=None)
    voltage = best.voltage if best else 5.0
    several_voltages = len({row.voltage for row in label.outputs}) > 1
    if label.power is not None:
        text = f"{amount(label.power, 'W')} in total"
        claims.append(Demand(text, voltage, power=label.power))
    if label.total_current is not None:
        text = f"{amount(label.total_current, 'A')} in total"
        claims.append(Demand(text, voltage, current=label.total_current))
    single = sum(row.ports for group in sockets(label) for row in group[:1]) == 1
    for row in label.outputs:
        at = f" at {amount(row.voltage, 'V')}" if several_voltages else ""
        port = f" from {row.port}" if row.port else ("" if single else " from one port")
        text = f"{amount(row.current, 'A')}{at}{port}"
        claims.append(Demand(text, row.voltage, current=row.current))
    if _all_ports_power(label) is not None and label.power is None and label.total_current is None:
        claims.append(_all_ports_claim(label, voltage))
    return claims


def _all_ports_power(label: Label) -> float | None:
    """What all sockets amount to at once [W]; None for a single socket."""
    groups = sockets(label)
    if sum(group[0].ports for group in groups) < 2:
        return None
    most = (
        max(
            ports.label_power_of_ports(V_label=row.voltage, I_label=row.current, n_ports=row.ports)
            for row in group
        )
        for group in groups
    )
    return float(sum(most))


def _all_ports_text(label: Label) -> str:
    groups = sockets(label)
    if len(groups) == 1 and len(groups[0]) == 1:
        row = groups[0][0]
        return f"{row.ports} x {amount(row.current, 'A')}"
    return "all ports at once"


def _all_ports_claim(label: Label, voltage: float) -> Demand:
    text = _all_ports_text(label)
    return Demand(text, voltage, power=_all_ports_power(label))


# --- label arithmetic -----------------------------------------------------------------------------


def judge_label(label: Label) -> list[Judgement]:
    """What the label's own figures say about each other, before any part is looked at."""
    found = [_ports_against_power(label), _ports_against_current(label)]
    found += [_socket_against_power(label), _input_against_output(label)]
    return [judgement for judgement in found if judgement is not None]


def _ports_against_power(label: Label) -> Judgement | None:
    together = _all_ports_power(label)
    if together is None or label.power is None:
        return None
    text = _all_ports_text(label)
    printed = amount(label.power, "W")
    if together > label.power * (1 + ROUNDING):
        reason = f"the label's own {printed}: it would be {amount(together, 'W')}"
        return Judgement(text, Word.CONTRADICTS, reason)
    if together < label.power * (1 - ROUNDING):
        reason = f"the label's own {printed}: all ports at once are {amount(together, 'W')}"
        return Judgement(text, Word.CONTRADICTS, reason)
    return Judgement(text, Word.CONSISTENT, f"{amount(together, 'W')} with all ports at once")


def _ports_against_current(label: Label) -> Judgement | None:
    groups = sockets(label)
    if label.total_current is None or sum(group[0].ports for group in groups) < 2:
        return None
    together = sum(max(row.current * row.ports for row in group) for group in groups)
    text = f"{_all_ports_text(label)}, amps"
    printed = amount(label.total_current, "A")
    if together > label.total_current * (1 + ROUNDING):
        reason = f"the label's own {printed} in total: it would be {amount(together, 'A')}"
        return Judgement(text, Word.CONTRADICTS, reason)
    return Judgement(text, Word.CONSISTENT, f"{amount(together, 'A')} of {printed}")


def _socket_against_power(label: Label) -> Judgement | None:
    """A single socket's volts and amps against the printed watts."""
    groups = sockets(label)
    if label.power is None or len(groups) != 1 or groups[0][0].ports != 1:
        return None
    row = max(groups[0], key=lambda r: r.voltage * r.current)
    watts = ports.label_power(V_label=row.voltage, I_label=row.current)
    text = f"{amount(row.voltage, 'V')} x {amount(row.current, 'A')}"
    if abs(watts - label.power) > ROUNDING * label.power:
        reason = f"the label's own {amount(label.power, 'W')}: it is {amount(watts, 'W')}"
        return Judgement(text, Word.CONTRADICTS, reason)
    return Judgement(text, Word.CONSISTENT, f"{amount(watts, 'W')}, as printed")


def claimed_power(label: Label) -> float | None:
    """The output power the label claims: printed, or what its sockets amount to [W]."""
    if label.power is not None:
        return label.power
    together = _all_ports_power(label)
    if together is not None:
        return together
    return max((row.voltage * row.current for row in label.outputs), default=None)


def _input_against_output(label: Label) -> Judgement | None:
    watts = claimed_power(label)
    if label.input_current is None or label.mains is None or watts is None:
        return None
    low = label.mains[0]
    available = ports.label_input(V_ac=low, I_label=label.input_current)
    text = f"input {amount(label.input_current, 'A')}"
    reason = f"{amount(available, 'VA')} at {amount(low, 'V')} for {amount(watts, 'W')} out"
    if available < watts:
        return Judgement(text, Word.CONTRADICTS, f"only {reason}")
    return Judgement(text, Word.CONSISTENT, reason)
