"""Which measurement would settle a verdict: everything that could be read, ranked by what it would save.

The chance of a wrong verdict is that of calling a claim wrongly when its samples disagree; how it falls
with a reading is estimated in `flyback.analysis.leverage`. Beside it stand how much narrower the 95 % band
of the lowest ceiling becomes and the shares of its variance. Where the file has load tests, all of it is
about what they leave open (`flyback.studies.left_open`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case
from flyback.analysis.inputs import plain
from flyback.analysis.knowable import Kind
from flyback.analysis.leverage import Saving
from flyback.analysis.measurements import Access, measurement_at, needs_transformer
from flyback.errors import NotAFlybackError, Problem, RequestError
from flyback.studies.asked_claim import asked_claim
from flyback.studies.contradiction import Kind as Wrong
from flyback.studies.evidence import Evidence, Verdict, weigh
from flyback.studies.hints import LITTLE, doubt
from flyback.studies.left_open import left_open
from flyback.studies.redrawn import Drawn, Study, middle, spreads
from flyback.studies.sensitivity import POINTS, Shares
from flyback.studies.settle_words import Answer, answer, contradicted, decided, notices
from flyback.verdict.check import Check
from flyback.verdict.words import Judgement, Word

LEAST_SAMPLES, MOST_SAMPLES = 4096, 262_144
"""Fewer samples say too little about a reading; more would fill the memory, since a study keeps them."""

NARROWS = 0.1
"""Share of the band that a reading must take away to be worth telling for that alone (our choice)."""


@dataclass(frozen=True, slots=True)
class Row:
    """One reading; SI units.

    Attributes:
        name: what is read, with the line where it is read loaded.
        parts: the parts it stands for; role: of the parts, "output" at the output.
        within: name of the reading that gives it together with others; "" where there is none.
        how: the measurement in words.
        expected, low, high: reading to expect, as traced or in the middle of what load tests leave open,
            and the middle 95 % of the samples.
        accuracy: relative, k = 2, to expect of the measurement; None where no meter gives it.
        accuracy_needed: relative, k = 2, with which half of ``known`` is kept; None where there is little
            to keep.
        transformer: True where it is taken at a mains voltage that comes from no wall.
        saved: what the chance of a wrong verdict falls by with that measurement.
        known: the same, were it known exactly.
        narrowing: how much narrower the 95 % band of the lowest ceiling becomes on average with that
            measurement [W]; narrowing_share: as a share of the band.
        first: share of the variance of the lowest ceiling that it explains alone.
        total: share that stays while all else is known; None for readings that several values make up,
            and where a load test has tied the values to each other.
    """

    name: str
    parts: str
    role: str
    within: str
    kind: Kind
    how: str
    expected: float
    low: float
    high: float
    dimension: str
    accuracy: float | None
    accuracy_needed: float | None
    access: Access
    transformer: bool
    caution: str
    saved: Saving
    known: Saving
    narrowing: float
    narrowing_share: float
    first: float
    total: float | None

    @property
    def saves(self) -> float:
        """What it saves, if that is worth telling and no accident of the samples."""
        return self.saved.chance if _worth(self.saved) else 0.0


@dataclass(frozen=True, slots=True)
class Next:
    """What to measure next for one claim.

    Attributes:
        claim: the claim in words; word: the verdict on it, that of parts and readings where there are any.
        line: where it is judged.
        rows: every reading, the one that saves most first; none where a load test decides the claim, and
            only those that would explain it where parts and readings contradict each other.
        holds: the call that is wrong less often: True for "it holds".
        chance: of that call being wrong; None where parts and readings contradict each other.
        together: what all unpowered measurements together would save of it.
        needed: what the claim asks for there [W].
        band: the middle 95 % of the lowest ceiling now [W]; infinite where there is no limit.
        samples: sets of numbers that this is counted on.
        weighed: True where the load tests of the file are counted in.
        answer: what settles it.
        notices: what else to know, in sentences.
    """

    check: Check
    claim: str
    word: Word
    line: Line
    rows: tuple[Row, ...]
    holds: bool
    chance: float | None
    together: Saving
    needed: float
    band: tuple[float, float]
    samples: int
    weighed: bool
    answer: Answer
    notices: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """0 where nothing is left to settle or it is said what settles it, else 1."""
        return 0 if self.answer.settled else 1

    def worth_telling(self, most: int) -> tuple[Row, ...]:
        """The readings that save something, or narrow the band by a good part, the best first.

        What is read as part of another reading that is no worse is left out, and so is the ripple, or the
        pulse rate, on all lines but the best.
        """
        found: list[Row] = []
        for row in self.rows:
            once = row.kind in (Kind.RATE, Kind.RIPPLE) and any(other.kind is row.kind for other in found)
            inside = any(other.name == row.within for other in found)
            if (row.saves or row.narrowing_share >= NARROWS) and not once and not inside:
                found.append(row)
        return tuple(found[:most])


# a search may pass through impossible values; what comes out is checked to be finite, in words
@np.errstate(all="ignore")
def settle(
    check: Check, *, claim: str | None = None, samples: int | None = None, points: int = POINTS
) -> Next:
    """Rank what could be measured by what it would do for the verdict on a claim.

    Args:
        claim: the claim in the words of the check, or those that tell it from the others ("24W"); by
            default the one whose verdict is least certain.
        samples: by default those of the check, at least 4096; its seed is taken too.
        points: for the shares of the variance, a power of two; the work grows with it and the causes.

    Raises:
        NotAFlybackError: the board is not judged.
        RequestError: there is no such claim, or no limit of the power is known.
        NumericalError: a result is not finite.
    """
    if not check.judged:
        raise NotAFlybackError(f"{check.board.name}: not a flyback, so there is no verdict to settle.")
    evidence = weigh(check, ask=()) if check.board.load_tests else None
    judgement, verdict = _chosen(check, claim, evidence)
    study = _study(check, judgement)
    found = None if evidence is None else evidence.reconciled
    wrong = None if found is None else found.contradiction
    count = min(max(check.samples if samples is None else samples, LEAST_SAMPLES), MOST_SAMPLES)
    weighed = found is not None and wrong is None
    if found is None or wrong is not None:
        drawn = study.drawn(spreads(study.case.circuit, count, check.seed), check.seed)
        shares = study.shares(points, check.seed) if drawn.finite else {}
    else:
        drawn, shares = study.drawn(left_open(check, found, study.lines, count), check.seed), {}
    rows = [
        _row(study, drawn, index, shares, weighed=weighed) for index in range(len(drawn.leverage.knowables))
    ]
    rows.sort(key=lambda row: (-row.saves, -row.narrowing_share, -row.known.chance))
    chance = 0.0 if decided(verdict) else drawn.leverage.chance(0)
    together = drawn.together()
    if wrong is not None:
        asks = wrong.kind is not Wrong.AMONG_THEMSELVES
        rows = [row for row in rows if asks and row.role == "sense resistor" and not row.within]
        told = contradicted(verdict, wrong.words)
    else:
        told = answer(check, judgement, verdict, rows, chance, together)
    return Next(
        check=check,
        claim=judgement.text,
        word=judgement.word if verdict is None else verdict.word,
        line=study.line,
        rows=tuple(rows),
        holds=2 * drawn.leverage.held[0] > drawn.leverage.samples,
        chance=None if wrong is not None else chance,
        together=together,
        needed=float(np.median(drawn.needed)),
        band=middle(drawn.ceiling),
        samples=drawn.ceiling.size,
        weighed=weighed,
        answer=told,
        notices=notices(check, found),
    )


def _chosen(check: Check, claim: str | None, evidence: Evidence | None) -> tuple[Judgement, Verdict | None]:
    """The claim that is asked for, or the one in most doubt, by the parts and with the readings."""
    verdicts = {} if evidence is None else {one.text: one for one in evidence.verdicts}
    if claim is None:
        judgement = max(check.claims, key=lambda one: _doubt(one, verdicts.get(one.text)))
    else:
        judgement = asked_claim(check, claim)
    if judgement.outcome is None:
        needs = f"find {', '.join(judgement.unknown)} first."
        raise RequestError(Problem("no limit of the power is known, so nothing can be ranked;", hint=needs))
    return judgement, verdicts.get(judgement.text)


def _doubt(judgement: Judgement, verdict: Verdict | None) -> float:
    if decided(verdict):
        return 0.0
    if verdict is not None and verdict.chance is not None:
        return min(verdict.chance.after, 1 - verdict.chance.after)
    return doubt(judgement)


def _study(check: Check, judgement: Judgement) -> Study:
    outcome = judgement.outcome
    assert check.circuit is not None
    assert outcome is not None
    case = Case(check.circuit, outcome.demand.voltage, (outcome.demand,))
    assessment = next(one for one in check.assessments if judgement.column in one.columns)
    return Study.of(case, [plain(column.line) for column in assessment.columns])


def _row(study: Study, drawn: Drawn, index: int, shares: Mapping[str, Shares], *, weighed: bool) -> Row:
    leverage, values = drawn.leverage, study.case.circuit.values
    knowable = leverage.knowables[index]
    measurement = measurement_at(knowable, study.lines)
    known, saved, narrower = leverage.saves(index, 0), Saving(0.0, 0.0), 0.0
    if measurement.accuracy is not None:
        saved = leverage.saves(index, 0, measurement.accuracy)
        narrower = drawn.narrowing(index, measurement.accuracy) if drawn.finite else 0.0
    own = shares.get(values[knowable.source].cause) if knowable.kind is Kind.VALUE else None
    low, high = middle(drawn.read[index])
    return Row(
        name=knowable.named(study.lines),
        parts=knowable.parts,
        role=knowable.role,
        within=knowable.within,
        kind=knowable.kind,
        how=measurement.how,
        expected=float(np.median(drawn.read[index])) if weighed else leverage.nominal[index],
        low=low,
        high=high,
        dimension=knowable.dimension,
        accuracy=measurement.accuracy,
        accuracy_needed=drawn.accuracy_needed(index) if _worth(known) else None,
        access=measurement.access,
        transformer=needs_transformer(knowable, study.lines),
        caution=measurement.caution,
        saved=saved,
        known=known,
        narrowing=narrower * float(np.ptp(middle(drawn.ceiling))) if narrower else 0.0,
        narrowing_share=narrower,
        first=leverage.share(index) if own is None else own.first,
        total=None if own is None else own.total,
    )


def _worth(saving: Saving) -> bool:
    """True for what is worth telling, and no accident of the samples."""
    return saving.chance >= max(LITTLE, 2 * saving.error)
