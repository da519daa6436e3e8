"""The calibrated words and the order they stand in."""

from __future__ import annotations

import math

import pytest

from flyback.verdict.words import FAILING, SEVERITY, Judgement, Word, word_for

# IPCC guidance note on uncertainty (2010), from memory: very unlikely 0 to 10 %, unlikely to 33 %, about
# as likely as not 33 to 66 %, likely above 66 %, very likely above 90 %. A figure on one of the two upper
# thresholds has not passed it yet.
THRESHOLDS = [
    (0.10, Word.VERY_UNLIKELY, Word.UNLIKELY),
    (0.33, Word.UNLIKELY, Word.ABOUT_EVEN),
    (0.66, Word.ABOUT_EVEN, Word.LIKELY),
    (0.90, Word.LIKELY, Word.VERY_LIKELY),
]


@pytest.mark.parametrize(("threshold", "below", "above"), THRESHOLDS)
def test_words_change_at_the_thresholds(threshold: float, below: Word, above: Word) -> None:
    assert word_for(math.nextafter(threshold, 0.0)) is below
    assert word_for(threshold) is (above if threshold < 0.5 else below)
    assert word_for(math.nextafter(threshold, 1.0)) is above


@pytest.mark.parametrize(("probability", "word"), [(0.0, Word.VERY_UNLIKELY), (1.0, Word.VERY_LIKELY)])
def test_ends_of_the_scale(probability: float, word: Word) -> None:
    assert word_for(probability) is word


def test_every_word_a_probability_can_have_lies_between_impossible_and_very_likely() -> None:
    reached = {word_for(share / 1000) for share in range(1001)}
    assert reached == set(SEVERITY) - {Word.IMPOSSIBLE, Word.CANNOT_TELL}


def test_the_word_to_explain_first_is_the_worst() -> None:
    assert SEVERITY[0] is Word.IMPOSSIBLE
    assert SEVERITY[-1] is Word.VERY_LIKELY
    # what cannot be told is explained before what is about even, and never before a failure
    place = SEVERITY.index(Word.CANNOT_TELL)
    assert set(SEVERITY[:place]) == FAILING - {Word.CONTRADICTS}
    assert len(set(SEVERITY)) == len(SEVERITY)


def test_words_that_fail_a_label() -> None:
    assert {word.value for word in FAILING} == {
        "contradicts",
        "impossible",
        "very unlikely",
        "unlikely",
    }


def test_a_judgement_is_frozen() -> None:
    judgement = Judgement("2 A", Word.LIKELY, "")
    with pytest.raises(AttributeError):
        judgement.word = Word.UNLIKELY  # type: ignore[misc]
