"""Which components make a value: parallel and series by hand, places, tolerances, ratings, room."""

from __future__ import annotations

import boards
import pytest
from worked import board as worked

from flyback.board.changes import Change, SetValue, altered
from flyback.board.edit import read_changes
from flyback.board.model import Board, State
from flyback.studies.fitting import ROOM, Way, ways


def options(board: Board, field: str, wanted: float) -> tuple[Way, ...]:
    return ways(board, field, wanted, board)


def said(board: Board, field: str, wanted: float) -> list[str]:
    return [way.words for way in options(board, field, wanted)]


def limits(change: Change) -> tuple[str, str, float, float, float]:
    assert isinstance(change, SetValue)
    value = change.value
    return change.designator, change.key, value.low, value.nominal, value.high


def parallel(*values: float) -> float:
    return 1 / sum(1 / value for value in values)


# --- resistors ------------------------------------------------------------------------------------


def test_an_empty_footprint_comes_first_and_both_others_follow() -> None:
    """0.6 ohm from 2R2 || 2R2: beside them 1.32 ohm, both 1.2 ohm, beside one 0.825 ohm; E24 below."""
    bedside = worked("bedside_charger")
    found = options(bedside, "R_s", 0.6)
    assert [way.words for way in found] == [
        "R7 = 1.3 Ω in its empty place",
        "R5 = R6 = 1.2 Ω",
        "R5 = 0.82 Ω",
    ]
    totals = [parallel(2.2, 2.2, 1.3), parallel(1.2, 1.2), parallel(0.82, 2.2)]
    assert [way.total for way in found] == pytest.approx(totals)
    assert all(way.total <= 0.6 and way.series == "E24" for way in found)


def test_a_part_in_an_empty_place_is_like_its_neighbour() -> None:
    bedside = worked("bedside_charger")
    (place, *_) = options(bedside, "R_s", 0.6)
    fitted = altered(bedside, place.changes).parts["R7"]
    value = fitted.known("resistance")
    assert fitted.state is State.FITTED
    assert value is not None
    assert (value.low, value.high) == pytest.approx((1.3 * 0.99, 1.3 * 1.01))
    rating = fitted.known("power_rating")
    assert rating is not None
    assert rating.nominal == 0.5


def test_one_resistor_is_replaced() -> None:
    assert said(worked("hall_charger"), "R_s", 1.74) == ["R3 = 1.6 Ω"]


def test_one_of_two_is_no_way_where_the_other_alone_is_too_large() -> None:
    assert said(boards.board(), "R_s", 0.5) == ["R3 = R4 = 1 Ω", "R3 = 0.62 Ω"]
    assert said(boards.board(), "R_s", 0.5)[1:] == [f"R3 = {0.62} Ω"]
    assert parallel(0.62, 2.4) <= 0.5


def test_what_stood_there_before_it_failed_will_do() -> None:
    open_one = altered(worked("wall_charger"), read_changes(worked("wall_charger"), ["R4=open"]))
    (first, *_) = options(open_one, "R_s", 1.3)
    assert first.words == "R4 = 2.4 Ω for the one that is open"
    assert first.total == pytest.approx(1.2)


def test_of_a_chain_of_base_resistors_the_largest_is_replaced() -> None:
    chain = boards.board(
        "self-oscillating", R8={"role": "base resistor", "value": "22 ohm", "origin": "marked"}
    )
    assert said(chain, "R_b", 80.0) == ["R7 = 56 Ω"]
    assert said(chain, "R_b", 20.0) == []


# --- bulk -----------------------------------------------------------------------------------------


def test_bulk_capacitors_that_are_alike_stay_so() -> None:
    """2 x 10 uF to 26 uF: 15 uF each (E6)."""
    (way,) = options(worked("wall_charger"), "C_bulk", 26e-6)
    assert (way.words, way.series) == ("C1 = C2 = 15 µF", "E6")
    assert way.total == pytest.approx(30e-6)
    assert way.growth == pytest.approx(1.5)


def test_of_unequal_ones_the_largest_grows() -> None:
    uneven = boards.board(C2={"role": "bulk capacitor", "value": "4.7 uF", "origin": "marked"})
    assert said(uneven, "C_bulk", 35e-6) == ["C1 = 33 µF"]


def test_an_empty_place_for_a_bulk_capacitor() -> None:
    place = boards.board(C2={"role": "bulk capacitor", "state": "not fitted"})
    first, second = options(place, "C_bulk", 30e-6)
    assert first.words == "C2 = 10 µF in its empty place"
    assert second.words == "C1 = 33 µF"
    assert first.growth < 1


def test_what_has_no_room_is_followed_by_what_still_fits() -> None:
    too_large, fits = options(worked("travel_cube"), "C_bulk", 17e-6)
    assert (too_large.words, fits.words) == ("C1 = 22 µF", "C1 = 4.7 µF")
    assert too_large.growth == pytest.approx(10)
    assert fits.growth <= ROOM


def test_room_is_that_of_the_traced_board() -> None:
    traced = boards.board()
    grown = altered(traced, read_changes(traced, ["C1=47u"]))
    (way, _) = ways(grown, "C_bulk", 60e-6, traced)
    assert way.growth == pytest.approx(68 / 22)


# --- ratings --------------------------------------------------------------------------------------


def test_rectifiers_share() -> None:
    two = boards.board(
        D6={
            "role": "output rectifier",
            "technology": "schottky",
            "current_rating": "5 A",
            "origin": "datasheet",
        }
    )
    assert said(two, "I_rectifier", 12.0) == ["D5 rated for 6 A, D6 rated for 6 A"]


def test_capacitors_share_ripple_by_capacitance() -> None:
    """Of 4 A, 680 uF of 1000 uF take 2.72 A and 320 uF 1.28 A: only the first is above its rating."""
    two = boards.board(
        C6={
            "role": "output capacitor",
            "value": "320 uF",
            "origin": "marked",
            "ripple_rating": {"value": "2.5 A", "origin": "datasheet"},
        }
    )
    assert said(two, "ripple_rating", 4.0) == ["C5 rated for 2.8 A of ripple"]


def test_parallel_sense_resistors_share_by_conductance() -> None:
    """0.9 A through 2R4 || 2R4: each (0.45 A)² x 2.4 ohm = 0.486 W; rated for 0.5 W that is no change."""
    small = boards.board(R3={"power_rating": {"value": "0.25 W", "origin": "datasheet"}})
    assert said(small, "sense_rating", 0.9) == ["R3 rated for 0.49 W"]


@pytest.mark.parametrize(
    ("field", "wanted"),
    [("R_s", 0.8), ("C_bulk", 40e-6), ("I_rectifier", 7.0), ("ripple_rating", 8.0), ("sense_rating", 2.0)],
)
def test_every_change_can_be_written_and_read_back(field: str, wanted: float) -> None:
    """`flyback alter` is given the same texts."""
    board = worked("bedside_charger")
    for way in options(board, field, wanted):
        read = read_changes(board, [str(change) for change in way.changes])
        assert [limits(change) for change in read] == [limits(change) for change in way.changes]
