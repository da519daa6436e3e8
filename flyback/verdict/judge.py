"""Claims against ceilings, each at the worst point of the mains range."""

from __future__ import annotations

from flyback.analysis.assessment import Assessment, Column, Outcome
from flyback.analysis.ceilings import Question, rung_named
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Demand
from flyback.verdict.words import FAILING, Judgement, Word, word_for

BULK_DECIDES = 0.5
"""A ceiling that gains more than this share of a larger bulk is laid at the bulk's door (our choice)."""


def culprit(circuit: Circuit, column: Column) -> str:
    """The parts that stop the power first at a line, as a report names them."""
    step = column.binding
    if step.bulk_share > BULK_DECIDES and "C_bulk" in circuit.parts:
        return circuit.parts["C_bulk"]
    return step.parts


def judge(circuit: Circuit, demand: Demand, assessment: Assessment) -> Judgement:
    """Judge a claim of power at the worst line.

    A known ceiling that fails is enough for ``impossible`` whatever is unknown; an unknown that could
    lower the result caps a favourable word at ``cannot tell``, and so does a guess that decides alone.
    """
    if not any(column.steps for column in assessment.columns):
        keys = _unknown_reach(assessment)
        return Judgement(demand.name, Word.CANNOT_TELL, f"needs {', '.join(keys)}", unknown=keys)
    column = assessment.worst
    outcome = column.outcome(demand)
    word, also, reason = _word(outcome)
    unknown = _unknown_reach(assessment)
    if word not in FAILING and unknown:
        reason = f"{word} as far as known; needs {', '.join(unknown)}"
        word, also = Word.CANNOT_TELL, None
    elif word is not Word.IMPOSSIBLE and _guess_decides(outcome):
        word, also, reason = Word.CANNOT_TELL, None, f"{word}, but a guess decides it"
    stopped_by = culprit(circuit, column)
    return Judgement(demand.name, word, reason, also, column, outcome, stopped_by, unknown)


def _word(outcome: Outcome) -> tuple[Word, Word | None, str]:
    if outcome.best_case < 1 and outcome.both.count == 0:
        return Word.IMPOSSIBLE, None, ""
    word = word_for(outcome.both.value)
    others = [word_for(end) for end in outcome.both.interval if word_for(end) is not word]
    reason = ""
    if word_for(outcome.reach.value) is not word:
        reason = f"{word_for(outcome.reach.value)} to reach it, {word} to hold it"
    return word, others[0] if others else None, reason


def _unknown_reach(assessment: Assessment) -> tuple[str, ...]:
    reach = [
        keys for name, keys in assessment.lacking.items() if rung_named(name).question is Question.REACH
    ]
    return tuple(dict.fromkeys(key for keys in reach for key in keys))


def _guess_decides(outcome: Outcome) -> bool:
    if outcome.guess_range is None:
        return False
    low, high = outcome.guess_range
    return low < 1 <= high
