"""A traced board as the simulation sees it; every number worked by hand from the board's file."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import DEMOS, FAMILIES, board, demo

from flyback.analysis.bulk import Line
from flyback.analysis.trace import trace
from flyback.analysis.waveforms import full, steady
from flyback.analysis.waveforms.converter import OPEN, Capacitor, Clamp, Converter, Feed
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.traced import converter
from flyback.board.model import Board
from flyback.errors import RequestError

EUROPE = Line(V_ac=230.0, f_line=50.0)
BENCH = Line(V_fixed=320.0)


def seen(made: Board, line: Line = EUROPE, V_set: float = 5.0) -> Converter:
    circuit = trace(made)
    return converter(
        circuit, {key: value.nominal for key, value in circuit.values.items()}, line, V_set=V_set
    )


def plain(
    control: str = "fixed-frequency peak current", /, line: Line = EUROPE, **changes: Any
) -> Converter:
    return seen(board(control, **changes), line)


# --- the demo boards ------------------------------------------------------------------------------


def test_wall_charger() -> None:
    """2R4 || 2R4 and 0.80 V; 120 : 8; 1.00 mH with 25 uH; two bulk capacitors of 10 uF; a bridge."""
    c = seen(demo("wall_charger"))
    assert c.feed == Feed(V_ac=230.0, f_line=50.0, n_pulse=2, V_bridge=pytest.approx(1.7), R_charge=1.0)
    assert c.bulk == Capacitor(pytest.approx(20e-6))
    p, k = c.primary, c.control
    assert (p.L_p, p.L_leak, p.R_s, p.C_d) == pytest.approx((1.00e-3, 25e-6, 1.2, 50e-12))
    assert (p.R_switch, p.V_sat, p.V_body) == (0.0, 0.0, 0.7)
    # Q of 15 and of 6: R = Q sqrt(L / C)
    assert p.R_core == pytest.approx(15 * math.sqrt(1.00e-3 / 50e-12))
    assert p.R_leak == pytest.approx(6 * math.sqrt(25e-6 / 50e-12))
    assert c.clamp == Clamp(V_c=150.0)
    assert (c.secondary.n, c.secondary.V_f, c.secondary.R_sec) == (15.0, 0.45, 0.0)
    assert c.output == (Capacitor(pytest.approx(680e-6), pytest.approx(0.030)),)
    assert k.family == "fixed-frequency peak current"
    assert (k.I_limit, k.t_delay, k.f_s, k.D_max) == pytest.approx((0.80 / 1.2, 200e-9, 65e3, 0.70))
    assert (k.k_line, k.S_ramp, k.f_max, k.t_overload, k.V_stop) == (0.0, 0.0, None, None, None)
    assert (k.V_set, k.t_soft) == (5.0, 4e-3)


def test_bedside_charger() -> None:
    """The empty footprint R7 conducts nothing; two output capacitors stay two."""
    c = seen(demo("bedside_charger"), V_set=5.05)
    assert c.primary.R_s == pytest.approx(1.1)
    assert c.control.I_limit == pytest.approx(0.80 / 1.1)
    assert c.secondary.n == 14.0
    assert c.output == (Capacitor(pytest.approx(1e-3), pytest.approx(0.019)),) * 2
    fitted = seen(demo("bedside_charger", R7={"state": "fitted", "marking": "2R2"}), V_set=5.05)
    assert fitted.control.I_limit == pytest.approx(0.80 * 3 / 2.2)


def test_travel_cube() -> None:
    """One diode; 0.65 V over 5R6 after 0.5 us; base winding of 12 turns behind 220 ohm; gain 27.5."""
    c = seen(demo("travel_cube"))
    k = c.control
    assert (c.feed.n_pulse, c.feed.V_bridge) == (1, pytest.approx(0.85))
    assert (k.family, k.f_s) == ("self-oscillating", None)
    assert (k.I_limit, k.t_delay, k.D_max) == pytest.approx((0.65 / 5.6, 0.5e-6, 0.70))
    # gain times (V 12 / 150 - 0.65) / 220
    assert k.k_drive == pytest.approx(27.5 * 12 / 150 / 220)
    assert k.I_drive == pytest.approx(-27.5 * 0.65 / 220)
    assert (c.primary.V_sat, c.primary.V_body) == (pytest.approx(0.85), None)


def test_strip_adapter() -> None:
    c = seen(demo("strip_adapter"), V_set=12.0)
    assert (c.control.I_limit, c.control.t_delay) == pytest.approx((0.75 / 0.62, 180e-9))
    assert (c.secondary.n, c.secondary.V_f, c.bulk) == (6.0, 0.55, Capacitor(pytest.approx(47e-6)))


def test_hall_charger() -> None:
    c = seen(demo("hall_charger"))
    k = c.control
    assert (k.family, k.f_s, k.d_dem, k.I_th) == ("primary-side constant current", None, 0.50, 0.0)
    assert (k.I_limit, k.t_delay) == pytest.approx((0.50 / 1.8, 0.0))
    assert c.secondary.n == 15.5


# --- the limit ------------------------------------------------------------------------------------


def test_a_limit_at_a_test_slope_has_the_delay_at_that_slope_in_it() -> None:
    """0.42 A at 100 mA/us with 200 ns: the comparator trips at 0.40 A."""
    c = plain(
        "on/off",
        U1={"limit_voltage": None, "limit_current": "0.42 A", "limit_test_slope": "100 mA/us"},
        R3=None,
        R4=None,
    )
    assert c.control.I_limit == pytest.approx(0.40)
    assert c.primary.R_s == 0.0
    assert (c.control.gain, c.control.integral) == (0.0, 0.0)


def test_a_power_coefficient_becomes_a_limit() -> None:
    """I^2 f of 10 000 A^2 Hz at 65 kHz."""
    c = plain("on/off", U1={"limit_voltage": None, "power_coefficient": "10000 A²Hz"}, R3=None, R4=None)
    assert c.control.I_limit == pytest.approx(math.sqrt(10e3 / 65e3))


def test_line_and_slope_compensation_are_seen_at_the_sense_resistor() -> None:
    c = plain(U1={"line_compensation": "0.0003", "slope_compensation": "24 mV/us"})
    assert c.control.k_line == pytest.approx(0.0003 / 1.2)
    assert c.control.S_ramp == pytest.approx(24e3 / 1.2)
    assert c.control.I_limit == pytest.approx(0.80 / 1.2)


def test_resistances_of_the_primary_path_stay_apart() -> None:
    p = plain().primary
    assert (p.R_pri, p.R_switch, p.R_s) == pytest.approx((1.5, 3.0, 1.2))


def test_an_auxiliary_supply_that_stops_the_controller() -> None:
    """8 V at 14 turns are 4.57 V a rectifier's drop above the output of 8 turns."""
    c = plain(U1={"supply_stop": "8.0 V"}, T1={"auxiliary_turns": 14})
    assert c.control.V_stop == pytest.approx(8.0 * 8 / 14 - 0.45)
    assert (c.control.t_hold, c.control.t_restart) == (20e-3, 0.5)
    assert any("supply holds for 20.0 ms" in words for words in c.assumed)


