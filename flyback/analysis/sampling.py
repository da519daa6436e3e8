"""The Monte Carlo pass: ladders of every block at every line, counted and forgotten."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flyback.analysis import bulk, tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.demand import Case, lowest
from flyback.analysis.inputs import plain
from flyback.analysis.knowable import Block, taken
from flyback.analysis.leverage import Leverage
from flyback.analysis.limits import Ceiling, Start
from flyback.analysis.tolerance import Share, Tally
from flyback.equations.formula import Real


@dataclass
class Counted:
    """What the samples of one line add up to.

    Attributes:
        rungs: a histogram for each rung.
        lowest: the histogram of the lowest ceiling.
        reach, both: how many samples reach each demand; reach and hold it.
        unsettled: samples whose bulk valley did not settle.
    """

    rungs: dict[str, Tally]
    lowest: Tally
    reach: list[int]
    both: list[int]
    samples: int = 0
    unsettled: int = 0

    @classmethod
    def empty(cls, nominal: Mapping[str, Ceiling], demands: int) -> Counted:
        """Nothing counted yet; histograms are scaled by the nominal ladder."""
        rungs = {name: Tally(_scale(ceiling.power)) for name, ceiling in nominal.items()}
        return cls(rungs, Tally(_scale(lowest(nominal))), [0] * demands, [0] * demands)

    def add(self, rows: Mapping[str, Ceiling], needed: Sequence[Real], size: int) -> None:
        """Count one block."""
        self.samples += size
        open_gap = np.zeros(size, dtype=bool)
        for name, ceiling in rows.items():
            self.rungs[name].add(ceiling.power, size)
            if ceiling.loaded is not None:
                open_gap |= np.logical_not(np.less(ceiling.loaded.gap, bulk.SETTLED))
        self.unsettled += int(np.count_nonzero(open_gap))
        reached, all_rungs = lowest(rows, Question.REACH), lowest(rows)
        self.lowest.add(all_rungs, size)
        for index, need in enumerate(needed):
            self.reach[index] += int(np.count_nonzero(np.broadcast_to(reached >= need, (size,))))
            self.both[index] += int(np.count_nonzero(np.broadcast_to(all_rungs >= need, (size,))))

    def shares(self, index: int) -> tuple[Share, Share]:
        """Shares of the samples that reach a demand; that reach and hold it."""
        return Share(self.reach[index], self.samples), Share(self.both[index], self.samples)


def sample(
    case: Case,
    lines: Sequence[Line],
    nominal: Sequence[Mapping[str, Ceiling]],
    starts: Sequence[Mapping[str, Start]],
    *,
    samples: int,
    seed: int,
    leverage: Leverage | None = None,
) -> list[Counted]:
    """Sample the ladders at every line.

    Args:
        nominal: the nominal ladder of each line, to which the histograms are relative.
        starts: its `starting_points`.
        leverage: fed with what could be measured, where it is wanted.
    """
    _keep_freed_memory()
    counted = [Counted.empty(rows, len(case.demands)) for rows in nominal]
    bare = [plain(line) for line in lines]
    for size, numbers in tolerance.blocks(case.circuit.values, samples, seed=seed):
        supply = case.circuit.supply(numbers)
        needed = case.needed(case.rail(supply))
        kept = {}
        for index, (line, start, tallied) in enumerate(zip(bare, starts, counted, strict=True)):
            rows = case.ladder(supply, line, start)
            tallied.add(rows, needed, size)
            if leverage is not None and index in leverage.lines:
                kept[index] = rows
        if leverage is not None:
            block = Block.of(case, numbers, supply, bare, kept)
            values = [taken(knowable, block) for knowable in leverage.knowables]
            leverage.add(values, lowest(kept[leverage.judged]), needed, size)
    return counted


def _keep_freed_memory() -> None:
    """Let the C library keep the memory of freed arrays instead of faulting it in again each time.

    The GNU library raises its thresholds for giving memory back once a larger piece has been freed
    (mallopt(3), dynamic mmap threshold). Blocks are then judged nearly twice as fast; elsewhere this
    does nothing.
    """
    np.empty(_LARGE_ARRAY)


_LARGE_ARRAY = 1 << 21
"""Numbers in an array of 16 MiB, of which not one is ever touched."""


def _scale(power: Real) -> float:
    return float(power) if np.isfinite(power) and power > 0 else 1.0
