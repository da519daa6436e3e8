"""A figure of a board beside its customary range."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from flyback.analysis.circuit import Circuit
from flyback.equations.formula import Real
from flyback.reference.customary import Customary, customary

Key = tuple[str, tuple[str, ...]]
"""Name of a figure in the table, and the parts it is named after."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a board; SI units.

    Attributes:
        value: what is held against the range of ``row``.
        of: the parts it is named after, such as ``("D6",)`` for the current of an LED; empty where the
            board has only one such figure.
        parts: all parts that set it.
        alike: how many parts share it, as twins with one code do: together they are odd once.
        scale, dimension: what a ratio is of, to tell it in its own unit: a share of 5 V as volts.
    """

    row: Customary
    value: float
    of: tuple[str, ...]
    parts: tuple[str, ...]
    scale: float
    dimension: str
    alike: int = 1

    @property
    def key(self) -> Key:
        return self.row.figure, self.of

    @property
    def name(self) -> str:
        return f"{self.row.figure}, {', '.join(self.of)}" if self.of else self.row.figure

    @property
    def told(self) -> float:
        """The value in its own unit."""
        return self.value * self.scale

    @property
    def ends(self) -> tuple[float, float]:
        """The range in that unit."""
        return self.row.low * self.scale, self.row.high * self.scale

    @property
    def oddness(self) -> float:
        """How much rarer it is than one inside, as a logarithm."""
        return self.row.oddness(self.value) / self.alike

    @property
    def outside(self) -> bool:
        return self.row.beyond(self.value) != 0


Figures = Mapping[Key, Figure]


def figure(
    name: str,
    value: Real,
    parts: Sequence[str],
    *,
    of: Sequence[str] = (),
    over: Real = 1.0,
    dimension: str = "",
    alike: int = 1,
) -> Figure:
    """A figure of the table.

    Args:
        value: in its own unit.
        over: what the table's ratio is taken over; dimension: of ``value`` where the table has a ratio.
    """
    row = customary(name)
    scale = float(over)
    unit = dimension or row.dimension
    return Figure(row, float(value) / scale, tuple(of), tuple(parts), scale, unit, alike)


def by_key(found: Iterable[Figure]) -> Figures:
    """Figures that are numbers, by their keys."""
    return {one.key: one for one in found if isfinite(one.value)}


def behind(circuit: Circuit, *fields: str) -> list[str]:
    """Designators of the parts behind fields of a circuit."""
    keys = (key for field in fields for key in circuit.keys.get(field, ()))
    names = dict.fromkeys(key.partition(".")[0] for key in keys)
    return [name for name in names if name in circuit.board.parts]
