"""What a word printed on a part can say: the pieces that readings of a marking are made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from flyback.reference import rows, series
from flyback.units import parse

Tolerance = tuple[float, float]
"""Lower and upper limit as fractions of the value, such as (-0.2, 0.8)."""


class Kind(StrEnum):
    """Kinds of part, in the order in which equally good readings are listed."""

    RESISTOR = "resistor"
    CAPACITOR = "capacitor"
    ELECTROLYTIC = "electrolytic"
    INDUCTOR = "inductor"

    @property
    def noun(self) -> str:
        return "electrolytic capacitor" if self is Kind.ELECTROLYTIC else self.value

    @property
    def a_noun(self) -> str:
        return f"{'an' if self.noun[0] in 'aeiou' else 'a'} {self.noun}"

    @property
    def described(self) -> str:
        return "ceramic or film capacitor" if self is Kind.CAPACITOR else self.noun

    @property
    def dimension(self) -> str:
        return {"resistor": "resistance", "inductor": "inductance"}.get(self, "capacitance")


CAPACITORS = (Kind.CAPACITOR, Kind.ELECTROLYTIC)


@dataclass(frozen=True, slots=True)
class Doubt:
    """What speaks against a reading; a weight of 1 leaves it possible, 2 makes it unlikely (our choice)."""

    weight: int
    words: str


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule or a figure comes from, and how far to trust it (`flyback.reference`)."""

    what: str
    source: str
    basis: str


def figure_source(what: str, table: str, key: str, name: str, part: str = "") -> tuple[Source, ...]:
    """The source of one figure of a table whose rows group figures under a key.

    >>> [source.basis for source in figure_source("letter L", "letter_codes", "exponents", "L", "resistor")]
    ['from memory']
    """
    chosen = (row for row in rows(table) if not part or row["part"] in (part, "any"))
    return tuple(Source(what, row["source"], row["basis"]) for row in chosen if name in row.get(key, ()))[
        :1
    ]


@dataclass(frozen=True, slots=True)
class Clue:
    """What a word says of a part of one kind; what it leaves open is None or "".

    Attributes:
        words: how it was read.
        system: the system of marking the value was read by, a name of the table marking_systems.
        value: in ohm, farad or henry.
        letter: a tolerance letter, whose meaning waits for the value.
        voltage: rated voltage [V].
        power: rated power [W].
        temperature: highest temperature [K].
        drift: temperature coefficient [1/K].
        remark: what else it says, in words.
        sources: of figures beside the rule of the system itself.
    """

    words: str
    system: str = ""
    value: float | None = None
    letter: str = ""
    tolerance: Tolerance | None = None
    voltage: float | None = None
    power: float | None = None
    temperature: float | None = None
    drift: float | None = None
    remark: str = ""
    sources: tuple[Source, ...] = ()
    doubts: tuple[Doubt, ...] = ()


def coarsest_series(value: float) -> str | None:
    """The first of the series E24, E96 and E192 that has a value, or None.

    >>> coarsest_series(4700.0), coarsest_series(49.9), coarsest_series(0.103)
    ('E24', 'E96', None)
    """
    mantissa = float(f"{value:.6e}".partition("e")[0])
    return next((name for name in ("E24", "E96", "E192") if mantissa in series(name)), None)


def tolerance_words(tolerance: Tolerance) -> str:
    """A tolerance as it is printed.

    >>> tolerance_words((-0.05, 0.05)), tolerance_words((-0.2, 0.8))
    ('± 5 %', '-20/+80 %')
    """
    low, high = (100 * part for part in tolerance)
    return f"± {high:.3g} %" if math.isclose(-low, high) else f"{low:.3g}/+{high:.3g} %"


class Standing(StrEnum):
    """How a reading stands, by what speaks against it."""

    USUAL = "usual"
    POSSIBLE = "possible"
    UNLIKELY = "unlikely"


@dataclass(frozen=True, slots=True)
class Reading:
    """One thing that a whole marking may mean.

    Attributes:
        code: what was read: the marking, or as it would have to be for this reading.
        value: in ohm, farad or henry.
        tolerance: as printed; None where it is not.
        clue: what all words say together.
    """

    kind: Kind
    code: str
    value: float
    tolerance: Tolerance | None
    clue: Clue
    doubts: tuple[Doubt, ...] = ()

    @property
    def weight(self) -> int:
        return sum(doubt.weight for doubt in self.doubts)

    @property
    def standing(self) -> Standing:
        return (Standing.USUAL, Standing.POSSIBLE, Standing.UNLIKELY)[min(self.weight, 2)]

    @property
    def sources(self) -> tuple[Source, ...]:
        """Of the system of marking, then of single figures."""
        (row,) = (row for row in rows("marking_systems") if row["name"] == self.clue.system)
        return (Source(f"{row['name']}: {row['rule']}", row["source"], row["basis"]), *self.clue.sources)

    @property
    def usual_tolerance(self) -> Tolerance:
        """As printed, else what such parts are made to."""
        if self.tolerance is not None:
            return self.tolerance
        if self.clue.system in ("4-digit code", "EIA-96"):
            (row,) = (row for row in rows("series") if row["name"] == "E96")
            share = parse(row["usual_tolerance"], dimension="ratio").nominal
        else:
            share = usual_part(self.kind)["tolerance_percent"] / 100
        return -share, share


def usual_part(kind: Kind) -> Mapping[str, Any]:
    """What parts of a kind are made for, as the handbook has it."""
    return next(row for row in rows("usual_parts") if row["part"] == kind)
