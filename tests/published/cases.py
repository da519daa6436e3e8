"""Published worked examples as data, and the collected list of every comparison.

`all_checks` is the one list: the tests go through its rows, and so may a page of the documentation.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from types import MappingProxyType

from .recomputed_boards import BOARDS, NOT_CHECKED
from .recomputed_design import DESIGN
from .recomputed_parts import PARTS
from .rows import Check, Kind
from .simulation_checks import simulation_checks
from .switching_checks import switching_checks

DATA = Path(__file__).parent / "data"
PUBLISHED = DATA / "published.toml"

RECOMPUTED = MappingProxyType({**DESIGN, **BOARDS, **PARTS})
"""Worked example and figure to our recomputation."""

READ = "read in the text"
PRACTICE = "common practice"
SECOND_PATH = "our own recomputation"


@dataclass(frozen=True, slots=True)
class PublishedCase:
    """One figure of a published worked example.

    Attributes:
        name: the worked example.
        figure: the figure in the source's own symbol.
        printed: the figure with the digits the source prints, SI units.
        basis: how it came here; see the head of the data file.
        inputs: what the source computes it from, SI units, in its own symbols.
        fitted: True where an input was solved from this figure.
        plausibility: True where the figure is only a band around boards like ours.
        reach: how far ours may lie below and above, where the last printed digit is too narrow.
        because: the reason for ``reach``.
    """

    name: str
    source: str
    figure: str
    printed: str
    unit: str
    basis: str
    inputs: Mapping[str, float]
    remark: str = ""
    fitted: bool = False
    plausibility: bool = False
    reach: tuple[float, float] | None = None
    because: str = ""

    @property
    def kind(self) -> Kind:
        if self.fitted:
            return Kind.FITTED
        if self.plausibility:
            return Kind.PLAUSIBILITY
        return {SECOND_PATH: Kind.SECOND_PATH, PRACTICE: Kind.PRACTICE}.get(self.basis, Kind.PUBLISHED)

    @property
    def key(self) -> tuple[str, str]:
        return self.name, self.figure

    @property
    def bounds(self) -> tuple[float, float]:
        """Where ours must lie: half the last printed digit to either side, or the stated reach."""
        half = half_last_digit(self.printed)
        below, above = self.reach or (half, half)
        return float(self.printed) - below, float(self.printed) + above

    def check(self, ours: float, note: str = "") -> Check:
        """This figure beside ours."""
        low, high = self.bounds
        return Check(
            kind=self.kind,
            case=self.name,
            source=self.source,
            figure=self.figure,
            unit=self.unit,
            printed=self.printed,
            ours=ours,
            low=low,
            high=high,
            note="; ".join(part for part in (self.remark, self.because, note) if part),
        )


def half_last_digit(printed: str) -> float:
    """Half a unit of the last printed digit.

    >>> half_last_digit("93"), half_last_digit("0.52"), half_last_digit("49.6e3")
    (0.5, 0.005, 50.0)
    """
    exponent = Decimal(printed).as_tuple().exponent
    assert isinstance(exponent, int)
    return float(Decimal(1).scaleb(exponent) / 2)


@cache
def published_cases() -> tuple[PublishedCase, ...]:
    """Every figure of the data file, in its order."""
    document = tomllib.loads(PUBLISHED.read_text(encoding="utf-8"))
    return tuple(
        PublishedCase(
            name=example["id"],
            source=example["source"],
            figure=row["name"],
            printed=row["printed"],
            unit=row["unit"],
            basis=row["basis"],
            inputs=MappingProxyType(example["inputs"]),
            remark=row.get("remark", ""),
            fitted=row.get("fitted", False),
            plausibility=row.get("plausibility", False),
            reach=tuple(row["reach"]) if "reach" in row else None,
            because=row.get("because", ""),
        )
        for example in document["examples"]
        for row in example["figures"]
    )


@cache
def published_checks() -> tuple[Check, ...]:
    """Every published figure that can be recomputed, beside ours."""
    return tuple(
        case.check(RECOMPUTED[case.key].compute(case.inputs), RECOMPUTED[case.key].note)
        for case in published_cases()
        if case.key not in NOT_CHECKED
    )


@cache
def all_checks() -> tuple[Check, ...]:
    """Every comparison with an outside source, published and simulated; simulates some seconds, once."""
    return (*published_checks(), *simulation_checks(), *switching_checks())
