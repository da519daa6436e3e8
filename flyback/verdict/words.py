"""The words of a verdict and the data they come with."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from flyback.analysis.assessment import Column, Outcome
from flyback.equations.formula import Real


class Word(StrEnum):
    """How a claim is judged, worst first.

    The words between ``impossible`` and ``very likely`` follow the calibrated scale of the IPCC guidance
    note on uncertainty (2010), from memory.
    """

    CONTRADICTS = "contradicts"
    IMPOSSIBLE = "impossible"
    VERY_UNLIKELY = "very unlikely"
    UNLIKELY = "unlikely"
    ABOUT_EVEN = "about even"
    LIKELY = "likely"
    VERY_LIKELY = "very likely"
    CANNOT_TELL = "cannot tell"
    CONSISTENT = "consistent"


FAILING = frozenset({Word.CONTRADICTS, Word.IMPOSSIBLE, Word.VERY_UNLIKELY, Word.UNLIKELY})
"""Words for which `flyback check` leaves with exit code 1."""

SEVERITY = (
    Word.IMPOSSIBLE,
    Word.VERY_UNLIKELY,
    Word.UNLIKELY,
    Word.CANNOT_TELL,
    Word.ABOUT_EVEN,
    Word.LIKELY,
    Word.VERY_LIKELY,
)
"""Words for claims of power, the one that needs explaining first."""


def word_for(probability: float) -> Word:
    """The calibrated word for a probability.

    >>> word_for(0.05).value, word_for(0.5).value, word_for(0.95).value
    ('very unlikely', 'about even', 'very likely')
    """
    if probability < 0.10:
        return Word.VERY_UNLIKELY
    if probability < 0.33:
        return Word.UNLIKELY
    if probability <= 0.66:
        return Word.ABOUT_EVEN
    return Word.LIKELY if probability <= 0.90 else Word.VERY_LIKELY


def percent(share: float) -> str:
    """A share in percent, never rounded to none or all.

    >>> percent(0.8954), percent(0.0004), percent(0.99999), percent(1.0)
    ('89.5 %', '<0.1 %', '>99.9 %', '100.0 %')
    """
    if 0 < share < 0.001:
        return "<0.1 %"
    if 0.999 < share < 1:
        return ">99.9 %"
    return f"{100 * share:.1f} %"


@dataclass(frozen=True, slots=True)
class Judgement:
    """One claim, judged.

    Attributes:
        text: the claim in words ("24 W in total", "2 A from one port").
        word: the verdict.
        also: the neighbouring word where the sampling interval crosses a threshold, or None.
        reason: one plain sentence.
        column: ladder at the worst line, for a claim that was judged by power.
        outcome: the claim's counts there.
        unknown: file keys whose values could lower the result.
        figure: the number that label arithmetic arrived at, where there is one.
        culprit: parts that stop it first, as a report names them.
    """

    text: str
    word: Word
    reason: str
    also: Word | None = None
    column: Column | None = None
    outcome: Outcome | None = None
    culprit: str = ""
    unknown: tuple[str, ...] = ()
    figure: Real | None = None
