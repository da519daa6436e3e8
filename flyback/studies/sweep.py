"""Every ceiling against one number of the board, or two, with the limit that binds at each point.

The whole grid is one array and never run point by point, see `flyback.analysis.grid`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from flyback import __version__
from flyback.analysis import tolerance
from flyback.analysis.arguments import refuse_arguments
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question, rungs
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case
from flyback.analysis.grid import Bands, Nominal, bands
from flyback.analysis.tolerance import Array
from flyback.analysis.trace import trace
from flyback.board.changes import altered, in_clear
from flyback.board.model import Board, Value
from flyback.errors import BoardFileError, NotAFlybackError, Problem, RequestError
from flyback.studies.sweep_axes import Axis, read_axes
from flyback.studies.sweep_grid import Along, Crossing, Range, Swept, ranges_between
from flyback.studies.sweep_notes import sweep_notes
from flyback.verdict.check import rail_of
from flyback.verdict.label import amount, power_claims
from flyback.verdict.lines import lines_to_judge

SAMPLES = {1: 4096, 2: 256}
"""Samples of a point where none are asked for, by the number of axes."""


@dataclass(frozen=True, slots=True)
class CeilingOver:
    """One rung over the grid.

    Attributes:
        parts: the parts that set it, as a report names them.
        power: power at the sockets [W]; infinite where the limit does not exist, not a number where a point
            has no result.
    """

    name: str
    question: Question
    parts: str
    power: Array


@dataclass(frozen=True, slots=True)
class ClaimOver:
    """One claim over the grid.

    Attributes:
        needed: power at the sockets it amounts to [W].
        met: share of the samples that reach and hold it.
        ranges: where the nominal board meets it; of one axis only.
        whole_band: where the lower end of the band meets it; of one axis only.
    """

    text: str
    needed: Array
    met: Array
    ranges: tuple[Range, ...] = ()
    whole_band: tuple[Range, ...] = ()


@dataclass(frozen=True, slots=True)
class Sweep:
    """Ceilings over one axis or two; arrays have a dimension for each axis. SI units.

    Attributes:
        board: as it stands.
        line: what feeds the board; without a voltage where the mains is an axis.
        line_asked: False where the line was chosen among several of the label.
        voltage: printed output voltage that the claims are of [V]; other_voltages: those of other claims.
        lowest: the lowest ceiling [W], nominal; low, high: its band.
        binding: index of the lowest ceiling, -1 where there is none.
        crossings: where the binding limit changes, along one axis.
        not_checked: "rung: needs key" for every rung that could not be computed.
        notes: what else there is to know, in sentences.
        samples: of each point.
    """

    board: Board
    axes: tuple[Axis, ...]
    line: Line
    line_asked: bool
    voltage: float
    other_voltages: tuple[float, ...]
    ceilings: tuple[CeilingOver, ...]
    lowest: Array
    low: Array
    high: Array
    binding: NDArray[np.int64]
    claims: tuple[ClaimOver, ...]
    crossings: tuple[Crossing, ...]
    assumed: tuple[Value, ...]
    not_checked: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]
    samples: int
    seed: int
    version: str = __version__

    @property
    def stretches(self) -> tuple[tuple[Range, str], ...]:
        """Along one axis: each stretch with the name of the ceiling that binds on it."""
        values = self.axes[0].values
        firsts = [float(values[0]), *(crossing.at for crossing in self.crossings)]
        if self.axes[0].stepped:
            lasts = [float(values[np.searchsorted(values, first) - 1]) for first in firsts[1:]]
        else:
            lasts = firsts[1:]
        names = [self.name_of(int(self.binding[0])), *(crossing.after for crossing in self.crossings)]
        ranges = [Range(*ends) for ends in zip(firsts, [*lasts, float(values[-1])], strict=True)]
        return tuple(zip(ranges, names, strict=True))

    def name_of(self, binding: int) -> str:
        """Name of a ceiling by its index, "" for none."""
        return self.ceilings[binding].name if binding >= 0 else ""


def sweep(
    board: Board,
    texts: Sequence[str],
    *,
    steps: int | None = None,
    series: str | None = None,
    mains: float | None = None,
    frequency: float | None = None,
    dc: float | None = None,
    voltage: float | None = None,
    samples: int | None = None,
    seed: int = tolerance.SEED,
    progress: Callable[[float], None] | None = None,
) -> Sweep:
    """Every ceiling of a board against one or two of its numbers, or the mains.

    Args:
        texts: "R6=0.5ohm..2ohm", "T1.primary_turns=80..120", "mains=90V..264V"; one or two.
        steps: of each axis, see `flyback.studies.sweep_axes`.
        series: preferred numbers that resistors and capacitors go through instead, such as "E12".
        mains: mains voltage [V rms]; by default the one of the label's range at which the board as it
            stands has its lowest ceiling.
        frequency: mains frequency [Hz]; by default the label's, the worse where it prints two.
        dc: feed the bulk from a fixed voltage instead [V].
        voltage: output voltage to judge at, where the label prints several [V].
        samples: Monte Carlo samples of each point, at least 100; by default `SAMPLES`.
        progress: is told the share of the work that is done.

    Raises:
        NotAFlybackError: the board is another kind of converter.
        RequestError: a sweep or an argument makes no sense, or no ceiling can be computed.
    """
    if board.topology != "flyback":
        kind = "not a flyback" if board.topology == "other" else f"a {board.topology}, not a flyback"
        raise NotAFlybackError(f"{board.name} is {kind}: it has no ceilings to sweep.")
    axes = _asked(board, texts, steps, series, mains, frequency, dc, samples)
    reference, circuit = _traced(board, axes)
    case = _case(board, circuit, voltage)
    swept = Swept.of(reference, case, axes)
    line, others = _lines(swept, mains, frequency, dc)
    values = [axis.values for axis in axes]
    middle = swept.nominal(line, values)
    samples = samples or SAMPLES[len(axes)]
    points = swept.points(line, values)
    spread = bands(points, middle, samples=samples, seed=seed, progress=progress)
    shape = tuple(axis.values.size for axis in axes)
    along = Along(swept, line, middle) if len(axes) == 1 else None
    ceilings = tuple(
        CeilingOver(rung.name, rung.question, rung.parts(circuit), power.reshape(shape))
        for rung, power in zip(middle.rungs, middle.power, strict=True)
    )
    return Sweep(
        board=board,
        axes=axes,
        line=line,
        line_asked=not others,
        voltage=case.voltage,
        other_voltages=tuple(one for one in _printed(board, circuit) if one != case.voltage),
        ceilings=ceilings,
        lowest=middle.lowest.reshape(shape),
        low=spread.low.reshape(shape),
        high=spread.high.reshape(shape),
        binding=middle.binding.reshape(shape),
        claims=tuple(_claims(case, middle, spread, shape, along)),
        crossings=() if along is None else tuple(along.crossings()),
        assumed=tuple(value for value in circuit.assumed if value.key not in swept.moved),
        not_checked=tuple(
            f"{rung.name}: needs {', '.join(keys)}"
            for rung in rungs(circuit, points.line)
            if (keys := rung.lacking(circuit, points.line))
        ),
        left_out=circuit.left_out,
        notes=tuple(
            sweep_notes(
                board,
                axes,
                middle,
                spread,
                others=[(other, swept.nominal(other, values)) for other in others],
                lent=[value for value in circuit.assumed if value.key in swept.moved],
                samples=samples,
            )
        ),
        samples=samples,
        seed=seed,
    )


# --- what is asked --------------------------------------------------------------------------------


def _asked(
    board: Board,
    texts: Sequence[str],
    steps: int | None,
    series: str | None,
    mains: float | None,
    frequency: float | None,
    dc: float | None,
    samples: int | None,
) -> tuple[Axis, ...]:
    """The axes; every problem of them and of the options at once."""
    problems: list[Problem] = []
    axes: tuple[Axis, ...] = ()
    fed = "--mains" if mains is not None else "--dc" if dc is not None else ""
    try:
        axes = read_axes(board, texts, steps=steps, series=series, fed=fed)
    except RequestError as error:
        problems += error.problems
    try:
        refuse_arguments(mains=mains, frequency=frequency, dc=dc, samples=samples)
    except RequestError as error:
        problems += error.problems
    if problems:
        raise RequestError(tuple(problems))
    return axes


def _traced(board: Board, axes: Sequence[Axis]) -> tuple[Board, Circuit]:
    """Board and circuit with every axis at its last step; refused where a corner is no circuit."""
    problems: dict[str, Problem] = {}
    parts = [axis for axis in axes if axis.low_end is not None]
    reference = altered(board, [axis.change(float(axis.values[-1])) for axis in parts])
    for corner in product(*[(float(axis.values[0]), float(axis.values[-1])) for axis in parts]):
        set_to = list(zip(parts, corner, strict=True))
        try:
            trace(altered(board, [axis.change(number) for axis, number in set_to]))
        except BoardFileError as error:
            where = " ".join(f"{axis.name}={in_clear(number, axis.dimension)}" for axis, number in set_to)
            for told in error.problems:
                problem = Problem(told.message, where or told.field, told.given, told.expected, told.hint)
                problems.setdefault(told.message, problem)
    if problems:
        raise RequestError(tuple(problems.values()))
    return reference, trace(reference)


def _case(board: Board, circuit: Circuit, voltage: float | None) -> Case:
    """The claims of one output voltage: the asked one, or that of the first claim."""
    claims = power_claims(board.label, rail_of(circuit))
    printed = _printed(board, circuit)
    if voltage is None:
        voltage = claims[0].voltage
    if voltage not in printed:
        known = ", ".join(amount(one, "V") for one in printed)
        raise RequestError(
            Problem(
                f"the label has no claim at {amount(voltage, 'V')}.",
                field="at",
                given=amount(voltage, "V"),
                expected=known,
                hint=f"It has {known}.",
            )
        )
    return Case(circuit, voltage, tuple(claim for claim in claims if claim.voltage == voltage))


def _printed(board: Board, circuit: Circuit) -> list[float]:
    return sorted({claim.voltage for claim in power_claims(board.label, rail_of(circuit))})


def _lines(
    swept: Swept, mains: float | None, frequency: float | None, dc: float | None
) -> tuple[Line, list[Line]]:
    """The line of the sweep, and the label's others if none was asked for."""
    board, circuit = swept.board, swept.case.circuit
    axis = next((axis for axis in swept.axes if axis.low_end is None), None)
    lines = lines_to_judge(
        board,
        circuit,
        voltage=swept.case.voltage,
        mains=mains if axis is None else float(axis.values[0]),
        frequency=frequency,
        dc=dc,
    )
    if axis is not None:
        return Line(f_line=lines[0].f_line), []
    if len(lines) == 1:
        return lines[0], []
    now = [
        np.array([axis.values[axis.values.size // 2] if axis.now is None else axis.now])
        for axis in swept.axes
    ]
    lows = np.array([swept.nominal(line, now).lowest[0] for line in lines])
    worst = lines[int(np.argmin(np.where(np.isnan(lows), np.inf, lows)))]
    return worst, [line for line in lines if line is not worst]


def _claims(
    case: Case, middle: Nominal, spread: Bands, shape: tuple[int, ...], along: Along | None
) -> Iterator[ClaimOver]:
    for index, demand in enumerate(case.demands):
        needed, met = middle.needed[index], spread.met[index]
        claim = ClaimOver(demand.name, needed.reshape(shape), met.reshape(shape))
        if along is not None:
            x, stepped = along.axis.values, along.axis.stepped
            whole_band = ranges_between(x, spread.low - needed, stepped=stepped)
            claim = replace(claim, ranges=along.ranges(index), whole_band=whole_band)
        yield claim
