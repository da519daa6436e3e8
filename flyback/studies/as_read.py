"""What load-test readings show of a claim by themselves, whatever the parts are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from flyback.board.model import Label
from flyback.studies.corrections import COVERAGE
from flyback.studies.readings import Detail
from flyback.units import format_quantity

GIVEN_WAY = 0.10
"""Share of the claimed voltage that a socket has lost where it no longer counts as given (our choice: more
than any tolerance customary for an output)."""

BESIDE_RANGE = 0.10
"""Share by which the mains may lie outside the label's range, as it is widened for the parts."""


class Showing(StrEnum):
    """What readings say of a claim, at the mains they were taken on."""

    SHORT = "falls short"
    GIVEN = "given"
    NOT_TRIED = "not tried"


@dataclass(frozen=True, slots=True)
class AsRead:
    """The reading that says most about a claim.

    Attributes:
        detail: that reading; None where no reading says anything.
    """

    showing: Showing
    detail: Detail | None = None

    @property
    def words(self) -> str:
        """Such as "falls short: 4.03 V at 0.870 A on 230 V"."""
        if self.detail is None:
            return "nothing was read"
        seen = self.detail.observed
        amps, volts = format_quantity(seen.I_o, "current"), format_quantity(seen.V_o, "voltage")
        line = "" if seen.line is None else f" on {seen.line.name}"
        if self.showing is Showing.NOT_TRIED:
            return f"not tried beyond {amps}{line}"
        return f"{self.showing}: {volts} at {amps}{line}"


def as_read(details: Sequence[Detail], label: Label, *, voltage: float, current: float) -> AsRead:
    """What readings show of a claim of a current at a voltage.

    A claim falls short where the voltage at the socket has given way although less current flowed than is
    claimed; it is given where that current flowed and the voltage stood. One mains voltage of the label's
    range at which it falls short is enough.

    Args:
        details: load tests of the rail that the claim is about.
        voltage, current: what is claimed [V, A].
    """
    least = (1 - GIVEN_WAY) * voltage
    short: list[Detail] = []
    given: list[Detail] = []
    tried: list[Detail] = []
    for detail in details:
        seen = detail.observed
        if not _counts(detail, label):
            continue
        U_V, U_I = COVERAGE * seen.u_V, COVERAGE * seen.u_I
        # volts of nowhere in particular may have been lost in a cable
        if seen.V_o + U_V < least and seen.I_o + U_I < current and detail.test.read_at is not None:
            short.append(detail)
        elif seen.V_o - U_V >= least:
            (given if seen.I_o - U_I >= current else tried).append(detail)
    for showing, found in ((Showing.SHORT, short), (Showing.GIVEN, given), (Showing.NOT_TRIED, tried)):
        if found:
            return AsRead(showing, _telling(showing, found))
    return AsRead(Showing.NOT_TRIED)


def _telling(showing: Showing, found: Iterable[Detail]) -> Detail:
    """The first that gave way, the first that gave enough, or the heaviest one."""
    pick = max if showing is Showing.NOT_TRIED else min
    return pick(found, key=lambda detail: detail.observed.I_o)


def _counts(detail: Detail, label: Label) -> bool:
    """Whether the mains was one that the label claims."""
    line = detail.observed.line
    if label.mains is None or line is None or line.V_ac is None:
        return True
    low, high = label.mains
    return (1 - BESIDE_RANGE) * low <= float(line.V_ac) <= (1 + BESIDE_RANGE) * high
