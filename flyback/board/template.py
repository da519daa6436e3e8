"""The starter file of ``flyback new``: a small supply, invented, with every section explained."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from textwrap import fill

from flyback.board.load_tests import LOAD_TEST
from flyback.board.meters import METERS
from flyback.board.roles import CONTROL_FAMILIES, ROLES, TOPOLOGIES, Field, Role
from flyback.files import write_new

_WIDTH = 96
_KEPT_SPACE = "\N{NO-BREAK SPACE}"

_EXAMPLE = """\
# The bench notebook of one supply. Every figure below is invented: replace it with what you
# read, or leave it out. What is left out is either assumed from the handbook, which is then
# said, or not checked.
#
# Values are texts with their unit: "10 uF", "4k7", "60..70 kHz", "1.5 mH ± 5 %",
# "6.8 uF -20/+50 %". Turns and ratios may be plain numbers.
# A value you looked for in vain is "unknown".
#
# Unplug the supply and measure its capacitors before touching anything inside. It can kill.

[board]
# What it is. tried_on is the mains it was tried on; topology and control take the words listed
# at the end of this file.
name = "One-port charger, 5 V 1 A (invented)"
topology = "flyback"
control = "fixed-frequency peak current"
tried_on = "230 V 50 Hz"
notes = \"\"\"
Where it was bought, what was seen on opening it.\"\"\"

[label]
# What is printed on the case, and nothing else. One row of output for each kind of socket:
# ports counts sockets that are alike; rows with one port name are alternatives of one socket.
mains = "100..240 V"
frequency = "50/60 Hz"
input_current = "0.2 A"
output = [{ ports = 1, voltage = "5 V", current = "1 A" }]
power = "5 W"
efficiency_mark = "VI"

[rail]
# The output voltage as measured on the board, without load.
voltage = "5.08 V"
origin = "measured"

# The parts, each under its designator. Every part has a role; its other keys depend on the role
# and are listed at the end. Each value says where it comes from, here or once for the part:
#   origin = "marked", "measured", "datasheet", "handbook" or "guess"
# A marking is the code printed on a resistor or a ceramic or film capacitor; an electrolytic
# says its value in clear, which goes under value.
# state = "not fitted" is an empty footprint, "open" a part that has failed open.

[parts.RF1]
role = "series resistor"
marking = "100"
tolerance = "5 %"
note = "Fusible; the code says 10 ohm."

[parts.BR1]
role = "mains rectifier"
arrangement = "full wave"

[parts.C1]
role = "bulk capacitor"
value = "6.8 uF ± 20 %"
voltage_rating = "400 V"
origin = "marked"

[parts.C2]
role = "bulk capacitor"
value = "6.8 uF ± 20 %"
voltage_rating = "400 V"
origin = "marked"
same_reel_as = "C1"

[parts.U1]
# min, typ and max of a data sheet go together; two limits alone are a range.
role = "switching IC"
origin = "datasheet"
limit_voltage = { min = "0.66 V", typ = "0.70 V", max = "0.74 V", note = "Hot column" }
frequency = "56..64 kHz"
delay = "250 ns"
max_duty = "72 %"
drain_capacitance = { value = "40..80 pF", origin = "guess" }

[parts.R4]
role = "sense resistor"
marking = "1R6"
tolerance = "1 %"

[parts.R5]
role = "sense resistor"
state = "not fitted"

[parts.T1]
role = "transformer"
origin = "measured"
primary_turns = 110
secondary_turns = 8
primary_inductance = { value = "1.5 mH ± 5 %", note = "LCR meter, secondary open" }
leakage_inductance = { value = "45 uH ± 10 %", note = "LCR meter, secondary shorted" }
core_area = { value = "22.5 mm²", origin = "datasheet" }
saturation_flux = "unknown"

[parts.R6]
role = "clamp resistor"
marking = "154"
tolerance = "5 %"

[parts.C4]
role = "clamp capacitor"
marking = "102K"

[parts.D6]
role = "output rectifier"
technology = "schottky"
current_rating = "3 A"
voltage_rating = "40 V"
origin = "datasheet"

[parts.C6]
role = "output capacitor"
value = "470 uF ± 20 %"
origin = "marked"
esr = { value = "45 mohm", origin = "datasheet" }

