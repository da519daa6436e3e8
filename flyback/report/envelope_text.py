"""What the terminal shows of the volts and amps an output can give: a table a line."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.report.wave_text import FIDELITIES
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.analysis.envelope import Curve, Envelope

ROWS = 9
"""Rows taken evenly from a curve without simulated points; those where another limit begins come on top."""


def show_envelope(env: Envelope, out: Console) -> None:
    """Print output voltage, current, power and what sets them, at each line."""
    pieces.show_blocks(_blocks(env), out)


def _blocks(env: Envelope) -> Iterable[RenderableType]:
    yield pieces.title(env.board_name, "what the output can give")
    if env.claims:
        yield pieces.entry("Label", "; ".join(_claim(*claim) for claim in env.claims))
    for curve in env.curves:
        yield _table(curve)
    samples = pieces.count(env.samples)
    note = f"Band: 95 % of {samples} samples of the tolerances."
    fidelities = sorted({point.fidelity for curve in env.curves for point in curve.simulated})
    if fidelities:
        note += f" Simulated: {', '.join(FIDELITIES[name] for name in fidelities)}."
    yield pieces.note(note)
    if env.notes:
        yield pieces.listed("Notes", env.notes)
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


def _claim(I_o: float, V_o: float, words: str) -> str:
    return f"{words} ({format_quantity(I_o, 'current')} at {format_quantity(V_o, 'voltage')})"


def _table(curve: Curve) -> RenderableType:
    by_volts = {round(point.V_o, 9): point for point in curve.simulated}
    columns = ["nominal", *["simulated"][: len(by_volts)], "band", "power"]
    made = pieces.table(*[(0, "right", True)] * (len(columns) + 1), (0, "left", False))
    made.add_row(*pieces.heads(curve.line.full_name, *columns, "set by"))
    said = ""
    for index in _chosen(curve):
        V_o, I_o, words = float(curve.V_o[index]), float(curve.I_o[index]), curve.region[index]
        # the regulated stretch begins with no load, at the voltage at which its end is simulated
        point = by_volts.get(round(V_o, 9)) if I_o > 0 or len(curve.region) == 1 else None
        if point is not None and point.region and point.region != words:
            words = f"{words}; {point.region}"
        simulated = [] if not by_volts else ["" if point is None else format_quantity(point.I_o, "current")]
        cells = (
            format_quantity(V_o, "voltage"),
            format_quantity(I_o, "current"),
            *simulated,
            _band(curve, index),
            format_quantity(V_o * I_o, "power"),
        )
        made.add_row(*cells, "" if words == said else words)
        said = words
    return made


def _band(curve: Curve, index: int) -> str:
    low, high = float(curve.low[index]), float(curve.high[index])
    return format_range(low, high, "current") if high > low else ""


def _chosen(curve: Curve) -> list[int]:
    """Points to print: the first, those also simulated (else some evenly), the last of every stretch."""
    last = len(curve.region) - 1
    simulated = {round(point.V_o, 9) for point in curve.simulated}
    evenly = {index for index, V_o in enumerate(curve.V_o) if round(float(V_o), 9) in simulated}
    evenly |= {0, last} if evenly else {round(last * share / ROWS) for share in range(ROWS + 1)}
    ends = {index for index, (here, following) in enumerate(pairwise(curve.region)) if here != following}
    return sorted(evenly | ends)
