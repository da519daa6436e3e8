"""A load as it is written on the command line."""

from __future__ import annotations

import pytest

from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.load_text import load_words, read_load
from flyback.errors import RequestError


@pytest.mark.parametrize(
    ("text", "load", "words"),
    [
        ("2A", Load.constant("current", 2.0), "load 2.00 A"),
        ("500 mA", Load.constant("current", 0.5), "load 0.500 A"),
        ("10W", Load.constant("power", 10.0), "load 10.0 W"),
        ("2.5ohm", Load.constant("resistance", 2.5), "load 2.50 Ω"),
        ("2R5", Load.constant("resistance", 2.5), "load 2.50 Ω"),
        ("0A", Load.constant("current", 0.0), "load 0 A"),
        ("1A..2A", Load.ramp("current", 1.0, 2.0, start=3.0, end=7.0), "load 1.00 A to 2.00 A"),
        ("1..2 A", Load.ramp("current", 1.0, 2.0, start=3.0, end=7.0), "load 1.00 A to 2.00 A"),
        ("2A .. 500mA", Load.ramp("current", 2.0, 0.5, start=3.0, end=7.0), "load 2.00 A to 0.500 A"),
        ("1A,2A", Load.step("current", 1.0, 2.0, at=5.0), "load 1.00 A, then 2.00 A"),
        ("12 W, 3 W", Load.step("power", 12.0, 3.0, at=5.0), "load 12.0 W, then 3.00 W"),
        ("2A,2A", Load.constant("current", 2.0), "load 2.00 A"),
    ],
)
def test_a_load_over_a_span(text: str, load: Load, words: str) -> None:
    found = read_load(text).over(3.0, 7.0)
    assert found == load
    assert load_words(found) == words


def test_a_held_output_is_no_load() -> None:
    assert load_words(Load.constant("voltage", 3.0)) == "output held at 3.00 V"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2V", '"2V" is a voltage. A load is a current, a power or a resistance: 2A, 10W or 2.5ohm.'),
        ("2", '"2" has no unit. A load is a current'),
        ("", "lacks a value"),
        ("plenty", "does not start with a number"),
        ("-1A", "is negative"),
        ("0ohm", "is a short"),
        ("2A ± 10 %", "has a tolerance"),
        ("1A..2W", "from a current to a power"),
        ("1A,2ohm", "from a current to a resistance"),
        ("1A..2A..3A", "more than two values"),
        ("1A,2A,3A", "more than two values"),
        ("1A..", "lacks a value"),
        # 1.5 A with a decimal comma is no step from 1 A to 5 A
        ("1,5A", r"has a value without a unit\. Write a decimal with a point"),
        ("1,000A", "has a value without a unit"),
        ("1A,2", "has a value without a unit"),
    ],
)
def test_what_is_no_load(text: str, words: str) -> None:
    with pytest.raises(RequestError, match=words):
        read_load(text)
