"""A claim is found however it is typed, as long as it can be only one."""

from __future__ import annotations

from functools import cache

import pytest
from worked import FOUR_PORTS, board

from flyback.errors import RequestError
from flyback.studies.asked_claim import asked_claim
from flyback.verdict.check import Check, check

TWO_VOLTAGES = (
    'output = [{ ports = 1, port = "C", voltage = "5 V", current = "2 A" }, '
    '{ ports = 1, port = "C", voltage = "9 V", current = "2 A" }]'
)


@cache
def checked(output: str = FOUR_PORTS) -> Check:
    return check(board("bedside_charger", (FOUR_PORTS, output)), samples=100, mains=230.0)


@pytest.mark.parametrize(
    ("text", "claim"),
    [
        ("24 W in total", "24 W in total"),
        ("24W", "24 W in total"),
        ("24.0 w", "24 W in total"),
        ("total", "24 W in total"),
        ("2A", "2 A from one port"),
        ("2 A  FROM ONE PORT", "2 A from one port"),
        ("one port", "2 A from one port"),
    ],
)
def test_a_part_of_the_words_will_do(text: str, claim: str) -> None:
    assert asked_claim(checked(), text).text == claim


def test_the_whole_words_come_before_a_part_of_them() -> None:
    """ "2 A at 5 V from C" and "2 A at 9 V from C" both begin with 2 A."""
    both = checked(TWO_VOLTAGES)
    assert asked_claim(both, "2 A at 9 V from C").text == "2 A at 9 V from C"
    assert asked_claim(both, "9 V").text == "2 A at 9 V from C"


@pytest.mark.parametrize(
    ("text", "output", "words"),
    [
        ("2A", TWO_VOLTAGES, 'may be any of several claims. Write one of "2 A at 5 V from C", "2 A at 9 V'),
        ("4 x 2A", FOUR_PORTS, "the label's own figures decide"),
        ("24 W in totla", FOUR_PORTS, 'Did you mean "24 W in total"?'),
        ("99 V", FOUR_PORTS, 'It has "24 W in total", "2 A from one port".'),
        ("4 W", FOUR_PORTS, "no claim of power"),
        ("", FOUR_PORTS, "no claim of power"),
        ("...", FOUR_PORTS, "no claim of power"),
    ],
)
def test_what_cannot_be_meant_is_refused(text: str, output: str, words: str) -> None:
    with pytest.raises(RequestError) as caught:
        asked_claim(checked(output), text)
    assert words in str(caught.value)
    assert caught.value.problems[0].field == "claim"
