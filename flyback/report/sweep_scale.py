"""An axis of a sweep as it is drawn, and where words may stand along a line; for `sweep_figures`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from flyback.analysis.tolerance import Array
from flyback.report.drawing import Points, scale
from flyback.report.sweep_text import fed_by
from flyback.units import format_quantity, parse

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis as Scale

    from flyback.studies.sweep import ClaimOver, Sweep
    from flyback.studies.sweep_axes import Axis

RIGHT = 0.2
"""Margin at the right of a sweep's drawing [in]."""

ALIKE = 0.01
"""Relative difference of two claims below which a drawing shows one (our choice)."""

ALONG = 25
"""Places along a line at which its words may stand."""


@dataclass(frozen=True, slots=True)
class Shown:
    """An axis in the unit it is drawn in."""

    axis: Axis
    factor: float
    unit: str

    @classmethod
    def of(cls, axis: Axis) -> Shown:
        top = format_quantity(float(axis.values[-1]), axis.dimension)
        unit = top.partition(" ")[2] if axis.key else "V"
        return cls(axis, 1 / parse(f"1 {unit}", dimension=axis.dimension).nominal, unit)

    @property
    def values(self) -> Array:
        values: Array = self.axis.values * self.factor
        return values

    @property
    def label(self) -> str:
        what = f"{self.axis.name}, {self.axis.meaning}" if self.axis.key else self.axis.meaning
        return f"{what} [{self.unit}]"

    def put_on(self, scaled: Scale, ax: Axes, name: str) -> None:
        """Give a scale of the axes the steps, ends and label of this axis."""
        first, last = float(self.values[0]), float(self.values[-1])
        getattr(ax, f"set_{name}label")(self.label)
        if self.axis.geometric:
            getattr(ax, f"set_{name}scale")("log")
            subs = (1.0, 2.0, 5.0) if last / first < 1e3 else (1.0,)
            scaled.set_major_locator(LogLocator(subs=subs))
            scaled.set_major_formatter(FuncFormatter(lambda x, _: f"{x:g}"))
            scaled.set_minor_formatter(NullFormatter())
        else:
            scale(scaled, 8)
        getattr(ax, f"set_{name}lim")(first, last)


def subtitle(found: Sweep, words: str) -> str:
    claims = f", output at {found.voltage:g} V" if found.other_voltages else ""
    return f"{words} {fed_by(found)}{claims}."


def claims_together(found: Sweep) -> list[tuple[str, ClaimOver]]:
    """The claims with their words; those whose lines would lie on each other are one."""
    together: list[tuple[str, ClaimOver]] = []
    for claim in found.claims:
        same = (
            k
            for k, (_, other) in enumerate(together)
            if np.allclose(other.needed, claim.needed, rtol=ALIKE)
        )
        at = next(same, None)
        if at is None:
            together.append((claim.text, claim))
        else:
            together[at] = (f"{together[at][0]}, {claim.text}", together[at][1])
    return together


def inside(line: Points, ax: Axes) -> Points:
    """The points of a line that lie in the axes, some of them evenly taken."""
    (left, right), (low, high) = sorted(ax.get_xlim()), sorted(ax.get_ylim())
    x, y = line.T
    within = line[(x >= left) & (x <= right) & (y >= low) & (y <= high)]
    some = np.linspace(0, max(len(within) - 1, 0), ALONG).round().astype(int)
    some_within: Points = within[np.unique(some)] if len(within) else within
    return some_within


def from_the_middle(points: Points) -> Points:
    """Points in the order in which words like to stand at them: the middle first."""
    order = np.argsort(np.abs(np.arange(len(points)) - 0.5 * len(points)), kind="stable")
    ordered: Points = points[order]
    return ordered