def test_an_overload_timer_with_its_own_threshold() -> None:
    c = plain(U1={"overload_voltage": "0.7 V", "overload_time": "60 ms"})
    assert (c.control.I_overload, c.control.t_overload) == pytest.approx((0.7 / 1.2, 60e-3))
    lent = plain(U1={"overload_voltage": "0.7 V"})
    assert lent.control.t_overload == 50e-3
    assert any("overload time 50.0 ms" in words for words in lent.assumed)


def test_a_rate_limit_of_a_free_running_board() -> None:
    c = plain("valley switching", U1={"frequency": None, "max_frequency": "130 kHz"})
    assert (c.control.f_s, c.control.f_max) == (None, pytest.approx(130e3))


# --- the loop -------------------------------------------------------------------------------------


@pytest.mark.parametrize("control", [name for name in FAMILIES if name != "on/off"])
def test_the_loop_crosses_over_where_it_is_laid_out_to(control: str) -> None:
    """At the limit: 2 pi 1 kHz C of output conductance, by what a little more command adds to the current.

    The gain at the crossover is 1 where gain times that slope is the capacitance's admittance.
    """
    c = plain(control, BENCH)
    k = c.control

    def at_limit(I_limit: float) -> tuple[float, float]:
        limited = replace(c, control=replace(k, I_limit=I_limit))
        held = steady.held(limited, V_dc=np.array(320.0), V_o=np.array(5.0))
        return float(held.I_o), float(held.f_s)

    I_o, f_s = at_limit(k.I_limit)
    if control == "primary-side constant current":
        slope = I_o / f_s
    else:
        slope = (at_limit(1.02 * k.I_limit)[0] - I_o) / (0.02 * k.I_limit)
    # the closed form lays it out with the current at the switch's opening and leaves out small losses
    assert k.gain * slope == pytest.approx(2 * math.pi * 1e3 * 680e-6, rel=0.25)
    assert k.integral == pytest.approx(k.gain * 2 * math.pi * 1e3 / 4)


# --- what is not given ----------------------------------------------------------------------------


def test_what_is_assumed_is_told() -> None:
    """A board that gives nothing it need not give."""
    made = board(
        U1={"drain_capacitance": None, "on_resistance": None},
        T1={"primary_resistance": None, "secondary_resistance": None},
        D4=None,
        C5={"esr": None},
    )
    c = seen(made)
    told = "\n".join(c.assumed)
    for words in (
        "primary winding 0.100 Ω",
        "Q of the drain's ringing 15",
        "Q of the leakage's ringing 6",
        "mains and wiring 1.00 Ω",
        "crosses over at 1.00 kHz",
        "soft start 4.00 ms",
        "clamp at 119 V above the bulk",
    ):
        assert words in told
    assert c.clamp.V_c == pytest.approx(1.45 * 15 * 5.45)
    assert (c.primary.R_pri, c.output) == (0.1, (Capacitor(pytest.approx(680e-6), 0.0),))


