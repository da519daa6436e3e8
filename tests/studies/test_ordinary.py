"""A board's figures at work, and how it is used."""

from __future__ import annotations

from dataclasses import replace

import pytest
from boards import FAMILIES, board, demo

from flyback.analysis.ceilings import ladder
from flyback.analysis.trace import trace
from flyback.board.model import Board
from flyback.errors import BoardFileError
from flyback.studies.figure import Figures
from flyback.studies.ordinary import Looked, Use


def looked(made: Board) -> Looked:
    return Looked.at(made, Use.of(made))


def at_work(made: Board) -> Figures:
    return looked(made).at_work()


WALL = demo("wall_charger")


def test_the_limit_of_the_wall_charger() -> None:
    """About 14.8 W at 230 V (a plan figure); 1 mH x 0.73 A / (120 x 20.1 mm²) is 0.30 T."""
    found = at_work(WALL)
    assert found["power at the current limit", ()].told == pytest.approx(14.8, rel=0.05)
    assert found["flux density at the current limit", ()].told == pytest.approx(0.30, abs=0.01)
    assert found["clamp voltage", ()].told == 150
    assert found["clamp over reflected voltage", ()].value == pytest.approx(150 / 82.5, rel=1e-3)


@pytest.mark.parametrize("control", FAMILIES)
def test_every_family_has_its_figures(control: str) -> None:
    found = {name for name, _ in at_work(board(control))}
    assert found == {
        "power at the current limit",
        "flux density at the current limit",
        "clamp voltage",
        "clamp over reflected voltage",
        "pulse rate at the claimed load",
        "output ripple",
        "sense resistor power",
    }


def test_the_power_is_that_of_the_ladder() -> None:
    made = looked(WALL)
    rows = ladder(made.circuit, made.supply, made.use.line, V_o=made.V_o)
    assert made.at_work()["power at the current limit", ()].told == pytest.approx(
        float(rows["current limit"].power), rel=1e-9
    )


def test_the_usual_mains() -> None:
    assert Use.of(WALL).line.V_ac == 230
    label = WALL.label
    elsewhere = replace(WALL, tried_on=None)
    assert Use.of(elsewhere).line.V_ac == 230
    assert Use.of(replace(elsewhere, label=replace(label, mains=(100.0, 120.0)))).line.V_ac == 120
    assert Use.of(replace(elsewhere, label=replace(label, mains=None))).line is None


def test_the_largest_claim_counts() -> None:
    assert Use.of(demo("bedside_charger")).demand.name == "24 W in total"


def test_a_measured_rail_goes_before_what_was_read() -> None:
    assert Use.of(WALL, (5.03, 5.06)).measured == 5.06
    assert Use.of(demo("hall_charger"), (5.2,)).measured == 5.0


def test_without_a_label_there_are_only_figures_at_rest() -> None:
    bare = replace(WALL, label=replace(WALL.label, outputs=(), power=None))
    assert looked(bare).at_work() == {}
    assert ("divider current", ()) in looked(bare).at_rest()


def test_an_unknown_limit_leaves_the_load() -> None:
    found = at_work(demo("wall_charger", U1={"limit_voltage": None}))
    assert ("power at the current limit", ()) not in found
    assert ("output ripple", ()) in found


def test_an_absurd_sense_resistor_leaves_the_limit_alone() -> None:
    """A megohm in the path: no cycle carries the load, and none is searched for."""
    found = at_work(demo("wall_charger", R3={"marking": "105"}, R4={"marking": "105"}))
    assert found["power at the current limit", ()].outside
    assert ("output ripple", ()) not in found


def test_which_changes_matter_to_a_cycle_or_a_current() -> None:
    led = looked(demo("wall_charger", R12={"marking": "103"}))
    ripple = looked(demo("wall_charger", C5={"value": "470 uF"}))
    sense = looked(demo("wall_charger", R3={"marking": "2R2"}))
    plain = looked(WALL)
    assert [one.works_like(plain) for one in (led, ripple, sense)] == [True, False, False]
    assert [one.gives_like(plain) for one in (led, ripple, sense)] == [True, True, False]


def test_what_is_no_circuit_is_refused() -> None:
    bare = replace(WALL, parts={name: part for name, part in WALL.parts.items() if name != "T1"})
    with pytest.raises(BoardFileError):
        trace(bare)
    with pytest.raises(BoardFileError):
        looked(bare)
