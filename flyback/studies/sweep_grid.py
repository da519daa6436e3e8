"""The grid of a sweep: boards whose numbers follow the axes, and what lies between the steps of one axis.

Along one axis, the places where another limit binds or a claim is met are found by dividing the step they
lie in, over and over, and a straight line at the end.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import rungs
from flyback.analysis.demand import Case
from flyback.analysis.grid import Nominal, Points, nominal
from flyback.analysis.inputs import plain
from flyback.analysis.tolerance import Array
from flyback.analysis.trace import trace
from flyback.board.changes import altered
from flyback.board.model import Board
from flyback.errors import Problem, RequestError
from flyback.studies.sweep_axes import Axis

PARTS, ROUNDS = 16, 5
"""A step in which something changes is divided into so many parts, and the part again, so many times."""


@dataclass(frozen=True, slots=True)
class Range:
    """A stretch of an axis, ends included; SI units."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where another limit begins to bind.

    Attributes:
        at: value of the axis, SI; of a stepped axis the first step of the limit after.
        before, after: names of the ceilings, "" for none.
        power: the lowest ceiling there [W].
    """

    at: float
    before: str
    after: str
    power: float


@dataclass(frozen=True, slots=True)
class Swept:
    """A board whose numbers follow the axes.

    Attributes:
        board: with every axis at one of its steps.
        case: its circuit, and the claims of one output voltage.
        keys: of each axis, the keys of the circuit that it moves.
    """

    board: Board
    case: Case
    axes: tuple[Axis, ...]
    keys: Sequence[tuple[str, ...]]

    @classmethod
    def of(cls, board: Board, case: Case, axes: tuple[Axis, ...]) -> Swept:
        """Find what each axis moves.

        Raises:
            RequestError: nothing of the circuit follows an axis.
        """
        idle = [axis for axis in axes if axis.key and axis.key not in case.circuit.values]
        if idle:
            raise RequestError(tuple(_no_ceiling(board, axis) for axis in idle))
        return cls(board, case, axes, [_keys(board, axis) for axis in axes])

    @property
    def moved(self) -> set[str]:
        """Every key of the circuit that an axis moves."""
        return {key for keys in self.keys for key in keys}

    def points(self, line: Line, values: Sequence[Array]) -> Points:
        """The points of a grid, the last axis fastest.

        Args:
            line: its voltage is not looked at where the mains is an axis.
            values: of each axis.
        """
        line = plain(line)
        numbers: dict[str, Array] = {}
        where = np.meshgrid(*[np.arange(one.size) for one in values], indexing="ij")
        for axis, keys, some, at in zip(self.axes, self.keys, values, where, strict=True):
            if axis.low_end is None:
                line = Line(some[at.ravel()], line.f_line)
                continue
            traced = [trace(altered(self.board, [axis.change(float(x))])).values for x in some]
            for key in keys:
                numbers[key] = np.array([one[key].nominal for one in traced])[at.ravel()]
        return Points(self.case, where[0].size, numbers, line)

    def nominal(self, line: Line, values: Sequence[Array]) -> Nominal:
        """The nominal ladders of a grid.

        Raises:
            RequestError: no ceiling can be computed.
        """
        points = self.points(line, values)
        try:
            return nominal(points)
        except ValueError:
            circuit = self.case.circuit
            lacking = [key for rung in rungs(circuit, points.line) for key in rung.lacking(circuit, line)]
            keys = ", ".join(dict.fromkeys(lacking))
            raise RequestError(
                Problem(f"no ceiling can be computed; it needs {keys}.", hint="Measure it, or read it off.")
            ) from None


def _no_ceiling(board: Board, axis: Axis) -> Problem:
    role = board.parts[axis.key.partition(".")[0]].role
    return Problem(
        f"no ceiling depends on {axis.key} (of the {role}).",
        field=axis.name,
        given=axis.name,
        hint="flyback alter shows what else a change moves.",
    )


def _keys(board: Board, axis: Axis) -> tuple[str, ...]:
    """Keys of the circuit that an axis moves: its own, and what the handbook lends in proportion to it."""
    if not axis.key:
        return ()
    ends = (axis.change(float(axis.values[k])) for k in (0, -1))
    first, last = (trace(altered(board, [change])).values for change in ends)
    return tuple(key for key in first if key in last and first[key].nominal != last[key].nominal)


@dataclass(frozen=True, slots=True)
class Along:
    """The only axis of a sweep, between its steps.

    Attributes:
        middle: the nominal ladders of the steps.
    """

    swept: Swept
    line: Line
    middle: Nominal

    @property
    def axis(self) -> Axis:
        return self.swept.axes[0]

    def crossings(self) -> Iterator[Crossing]:
        """Where another limit begins to bind."""
        names = [rung.name for rung in self.middle.rungs] + [""]
        for (x, at), left, right in self._changes(lambda found: found.binding):
            first, then = int(left.binding[0]), int(right.binding[0])
            power = float(right.lowest[0])
            if first >= 0 and then >= 0 and not self.axis.stepped:
                share = _zero(*(float(one.power[then, 0] - one.power[first, 0]) for one in (left, right)))
                at = x + share * (at - x)
                power = float(left.lowest[0] + share * (power - left.lowest[0]))
            yield Crossing(at, names[first], names[then], power)

    def ranges(self, demand: int) -> tuple[Range, ...]:
        """Where the nominal board meets a demand, by its index."""
        meets = self.middle.lowest >= self.middle.needed[demand]
        edges = []
        for (x, at), left, right in self._changes(
            lambda found: (found.lowest >= found.needed[demand]).astype(int)
        ):
            margins = [float(one.lowest[0] - one.needed[demand, 0]) for one in (left, right)]
            edges.append(_edge((x, at), (margins[0], margins[1]), stepped=self.axis.stepped))
        return _ranges(self.axis.values, meets, edges)

    def _changes(
        self, kind: Callable[[Nominal], NDArray[np.int64]]
    ) -> list[tuple[tuple[float, float], Nominal, Nominal]]:
        """Neighbours that differ in kind, as close as `PARTS` and `ROUNDS` make them, and their ladders."""
        x, rounds = self.axis.values, 0 if self.axis.stepped else ROUNDS
        ends = _parted(x, kind(self.middle), x.size)
        for _ in range(rounds if ends else 0):
            x = np.concatenate([np.linspace(*pair, PARTS + 1) for pair in ends])
            ends = _parted(x, kind(self._at(x)), PARTS + 1)
        return [(pair, self._at(np.array(pair[:1])), self._at(np.array(pair[1:]))) for pair in ends]

    def _at(self, x: Array) -> Nominal:
        return self.swept.nominal(self.line, [x])


def _parted(x: Array, kinds: NDArray[np.int64], run: int) -> list[tuple[float, float]]:
    """Neighbours that differ in kind, within runs of so many points."""
    pairs = pairwise(range(x.size))
    return [(float(x[a]), float(x[b])) for a, b in pairs if kinds[a] != kinds[b] and b % run]


def ranges_between(x: Array, margin: Array, *, stepped: bool) -> tuple[Range, ...]:
    """Where a margin is not below zero, with straight lines between the steps.

    >>> ranges_between(np.array([1.0, 2.0, 3.0]), np.array([-1.0, 1.0, 1.0]), stepped=False)
    (Range(low=1.5, high=3.0),)
    """
    meets = margin >= 0
    edges = [
        _edge((float(x[a]), float(x[b])), (float(margin[a]), float(margin[b])), stepped=stepped)
        for a, b in pairwise(range(x.size))
        if meets[a] != meets[b]
    ]
    return _ranges(x, meets, edges)


def _ranges(x: Array, meets: NDArray[np.bool_], edges: Sequence[float]) -> tuple[Range, ...]:
    ends = [float(x[0])] * bool(meets[0]) + list(edges) + [float(x[-1])] * bool(meets[-1])
    return tuple(Range(low, high) for low, high in zip(ends[::2], ends[1::2], strict=True))


def _edge(x: tuple[float, float], margin: tuple[float, float], *, stepped: bool) -> float:
    """Where a margin crosses zero; on a stepped axis the step that still meets it."""
    if stepped:
        return x[1] if margin[1] >= 0 else x[0]
    return x[0] + _zero(*margin) * (x[1] - x[0])


def _zero(first: float, then: float) -> float:
    """Share of the way at which a straight line crosses zero."""
    if not np.isfinite(first) or not np.isfinite(then) or first == then:
        return 1.0
    return min(max(first / (first - then), 0.0), 1.0)