[parts.U3]
role = "voltage reference"
reference_voltage = { value = "1.24 V ± 1 %", origin = "datasheet" }

[parts.R11]
role = "upper divider resistor"
marking = "3002"
tolerance = "1 %"

[parts.R12]
role = "lower divider resistor"
marking = "9761"
tolerance = "1 %"

[parts.D7]
role = "indicator LED"
colour = "green"

[parts.R13]
role = "LED series resistor"
marking = "152"
tolerance = "5 %"

# What the load tests were read with, from the meters' manuals: percent of the reading + a fixed
# amount. What is left out is taken as customary for such meters, which is then said.
# [meters]
# voltage = "1 % + 20 mV"
# current = "2 % + 10 mA"
# wall_power = "1 % + 0.2 W"
# wall_meter = "true power"

# A load test, one table for each load. The wall power is that of the mains wattmeter. More keys
# of both, such as read_at = "end of cable" or minutes = 10, are listed at the end.
[[load_test]]
readings = [{ port = "1", voltage = "5.05 V", current = "0.50 A" }]
wall_power = "3.4 W"
mains = "230 V"

[[load_test]]
readings = [{ port = "1", voltage = "5.01 V", current = "1.00 A" }]
wall_power = "6.8 W"
mains = "230 V"
note = "Case warm after ten minutes."
"""

_ON_EVERY_PART = {
    "role": "one of the roles below",
    "value": "what the part is worth; stands for its resistance or capacitance",
    "marking": "the code printed on it, instead of value or beside it",
    "tolerance": "of the value or marking: 5 % or -20/+50 %",
    "state": "fitted (if it is left out), not fitted or open",
    "same_reel_as": "designator of a part from the same reel: the two deviate alike",
    "origin": "where its values come from",
    "note": "anything worth remembering",
}


def template() -> str:
    """A complete board file to start from, with all roles and keys listed in comments at its end."""
    return _EXAMPLE + "".join(f"{line}\n" for line in _reference())


def write_template(path: str | os.PathLike[str]) -> Path:
    """Write the starter file under a free name and return that name.

    Raises RequestError if the path is a directory or cannot be written.
    """
    return write_new(path, template())


def _reference() -> Iterator[str]:
    yield ""
    yield from _listing("topology, in [board]:", TOPOLOGIES)
    yield from _listing("control, in [board]:", CONTROL_FAMILIES)
    yield from _listing("Keys of every part:", _ON_EVERY_PART)
    yield from _listing("Keys of [meters]:", _written(METERS))
    yield from _listing("Keys of [[load_test]]:", _written(LOAD_TEST))
    yield "# Roles, each with its own keys:"
    for role in ROLES.values():
        yield "#"
        yield from _described_role(role)


def _listing(title: str, meanings: Mapping[str, str]) -> Iterator[str]:
    yield f"# {title}"
    width = max(map(len, meanings))
    for word, meaning in meanings.items():
        yield from _comment(f"{word:{width}}  {meaning}", indent=4, hanging=width + 2)
    yield "#"


def _described_role(role: Role) -> Iterator[str]:
    yield from _comment(f"{role.name} ({role.letters}): {role.used_for}", indent=2, hanging=4)
    for field in role.fields.values():
        yield from _comment(f"{field.key:22}  {field.meaning}, {_as_written(field)}", indent=6, hanging=24)


def _written(fields: Mapping[str, Field]) -> dict[str, str]:
    return {key: f"{field.meaning}, {_as_written(field)}" for key, field in fields.items()}


def _as_written(field: Field) -> str:
    if field.dimension in ("turns", "number", "flag"):
        return field.example
    if field.dimension == "rows":
        return field.example.replace(" ", _KEPT_SPACE)
    words = [f'"{word}"'.replace(" ", _KEPT_SPACE) for word in field.choices or (field.example,)]
    return " or ".join(words)


def _comment(text: str, *, indent: int, hanging: int) -> Iterator[str]:
    first = "#" + " " * indent
    wrapped = fill(
        text,
        width=_WIDTH,
        initial_indent=first,
        subsequent_indent=first + " " * hanging,
        break_on_hyphens=False,
    )
    yield from wrapped.replace(_KEPT_SPACE, " ").splitlines()
