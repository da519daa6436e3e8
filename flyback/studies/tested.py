"""How well the load test of a board fits a board that was altered on paper."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import CLOSE
from flyback.analysis.held import averaged, hold
from flyback.board.model import Board
from flyback.errors import NumericalError, RequestError
from flyback.studies.conditioning import log_mean
from flyback.studies.likelihood import FACTOR, LoadTest, Reading, load_test, nominal
from flyback.studies.observed import Observed
from flyback.studies.readings import observe
from flyback.studies.scores import Prior

SAMPLES = 128
"""Samples of the spreads by which a board is judged; their noise is a few tenths of a logarithm."""

WRONG = 12.0
"""How much less likely readings at odds with every part are than those of a sound test, as a logarithm
(our choice): one test in a thousand is wrong, and its readings may then lie anywhere over a decade, some
two hundred times as wide as a meter's error."""

LEVEL = 0.02
"""Share by which readings of one held voltage may differ."""

_NO_CURRENT = 1e-9
"""Stands for no current at all [A], so that its logarithm exists."""

SAME_RAIL = 0.08
"""Share by which a reading may lie above a printed voltage and belong to it."""


@dataclass(frozen=True, slots=True)
class Told:
    """A reading beside what a board nominally gives at its voltage [A]."""

    reading: Reading
    I_o: float

    @property
    def off(self) -> float:
        """How far it is off, as a logarithm; more than was read is not, where no more was asked for."""
        share = math.log(max(self.I_o, _NO_CURRENT) / self.reading.current)
        return abs(share) if self.reading.sags else max(-share, 0.0)


@dataclass(frozen=True, slots=True)
class LoadTested:
    """A load test, made ready to be held against boards.

    Attributes:
        best: logarithm of the likelihood of a board on which every reading is met exactly.
    """

    test: LoadTest
    best: float

    @property
    def floor(self) -> float:
        """The same of readings that are at odds with a board, and so may be wrong altogether."""
        # a sound test misses each reading by about its uncertainty
        return self.best - self.test.terms / 2 - WRONG

    # absurd boards give impossible values; what comes of them is asked whether it is a number
    @classmethod
    @np.errstate(all="ignore")
    def of(cls, board: Board, circuit: Circuit, seed: int) -> LoadTested | None:
        """The load test of a board, or None where it says nothing about the rail."""
        points, V_set = held_voltage(board, observe(board, None).points)
        if V_set is None or circuit.second_converter:
            return None
        # whether a wall power is used depends on the board, and would make likelihoods incomparable
        bare = [replace(point, P_wall=None) for point in points]
        try:
            test = load_test(circuit, bare, V_set=V_set)
        except RequestError:
            return None
        if not test.readings:
            return None
        prior = Prior.of(circuit.values, (FACTOR,))
        scores = prior.draw(SAMPLES, seed=seed)
        judged = test.judged(prior, scores, test.predicted(prior, scores))
        free = judged.logs[np.isfinite(judged.logs)] + judged.misfit[np.isfinite(judged.logs)] / 2
        return cls(test, float(np.max(free, initial=0.0)))

    @np.errstate(all="ignore")
    def log(self, circuit: Circuit, seed: int) -> float:
        """Logarithm of the likelihood of the readings on a board, with that floor."""
        test = replace(self.test, circuit=circuit)
        prior = Prior.of(circuit.values, (FACTOR,))
        scores = prior.draw(SAMPLES, seed=seed)
        try:
            found = log_mean(test.judged(prior, scores, test.predicted(prior, scores)).logs)
        except (NumericalError, ValueError):
            found = -np.inf
        return float(np.logaddexp(found, self.floor))

    def furthest(self, circuit: Circuit) -> Told:
        """The reading that is furthest from what a board nominally gives."""
        return max((self.told(circuit, reading) for reading in self.test.readings), key=lambda one: one.off)

    @np.errstate(all="ignore")
    def told(self, circuit: Circuit, reading: Reading) -> Told:
        """A reading beside what a board nominally gives."""
        held = hold(circuit, nominal(circuit, self.test.V_set), reading.line, V_o=reading.observed.V_o)
        # what the formulas cannot follow gives nothing
        return Told(reading, float(np.nan_to_num(averaged(held).I_o)))


def held_voltage(board: Board, points: Sequence[Observed]) -> tuple[list[Observed], float | None]:
    """The readings of the printed voltage that most of them are of, and what is held there.

    Returns:
        The readings and their highest voltage [V]; None where that is near no printed voltage.
    """
    groups: dict[float, list[Observed]] = {row.voltage: [] for row in board.label.outputs}
    for point in points:
        for V in sorted(groups):
            if point.V_o <= (1 + SAME_RAIL) * V:
                groups[V].append(point)
                break
    V, used = max(groups.items(), key=lambda group: len(group[1]), default=(0.0, []))
    most = max((point.V_o for point in used), default=0.0)
    return used, most if most and most >= (1 - CLOSE) * V else None


def regulated(board: Board, points: Sequence[Observed]) -> list[float]:
    """Voltages read while the rail was surely held: two or more at one level [V]."""
    used, V_set = held_voltage(board, points)
    if V_set is None:
        return []
    level = [point.V_o for point in used if point.V_o >= (1 - LEVEL) * V_set]
    return level if len(level) > 1 else []