def test_what_is_given_is_not_assumed() -> None:
    c = plain(RT1={"role": "series resistor", "value": "4R7", "origin": "marked"})
    told = "\n".join(c.assumed)
    assert c.feed.R_charge == pytest.approx(4.7)
    assert "mains and wiring" not in told
    assert "primary winding" not in told
    assert "drain capacitance" not in told
    assert "clamp" not in told


def test_a_bench_supply_needs_and_assumes_no_mains() -> None:
    c = plain("fixed-frequency peak current", BENCH, BR1=None, C1=None)
    assert (c.feed, c.bulk) == (Feed(V_fixed=320.0), None)
    assert not any("mains" in words for words in c.assumed)


def test_a_clamp_of_resistor_and_capacitor() -> None:
    rcd: dict[str, Any] = {
        "D4": None,
        "R9": {"role": "clamp resistor", "value": "100 kohm", "origin": "marked"},
        "C9": {"role": "clamp capacitor", "value": "2.2 nF", "origin": "marked"},
    }
    assert plain(**rcd).clamp == Clamp(R_cl=pytest.approx(100e3), C_cl=pytest.approx(2.2e-9))
    del rcd["C9"]
    lent = plain(**rcd)
    assert lent.clamp == Clamp(R_cl=pytest.approx(100e3), C_cl=1e-9)
    assert any("clamp capacitor 1.00 nF" in words for words in lent.assumed)


def test_capacitors_are_joined_where_the_esr_of_one_is_unknown() -> None:
    second = {"role": "output capacitor", "value": "220 uF", "origin": "marked"}
    c = plain(C6=second)
    assert c.output == (Capacitor(pytest.approx(900e-6), 0.0),)


# --- what is refused ------------------------------------------------------------------------------


def refused(made: Board, line: Line = EUROPE) -> set[str]:
    with pytest.raises(RequestError) as caught:
        seen(made, line)
    assert all("the simulation needs" in problem.message for problem in caught.value.problems)
    return {problem.field or "" for problem in caught.value.problems}


def test_everything_that_is_lacking_is_told_at_once() -> None:
    made = board(
        U1={"limit_voltage": "unknown", "frequency": "unknown"},
        C1={"value": None, "capacitance": "unknown"},
        C5={"value": None, "capacitance": "unknown"},
        R3={"marking": None, "resistance": "unknown"},
    )
    assert refused(made) == {
        "U1.limit_voltage",
        "U1.frequency",
        "C1.capacitance",
        "C5.capacitance",
        "R3.resistance",
    }
    # on a bench supply nobody asks for the bulk capacitor
    assert refused(made, BENCH) == {
        "U1.limit_voltage",
        "U1.frequency",
        "C5.capacitance",
        "R3.resistance",
    }


def test_a_rectifier_that_is_not_traced_is_asked_for_on_mains_only() -> None:
    made = board(BR1={"arrangement": None})
    assert refused(made) == {"BR1.arrangement"}
    assert seen(made, BENCH).feed.V_fixed == 320.0


def test_a_free_running_board_needs_no_frequency() -> None:
    assert refused(board("self-oscillating", R3=None, R4=None)) == {"a part with role sense resistor"}


# --- and it runs ----------------------------------------------------------------------------------

BARE: dict[str, dict[str, Any]] = {
    "no winding resistance": {"T1": {"primary_resistance": None, "secondary_resistance": None}},
    "no drain capacitance": {"U1": {"drain_capacitance": None}},
    "no clamp": {"D4": None},
    "no ESR": {"C5": {"esr": None}},
    "no on-resistance": {"U1": {"on_resistance": None}},
    "none of all this": {
        "U1": {"drain_capacitance": None, "on_resistance": None},
        "T1": {"primary_resistance": None, "secondary_resistance": None},
        "D4": None,
        "C5": {"esr": None},
    },
}


@pytest.mark.parametrize("name", BARE)
def test_a_board_of_which_little_is_known_is_simulated(name: str) -> None:
    c = plain(**BARE[name])
    begin = steady.guess(c, Load.constant("current", 1.0))
    run = full.simulate(c, Load.constant("current", 1.0), begin, span=0.4e-3)
    assert abs(run.energy.residual) < 1e-9
    assert run.figures.I_pk == pytest.approx(0.47, rel=0.3)


@pytest.mark.parametrize("name", DEMOS)
def test_a_demo_board_regulates_half_its_label(name: str) -> None:
    """On a bench supply, in its steady state."""
    made = demo(name)
    V_set = DEMOS[name]
    c = seen(made, BENCH, V_set)
    found = steady.steady(c, Load.constant("current", 0.4))
    f = found.run.figures
    assert found.settled
    assert f.V_o == pytest.approx(V_set, rel=1e-6)
    assert f.I_o == pytest.approx(0.4, rel=1e-6)
    assert 0.7 < f.eta < 0.95
    assert c.primary.R_leak < OPEN
