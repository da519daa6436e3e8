"""Claims against ceilings: made-up ladders, so that each rule of the judgement is seen alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import pytest
from worked import board

from flyback.analysis.assessment import Assessment, Band, Column, Outcome, Step
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import RUNGS, Question
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Demand
from flyback.analysis.limits import Ceiling
from flyback.analysis.tolerance import Share
from flyback.equations.formula import Recorder
from flyback.verdict.judge import BULK_DECIDES, culprit, judge
from flyback.verdict.words import Judgement, Word

DEMAND = Demand("2 A", 5.0, current=2.0)
RUNG = {rung.name: rung for rung in RUNGS}
CIRCUIT = Circuit(
    board=board("wall_charger"),
    values={},
    keys={},
    parts=MappingProxyType({"C_bulk": "C1 || C2", "R_s": "R3 || R4"}),
    missing={},
    assumed=(),
    left_out=(),
)


def band(power: float) -> Band:
    return Band(power, power, power, power, power)


def step(
    power: float, name: str = "current limit", *, parts: str = "R3 || R4", bulk_share: float = 0.0
) -> Step:
    return Step(RUNG[name], parts, Ceiling(power), band(power), None, bulk_share, 1.0)


def column(
    *steps: Step,
    volts: float = 90.0,
    reach: float | None = None,
    both: float = 0.95,
    samples: int = 100_000,
    best_case: float = 1.2,
    guess_range: tuple[float, float] | None = None,
) -> Column:
    """One line whose samples reach and hold the demand by the given shares."""
    steps = steps or (step(12.0),)
    reached = Share(round(samples * (both if reach is None else reach)), samples)
    held = Share(round(samples * both), samples)
    outcome = Outcome(DEMAND, 10.0, reached, held, best_case, guess_range)
    lowest = band(min(float(each.ceiling.power) for each in steps))
    return Column(Line(V_ac=volts, f_line=50.0), 5.0, 5.0, steps, lowest, (outcome,))


EMPTY = Column(Line(V_ac=90.0, f_line=50.0), 5.0, 5.0, (), band(math.inf), ())


def verdict(*columns: Column, lacking: Mapping[str, tuple[str, ...]] | None = None) -> Judgement:
    return judge(CIRCUIT, DEMAND, Assessment(5.0, columns, lacking or {}, 1000, 0, Recorder()))


# --- impossible -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("best_case", "impossible"),
    [(0.5, True), (math.nextafter(1.0, 0.0), True), (1.0, False), (1.3, False)],
)
def test_impossible_only_when_the_most_generous_corner_fails(best_case: float, impossible: bool) -> None:
    judgement = verdict(column(both=0.0, best_case=best_case))
    assert (judgement.word is Word.IMPOSSIBLE) is impossible
    if not impossible:
        assert judgement.word is Word.VERY_UNLIKELY


def test_impossible_is_not_qualified() -> None:
    judgement = verdict(column(both=0.0, samples=100, best_case=0.9))
    assert (judgement.word, judgement.also, judgement.reason) == (Word.IMPOSSIBLE, None, "")


def test_what_a_sample_reaches_is_not_impossible() -> None:
    """The corner search may miss a corner; a sample that reached the claim settles it."""
    assert verdict(column(both=0.01, samples=100, best_case=0.99)).word is Word.VERY_UNLIKELY


# --- the worst line -------------------------------------------------------------------------------


def test_judged_where_least_can_be_had() -> None:
    low = column(step(9.0), volts=90.0, both=0.2)
    high = column(step(15.0), volts=264.0, both=1.0)
    for columns in ((low, high), (high, low)):
        judgement = verdict(*columns)
        assert judgement.column is low
        assert judgement.outcome is low.outcomes[0]
        assert judgement.word is Word.UNLIKELY


def test_the_worst_line_is_not_always_the_lowest() -> None:
    low = column(step(14.0), volts=90.0, both=1.0)
    high = column(step(11.0), volts=264.0, both=0.7)
    assert verdict(low, high).column is high


# --- what is unknown ------------------------------------------------------------------------------

UNKNOWN_REACH = {"saturation": ("T1.core_area",)}
UNKNOWN_HOLD = {"capacitor ripple": ("C5.ripple_rating",), "rectifier current": ("D5.current_rating",)}


def test_the_rungs_used_here_answer_the_questions_meant() -> None:
    assert {RUNG[name].question for name in UNKNOWN_REACH} == {Question.REACH}
    assert {RUNG[name].question for name in UNKNOWN_HOLD} == {Question.HOLD}


@pytest.mark.parametrize(("both", "known"), [(0.97, "very likely"), (0.8, "likely"), (0.5, "about even")])
def test_an_unknown_reach_rung_caps_a_favourable_word(both: float, known: str) -> None:
    judgement = verdict(column(both=both), lacking=UNKNOWN_REACH)
    assert judgement.word is Word.CANNOT_TELL
    assert judgement.also is None
    assert judgement.unknown == ("T1.core_area",)
    assert "T1.core_area" in judgement.reason
    assert judgement.reason.startswith(known)


@pytest.mark.parametrize(("both", "word"), [(0.05, Word.VERY_UNLIKELY), (0.2, Word.UNLIKELY)])
def test_an_unknown_reach_rung_cannot_save_a_failing_claim(both: float, word: Word) -> None:
    assert verdict(column(both=both), lacking=UNKNOWN_REACH).word is word


def test_a_known_failing_ceiling_is_enough_whatever_is_unknown() -> None:
    lacking = {rung.name: ("U1.frequency",) for rung in RUNGS if rung.name != "current limit"}
    judgement = verdict(column(both=0.0, best_case=0.8), lacking=lacking)
    assert judgement.word is Word.IMPOSSIBLE
    assert judgement.culprit == "R3 || R4"


@pytest.mark.parametrize("both", [0.5, 0.8, 0.97])
def test_an_unknown_hold_rating_does_not_cap(both: float) -> None:
    assert verdict(column(both=both), lacking=UNKNOWN_HOLD) == verdict(column(both=both))


def test_every_unknown_key_is_named_once() -> None:
    lacking = {"bulk valley": ("C1.capacitance",), "current limit": ("C1.capacitance", "R3.resistance")}
    judgement = verdict(column(), lacking=lacking)
    assert judgement.unknown == ("C1.capacitance", "R3.resistance")
    assert judgement.reason.count("C1.capacitance") == 1
    assert judgement.reason.count("R3.resistance") == 1


def test_no_rung_known_at_all() -> None:
    judgement = verdict(EMPTY, lacking={"current limit": ("U1.frequency",), **UNKNOWN_HOLD})
    assert judgement.word is Word.CANNOT_TELL
    assert judgement.column is None
    assert judgement.outcome is None
    assert judgement.unknown == ("U1.frequency",)  # ratings would only be held against what is reached
    assert "U1.frequency" in judgement.reason


# --- guesses --------------------------------------------------------------------------------------


@pytest.mark.parametrize("both", [0.05, 0.2, 0.5, 0.8, 0.97])
def test_a_guess_that_decides_alone_cannot_tell(both: float) -> None:
    judgement = verdict(column(both=both, guess_range=(0.9, 1.1)))
    assert judgement.word is Word.CANNOT_TELL
    assert judgement.also is None
    assert "guess" in judgement.reason


@pytest.mark.parametrize(
    "guess_range", [(1.0, 1.4), (1.1, 1.4), (0.7, 0.95), (0.7, math.nextafter(1.0, 0.0))]
)
def test_a_guess_on_one_side_does_not_decide(guess_range: tuple[float, float]) -> None:
    assert verdict(column(guess_range=guess_range)).word is Word.VERY_LIKELY


def test_a_guess_cannot_save_what_is_impossible() -> None:
    assert verdict(column(both=0.0, best_case=0.9, guess_range=(0.5, 1.2))).word is Word.IMPOSSIBLE


# --- qualified words ------------------------------------------------------------------------------


# Wilson intervals at 95 % by hand (z = 1.96): centre (p + z²/2n)/(1 + z²/n), half width
# z sqrt(p(1 - p)/n + z²/4n²)/(1 + z²/n). For p = 0.91 and n = 500: 0.9069 ± 0.0252, so 0.882 to 0.932,
# which holds 0.90; for n = 16384: 0.9099 ± 0.0044, so 0.9055 to 0.9143, which does not.
@pytest.mark.parametrize(
    ("both", "samples", "word", "also"),
    [
        (0.91, 500, Word.VERY_LIKELY, Word.LIKELY),
        (0.91, 16_384, Word.VERY_LIKELY, None),
        (0.89, 500, Word.LIKELY, Word.VERY_LIKELY),  # 0.8869 ± 0.0275: 0.859 to 0.914
        (0.67, 100, Word.LIKELY, Word.ABOUT_EVEN),  # 0.6637 ± 0.0906: 0.573 to 0.754
        (0.65, 100, Word.ABOUT_EVEN, Word.LIKELY),  # 0.6445 ± 0.0919: 0.553 to 0.736
        (0.11, 500, Word.UNLIKELY, Word.VERY_UNLIKELY),  # 0.1130 ± 0.0275: 0.086 to 0.140
        (0.5, 16_384, Word.ABOUT_EVEN, None),
        (0.0, 500, Word.VERY_UNLIKELY, None),  # 0 to 0.0076
        (1.0, 500, Word.VERY_LIKELY, None),
    ],
)
def test_a_word_is_qualified_when_the_sampling_interval_crosses_a_threshold(
    both: float, samples: int, word: Word, also: Word | None
) -> None:
    judgement = verdict(column(both=both, samples=samples))
    assert (judgement.word, judgement.also) == (word, also)


# --- reach and hold -------------------------------------------------------------------------------


def test_reached_but_not_held() -> None:
    judgement = verdict(column(reach=0.98, both=0.2))
    assert judgement.word is Word.UNLIKELY
    assert judgement.reason == "very likely to reach it, unlikely to hold it"


def test_reached_and_held_alike_says_nothing() -> None:
    assert verdict(column(reach=0.97, both=0.95)).reason == ""


# --- what stops it --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bulk_share", "named"),
    [(0.0, "R3 || R4"), (BULK_DECIDES, "R3 || R4"), (BULK_DECIDES + 0.01, "C1 || C2"), (1.0, "C1 || C2")],
)
def test_the_bulk_is_named_when_the_lowest_ceiling_leans_on_it(bulk_share: float, named: str) -> None:
    leaning = column(step(12.0, bulk_share=bulk_share), step(15.0, "saturation", parts="T1"))
    assert culprit(CIRCUIT, leaning) == named
    assert verdict(leaning).culprit == named


def test_a_bulk_that_only_a_higher_ceiling_leans_on_is_not_named() -> None:
    higher = step(15.0, "bulk valley", parts="C1 || C2", bulk_share=1.0)
    assert culprit(CIRCUIT, column(step(12.0), higher)) == "R3 || R4"


def test_without_a_bulk_the_ceiling_names_its_own_part() -> None:
    bare = Circuit(CIRCUIT.board, {}, {}, {}, {}, (), ())
    assert culprit(bare, column(step(12.0, bulk_share=1.0))) == "R3 || R4"
