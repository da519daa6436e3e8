"""What is customary: the range in which a figure of a sound small flyback usually lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from flyback.reference import rows
from flyback.units import parse


@dataclass(frozen=True, slots=True)
class Customary:
    """One row of the table; SI units.

    Attributes:
        over: what a ratio is taken over; "" for a figure in its own unit.
        edge: relative softness of both ends.
        on_purpose: share of sound boards whose figure lies outside.
        rarer: relative distance from the range over which those become a factor e rarer.
        below, above: the innocent reading of a figure there.
    """

    figure: str
    dimension: str
    over: str
    low: float
    high: float
    edge: float
    rarer: float
    on_purpose: float
    below: str
    above: str
    source: str
    basis: str
    note: str

    def beyond(self, value: float) -> float:
        """How far a value lies outside, as a logarithm: negative below, positive above, 0 inside."""
        if self.low <= value <= self.high:
            return 0.0
        at = math.log(max(value, self.low * _NOTHING))
        return max(at - math.log(self.high), 0.0) + min(at - math.log(self.low), 0.0)

    def oddness(self, value: float) -> float:
        """How much rarer a value is than one inside, as a logarithm.

        Most sound boards lie inside or, with a normal tail, just outside; of those that do not, fewer and
        fewer lie further out.
        """
        d = abs(self.beyond(value))
        if not d:
            return 0.0
        near = math.exp(-((d / math.log1p(self.edge)) ** 2) / 2)
        far = math.exp(-min(d / math.log1p(self.rarer), _FARTHEST))
        return math.log(1 / ((1 - self.on_purpose) * near + self.on_purpose * far))

    def innocent(self, value: float) -> str:
        """What a value outside may mean on a sound board."""
        return self.below if value < self.low else self.above


_NOTHING = 1e-6
"""Share of the low end that stands for nothing at all, so that its logarithm exists."""

_FARTHEST = 50.0
"""Logarithm of a rarity beyond which nothing is told apart, so that sums of them stay numbers."""


@cache
def customary(figure: str) -> Customary:
    """The customary range of a figure, by its name in the table.

    >>> found = customary("divider current")
    >>> found.low, found.high, found.oddness(1e-3)
    (4e-05, 0.003, 0.0)
    """
    row = next(row for row in rows("customary") if row["figure"] == figure)
    dimension = row["dimension"]
    low, high = (parse(row[end], dimension=dimension).nominal for end in ("low", "high"))
    edge, rarer, on_purpose = (
        parse(row[key], dimension="ratio").nominal for key in ("edge", "rarer", "on_purpose")
    )
    return Customary(
        figure=figure,
        dimension=dimension,
        over=row.get("over", ""),
        low=low,
        high=high,
        edge=edge,
        rarer=rarer,
        on_purpose=on_purpose,
        **{key: row[key] for key in ("below", "above", "source", "basis", "note")},
    )
