"""What is printed of the next measurement: it fits, says things once, and warns."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache

import pytest
from paper import cautioned, flat, misfits, printed
from worked import NAMES, UNKNOWN_CORE, Change, board

from flyback.report import pieces
from flyback.report.next_text import EXPLAINED, HEADING, MOST, NARROWING, show_next
from flyback.report.text import show
from flyback.studies.hints import hints
from flyback.studies.settle import Next, settle
from flyback.verdict.check import check


@cache
def found(name: str, *changes: Change, tested: bool = False, dc: float | None = None) -> Next:
    made = board(name, *changes)
    return settle(check(made if tested else replace(made, load_tests=()), samples=4096, dc=dc), points=64)


def text(name: str, *changes: Change, tested: bool = False) -> str:
    return printed(show_next, found(name, *changes, tested=tested))


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize("tested", [True, False])
@pytest.mark.parametrize("name", NAMES)
def test_everything_fits_and_warns(name: str, tested: bool, width: int) -> None:
    shown = printed(show_next, found(name, tested=tested), width=width)
    assert misfits(shown, width) == []
    assert cautioned(shown)
    assert shown.startswith(HEADING)
    assert not re.search(r"\b(nan|inf|None)\b", shown)


def test_the_answer_stands_above_the_ranking() -> None:
    shown = text("bedside_charger")
    assert shown.index("What settles it") < shown.index("Reading") < shown.index("How")
    assert "To say that it holds is wrong with a chance of" in flat(shown)


def test_a_row_says_what_to_expect_how_fine_and_what_is_left() -> None:
    """The figures of the study: 2.26 A nominal, half kept at some 6 %, a few percent left."""
    shown = text("bedside_charger")
    first = next(line for line in shown.splitlines() if line.startswith("1  output current"))
    row, now = found("bedside_charger").rows[0], found("bedside_charger").chance
    assert row.accuracy_needed is not None
    assert now is not None
    left = f"{100 * (now - row.saves):.1f} %"
    fine = f"{100 * row.accuracy_needed:.2g} %"
    assert re.search(rf"2\.26 A +{fine} +{left} +\d\d % +100 % +-$", first)


def test_every_column_is_explained() -> None:
    shown = text("hall_charger")
    for head in ("expected", "read to", "then wrong", "band less", "own share", "full share", "knee"):
        assert re.search(rf"^    {head} +\w", shown, re.MULTILINE), head


def test_the_ranking_is_short_and_says_how_many_are_left_out() -> None:
    study, shown = found("hall_charger"), text("hall_charger")
    rows = re.findall(r"^(\d)  \S.* %", shown[: shown.index("How")], re.MULTILINE)
    assert rows == [str(k + 1) for k in range(len(rows))]
    assert 1 < len(rows) <= MOST
    left = len(study.rows) - len(rows)
    assert f"{left} other readings save little or nothing, or are parts of these." in flat(shown)


def test_the_first_three_are_described_once_each() -> None:
    shown = text("bedside_charger")
    how = shown[shown.index("How") : shown.index("Noticed")]
    assert re.findall(r"^(\d)  ", how, re.MULTILINE) == ["1", "2", "3"][:EXPLAINED]
    assert flat(how).count("load test up to where the voltage begins to sag") == 1
    assert "as 1, without a variable transformer." in flat(how)
    assert "isolation transformer" in flat(how)


def test_nothing_left_is_said_and_what_would_narrow_the_band() -> None:
    shown = text("travel_cube")
    assert "Nothing: all samples agree on this claim." in flat(shown)
    assert "then" not in shown.split("Noticed")[0].split("What would narrow the band")[1]
    assert re.search(r"C1 capacitance, unplugged +2\.20 µF +\d+ % +\d+ % +\d+ %", shown)
    assert sum(f" {access}" in shown for access in ("unplugged", "from outside")) <= NARROWING
    assert "\nHow" not in shown


def test_an_unknown_value_takes_the_place_of_a_ranking() -> None:
    shown = flat(text("wall_charger", UNKNOWN_CORE))
    assert "T1.core_area must be found first" in shown
    assert "calliper at the centre leg" in shown
    assert "Reading" not in shown


def test_a_contradiction_names_the_readings_that_would_explain_it() -> None:
    shown = flat(text("cracked_charger", tested=True))
    assert "contradicts the parts as traced" in shown
    assert "R3 || R4 resistance (1.19 to 1.21 Ω as traced): four-wire ohmmeter" in shown
    assert "chance" not in shown


def test_after_a_load_test_that_is_what_to_expect() -> None:
    shown = flat(text("hall_charger", tested=True))
    assert "expected what the load test leaves open" in shown
    assert "The load test in the file is counted in" in shown


def test_a_share_is_no_more_than_all_of_it() -> None:
    """Indices from few points may come out a little beyond their bounds."""
    study = found("bedside_charger")
    noisy = replace(study.rows[0], first=-0.004, total=1.04)
    shown = printed(show_next, replace(study, rows=(noisy, *study.rows[1:])))
    assert re.search(r"^1 .* 0 % +100 %$", shown, re.MULTILINE)


# --- what a check says of it ----------------------------------------------------------------------


def test_a_check_names_the_measurements_below_the_reason() -> None:
    result = check(replace(board("hall_charger"), load_tests=()), samples=4096)
    out = pieces.console()
    out.file = io.StringIO()
    show(result, out, hints(result))
    shown = out.file.getvalue()
    assert misfits(shown) == []
    assert shown.index("Why") < shown.index(HEADING) < shown.index("What stops it")
    part = shown[shown.index(HEADING) : shown.index("What stops it")]
    assert re.search(r'^  now, for "1 A" +19\.\d %$', part, re.MULTILINE)
    assert re.search(r"^  C1 \|\| C2 capacitance +unplugged +1\d\.\d %$", part, re.MULTILINE)


# --- corner cases ---------------------------------------------------------------------------------


def test_a_limit_that_is_not_everywhere_has_no_upper_end() -> None:
    study = found("travel_cube")
    endless = replace(study.rows[0], high=float("inf"))
    shown = printed(show_next, replace(study, rows=(endless, *study.rows[1:]), band=(0.7, float("inf"))))
    assert "or more" in shown
    assert "It needs" not in shown


def test_a_coarse_reading_will_do_with_any_meter() -> None:
    study = found("bedside_charger")
    coarse = replace(study.rows[0], accuracy_needed=0.9)
    shown = printed(show_next, replace(study, rows=(coarse, *study.rows[1:])))
    assert re.search(r"^1 .* any ", shown, re.MULTILINE)
