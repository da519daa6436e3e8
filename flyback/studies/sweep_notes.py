"""What else there is to know about a sweep, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from flyback.analysis.bulk import Line
from flyback.analysis.grid import Bands, Nominal
from flyback.board.changes import in_clear, in_percent
from flyback.board.model import Board, Value
from flyback.board.roles import ROLES
from flyback.studies.compared import MOVED
from flyback.studies.kept import kept
from flyback.studies.sweep_axes import Axis
from flyback.units import format_quantity


def sweep_notes(
    board: Board,
    axes: Sequence[Axis],
    middle: Nominal,
    spread: Bands,
    *,
    others: Sequence[tuple[Line, Nominal]],
    lent: Sequence[Value],
    samples: int,
) -> Iterator[str]:
    """Sentences about points without a result, other mains voltages, pulses that alternate, what is kept.

    Args:
        others: what the same points give at the other mains voltages of the label.
        lent: values with a handbook range that the axes move.
        samples: of each point.
    """
    yield from _about_results(axes, middle, spread, samples)
    lowest = middle.lowest[np.isfinite(middle.lowest)]
    if lowest.size and np.ptp(lowest) <= MOVED * float(lowest.max()):
        yield f"The lowest ceiling moves by no more than {100 * MOVED:g} % over the whole range."
    yield from _elsewhere(axes, middle, others)
    if np.any(middle.repeats < 1):
        yield (
            "Where the current limit ends the pulses above half duty, without enough slope compensation, "
            "pulses may alternate; the band reaches down as far as that may lower the power."
        )
    yield from _about_kept(board, axes)
    own = {axis.key for axis in axes}
    for value in lent:
        spread_of = in_percent(value.low / value.nominal - 1, value.high / value.nominal - 1)
        if value.key in own:
            yield f"{value.key} has {spread_of} at every step: {value.source}."
        else:
            yield f"{value.key} is not given and goes along in proportion, {spread_of}: {value.source}."


def _about_results(axes: Sequence[Axis], middle: Nominal, spread: Bands, samples: int) -> Iterator[str]:
    points = middle.settled.size
    without = np.flatnonzero(~middle.settled)
    if without.size:
        yield (
            f"{without.size} of {points} points have no result, such as {_point(axes, int(without[0]))}: "
            "a valley does not settle there, or a value is out of the formulas' range."
        )
    if spread.unsettled:
        share = spread.unsettled / (samples * points)
        yield (
            f"{100 * share:.2g} % of all samples have no result. They are left out of the bands and count "
            "as meeting no claim."
        )


def _point(axes: Sequence[Axis], index: int) -> str:
    """A point of the grid in words: "R6 = 1.10 Ω, mains = 90.0 V"."""
    where = np.unravel_index(index, [axis.values.size for axis in axes])
    values = (float(axis.values[k]) for axis, k in zip(axes, where, strict=True))
    return ", ".join(
        f"{axis.name} = {format_quantity(value, axis.dimension)}"
        for axis, value in zip(axes, values, strict=True)
    )


def _elsewhere(
    axes: Sequence[Axis], middle: Nominal, others: Sequence[tuple[Line, Nominal]]
) -> Iterator[str]:
    """Where other mains voltages of the label leave less."""
    less = []
    for line, there in others:
        known = np.isfinite(middle.lowest) & np.isfinite(there.lowest) & (middle.lowest > 0)
        shares = np.divide(there.lowest, middle.lowest, out=np.ones(known.size), where=known)
        at = int(np.argmin(shares))
        if shares[at] < 1 - MOVED:
            less.append((float(shares[at]), at, line, there))
    if not less:
        return
    _, at, line, there = min(less, key=lambda one: one[0])
    names = ", ".join(one.name for _, _, one, _ in less)
    low, here = (format_quantity(float(one.lowest[at]), "power") for one in (there, middle))
    yield (
        f"On {names} less can be had in a part of the range: on {line.name} at worst {low} instead of "
        f"{here} (at {_point(axes, at)}). --mains {line.name.replace(' ', '')} sweeps there."
    )


def _about_kept(board: Board, axes: Sequence[Axis]) -> Iterator[str]:
    """What stays as it is at every step although on a real board it would hardly stay."""
    changes = [axis.low_end for axis in axes if axis.low_end is not None]
    swept = {(change.designator, change.key) for change in changes}
    for change in changes:
        part = board.parts[change.designator]
        if change.key == ROLES[part.role].value_field:
            yield from kept(board, [change])
        inductance = part.known("primary_inductance")
        if (
            change.key == "primary_turns"
            and inductance
            and (part.designator, "primary_inductance") not in swept
        ):
            yield (
                f"{part.designator}.primary_inductance stays at "
                f"{in_clear(inductance.nominal, 'inductance')} at every step. On the same core and gap it "
                "goes with the square of the turns."
            )
