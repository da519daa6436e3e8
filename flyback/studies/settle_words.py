"""What settles a verdict, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from flyback.analysis.knowable import Kind
from flyback.analysis.leverage import Saving
from flyback.analysis.measurements import MEASUREMENTS, Access
from flyback.analysis.trace import ABSENT
from flyback.studies.as_read import Showing
from flyback.studies.hints import LITTLE, waits
from flyback.verdict.words import Judgement, percent

if TYPE_CHECKING:
    from flyback.studies.evidence import Verdict
    from flyback.studies.reconcile import Reconciled
    from flyback.studies.settle import Row
    from flyback.verdict.check import Check

MUCH = 0.5
"""Share of the chance that a reading must save to settle a verdict (our choice)."""


class Way(StrEnum):
    """What settles a verdict."""

    NOTHING_LEFT = "nothing is left to settle"
    UNPLUGGED = "unpowered measurements together"
    LOAD_TEST = "a load test"
    ONE_READING = "one reading"
    NO_READING = "no measurement as listed"
    UNKNOWN_VALUE = "a value that is unknown"
    CONTRADICTION = "what explains a contradiction"


@dataclass(frozen=True, slots=True)
class Answer:
    """What settles a verdict; words: the same in sentences."""

    way: Way
    words: tuple[str, ...]

    @property
    def settled(self) -> bool:
        """True where nothing is left to settle, or a measurement that settles it is named."""
        return self.way in (Way.NOTHING_LEFT, Way.UNPLUGGED, Way.LOAD_TEST, Way.ONE_READING)


def decided(verdict: Verdict | None) -> bool:
    """True where a load test falls short of the claim, whatever the parts are."""
    return verdict is not None and verdict.readings.showing is Showing.SHORT


def answer(
    check: Check,
    judgement: Judgement,
    verdict: Verdict | None,
    rows: Sequence[Row],
    chance: float,
    together: Saving,
) -> Answer:
    """What settles a verdict, where parts and readings do not contradict each other.

    Args:
        verdict: that of parts and readings, where there are any.
        rows: the readings, the one that saves most first.
        chance: of a wrong verdict now.
        together: what all unpowered measurements together save.
    """
    if verdict is not None and decided(verdict):
        words = f"Nothing: the load test decides it by itself ({verdict.readings.words})."
        return Answer(Way.NOTHING_LEFT, (words,))
    if waits(judgement):
        return Answer(Way.UNKNOWN_VALUE, _unknown(check, judgement))
    if chance == 0:
        return Answer(Way.NOTHING_LEFT, ("Nothing: all samples agree on this claim.",))
    if chance < LITTLE:
        words = f"Hardly anything: the chance of a wrong verdict is {percent(chance)}."
        return Answer(Way.NOTHING_LEFT, (words,))
    return _what_settles(rows, chance, together)


def contradicted(verdict: Verdict | None, words: str) -> Answer:
    """What settles it where parts and readings contradict each other.

    Args:
        words: the contradiction.
    """
    first = "Parts and load test contradict each other, so that nothing follows from the parts."
    if verdict is not None and decided(verdict):
        first = (
            f"The load test decides the claim by itself ({verdict.readings.words}), but it contradicts the "
            "parts as traced."
        )
    return Answer(Way.CONTRADICTION, (first, words))


def _unknown(check: Check, judgement: Judgement) -> tuple[str, ...]:
    found = [
        f"{', '.join(judgement.unknown)} must be found first: while it is unknown, no other reading makes "
        'more of this verdict than "cannot tell".'
    ]
    for key in judgement.unknown:
        designator, _, field = key.partition(".")
        part = check.board.parts.get(designator)
        row = None if part is None else MEASUREMENTS.get((part.role, field))
        if row is not None:
            found.append(f"{key}: {row.how}. {row.caution}")
    return tuple(found)


def _what_settles(rows: Sequence[Row], chance: float, together: Saving) -> Answer:
    half, best, now = MUCH * chance, rows[0], percent(chance)
    falls = f"the chance of a wrong verdict falls from {now} to"
    left = percent(chance - together.chance)
    unplugged = [row for row in rows if row.access is Access.UNPLUGGED and row.saves >= half]
    if unplugged:
        words = f"Unplugged, with {_given(unplugged[0])} {falls} {_left(unplugged[0], chance)}."
        return Answer(Way.UNPLUGGED, (words,))
    if together.chance >= half:
        return Answer(Way.UNPLUGGED, (f"Unplugged, with all those readings together {falls} {left}.",))
    others = f"All unpowered readings together leave {left}."
    if together.chance < max(LITTLE, 2 * together.error):
        others = "No unpowered reading helps."
    if not best.saves:
        words = f"No reading as listed: each leaves the chance of a wrong verdict at {now}."
        return Answer(Way.NO_READING, (words, *_finer(rows, chance), others))
    if best.saves < half:
        words = f"No reading as listed. With the best, {_given(best)} {falls} {_left(best, chance)}."
        return Answer(Way.NO_READING, (words, *_finer(rows, chance), others))
    if best.kind is not Kind.KNEE:
        words = f"One reading: with {_given(best)} {falls} {_left(best, chance)}."
        return Answer(Way.ONE_READING, (words, others))
    words = f"A load test: with {_given(best)} {falls} {_left(best, chance)}."
    wall = [row for row in rows if row.kind is Kind.KNEE and row.saves >= half and not row.transformer]
    if best.transformer and wall:
        words += f" Without a variable transformer, {_given(wall[0])} to {_left(wall[0], chance)}."
    return Answer(Way.LOAD_TEST, (words, others))


def _given(row: Row) -> str:
    return f"the {row.name}{',' if ', ' in row.name else ''}"


def _left(row: Row, chance: float) -> str:
    return percent(chance - row.saves)


def _finer(rows: Sequence[Row], chance: float) -> tuple[str, ...]:
    """What a better meter would do for the reading that tells most, where that is the trouble."""
    best = max(rows, key=lambda row: row.known.chance)
    if not best.accuracy_needed or best.accuracy_needed >= (best.accuracy or 0):
        return ()
    fine, left = f"{100 * best.accuracy_needed:.2g} %", percent(chance - best.known.chance / 2)
    return (f"Read to {fine}, {_given(best)} would leave {left}.",)


# --- what else to know ----------------------------------------------------------------------------


def notices(check: Check, together: Reconciled | None) -> tuple[str, ...]:
    """What else to know, in sentences.

    Args:
        together: parts and load tests put together; None where they cannot be.
    """
    found = []
    if together is not None and together.contradiction is None:
        found.append(
            "The load test in the file is counted in, and so is the closed form's own error, which no "
            "reading of a part takes away."
        )
    elif together is None and check.board.load_tests:
        found.append("The load test in the file is not counted in; flyback evidence says why.")
    if exact := _taken_as_exact(check):
        found.append(f"Given without a spread, so taken as exact and not ranked: {', '.join(exact)}.")
    return tuple(found)


def _taken_as_exact(check: Check) -> list[str]:
    """Values that vary from part to part, given as one number; ratings and turns do not."""
    assert check.circuit is not None
    return [
        value.key
        for value in check.circuit.values.values()
        if not value.spread
        and value.nominal != 0
        and value.dimension != "turns"
        and not value.key.startswith(f"{ABSENT}.")
        and not value.key.endswith("_rating")
    ]
