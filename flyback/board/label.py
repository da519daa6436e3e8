"""Reading what is printed on the case."""

from __future__ import annotations

import re

from flyback.board.model import Label, OutputClaim
from flyback.board.tables import Table
from flyback.board.values import read_single, single, within
from flyback.units import shown, tidy

MAINS_LIMITS = ("10 V", "1000 V")
MAINS_FREQUENCY_LIMITS = ("10 Hz", "1000 Hz")

_KEYS = ("mains", "frequency", "input_current", "power", "total_current", "efficiency_mark", "output")
_EFFICIENCY_MARKS = ("III", "IV", "V", "VI", "VII")
_FREQUENCIES = re.compile(r"([0-9.]+)(?: ?(?:Hz)? ?/ ?([0-9.]+))? ?Hz")
_OUTPUT_EXAMPLE = '{ voltage = "5 V", current = "2 A" }'


def read_label(table: Table) -> Label:
    """Read the label table; figures that are unfit are reported and left out."""
    table.report_unknown_keys(_KEYS, "[label]")
    if not table.content.get("output") and "power" not in table:
        table.report(
            "the label claims nothing: a board with no output cannot be judged.",
            expected="output or power",
            hint=f"Write output = [{_OUTPUT_EXAMPLE}], or power.",
        )
    outputs = [_read_output(row) for row in table.rows("output")]
    return Label(
        mains=_read_mains(table),
        frequencies=_read_frequencies(table),
        outputs=tuple(claim for claim in outputs if claim),
        power=read_single(table, "power", "power"),
        total_current=read_single(table, "total_current", "current"),
        input_current=read_single(table, "input_current", "current"),
        efficiency_mark=table.choice("efficiency_mark", _EFFICIENCY_MARKS),
        lines={key: line for key in table.content if (line := table.line(key))},
    )


def _read_output(table: Table) -> OutputClaim | None:
    table.report_unknown_keys(("ports", "port", "voltage", "current"), "an output row")
    for key in ("voltage", "current"):
        if key not in table:
            table.report_missing(key, f'{key} = "{"5 V" if key == "voltage" else "2 A"}"')
    ports = table.whole_number("ports", default=1)
    port = table.text("port")
    if port and ports != 1:
        table.report(
            f"port names one socket, but ports counts {ports}.",
            "ports",
            given=f"port and ports = {ports}",
            expected="one of the two",
            hint="Write ports for sockets that are alike, port for one with several voltages.",
        )
    voltage = read_single(table, "voltage", "voltage")
    current = read_single(table, "current", "current")
    if voltage is None or current is None:
        return None
    return OutputClaim(voltage, current, ports, port, table.line())


def _read_mains(table: Table) -> tuple[float, float] | None:
    quantity = table.quantity("mains", "voltage")
    if quantity is None or not within(table, "mains", quantity, MAINS_LIMITS, what="mains"):
        return None
    return quantity.low, quantity.high


def _read_frequencies(table: Table) -> tuple[float, ...]:
    text = table.text("frequency")
    if not text:
        return ()
    match = _FREQUENCIES.fullmatch(tidy(text))
    if match is None:
        table.report(
            f"{shown(text)} is not a mains frequency.",
            "frequency",
            given=text,
            expected="50 Hz or 50/60 Hz",
            hint='Write for example frequency = "50/60 Hz".',
        )
        return ()
    quantities = [
        table.parsed("frequency", f"{number} Hz", "frequency") for number in match.groups() if number
    ]
    frequencies = {
        single(table, "frequency", quantity, limits=MAINS_FREQUENCY_LIMITS)
        for quantity in quantities
        if quantity
    }
    return tuple(sorted(frequency for frequency in frequencies if frequency))
