"""What is shown of a board: where it begins, what it is loaded with, and what a reader is told."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import DEMOS, EXAMPLES, board, demo

from flyback.analysis.bulk import Line
from flyback.analysis.load_point import load_point
from flyback.analysis.trace import trace
from flyback.analysis.waveforms.load_text import read_load
from flyback.analysis.waveforms.scene import LONGEST, Scene, scene, uneven
from flyback.board.file import load as load_board
from flyback.errors import NotAFlybackError, RequestError

LOADS = {
    "wall_charger": "2A",
    "bedside_charger": "2A",
    "travel_cube": "0.5A",
    "strip_adapter": "2A",
    "hall_charger": "1A",
}
"""A load that each demo board can carry at 230 V."""


def shown(name: str, **asked: object) -> Scene:
    return scene(load_board(EXAMPLES / f"{name}.toml"), **asked)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("span", [None, 20e-3])
def test_a_demo_board_in_its_steady_state(name: str, span: float | None) -> None:
    """Regulated, within what the load asks, and all energy found again; no notice where all is well."""
    found = shown(name, load=read_load(LOADS[name]), span=span)
    f = found.run.figures
    assert found.fidelity == ("full" if span is None else "cycle")
    assert f.V_o == pytest.approx(found.V_o, rel=2e-3)
    # on top of the load, the board's own LED and bleeder
    assert f.I_o == pytest.approx(found.load.values[0] + found.load.own * found.V_o, rel=2e-3)
    assert abs(found.run.energy.residual) < 1e-9
    assert (found.settled, found.run.finished, found.notices) == (True, True, ())


@pytest.mark.parametrize("name", ["wall_charger", "strip_adapter"])
def test_the_closed_form_says_the_same_of_the_valley(name: str) -> None:
    """Bulk valley, peak current and input power at 90 V against the load point of the closed forms."""
    found = shown(name, load=read_load(LOADS[name]), mains=90.0)
    circuit = trace(demo(name))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    closed = load_point(circuit, supply, Line(90.0, 50.0), V_o=found.V_o, I_o=found.load.values[0])
    assert closed is not None
    f = found.run.figures
    # the window follows the lowest pulse's beginning, and the closed form has no wiring resistance
    assert f.V_valley == pytest.approx(float(closed.V_valley), rel=0.015)
    assert f.I_pk == pytest.approx(float(closed.pulse.I_pk), rel=0.02)
    assert f.P_in == pytest.approx(float(closed.pulse.P_in), rel=0.02)


def test_the_board_s_own_draw_is_that_of_its_led_and_bleeder() -> None:
    """Hall charger: (5 - 1.9) V in 22 kohm and 5 V in 1 kohm, 5.14 mA in all."""
    found = shown("hall_charger", load=read_load("0A"), span=20e-3)
    assert found.load.own * found.V_o == pytest.approx(3.1 / 22e3 + 5.0 / 1e3, rel=1e-9)
    assert found.run.figures.V_o == pytest.approx(found.V_o, rel=0.02)


def test_a_start_begins_with_nothing_and_arrives() -> None:
    found = shown("hall_charger", load=read_load("0.5A"), start=True)
    traces = found.run.traces
    assert traces is not None
    assert traces.t[0] == 0.0
    assert traces.v_out[0] == 0.0
    assert traces.v_out[-1] == pytest.approx(found.V_o, rel=0.05)
    assert not found.settled
    assert found.notices == ()


def test_a_board_that_cannot_start_is_told() -> None:
    found = shown("bedside_charger", start=True)
    assert any("does not start" in notice for notice in found.notices)


def test_a_load_beyond_the_ceiling_is_told() -> None:
    found = shown("bedside_charger", load=read_load("4A"), mains=90.0)
    assert found.run.figures.V_o < 0.9 * found.V_o
    assert any("beyond what the board gives" in notice for notice in found.notices)


STOP, TIME = {"supply_stop": "8 V"}, {"overload_time": "60 ms"}
INTEGRATED: dict[str, Any] = {"limit_voltage": None, "limit_current": "0.7 A"}


@pytest.mark.parametrize(
    ("changes", "needs"),
    [
        ({"U1": STOP}, {"T1.auxiliary_turns"}),
        ({"U1": STOP, "T1": {"auxiliary_turns": 14}}, set()),
        ({"T1": {"auxiliary_turns": 14}}, set()),
        ({"U1": TIME}, {"U1.overload_voltage"}),
        ({"U1": {**TIME, "overload_voltage": "0.7 V"}}, set()),
        (
            {"U1": {**STOP, **INTEGRATED, "overload_voltage": "0.7 V"}, "R3": None, "R4": None},
            {"T1.auxiliary_turns", "a part with role sense resistor"},
        ),
    ],
)
def test_protection_that_cannot_be_followed_is_told(changes: dict[str, Any], needs: set[str]) -> None:
    found = scene(board(**changes), load=read_load("1A"), dc=320.0)
    told = [words for words in found.notices if words.startswith("Not counted")]
    assert {words.rpartition("needs ")[2].rstrip(".") for words in told} == needs


@pytest.mark.parametrize(
    ("name", "load", "fidelity", "told"),
    [
        ("travel_cube", "10mohm", "cycle", True),
        ("travel_cube", "10mohm", "full", False),
        ("travel_cube", "10ohm", "cycle", False),
        ("wall_charger", "10mohm", "cycle", False),
    ],
)
def test_a_short_that_cycle_follows_badly_is_told(name: str, load: str, fidelity: str, told: bool) -> None:
    """A clock paces the pulses whatever the output does."""
    found = shown(name, load=read_load(load), span=2e-3, fidelity=fidelity, dc=320.0)
    assert any("--fidelity full" in words for words in found.notices) == told


def test_cycle_is_off_into_a_short_where_it_says_so() -> None:
    """Without a clock only; with one it holds its bound of the power from the bulk, 1.5 %."""

    def P_in(name: str, fidelity: str) -> float:
        found = shown(name, load=read_load("50mohm"), span=10e-3, fidelity=fidelity, dc=320.0)
        return found.run.figures.P_in

    assert P_in("hall_charger", "cycle") > 1.1 * P_in("hall_charger", "full")
    assert P_in("wall_charger", "cycle") == pytest.approx(P_in("wall_charger", "full"), rel=0.015)


@pytest.mark.parametrize("load", ["10mohm", "100mohm", "1ohm"])
def test_a_short_on_mains_is_followed_over_a_mains_period(load: str) -> None:
    """The first pulse after a wait finds an output that rounding may have left below zero."""
    found = shown("travel_cube", load=read_load(load), span=20e-3)
    assert found.run.figures.V_o < 1.0
    assert abs(found.run.energy.residual) < 1e-9


def test_the_label_s_whole_claim_is_the_usual_load() -> None:
    """24 W printed against 40 W summed from the ports: the smaller, at a rail of 5.05 V."""
    assert shown("bedside_charger").load.values == (pytest.approx(24 / 5.05),)


def test_a_step_falls_in_the_middle_and_dips_the_output() -> None:
    found = shown("wall_charger", load=read_load("0.2A,1.8A"), span=10e-3)
    traces = found.run.traces
    assert traces is not None
    middle = traces.t[0] + 5e-3
    assert found.load.times == pytest.approx((middle, middle), abs=1e-9)
    before = traces.v_out[traces.t < middle].mean()
    after = traces.v_out[(traces.t > middle) & (traces.t < middle + 0.5e-3)].mean()
    assert after < before - 0.01


def test_a_slow_rise_ends_where_the_current_limit_stands() -> None:
    """Constant power beyond the knee: the output sags although the load goes on asking."""
    found = shown("bedside_charger", load=read_load("2A..4A"), span=0.2)
    pulses = found.run.pulses
    begun, ended = pulses.v_out[: len(pulses.t) // 20].mean(), pulses.v_out[-20:].mean()
    assert begun == pytest.approx(found.V_o, rel=0.02)
    assert ended < 0.85 * found.V_o


def test_a_bench_supply_needs_no_bulk() -> None:
    found = shown("strip_adapter", load=read_load("2A"), dc=120.0)
    assert found.line.full_name == "120 V dc"
    assert found.run.figures.V_valley == pytest.approx(120.0, rel=1e-12)
    assert found.run.figures.P_line == pytest.approx(found.run.figures.P_in, rel=1e-9)
    assert found.settled


def test_subharmonic_pulses_are_told() -> None:
    """12 V continuous at 60 V: a duty cycle beyond one half without slope compensation."""
    found = shown("strip_adapter", load=read_load("1.8A"), dc=60.0, span=1e-3)
    assert uneven(found.run)
    assert not found.settled
    assert any("subharmonic" in notice for notice in found.notices)
    assert not uneven(shown("strip_adapter", load=read_load("1.8A"), dc=200.0, span=1e-3).run)


@pytest.mark.parametrize("span", [0.0, -1e-3, 3600.0, math.nan])
def test_a_span_of_nothing_or_of_an_hour_is_refused(span: float) -> None:
    with pytest.raises(RequestError, match="--span"):
        shown("wall_charger", span=span)


def test_full_has_its_own_longest_span() -> None:
    with pytest.raises(RequestError, match="fidelity cycle goes further"):
        shown("wall_charger", span=2 * LONGEST["full"], fidelity="full")


def test_two_feeds_are_refused() -> None:
    with pytest.raises(RequestError, match="exclude each other"):
        shown("wall_charger", mains=230.0, dc=300.0)


@pytest.mark.parametrize("asked", [{"mains": -1.0}, {"dc": 0.0}, {"frequency": math.inf}])
def test_a_feed_that_is_none_is_refused(asked: dict[str, float]) -> None:
    with pytest.raises(RequestError):
        shown("wall_charger", **asked)


def test_another_kind_of_converter_is_not_simulated() -> None:
    buck = replace(load_board(EXAMPLES / "wall_charger.toml"), topology="non-isolated buck")
    with pytest.raises(NotAFlybackError, match="only a flyback"):
        scene(buck)


def test_everything_that_is_needed_is_asked_for_at_once() -> None:
    unknown = board(U1={"frequency": "unknown", "limit_voltage": "unknown"})
    with pytest.raises(RequestError) as refused:
        scene(unknown)
    assert "U1.frequency" in str(refused.value)
    assert "U1.limit_voltage" in str(refused.value)


def test_progress_is_told_and_only_grows() -> None:
    told: list[float] = []
    shown("wall_charger", span=20e-3, progress=told.append)
    assert told
    assert np.all(np.diff(told) >= 0)
    assert told[-1] <= 1.0
