"""The printed remedies: cautions first, each limit with its value, the sentence that ends it."""

from __future__ import annotations

import io
from functools import cache

import boards
import pytest
from rich.cells import cell_len
from worked import UNKNOWN_CORE
from worked import board as worked

from flyback.report.pieces import WIDTH, console
from flyback.report.remedies_text import show_remedies
from flyback.report.safety import CAUTIONS
from flyback.studies.remedies import TEACHING, Remedies, remedies
from flyback.verdict.check import check


@cache
def result(name: str, claim: str | None) -> Remedies:
    board = worked("wall_charger", UNKNOWN_CORE) if name == "unknown core" else worked(name)
    return remedies(check(board, samples=500, mains=90.0), claim=claim)


def printed(found: Remedies, width: int = WIDTH) -> str:
    out = console(width)
    out.file = io.StringIO()
    show_remedies(found, out)
    text = out.file.getvalue()
    assert isinstance(text, str)
    return text


def words(name: str, claim: str | None = None) -> str:
    return " ".join(printed(result(name, claim)).split())


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize(
    ("name", "claim"),
    [
        ("bedside_charger", None),
        ("travel_cube", None),
        ("hall_charger", "1.3 A"),
        ("strip_adapter", None),
        ("strip_adapter", "36 W"),
        ("wall_charger", "3 A"),
        ("unknown core", "2.5 A"),
    ],
)
def test_everything_fits_and_the_cautions_frame_it(name: str, claim: str | None, width: int) -> None:
    text = printed(result(name, claim), width)
    assert [line for line in text.splitlines() if cell_len(line) > width] == []
    assert not any(line != line.rstrip() for line in text.splitlines())
    plain = " ".join(text.split())
    assert plain.index("Caution ") < plain.index("as traced") < plain.index("Cautions")
    assert plain.count(TEACHING) == 1
    assert all(caution in plain for caution in CAUTIONS)
    assert "safe " not in plain.replace("safety", "")


def test_a_limit_its_value_and_the_ways_to_it() -> None:
    text = words("bedside_charger")
    assert "1 current limit, R5 || R6: 11.4 W at 90 V 50 Hz" in text
    assert "R5 || R6 = 1.10 Ω; it takes 0.4" in text
    assert "in its empty place, or R5 = R6 = " in text
    assert "(E24)" in text
    assert "2 bulk valley, C1: 19." in text
    assert "C1 = 18.0 µF; it takes 2" in text
    assert "C1 = 33 µF (E12)" in text
    assert "volume grows about with C x V: common practice, no source" in text


def test_what_is_enough_with_the_others_is_what_the_answer_names() -> None:
    text = words("bedside_charger")
    assert "with the other changes less is enough: R7 = 1.1 Ω in its empty place" in text
    assert "is very likely with R7 = 1.1 Ω in its empty place and C1 = 33 µF." in text
    assert "Changing resistors alone does not do it." in text


def test_resistors_alone_do_it() -> None:
    assert "Resistors alone do it." in words("bedside_charger", "14 W")


def test_the_command_that_shows_it_all_can_be_copied() -> None:
    lines = printed(result("bedside_charger", None)).splitlines()
    start = next(index for index, line in enumerate(lines) if line.startswith("See it all"))
    assert "flyback alter BOARD \\" in lines[start] or lines[start].endswith(".toml \\")
    assert lines[start + 1].strip() == "'R7.resistance=1.1 Ω ± 1 %' \\"


def test_what_the_board_cannot_be_made() -> None:
    text = words("travel_cube")
    assert "This board cannot be made a 1 A supply by changing resistors: it stays impossible." in text
    assert "No part that fits lifts the bulk valley (C1): 0.834 W at 90 V 50 Hz." in text
    assert "C1 = 2.20 µF; it would take 1" in text
    # what would come next
    assert "saturation * T1" in text


def test_the_core_that_remains_and_what_it_would_take() -> None:
    text = words("hall_charger", "1.3 A")
    assert "T1.core_area = 19.2 mm²; it would take 2" in text
    assert "This board cannot be made a 1.3 A supply by changing resistors: it stays " in text


def test_other_changes_are_not_called_resistors() -> None:
    inside = boards.board(R3=None, R4=None, U1={"limit_voltage": None, "limit_current": "0.5 A"})
    found = remedies(check(inside, samples=200), claim="3 A")
    text = " ".join(printed(found).split())
    assert "U1 senses the current inside" in text
    assert "U1.limit_current = 0.500 A; it would take " in text


def test_a_claim_that_is_met() -> None:
    text = words("strip_adapter")
    assert "24 W in total is very likely as the board is: nothing needs to change." in text
    assert "with all changes" not in text
    assert "See it all" not in text


def test_amps_are_told_in_amps_with_their_volts() -> None:
    text = words("wall_charger", "3 A")
    assert "what 3 A at 5 V would take" in text
    assert "2.50 A (2.0" in text
    assert "C5 rated for" in text
    assert "(rounded up; ratings follow no series)" in text


def test_what_cannot_be_told_says_what_it_needs() -> None:
    text = words("unknown core", "2.5 A")
    assert "cannot be told: needs T1.core_area." in text
    assert "As far as known, the changes above are enough." in text
    assert "saturation: needs T1.core_area" in text


def test_what_no_ladder_counts_is_said() -> None:
    assert "no limit counts: heat of case, transformer and switch" in words("strip_adapter")
