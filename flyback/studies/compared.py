"""Figures before and after a change: how far each moved, and whether for the better."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from flyback.analysis.assessment import Step
from flyback.analysis.tolerance import Share
from flyback.verdict.words import SEVERITY, Judgement

MOVED = 0.005
"""Relative difference from which a figure counts as moved (our choice): below it three digits hardly
change, and the bands are no finer than about 0.1 %."""


def told(change: float) -> str:
    """A relative change as a report says it.

    >>> told(0.4717), told(-0.0449), told(21.0)
    ('+47 %', '-4.5 %', 'x 22')
    """
    if change >= 9:
        return f"x {1 + change:.0f}"
    percent = 100 * change
    return f"{percent:+.1f} %" if abs(percent) < 9.95 else f"{percent:+.0f} %"


class Turn(StrEnum):
    """What a move is worth to whoever wants the claim kept and the parts unstressed."""

    BETTER = "better"
    WORSE = "worse"
    MIXED = "better at one mains voltage, worse at another"
    NEITHER = "neither"


@dataclass(frozen=True, slots=True)
class Cell:
    """One figure at one line, before and after; SI units.

    Attributes:
        line: name of the line, "" for a figure that depends on none.
        before, after: infinite for a limit that does not exist, None where there is no figure.
    """

    line: str
    before: float | None
    after: float | None

    @property
    def moved(self) -> bool:
        if self.before is None or self.after is None or math.isinf(self.before) or math.isinf(self.after):
            return self.before != self.after
        return abs(self.after - self.before) > MOVED * max(abs(self.before), abs(self.after))

    @property
    def change(self) -> float | None:
        """Relative change; None where it has none to give."""
        if self.before is None or self.after is None or not self.before:
            return None
        return None if math.isinf(self.before) or math.isinf(self.after) else self.after / self.before - 1

    @property
    def rise(self) -> int:
        """1 where it rose, -1 where it fell, 0 where it did not move or cannot be compared."""
        if not self.moved or self.before is None or self.after is None:
            return 0
        return 1 if self.after > self.before else -1


@dataclass(frozen=True, slots=True)
class Row:
    """One figure at every line.

    Attributes:
        dimension: name in `flyback.units.DIMENSIONS`.
        if_it_rises: what a rise is worth; a fall is worth the opposite.
        parts: the parts that set it before and after, as a report names them, or "".
    """

    name: str
    dimension: str
    if_it_rises: Turn
    cells: tuple[Cell, ...]
    parts: tuple[str, str] = ("", "")

    @property
    def moved(self) -> bool:
        return any(cell.moved for cell in self.cells)

    @property
    def worsened(self) -> tuple[Cell, ...]:
        """The cells that moved for the worse."""
        sign = {Turn.BETTER: -1, Turn.WORSE: 1}.get(self.if_it_rises)
        return tuple(cell for cell in self.cells if cell.rise == sign)

    @property
    def turn(self) -> Turn:
        if self.if_it_rises is Turn.NEITHER or not any(cell.rise for cell in self.cells):
            return Turn.NEITHER
        worse = len(self.worsened)
        better = sum(cell.rise != 0 for cell in self.cells) - worse
        if worse and better:
            return Turn.MIXED
        return Turn.WORSE if worse else Turn.BETTER

    @property
    def worst(self) -> Cell | None:
        """The cell that moved furthest for the worse; a limit that was not there before comes first."""
        return max(self.worsened, key=_extent, default=None)


def _extent(cell: Cell) -> float:
    return math.inf if cell.change is None else abs(cell.change)


@dataclass(frozen=True, slots=True)
class Modes:
    """How the current flows at every line: "continuous", "discontinuous" or "none" where there is no point.

    Attributes:
        at: "load" or "limit".
        cells: name of the line, mode before, mode after.
    """

    at: str
    cells: tuple[tuple[str, str, str], ...]

    @property
    def moved(self) -> bool:
        return any(before != after for _, before, after in self.cells)


@dataclass(frozen=True, slots=True)
class First:
    """What stops the power first at one line; None where no ceiling could be computed."""

    line: str
    before: Step | None
    after: Step | None

    @property
    def changed(self) -> bool:
        return _name(self.before) != _name(self.after)


def _name(step: Step | None) -> str:
    return "" if step is None else step.rung.name


@dataclass(frozen=True, slots=True)
class Ladder:
    """The ceilings of one output voltage [V], and what stops it first at every line."""

    voltage: float
    rows: tuple[Row, ...]
    firsts: tuple[First, ...]


@dataclass(frozen=True, slots=True)
class Reached:
    """What a claim gets at one line, in its own unit [A or W]: nominal and the middle 95 % of the samples.

    Attributes:
        met: samples that reach and hold the claim.
    """

    nominal: float
    low: float
    high: float
    met: Share


@dataclass(frozen=True, slots=True)
class ClaimAt:
    """A claim at one line; None where nothing is known of it."""

    line: str
    before: Reached | None
    after: Reached | None

    @property
    def moved(self) -> bool:
        """Whether its figures moved, or its chance by more than the sampling leaves open."""
        if self.before is None or self.after is None:
            return self.before is not self.after
        old, new = self.before, self.after
        pairs = ((old.nominal, new.nominal), (old.low, new.low), (old.high, new.high))
        return any(Cell(self.line, *pair).moved for pair in pairs) or self.chance != 0

    @property
    def chance(self) -> int:
        """1 where the chance rose, -1 where it fell, 0 where the intervals overlap."""
        if self.before is None or self.after is None:
            return 0
        old, new = self.before.met.interval, self.after.met.interval
        if old[0] <= new[1] and new[0] <= old[1]:
            return 0
        return 1 if new > old else -1


@dataclass(frozen=True, slots=True)
class ClaimMove:
    """One claim of power, judged before and after.

    Attributes:
        dimension: "current" or "power", the unit of what it gets.
    """

    text: str
    dimension: str
    before: Judgement
    after: Judgement
    lines: tuple[ClaimAt, ...]

    @property
    def moved(self) -> bool:
        return self.before.word is not self.after.word or any(at.moved for at in self.lines)

    @property
    def turn(self) -> Turn:
        """By its word; with the same word by its chance, then by what it gets where it is judged."""
        words = SEVERITY.index(self.after.word) - SEVERITY.index(self.before.word)
        chances = [at.chance for at in self.lines if at.line in self._judged_at]
        gets = [
            Cell(at.line, at.before.nominal, at.after.nominal).rise
            for at in self.lines
            if at.line in self._judged_at and at.before and at.after
        ]
        for signs in ([words], chances, gets):
            if total := sum(signs):
                return Turn.BETTER if total > 0 else Turn.WORSE
        return Turn.NEITHER

    @property
    def _judged_at(self) -> set[str]:
        return {judged.column.line.name for judged in (self.before, self.after) if judged.column}
