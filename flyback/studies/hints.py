"""What a check says of the next measurement, from the samples it has drawn; `flyback next` says more."""

from __future__ import annotations

from dataclasses import dataclass

from flyback.analysis.measurements import Access, measurement_at, needs_transformer
from flyback.verdict.check import Check
from flyback.verdict.words import Judgement, Word

LITTLE = 0.005
"""A chance, or what a reading saves of it, that is below this is worth no measurement (our choice)."""

MOST, WORTH = 3, 0.1
"""Most readings that are named, and the share of the chance that each of them must save (our choice)."""


@dataclass(frozen=True, slots=True)
class Hint:
    """One measurement.

    Attributes:
        name: the reading.
        where: "unplugged", "from outside" or "variable transformer".
        then: chance of a wrong verdict once it is taken.
    """

    name: str
    where: str
    then: float


@dataclass(frozen=True, slots=True)
class Hints:
    """What to measure for the claim whose verdict is least certain.

    Attributes:
        chance: of a wrong verdict now.
    """

    claim: str
    chance: float
    rows: tuple[Hint, ...]


def hints(check: Check) -> Hints | None:
    """The measurements that would save most, without any probe inside a plugged-in supply.

    The last of them is one that can be had unplugged, if one is worth it.

    Returns:
        None where the verdict is certain, where a value must be found before there is one, or where the
        file has a load test: what that leaves open is for `flyback.studies.settle` to say.
    """
    judged = [one for one in check.claims if one.outcome is not None and not waits(one)]
    if not judged or check.board.load_tests:
        return None
    judgement = max(judged, key=doubt)
    chance = doubt(judgement)
    assessment = next(one for one in check.assessments if judgement.column in one.columns)
    lines = [column.line for column in assessment.columns]
    demand = [outcome.demand.name for outcome in assessment.worst.outcomes].index(judgement.text)
    within = {lead.knowable.name: lead.knowable.within for lead in assessment.leads}
    found = []
    for lead in assessment.leads:
        saved, measurement = lead.saved[demand], measurement_at(lead.knowable, lines)
        if saved.chance >= max(LITTLE, 2 * saved.error, WORTH * chance) and not measurement.live:
            transformer = needs_transformer(lead.knowable, lines)
            where = "variable transformer" if transformer else str(measurement.access)
            found.append(Hint(lead.knowable.named(lines), where, chance - saved.chance))
    names = {hint.name for hint in found}
    found = [hint for hint in found if within.get(hint.name) not in names]
    found.sort(key=lambda hint: hint.then)
    best, others = found[:MOST], found[MOST:]
    if not any(_unplugged(hint) for hint in best):
        best[MOST - 1 :] = [*filter(_unplugged, others)][:1] or best[MOST - 1 :]
    return Hints(judgement.text, chance, tuple(best)) if best else None


def doubt(judgement: Judgement) -> float:
    """Chance that a verdict on a claim is wrong, as far as the spreads of the parts go."""
    if judgement.outcome is None:
        return 0.0
    held = judgement.outcome.both.value
    return min(held, 1 - held)


def waits(judgement: Judgement) -> bool:
    """True where an unknown value keeps the verdict at "cannot tell", whatever else is read."""
    return judgement.word is Word.CANNOT_TELL and bool(judgement.unknown)


def _unplugged(hint: Hint) -> bool:
    return hint.where == Access.UNPLUGGED
