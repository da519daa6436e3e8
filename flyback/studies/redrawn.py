"""The samples of a check once more, for one claim, with every reading that could be taken of them kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question, starting_points
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case, lowest
from flyback.analysis.knowable import Block, Kind, Knowable, taken
from flyback.analysis.leverage import FOLDS, Leverage, Saving, started
from flyback.analysis.limits import Ceiling, Start
from flyback.analysis.measurements import measurement_of
from flyback.equations.formula import Real
from flyback.studies.sensitivity import Shares, sobol_shares

Array = NDArray[np.float64]

GROUP = 512
"""Samples of neighbouring readings whose band stands for the band once the reading is known."""

FINEST, COARSEST, HALVINGS = 1e-5, 10.0, 24
"""Accuracies between which the needed one is sought, and how often their range is halved."""


@dataclass(frozen=True, slots=True)
class Sets:
    """Sets of numbers of a board, at most `tolerance.BLOCK` at a time, each as likely as any other.

    Attributes:
        factors: what the closed form's powers are multiplied by at a line, by its number in a study; none
            where nothing but the spreads of the parts is in doubt.
    """

    size: int
    numbers: Mapping[str, Array | float]
    factors: Mapping[int, Array] = field(default_factory=dict)


def spreads(circuit: Circuit, samples: int, seed: int) -> Iterator[Sets]:
    """The samples of a check with that seed."""
    for size, numbers in tolerance.blocks(circuit.values, samples, seed=seed):
        yield Sets(size, numbers)


@dataclass(frozen=True, slots=True)
class Study:
    """A claim at the lines of a check.

    Attributes:
        ladders: the nominal ladder of every line.
    """

    case: Case
    lines: tuple[Line, ...]
    ladders: tuple[Mapping[str, Ceiling], ...]

    @classmethod
    def of(cls, case: Case, lines: Sequence[Line]) -> Study:
        supply = case.circuit.supply(_nominal(case))
        return cls(case, tuple(lines), tuple(case.ladder(supply, line) for line in lines))

    @property
    def judged(self) -> int:
        """Number of the line where the claim is judged."""
        return int(np.argmin([float(lowest(rows)) for rows in self.ladders]))

    @property
    def line(self) -> Line:
        return self.lines[self.judged]

    def drawn(self, sets: Iterable[Sets], seed: int) -> Drawn:
        """What sets of numbers give, counted and kept.

        Args:
            seed: of the errors of meters.
        """
        leverage = started(self.case, self.lines, self.ladders)
        starts = {line: self._start(line) for line in leverage.lines}
        read, ceilings, needs = [], [], []
        for some in sets:
            supply = self.case.circuit.supply(some.numbers)
            ladders = {
                line: self.case.ladder(supply, self.lines[line], start) for line, start in starts.items()
            }
            block = Block.of(self.case, some.numbers, supply, self.lines, ladders)
            values = [_full(_read(knowable, block, some), some.size) for knowable in leverage.knowables]
            reach, hold = (lowest(ladders[self.judged], question) for question in Question)
            # ratings are not the closed form's to err in
            ceiling = _full(np.minimum(reach * some.factors.get(self.judged, 1.0), hold), some.size)
            needed = self.case.needed(block.V_o)
            leverage.add(values, ceiling, needed, some.size)
            read.append(np.array(values).reshape(-1, some.size))
            ceilings.append(ceiling)
            needs.append(_full(needed[0], some.size))
        return Drawn(leverage, np.hstack(read), np.concatenate(ceilings), np.concatenate(needs), seed)

    def _start(self, line: int) -> Mapping[str, Start]:
        supply = self.case.circuit.supply(_nominal(self.case))
        return starting_points(supply, self.lines[line], self.ladders[line])

    def shares(self, points: int, seed: int) -> dict[str, Shares]:
        """Sobol' shares of the lowest ceiling where the claim is judged, by cause."""
        circuit, line, start = self.case.circuit, self.line, self._start(self.judged)

        def least(numbers: Mapping[str, Array | float]) -> Array:
            power: Array = np.asarray(lowest(self.case.ladder(circuit.supply(numbers), line, start)))
            return power

        return sobol_shares(circuit.values, least, points=points, seed=seed)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Samples of a study, counted in its leverage and kept.

    Attributes:
        read: every reading, a row each [SI].
        ceiling: the lowest ceiling where the claim is judged [W].
        needed: what the claim asks for there [W].
    """

    leverage: Leverage
    read: Array
    ceiling: Array
    needed: Array
    seed: int

    @property
    def finite(self) -> bool:
        """False where some sample has no limit at all: then there is no band and no variance."""
        return bool(np.isfinite(self.ceiling).all())

    def metered(self, index: int, accuracy: float) -> Array:
        """A reading of every sample with the error of its meter, the same for the same reading and seed."""
        knowable = self.leverage.knowables[index]
        stream = np.random.default_rng([self.seed, crc32(f"{knowable.name} {knowable.line}".encode())])
        error = accuracy / 2 * abs(self.leverage.nominal[index])
        found: Array = self.read[index] + error * stream.standard_normal(self.ceiling.size)
        return found

    def narrowing(self, index: int, accuracy: float) -> float:
        """Share by which the band of the ceiling becomes narrower with a reading of that accuracy."""
        return narrowing(self.metered(index, accuracy), self.ceiling)

    def together(self) -> Saving:
        """What all unpowered measurements together save.

        One number made of all of them is taken for a reading: what lines and parabolas, fitted to the
        claim's margin on the other folds, give. They save no less than that.
        """
        rows = [
            self.metered(index, accuracy)
            for index, knowable in enumerate(self.leverage.knowables)
            if (accuracy := _unplugged_accuracy(knowable)) is not None
        ]
        if not rows or not self.finite:
            return Saving(0.0, 0.0)
        table = np.array([(row - row.mean()) / row.std() for row in rows])
        terms = np.vstack([np.ones(self.ceiling.size), table, table**2]).T
        margin, fitted = self.ceiling / self.needed, np.empty(self.ceiling.size)
        for fold in range(FOLDS):
            own = np.arange(fitted.size) % FOLDS == fold
            fitted[own] = terms[own] @ np.linalg.lstsq(terms[~own], margin[~own], rcond=None)[0]
        one = Leverage(self.leverage.knowables[:1], nominal=(1.0,), judged=0, demands=1)
        one.add([fitted], self.ceiling, [self.needed], self.ceiling.size)
        return one.saves(0, 0)

    def accuracy_needed(self, index: int) -> float:
        """The accuracy with which half of what knowing it exactly saves is kept (relative, k = 2)."""
        half = self.leverage.saves(index, 0).chance / 2
        fine, coarse = FINEST, COARSEST
        for _ in range(HALVINGS):
            middle = (fine * coarse) ** 0.5
            if self.leverage.saves(index, 0, middle).chance >= half:
                fine = middle
            else:
                coarse = middle
        return fine


def _read(knowable: Knowable, block: Block, some: Sets) -> Real:
    numbers = taken(knowable, block)
    if knowable.kind is Kind.KNEE and knowable.line is not None:
        return numbers * some.factors.get(knowable.line, 1.0)
    return numbers


def narrowing(values: Array, ceiling: Array) -> float:
    """Share by which the 95 % band of a ceiling is narrower, on average, among samples of like readings.

    The bands of groups of `GROUP` samples, sorted by the reading, are held against those of groups as
    drawn, so that what so small a group misses of its tails falls out.
    """
    size = min(GROUP, values.size // 8)
    kept = values.size // size * size
    widths = [
        float(np.diff(np.quantile(part[:kept].reshape(-1, size), _TAILS, axis=1), axis=0).mean())
        for part in (ceiling[np.argsort(values, kind="stable")], ceiling)
    ]
    return max(1 - widths[0] / widths[1], 0.0) if widths[1] > 0 else 0.0


_TAILS = ((1 - tolerance.COVERAGE) / 2, (1 + tolerance.COVERAGE) / 2)


def middle(values: Array) -> tuple[float, float]:
    """Limits of the middle 95 %; of an absent limit's infinities there is no mean, so a sample each."""
    low, high = np.quantile(values, _TAILS, method="nearest")
    return float(low), float(high)


def _unplugged_accuracy(knowable: Knowable) -> float | None:
    measurement = measurement_of(knowable)
    return measurement.accuracy if measurement.unpowered and knowable.kind is Kind.VALUE else None


def _nominal(case: Case) -> dict[str, float]:
    return {key: value.nominal for key, value in case.circuit.values.items()}


def _full(values: object, size: int) -> Array:
    return np.broadcast_to(np.asarray(values, dtype=float), (size,))
