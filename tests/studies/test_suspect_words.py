"""Suspicions in words: what, the innocent reading and the check, with the readings to expect."""

from __future__ import annotations

from functools import cache

import pytest
from boards import Changes, demo

from flyback.studies.suspect_words import check, figure_told, headline, innocent, others
from flyback.studies.suspects import Explanation, Suspicions, look_for

OPEN = "cracked_charger"
MISREAD: dict[str, Changes] = {"R12": {"marking": "105"}}
CANS: dict[str, Changes] = {"C1": {"value": "470 uF"}}
DECADE: dict[str, Changes] = {"T1": {"primary_inductance": {"value": "10 mH", "origin": "datasheet"}}}
EMPTY: dict[str, Changes] = {"R6": {"state": "not fitted"}}
FAILED: dict[str, Changes] = {"R6": {"state": "open"}}
FORGOTTEN: dict[str, Changes] = {"R6": None}

CASES: dict[str, tuple[str, dict[str, Changes]]] = {
    "exchanged": ("hall_charger", {}),
    "misread": ("wall_charger", MISREAD),
    "misread in clear": ("strip_adapter", CANS),
    "open": (OPEN, {}),
    "a decade off": ("wall_charger", DECADE),
    "fitted": ("bedside_charger", EMPTY),
    "whole": ("bedside_charger", FAILED),
    "forgotten": ("bedside_charger", FORGOTTEN),
}


@cache
def found(case: str) -> Suspicions:
    name, changes = CASES[case]
    return look_for(demo(name, **changes))


def first(case: str) -> Explanation:
    return found(case).findings[0].explanations[0]


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("exchanged", "R12 and R13 exchanged?"),
        ("misread", "R12 misread? 102 (1.00 kΩ) for 105 (1.00 MΩ)"),
        ("misread in clear", "C1 misread? 47 µF for 470 µF"),
        ("open", "R3 or R4 open?"),
        ("a decade off", "primary inductance of T1 a decade off? 1 mH for 10.0 mH"),
        ("fitted", "R6 fitted after all?"),
        ("whole", "R6 whole after all?"),
        ("forgotten", "another one like R5 not written down?"),
    ],
)
def test_the_headline_is_a_question(case: str, words: str) -> None:
    assert headline(first(case), found(case).board) == words


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("exchanged", "Read R12 and R13 again under a lens, then ohms: 22.0 kΩ and 1.00 kΩ as traced, "),
        ("exchanged", "1.00 kΩ and 22.0 kΩ if the notes are exchanged."),
        ("misread", "Read R12 again under a lens, from both sides, then ohms: 1.00 MΩ as traced, 1.00 kΩ"),
        ("misread", "lift one leg"),
        ("misread in clear", "Read the sleeve of C1 again"),
        ("open", "Ohms across R3 || R4: 1.20 Ω as traced, 2.40 Ω if one is open."),
        ("open", "short the probes first"),
        ("a decade off", "LCR meter at the primary"),
        ("fitted", "Then ohms across R5: 2.20 Ω as traced, 1.10 Ω if it is fitted."),
        (
            "forgotten",
            "a further sense resistor beside R5, then ohms across R5: 2.20 Ω as traced, 1.10 Ω with",
        ),
    ],
)
def test_the_check_says_what_to_expect(case: str, words: str) -> None:
    assert words in check(first(case), found(case).board)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("exchanged", "a deliberately dim LED; a deliberate preload"),
        ("open", "a load that stopped early, or volts lost in a cable that nobody counted"),
        ("forgotten", "an ammeter that reads high"),
        ("misread", "a deliberately dim LED"),
    ],
)
def test_the_innocent_reading(case: str, words: str) -> None:
    assert words in innocent(first(case))


@pytest.mark.parametrize("case", CASES)
def test_every_explanation_has_an_innocent_reading_and_a_check(case: str) -> None:
    for finding in found(case).findings:
        for one in finding.explanations:
            assert innocent(one)
            assert check(one, found(case).board).endswith(".")
            assert headline(one, found(case).board).strip()


def test_other_readings_of_the_same_part() -> None:
    assert others(first("misread"), found("misread").board).split(", ")[0] == "103 (10.0 kΩ)"
    assert others(first("exchanged"), found("exchanged").board) == ""


def test_a_figure_beside_its_range() -> None:
    told = {old.row.figure: figure_told(old) for old, _ in first("exchanged").moved}
    assert told["indicator LED current"] == ("141 µA", "0.50 to 20 mA")
    # 0.005 % and 0.4 % of 5 W at 5 V
    assert told["bleeder current"] == ("5.00 mA", "0.050 to 4.0 mA")


def test_a_value_that_is_not_made_has_its_neighbour() -> None:
    made = look_for(demo("wall_charger", R12={"marking": "112"}))
    assert made.findings == ()
    odd = look_for(demo("wall_charger", R12={"marking": "142"})).figures["preferred number", ("R12",)]
    assert figure_told(odd) == ("1.40 kΩ", "1.50 kΩ is the nearest made")
