"""The table of customary ranges: sound rows, each with its source, and what lies outside of them."""

from __future__ import annotations

import inspect
import math
import re
from dataclasses import replace
from typing import Any

import pytest

from flyback.reference import rows
from flyback.reference.customary import Customary, customary
from flyback.studies import ordinary, part_figures
from flyback.units import DIMENSIONS

FIGURES = [row["figure"] for row in rows("customary")]

ROW = customary("divider current")


def faults(row: Customary) -> list[str]:
    """What is wrong with a row; empty for a sound one."""
    found = []
    if not 0 < row.low < row.high < math.inf:
        found.append("no range")
    if not 0 < row.edge <= row.rarer:
        found.append("the edge is no softer than what lies beyond")
    if not 0 < row.on_purpose <= 0.1:
        found.append("more than one board in ten lies outside: the range is too narrow")
    if not row.below.strip() or not row.above.strip():
        found.append("no innocent reading")
    if row.dimension not in DIMENSIONS:
        found.append("unknown dimension")
    return found


@pytest.mark.parametrize("figure", FIGURES)
def test_a_row_is_sound(figure: str) -> None:
    assert faults(customary(figure)) == []


@pytest.mark.parametrize(
    "change",
    [
        {"low": 1.0, "high": 1.0},
        {"edge": 2.0},
        {"on_purpose": 0.5},
        {"below": " "},
        {"dimension": "beauty"},
    ],
)
def test_an_unsound_row_is_found(change: dict[str, Any]) -> None:
    assert len(faults(replace(ROW, **change))) == 1


def test_no_figure_has_two_rows() -> None:
    assert len(set(FIGURES)) == len(FIGURES)


def test_every_row_is_used_and_every_figure_has_a_row() -> None:
    text = inspect.getsource(ordinary) + inspect.getsource(part_figures)
    used = set(re.findall(r'figure\(\s*"([^"]+)"', text))
    tables = (*part_figures._TOGETHER.values(), *part_figures._EACH.values())
    used |= {name if isinstance(name, str) else name[0] for name in tables}
    assert used == set(FIGURES)


@pytest.mark.parametrize(
    ("figure", "low", "high"),
    [
        # IEC 62368-1 clause 5.5.2.2: 2 s; table 4, ES1: 0.5 mA rms
        ("discharge time of the X capacitor", 0.01, 2.0),
        ("touch current of the Y capacitors", 8e-6, 0.5e-3),
        # 40 uA to 3 mA, 0.5 to 20 mA: common practice
        ("divider current", 40e-6, 3e-3),
        ("indicator LED current", 0.5e-3, 20e-3),
    ],
)
def test_ends_in_si_units(figure: str, low: float, high: float) -> None:
    row = customary(figure)
    assert (row.low, row.high) == pytest.approx((low, high), rel=1e-12)


# --- how odd --------------------------------------------------------------------------------------


PLAIN = replace(ROW, low=1.0, high=2.0, edge=math.e**0.1 - 1, rarer=math.e**0.5 - 1, on_purpose=0.01)
"""Ends soft by 0.1 and rarer by e every 0.5, both as logarithms."""


def test_inside_nothing_is_odd() -> None:
    assert [PLAIN.oddness(x) for x in (1.0, 1.4, 2.0)] == [0.0, 0.0, 0.0]
    assert PLAIN.beyond(1.4) == 0.0


def test_just_outside_it_falls_like_a_normal_tail() -> None:
    # one and two edges out: -ln(0.99 exp(-1/2) + 0.01 exp(-0.2)), -ln(0.99 exp(-2) + 0.01 exp(-0.4))
    for d in (1, 2):
        expected = -math.log(0.99 * math.exp(-(d**2) / 2) + 0.01 * math.exp(-0.2 * d))
        assert PLAIN.oddness(2 * math.exp(0.1 * d)) == pytest.approx(expected, rel=1e-9)
        assert PLAIN.oddness(math.exp(-0.1 * d)) == pytest.approx(expected, rel=1e-9)


def test_far_outside_only_those_on_purpose_are_left() -> None:
    # two steps of rarer out, the normal tail is gone: ln 100 + 2
    assert PLAIN.oddness(2 * math.e) == pytest.approx(math.log(100) + 2, abs=1e-6)


def test_nothing_at_all_is_very_odd_and_finite() -> None:
    assert 20 < PLAIN.oddness(0.0) < 100
    # ln 100 and no more than fifty
    assert PLAIN.oddness(1e300) == pytest.approx(math.log(100) + 50)


def test_it_never_falls_on_the_way_out() -> None:
    outwards = [PLAIN.oddness(2 * 1.05**k) for k in range(100)]
    assert outwards == sorted(outwards)


def test_the_innocent_reading_is_that_of_the_side() -> None:
    row = customary("indicator LED current")
    assert row.innocent(1e-4) == "a deliberately dim LED"
    assert "bright" in row.innocent(0.1)
