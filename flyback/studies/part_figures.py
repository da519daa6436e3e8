"""Figures that a part has by itself, or with the mains or the rail across it: they need no cycle."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from functools import cache, reduce

from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.rail import small_currents
from flyback.board.model import Board, Origin, Part
from flyback.board.roles import ROLES
from flyback.equations import indicators, transformer
from flyback.reference import series
from flyback.studies.figure import Figure, behind, figure

ALSO_MADE = (2.5, 4.0, 5.0)
"""Values beside E24 in which sense resistors are made (common practice, no source)."""

FINE = 0.02
"""Tolerance up to which resistors are made in E96 and E192."""

TOUCHED_AT = (264.0, 60.0)
"""Mains at which the touch current is reckoned [V, Hz]."""

LEFT_OVER = 60.0
"""What an X capacitor may be left charged to [V] (IEC 62368-1 table 4, ES1)."""

_TOGETHER: Mapping[str, tuple[str, str]] = {
    "series resistor": ("series resistance", "+"),
    "base resistor": ("base resistance", "+"),
    "clamp resistor": ("clamp resistance", "||"),
}
_EACH: Mapping[str, str] = {
    "start-up resistor": "start-up resistance",
    "discharge resistor": "discharge resistance",
    "snubber resistor": "snubber resistance",
    "snubber capacitor": "snubber capacitance",
    "clamp capacitor": "clamp capacitance",
    "X capacitor": "X capacitance",
}
"""Roles whose own values have a customary range: of all of them together, or of each."""


def value_of(part: Part) -> float | None:
    """The resistance or capacitance of a part [SI], or None where it has none or it is not known."""
    value = part.known(ROLES[part.role].value_field or "")
    return value.nominal if value else None


def _all(board: Board, role: str) -> dict[str, float]:
    """Values of the fitted parts of a role; empty where one of them is not known."""
    found = {part.designator: value_of(part) for part in board.playing(role)}
    known = {name: value for name, value in found.items() if value}
    return known if len(known) == len(found) else {}


def own_values(board: Board) -> Iterator[Figure]:
    """Values by role, and whether such parts are made at all."""
    for role, (name, link) in _TOGETHER.items():
        if known := _all(board, role):
            join = indicators.series_resistance if link == "+" else indicators.parallel_resistance
            yield figure(name, reduce(lambda a, b: join(R_1=a, R_2=b), known.values()), list(known))
    for role, name in _EACH.items():
        for designator, amount in _all(board, role).items():
            yield figure(name, amount, [designator], of=[designator])
    yield from _preferred_numbers(board)


def _preferred_numbers(board: Board) -> Iterator[Figure]:
    """Whether parts are made with the values that are printed on them."""
    printed = [
        (part, value)
        for part in board.parts.values()
        if (value := part.known(ROLES[part.role].value_field or ""))
        and value.nominal
        and value.origin in (Origin.MARKED, Origin.WHAT_IF)
    ]
    counts = Counter((part.role, value.nominal) for part, value in printed)
    for part, value in printed:
        if not part.fitted:
            continue
        fine = 0 < value.high / value.nominal - 1 <= FINE
        yield figure(
            "preferred number",
            value.nominal,
            [part.designator],
            of=[part.designator],
            over=preferred(value.nominal, part.role, fine=fine),
            dimension=value.dimension,
            alike=counts[part.role, value.nominal],
        )


@cache
def preferred(value: float, role: str, *, fine: bool) -> float:
    """The nearest value that parts are made in.

    Args:
        fine: whether two figures may be of E192 too, as more than two always are.

    >>> preferred(45e3, "bleeder", fine=False), preferred(2.5, "sense resistor", fine=False)
    (47000.0, 2.5)
    """
    decade = 10.0 ** math.floor(math.log10(value) + 1e-9)
    figures = value / decade
    choices = [*series("E24"), 10.0]
    if role == "sense resistor":
        choices += ALSO_MADE
    if fine or abs(figures * 10 - round(figures * 10)) > 1e-6:
        choices += series("E192")
    return decade * min(choices, key=lambda one: abs(math.log(one / figures)))


def mains_side(board: Board) -> Iterator[Figure]:
    """Capacitors across the mains and the insulation, and what empties them."""
    highest = 1.1 * board.label.mains[1] if board.label.mains else TOUCHED_AT[0]
    if Y := _all(board, "Y capacitor"):
        V_ac, f_line = TOUCHED_AT
        I_touch = 2 * math.pi * f_line * V_ac * sum(Y.values())
        yield figure("touch current of the Y capacitors", I_touch, list(Y))
    if R := _all(board, "discharge resistor"):
        R_x = sum(R.values())
        yield figure("discharge resistor power", highest**2 / R_x, list(R))
        if X := _all(board, "X capacitor"):
            t = R_x * sum(X.values()) * math.log(math.sqrt(2) * highest / LEFT_OVER)
            yield figure("discharge time of the X capacitor", t, [*X, *R])


def divider(circuit: Circuit, supply: Supply, measured: float | None) -> Iterator[Figure]:
    """What reference and divider set.

    Args:
        measured: voltage of the rail as it was read [V], or None.
    """
    if not {"R_upper", "R_lower", "V_ref"} <= circuit.keys.keys() or supply.V_rail is None:
        return
    parts = behind(circuit, "R_upper", "R_lower", "V_ref")
    V_set, label = float(supply.V_rail), circuit.board.label
    if label.outputs and not circuit.second_converter:
        printed = min((row.voltage for row in label.outputs), key=lambda V: abs(math.log(V_set / V)))
        yield figure("set output voltage", V_set, parts, over=printed, dimension="voltage")
    if measured is not None:
        yield figure(
            "set output voltage beside the measured", V_set, parts, over=measured, dimension="voltage"
        )
    lower = [circuit.values[key].nominal for key in circuit.keys["R_lower"]]
    R_lower = reduce(lambda a, b: float(indicators.parallel_resistance(R_1=a, R_2=b)), lower)
    V_ref = circuit.values[circuit.keys["V_ref"][0]].nominal
    I_divider = indicators.bleeder_current(V_o=V_ref, R_bleed=R_lower)
    yield figure("divider current", I_divider, behind(circuit, "R_lower"))


def small(board: Board, V_o: float, P_claimed: float | None) -> Iterator[Figure]:
    """LEDs and bleeders across the rail.

    Args:
        V_o: rail voltage; P_claimed: power that the label claims, or None [V, W].
    """
    for entry in small_currents(board, V_o)[0]:
        names = [word for word in entry.name.split() if word in board.parts]
        if not entry.name.startswith("bleeder"):
            yield figure("indicator LED current", entry.current, names, of=names[:1])
        elif P_claimed is not None:
            over = P_claimed / V_o
            yield figure("bleeder current", entry.current, names, of=names, over=over, dimension="current")


def claimed(circuit: Circuit, supply: Supply, V_o: float, P_claimed: float) -> Iterator[Figure]:
    """Capacitors and rectifier beside what the label claims [V, W]."""
    if supply.C_bulk is not None:
        yield figure("bulk capacitance per watt", supply.C_bulk / P_claimed, behind(circuit, "C_bulk"))
    I_claimed = P_claimed / V_o
    if supply.C_o is not None:
        parts = behind(circuit, "C_o")
        yield figure("output capacitance per ampere", supply.C_o / I_claimed, parts)
        if supply.R_esr:
            yield figure("ESR times output capacitance", supply.C_o * supply.R_esr, parts)
    if supply.I_rectifier is not None:
        yield figure(
            "output current beside the rectifier's rating",
            I_claimed,
            behind(circuit, "I_rectifier"),
            over=supply.I_rectifier,
            dimension="current",
        )


def windings(circuit: Circuit, supply: Supply, V_o: float | None) -> Iterator[Figure]:
    """Turns and inductances of the transformer.

    Args:
        V_o: rail voltage [V], or None.
    """
    s, parts = supply, behind(circuit, "N_p")
    if s.L_leak:
        yield figure("leakage over primary inductance", s.L_leak / s.L_p, parts)
    if V_o is not None:
        V_r = transformer.reflected_voltage(n=s.n, V_o=V_o, V_f=s.V_f)
        yield figure("reflected voltage", V_r, parts)
        yield figure("secondary turns", s.N_s, parts, over=V_o + s.V_f, dimension="turns")
