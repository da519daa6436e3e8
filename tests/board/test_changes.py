"""Changes to a board in memory: what moves, what stays, and what a new value takes over from the old."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import pytest
from worked import board, text

from flyback.board.changes import Exchange, SetState, SetWord, altered, set_value
from flyback.board.file import loads
from flyback.board.model import Board, Origin, Shape, State, Unknown, Value
from flyback.units import parse


def value_of(made: Board, name: str) -> Value:
    designator, _, key = name.partition(".")
    value = made.parts[designator].known(key)
    assert value is not None
    return value


def with_value(made: Board, name: str, written: str, dimension: str) -> Value:
    """What stands under a key once it is set."""
    designator, _, key = name.partition(".")
    change = set_value(made.parts[designator], key, parse(written, dimension=dimension))
    return value_of(altered(made, [change]), name)


# --- values -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("example", "name", "written", "dimension", "limits"),
    [
        # tolerance key of 1 %, and a tolerance written in the value
        ("wall_charger", "R3.resistance", "1R0", "resistance", (0.99, 1.0, 1.01)),
        ("wall_charger", "T1.primary_inductance", "2 mH", "inductance", (1.8e-3, 2e-3, 2.2e-3)),
        # 0.3..0.7 us is 0.5 us ± 40 %
        ("travel_cube", "Q1.storage_time", "1 us", "time", (0.6e-6, 1e-6, 1.4e-6)),
        # 0.52, 0.65, 0.68 V: -20 %, +4.6154 %; six digits are kept
        ("travel_cube", "Q2.base_emitter_voltage", "0.60 V", "voltage", (0.48, 0.60, 0.627692)),
        # a spread of its own is taken as it is
        ("wall_charger", "R3.resistance", "1R0 ± 5 %", "resistance", (0.95, 1.0, 1.05)),
        ("travel_cube", "Q1.storage_time", "0.9..1.0 us", "time", (0.9e-6, 0.95e-6, 1e-6)),
        # nothing to take over
        ("wall_charger", "U1.max_duty", "60 %", "ratio", (0.6, 0.6, 0.6)),
        ("hall_charger", "U1.delay", "100 ns", "time", (1e-7, 1e-7, 1e-7)),
        ("bedside_charger", "R7.resistance", "2R2", "resistance", (2.2, 2.2, 2.2)),
    ],
)
def test_the_spread_of_a_new_value(
    example: str, name: str, written: str, dimension: str, limits: tuple[float, float, float]
) -> None:
    value = with_value(board(example), name, written, dimension)
    assert (value.low, value.nominal, value.high) == pytest.approx(limits, rel=1e-9)


def test_a_spread_in_percent_of_a_percentage() -> None:
    made = board("wall_charger", ('max_duty = "70 %"', 'max_duty = "63..77 %"'))
    value = with_value(made, "U1.max_duty", "60 %", "ratio")
    assert (value.low, value.high) == pytest.approx((0.54, 0.66)), "± 10 % of 60 %"


def test_the_shape_goes_with_the_spread() -> None:
    cube = board("travel_cube")
    assert with_value(cube, "Q2.base_emitter_voltage", "0.6 V", "voltage").shape is Shape.TWO_PIECE
    assert with_value(cube, "R3.resistance", "5R1", "resistance").shape is Shape.RECTANGULAR
    assert with_value(cube, "C5.esr", "80 mohm", "resistance").shape is Shape.EXACT


def test_a_measured_spread_becomes_that_of_a_tolerance() -> None:
    value = 'value = "1.00 mH ±10 %", origin = '
    made = board("wall_charger", (f'{value}"datasheet"', f'{value}"measured"'))
    assert value_of(made, "T1.primary_inductance").shape is Shape.NORMAL
    assert with_value(made, "T1.primary_inductance", "2 mH", "inductance").shape is Shape.RECTANGULAR


def test_a_new_value_says_what_it_is_and_what_was_there() -> None:
    value = with_value(board("wall_charger"), "R3.resistance", "1R0", "resistance")
    assert (value.origin, value.note, value.text) == (Origin.WHAT_IF, "was 2R4 ± 1 %", "1R0 ± 1 %")
    unknown = board("wall_charger", ('leakage_inductance = "25 uH"', 'leakage_inductance = "unknown"'))
    assert with_value(unknown, "T1.leakage_inductance", "30 uH", "inductance").note == "was unknown"
    assert with_value(unknown, "T1.saturation_flux", "0.3 T", "flux density").note == ""


def test_another_component_has_no_marking_and_is_fitted() -> None:
    made = board("bedside_charger")
    one = parse("1R0", dimension="resistance")
    changes = [set_value(made.parts[name], "resistance", one) for name in ("R6", "R7")]
    after = altered(made, changes)
    assert (after.parts["R6"].marking, made.parts["R6"].marking) == ("", "2R2")
    assert after.parts["R7"].state is State.FITTED
    rating = altered(made, [set_value(made.parts["R7"], "power_rating", parse("1 W", dimension="power"))])
    assert rating.parts["R7"].state is State.NOT_FITTED, "a rating fits no part"


def test_the_board_given_stays_and_only_the_named_part_differs() -> None:
    made = board("wall_charger")
    before = dict(made.parts)
    after = altered(made, [SetState("R4", State.OPEN)])
    assert made.parts == before
    differing = [name for name in made.parts if made.parts[name] != after.parts[name]]
    assert differing == ["R4"]
    assert replace(after, parts=made.parts, path=made.path, digest=made.digest) == made
    assert (after.path, after.digest) == (None, ""), "no file says this"
    with pytest.raises(FrozenInstanceError):
        after.name = "x"  # type: ignore[misc]


def test_a_word() -> None:
    after = altered(board("wall_charger"), [SetWord("D5", "technology", "silicon")])
    assert after.parts["D5"].words == {"technology": "silicon"}
    assert value_of(after, "D5.current_rating").nominal == 5.0


# --- exchanges --------------------------------------------------------------------------------------


def test_an_exchange_moves_the_component_and_leaves_the_place() -> None:
    made = board("hall_charger", ('marking = "102"\n', 'marking = "102"\npower_rating = "0.5 W"\n'
                                  'origin = "datasheet"\nnote = "near the edge"\n'))  # fmt: skip
    after = altered(made, [Exchange("R12", "R13")])
    led, bleeder = after.parts["R12"], after.parts["R13"]
    assert (led.role, led.marking, led.note) == ("LED series resistor", "102", "")
    assert (bleeder.role, bleeder.marking, bleeder.note) == ("bleeder", "223", "near the edge")
    assert value_of(after, "R12.resistance").nominal == 1e3
    assert value_of(after, "R13.resistance").nominal == 22e3
    assert value_of(after, "R12.power_rating").nominal == 0.5
    assert bleeder.known("power_rating") is None
    assert value_of(after, "R12.resistance").origin is Origin.MARKED, "the same component as before"


def test_draws_belong_to_the_place() -> None:
    """Otherwise one cause would serve two values that have nothing to do with each other."""
    after = altered(board("hall_charger"), [Exchange("R12", "R13")])
    for name in ("R12.resistance", "R13.resistance"):
        assert (value_of(after, name).key, value_of(after, name).cause) == (name, name)


def test_exchanging_twice_changes_nothing() -> None:
    made = board("hall_charger")
    once = altered(made, [Exchange("R3", "R13")])
    assert once.parts != made.parts
    twice = altered(once, [Exchange("R13", "R3")])
    for name, part in made.parts.items():
        values = {key: replace(value, line=None) for key, value in part.values.items()}
        back = twice.parts[name]
        assert {key: replace(value, line=None) for key, value in back.values.items()} == values
        assert replace(back, values=part.values) == part


def test_an_empty_footprint_takes_the_part_of_the_other() -> None:
    after = altered(board("bedside_charger"), [Exchange("R6", "R7")])
    assert [part.designator for part in after.playing("sense resistor")] == ["R5", "R7"]
    assert value_of(after, "R7.resistance").nominal == 2.2
    assert after.parts["R6"].known("resistance") is None


def test_keys_the_other_role_lacks_go() -> None:
    after = altered(board("wall_charger"), [Exchange("C1", "C5")])
    assert value_of(after, "C1.capacitance").nominal == 680e-6
    assert value_of(after, "C1.ripple_rating").nominal == 3.5, "both roles have it"
    assert "esr" not in {**after.parts["C1"].values, **after.parts["C5"].values}


def test_an_unknown_value_moves_as_unknown() -> None:
    made = board("hall_charger", ('marking = "223"\ntolerance = "5 %"', 'resistance = "unknown"'))
    moved = altered(made, [Exchange("R12", "R13")]).parts["R13"].values["resistance"]
    assert isinstance(moved, Unknown)
    assert moved.key == "R13.resistance"


# --- reels ------------------------------------------------------------------------------------------


def reeled() -> Board:
    """The wall charger with both sense resistors and the LED's from one reel."""
    written = text("wall_charger").replace('"2R4"', '"102"')
    for name in ("R4", "R12"):
        written = written.replace(f"[parts.{name}]\n", f'[parts.{name}]\nsame_reel_as = "R3"\n')
    return loads(written)


def test_another_value_still_deviates_with_its_reel() -> None:
    made = reeled()
    change = set_value(made.parts["R4"], "resistance", parse("2k0", dimension="resistance"))
    assert value_of(altered(made, [change]), "R4.resistance").cause == "R3.resistance"


def test_the_reel_goes_with_the_component() -> None:
    after = altered(reeled(), [Exchange("R3", "R10")])
    reels = {name: part.same_reel_as for name, part in after.parts.items() if part.same_reel_as}
    assert reels == {"R4": "R10", "R12": "R10"}
    causes = {name: value_of(after, f"{name}.resistance").cause for name in ("R3", "R4", "R10", "R12")}
    first = "R10.resistance"
    assert causes == {"R3": "R3.resistance", "R4": first, "R10": first, "R12": first}


def test_exchange_within_a_reel_makes_no_circle() -> None:
    after = altered(reeled(), [Exchange("R3", "R4")])
    reels = {name: part.same_reel_as for name, part in after.parts.items() if part.same_reel_as}
    assert reels == {"R3": "R4", "R12": "R4"}
