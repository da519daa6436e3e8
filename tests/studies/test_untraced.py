"""What was not traced."""

from __future__ import annotations

from boards import Changes, demo

from flyback.board.model import Board
from flyback.studies.slips import Grade
from flyback.studies.untraced import missing


def names(board: Board) -> dict[str, Grade]:
    return {one.name: one.grade for one in missing(board)}


FUSE: dict[str, Changes] = {"F1": {"role": "fuse"}}
BARE: dict[str, Changes] = {"R1": None, "R2": None}


def test_a_fuse_or_what_stands_in_for_it() -> None:
    assert names(demo("wall_charger")) == {"fuse": Grade.WORTH}
    assert names(demo("wall_charger", **FUSE)) == {}
    fusible = {"R1": {"role": "series resistor", "marking": "100"}}
    assert names(demo("wall_charger", **fusible)) == {}


def test_something_that_takes_a_current_from_the_rail() -> None:
    (name,) = (name for name in names(demo("bedside_charger")) if "bleeder" in name)
    assert names(demo("bedside_charger"))[name] is Grade.WORTH
    assert not any("bleeder" in name for name in names(demo("wall_charger")))


def test_regulated_from_the_primary_side_an_led_is_no_bleeder() -> None:
    assert "bleeder" in names(demo("hall_charger", R13=None))
    assert "bleeder" not in names(demo("hall_charger"))


def test_a_clamp() -> None:
    assert "clamp across the primary" in names(demo("wall_charger", D4=None))


def test_only_what_a_standard_asks_for_is_more_than_worth_a_look() -> None:
    """A large X capacitor without a discharge path; 100 nF may do without one by the older rule."""
    large = names(demo("strip_adapter", CX1={"value": "220 nF"}, **BARE))
    assert large["discharge path of CX1 (220 nF)"] is Grade.SUSPECT
    assert names(demo("strip_adapter", **BARE))["discharge path of CX1 (100 nF)"] is Grade.WORTH
    assert not any("discharge" in name for name in names(demo("strip_adapter")))


def test_an_x_capacitor_of_unknown_size_has_no_size() -> None:
    found = names(demo("strip_adapter", CX1={"value": None, "capacitance": "unknown"}, **BARE))
    assert found["discharge path of CX1"] is Grade.WORTH


def test_each_says_why_what_else_it_may_be_and_where_to_look() -> None:
    for one in missing(demo("bedside_charger")):
        assert all(text.strip() and not text.endswith(".") for text in (one.why, one.innocent, one.check))
