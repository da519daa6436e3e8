"""Rows of figures before and after: what counts as moved, and for the better or the worse."""

from __future__ import annotations

from math import inf

import pytest

from flyback.analysis.tolerance import Share
from flyback.studies.compared import Cell, ClaimAt, Modes, Reached, Row, Turn


def row(if_it_rises: Turn, *pairs: tuple[float | None, float | None]) -> Row:
    cells = tuple(Cell(f"{index} V", *pair) for index, pair in enumerate(pairs))
    return Row("figure", "power", if_it_rises, cells)


@pytest.mark.parametrize(
    ("before", "after", "moved", "change", "rise"),
    [
        (10.0, 10.0, False, 0.0, 0),
        (10.0, 10.04, False, 0.004, 0),
        (10.0, 10.06, True, 0.006, 1),
        (10.0, 8.0, True, -0.2, -1),
        (0.0, 1.0, True, None, 1),
        (0.0, 0.0, False, None, 0),
        (inf, inf, False, None, 0),
        (inf, 10.0, True, None, -1),
        (10.0, inf, True, None, 1),
        (None, 10.0, True, None, 0),
        (10.0, None, True, None, 0),
        (None, None, False, None, 0),
    ],
)
def test_a_cell(
    before: float | None, after: float | None, moved: bool, change: float | None, rise: int
) -> None:
    cell = Cell("90 V", before, after)
    assert (cell.moved, cell.rise) == (moved, rise)
    assert cell.change == (None if change is None else pytest.approx(change))


@pytest.mark.parametrize(
    ("if_it_rises", "pairs", "turn"),
    [
        (Turn.BETTER, [(1.0, 2.0), (1.0, 1.0)], Turn.BETTER),
        (Turn.BETTER, [(2.0, 1.0), (1.0, 1.0)], Turn.WORSE),
        (Turn.BETTER, [(2.0, 1.0), (1.0, 2.0)], Turn.MIXED),
        (Turn.BETTER, [(inf, 1.0)], Turn.WORSE),
        (Turn.WORSE, [(1.0, 2.0)], Turn.WORSE),
        (Turn.WORSE, [(2.0, 1.0)], Turn.BETTER),
        (Turn.NEITHER, [(2.0, 1.0)], Turn.NEITHER),
        (Turn.WORSE, [(1.0, 1.0)], Turn.NEITHER),
        (Turn.WORSE, [(1.0, None)], Turn.NEITHER),
    ],
)
def test_the_turn_of_a_row(
    if_it_rises: Turn, pairs: list[tuple[float | None, float | None]], turn: Turn
) -> None:
    assert row(if_it_rises, *pairs).turn is turn


def test_the_worst_cell_is_the_one_that_moved_furthest() -> None:
    found = row(Turn.WORSE, (1.0, 1.1), (1.0, 1.5), (2.0, 1.0))
    assert [cell.line for cell in found.worsened] == ["0 V", "1 V"]
    assert found.worst is not None
    assert found.worst.line == "1 V"
    limited = row(Turn.BETTER, (10.0, 1.0), (inf, 9.0)).worst
    assert limited is not None
    assert limited.line == "1 V", "a limit that was not there before comes first"
    assert row(Turn.WORSE, (2.0, 1.0)).worst is None


def test_modes() -> None:
    still = ("90 V", "continuous", "continuous")
    assert not Modes("load", (still,)).moved
    assert Modes("load", (still, ("230 V", "none", "discontinuous"))).moved


@pytest.mark.parametrize(
    ("before", "after", "chance"), [(500, 500, 0), (500, 505, 0), (500, 700, 1), (700, 500, -1)]
)
def test_a_chance_moves_when_its_intervals_part(before: int, after: int, chance: int) -> None:
    """Wilson at 95 % for 500 of 1000 is 0.469 to 0.531, for 505 it is 0.474 to 0.536."""
    got = [Reached(1.0, 0.9, 1.1, Share(count, 1000)) for count in (before, after)]
    at = ClaimAt("90 V", *got)
    assert at.chance == chance
    assert at.moved == (chance != 0)
    assert ClaimAt("90 V", got[0], None).moved


def test_a_band_moves_too() -> None:
    met = Share(1000, 1000)
    assert ClaimAt("90 V", Reached(1.0, 0.9, 1.1, met), Reached(1.0, 0.8, 1.1, met)).moved
