"""Boards one slip away: which there are, what they change and how often they happen."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from boards import board, demo

from flyback.board.model import Board
from flyback.studies import slips
from flyback.studies.part_figures import value_of
from flyback.studies.slips import Kind, OneSlip, one_slip_away

WALL, HALL, STRIP = (demo(name) for name in ("wall_charger", "hall_charger", "strip_adapter"))


def of(made: Board, kind: Kind, *parts: str) -> list[OneSlip]:
    found = [one for one in one_slip_away(made) if one.kind is kind]
    return [one for one in found if set(parts) <= set(one.parts)]


def changed(made: Board, one: OneSlip) -> dict[str, float | None]:
    """Parts whose value is another, with it."""
    return {
        name: value_of(part)
        for name, part in one.board.parts.items()
        if value_of(part) != value_of(made.parts[name])
    }


# --- exchanged ------------------------------------------------------------------------------------


def test_two_resistors_change_places() -> None:
    (one,) = of(HALL, Kind.EXCHANGED, "R12", "R13")
    assert changed(HALL, one) == {"R12": 1e3, "R13": 22e3}


def test_equal_parts_and_unlike_ones_are_not_exchanged() -> None:
    assert of(WALL, Kind.EXCHANGED, "R3", "R4") == []
    assert of(WALL, Kind.EXCHANGED, "C1", "C5") == []
    # film and ceramic ones are like each other, cans with microfarads in clear are not like them
    made = board(
        CX1={"role": "X capacitor", "marking": "104"}, CY1={"role": "Y capacitor", "marking": "222"}
    )
    assert len(of(made, Kind.EXCHANGED, "CX1", "CY1")) == 1
    assert of(made, Kind.EXCHANGED, "CX1", "C1") == []


def test_neighbours_are_likelier_exchanged_than_parts_across_the_insulation() -> None:
    near, across = (of(HALL, Kind.EXCHANGED, name, "R13")[0].prior for name in ("R12", "R3"))
    assert near == pytest.approx(across * slips.NEAR / slips.ACROSS)


# --- misread --------------------------------------------------------------------------------------


def test_a_misread_code_is_another_value_with_the_same_tolerance() -> None:
    found = {one.reading: one for one in of(HALL, Kind.MISREAD, "R12")}
    assert changed(HALL, found["222"]) == {"R12": 2.2e3}
    value = found["222"].board.parts["R12"].known("resistance")
    assert value is not None
    assert (value.low, value.high) == pytest.approx((0.95 * 2.2e3, 1.05 * 2.2e3))


def test_twins_are_misread_all_or_one() -> None:
    alike, one = (
        next(x for x in of(WALL, Kind.MISREAD, "R3") if x.reading == "24R" and x.alike is alike)
        for alike in (True, False)
    )
    assert alike.parts == one.parts == ("R3", "R4")
    assert changed(WALL, alike) == {"R3": 24.0, "R4": 24.0}
    assert changed(WALL, one) == {"R3": 24.0}
    assert alike.prior / one.prior == pytest.approx(slips.ALL_ALIKE / (1 - slips.ALL_ALIKE))


def test_a_value_in_clear_is_misread_as_the_code_it_carries() -> None:
    """10k is printed 103: 1 kohm is 102."""
    found = {one.reading: one for one in of(WALL, Kind.MISREAD, "R10")}
    assert changed(WALL, found["102"]) == {"R10": 1e3}


def test_microfarads_in_clear_are_misread_by_their_digits() -> None:
    found = {one.reading: one for one in of(STRIP, Kind.MISREAD, "C1")}
    assert changed(STRIP, found["4.7 µF"])["C1"] == pytest.approx(4.7e-6)
    assert changed(STRIP, found["41 µF"])["C1"] == pytest.approx(41e-6)


def test_what_was_measured_is_not_misread() -> None:
    made = demo("wall_charger", R12={"marking": None, "value": "1 kohm", "origin": "measured"})
    assert of(made, Kind.MISREAD, "R12") == []


def test_misreadings_of_a_part_are_as_frequent_as_said() -> None:
    """Kinds of slip that a code does not allow are left out: 223 has no R, no 0, and is no code turned."""
    shares = sum(one.prior for one in of(HALL, Kind.MISREAD, "R12")) / slips.MISREAD
    left = {slips.Slip.POINT, slips.Slip.R_AND_ZERO, slips.Slip.LETTER, slips.Slip.TURNED}
    assert shares == pytest.approx(sum(x for slip, x in slips.SHARES.items() if slip not in left))
    assert sum(slips.SHARES.values()) == pytest.approx(1)


# --- open, forgotten, fitted, a decade off ----------------------------------------------------------


def fitted(made: Board, role: str) -> int:
    return len(made.playing(role))


def test_one_of_a_parallel_pair_is_open() -> None:
    (one,) = of(WALL, Kind.OPEN, "R3")
    assert one.parts == ("R3", "R4")
    assert fitted(one.board, "sense resistor") == 1
    assert of(STRIP, Kind.OPEN, "R5") == []


def test_one_like_the_others_was_not_written_down() -> None:
    (one,) = of(STRIP, Kind.FORGOTTEN, "R5")
    assert fitted(one.board, "sense resistor") == 2
    assert {value_of(part) for part in one.board.playing("sense resistor")} == {0.62}


def test_a_place_noted_as_empty_is_fitted() -> None:
    made = demo("wall_charger", R4={"state": "not fitted"})
    (one,) = of(made, Kind.FITTED)
    assert one.parts == ("R4",)
    assert fitted(one.board, "sense resistor") == 2
    # the empty place of the bedside charger has no value
    assert of(demo("bedside_charger"), Kind.FITTED) == []


def test_values_of_the_transformer_are_a_decade_off() -> None:
    found = {(one.key, one.reading) for one in of(WALL, Kind.POINT_OFF)}
    assert ("primary_inductance", "10 mH") in found
    assert ("primary_turns", "12 turns") in found
    # 8 turns have no tenth
    assert {reading for key, reading in found if key == "secondary_turns"} == {"80 turns"}


def priors(made: Board) -> Iterator[float]:
    return (one.prior for one in one_slip_away(made))


@pytest.mark.parametrize("made", [WALL, HALL, STRIP], ids=["wall", "hall", "strip"])
def test_most_boards_have_no_slip(made: Board) -> None:
    assert all(0 < prior < 0.02 for prior in priors(made))
    assert sum(priors(made)) < 0.5
