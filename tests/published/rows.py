"""One row of comparison: a figure of an outside source beside ours, and where ours may lie."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What a comparison is worth."""

    PUBLISHED = "published figure"
    FITTED = "fitted: an input was solved from this figure"
    SECOND_PATH = "second path: our own recomputation, not a source"
    PRACTICE = "common practice, no source"
    PLAUSIBILITY = "plausibility band, not an exact figure"
    SIMULATED = "circuit simulation"
    HARD_SPOT = "circuit simulation, known hard spot of closed forms"
    SWITCHING = "circuit simulation, beside the switching simulation"
    STATED = "circuit simulation, beside the switching simulation, wider bound for a stated reason"
    BY_CYCLE = "circuit simulation, beside the switching simulation without ringing"


@dataclass(frozen=True, slots=True)
class Check:
    """One figure of an outside source beside ours.

    Attributes:
        case: the worked example or simulated operating point.
        printed: the figure as the source prints it, SI units.
        low, high: bounds within which ours must lie.
        note: what a reader must know about the comparison: how ours was found, why bounds are wide.
    """

    kind: Kind
    case: str
    source: str
    figure: str
    unit: str
    printed: str
    ours: float
    low: float
    high: float
    note: str = ""

    @property
    def holds(self) -> bool:
        return self.low <= self.ours <= self.high

    @property
    def difference(self) -> float:
        """Relative difference of ours from the printed figure."""
        return self.ours / float(self.printed) - 1

    @property
    def name(self) -> str:
        """The row as a test names it; says where memory is involved."""
        recalled = " (from memory)" if "from memory" in self.note else ""
        return f"{self.case} {self.figure}{recalled}"

    def __str__(self) -> str:
        return (
            f"{self.case}, {self.figure}: {self.source} has {self.printed} {self.unit}, "
            f"we get {self.ours:.6g} ({100 * self.difference:+.2f} %), "
            f"allowed {self.low:.6g} to {self.high:.6g}. {self.note}"
        )
