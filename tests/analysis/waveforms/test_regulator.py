"""The controller's slow side, each figure worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from flyback.analysis.waveforms.converter import Control
from flyback.analysis.waveforms.regulator import (
    ABOVE,
    BELOW,
    FIRST_SHARE,
    HIGHEST_RATE,
    LONGEST_STEP,
    LOWEST_RATE,
    Regulator,
)
from flyback.analysis.waveforms.run import State

LIMIT = 0.6
T = 15e-6

PLAIN = Control(
    "fixed-frequency peak current",
    I_limit=LIMIT,
    t_delay=200e-9,
    f_s=65e3,
    D_max=0.7,
    V_set=5.0,
    gain=0.5,
    integral=800.0,
)
RATED = Control(
    "primary-side constant current",
    I_limit=LIMIT,
    t_delay=0.0,
    d_dem=0.5,
    V_set=5.0,
    gain=1e5,
    integral=2e7,
)
ON_OFF = replace(PLAIN, family="on/off", gain=0.0, integral=0.0)


def regulator(control: Control = PLAIN, /, command: float = 0.3, **changes: Any) -> Regulator:
    state = State(
        t=0.0,
        v_bulk=320.0,
        i_m=0.0,
        i_leak=0.0,
        v_drain=320.0,
        v_clamp=130.0,
        v_out=(5.0,),
        command=command,
        started=-1.0,
    )
    return Regulator(control, replace(state, **changes))


# --- the voltage loop -----------------------------------------------------------------------------


def test_the_command_is_the_integral_part_and_the_error_times_the_gain() -> None:
    loop = regulator()
    assert loop.asked(4.9, LIMIT) == pytest.approx(0.3 + 0.5 * 0.1)
    assert loop.asked(5.1, LIMIT) == pytest.approx(0.3 - 0.5 * 0.1)


def test_no_command_is_above_the_limit() -> None:
    assert regulator().asked(3.0, LIMIT) == LIMIT


def test_the_integral_part_grows_with_the_error_and_the_time() -> None:
    loop = regulator()
    loop.advance(T, T, 4.9, 0.35, LIMIT)
    assert loop.command == pytest.approx(0.3 + 800.0 * 0.1 * T)


def test_a_long_period_counts_for_a_part_of_the_gain_only() -> None:
    """At most `LONGEST_STEP` of gain / integral, the time in which both parts are alike."""
    loop = regulator()
    loop.advance(1e-3, 1e-3, 4.9, 0.35, LIMIT)
    assert loop.command == pytest.approx(0.3 + LONGEST_STEP * 0.5 * 0.1)


@pytest.mark.parametrize(("v_out", "end"), [(0.0, ABOVE * LIMIT), (50.0, BELOW * LIMIT)])
def test_the_integral_part_stays_between_its_bounds(v_out: float, end: float) -> None:
    loop = regulator()
    for k in range(200):
        loop.advance(k * T, T, v_out, LIMIT, LIMIT)
    assert loop.command == pytest.approx(end)


def test_a_pulse_is_left_out_where_nothing_is_asked_for() -> None:
    loop = regulator()
    assert not loop.skips(5.0 + 0.3 / 0.5 - 1e-6, LIMIT)
    assert loop.skips(5.0 + 0.3 / 0.5 + 1e-6, LIMIT)


def test_without_a_loop_every_pulse_is_at_the_limit() -> None:
    loop = regulator(replace(PLAIN, gain=0.0, integral=0.0))
    assert not loop.regulates
    assert loop.asked(9.0, LIMIT) == LIMIT
    assert not loop.skips(9.0, LIMIT)
    loop.advance(T, T, 9.0, LIMIT, LIMIT)
    assert loop.command == 0.3


# --- other families -------------------------------------------------------------------------------


def test_on_off_gives_whole_pulses_below_the_set_voltage_and_none_above() -> None:
    loop = regulator(ON_OFF)
    assert not loop.regulates
    assert not loop.skips(4.999, LIMIT)
    assert loop.skips(5.0, LIMIT)
    assert loop.asked(4.9, LIMIT) == LIMIT


def test_a_primary_side_loop_sets_the_pulse_rate() -> None:
    loop = regulator(RATED, command=30e3)
    assert loop.asked(4.9, LIMIT) == LIMIT
    assert loop.shortest_period(4.9) == pytest.approx(1 / (30e3 + 1e5 * 0.1))
    assert loop.shortest_period(5.2) == pytest.approx(1 / (30e3 - 1e5 * 0.2))
    assert not loop.skips(5.2, LIMIT)
    assert loop.skips(5.31, LIMIT)


def test_the_pulse_rate_has_a_lowest_and_a_highest() -> None:
    loop = regulator(RATED, command=30e3)
    assert loop.shortest_period(5.31) == pytest.approx(1 / LOWEST_RATE)
    for k in range(1000):
        loop.advance(k * T, T, 0.0, LIMIT, LIMIT)
    assert loop.command == pytest.approx(ABOVE * HIGHEST_RATE)
    limited = regulator(replace(RATED, f_max=80e3), command=200e3)
    assert limited.shortest_period(5.0) == pytest.approx(1 / 80e3)
    limited.advance(T, T, 5.0, LIMIT, LIMIT)
    assert limited.command == pytest.approx(ABOVE * 80e3)


def test_the_rate_limit_of_a_free_running_family() -> None:
    assert regulator(replace(PLAIN, f_s=None, f_max=130e3)).shortest_period(5.0) == pytest.approx(1 / 130e3)
    assert regulator(replace(PLAIN, f_s=None)).shortest_period(5.0) == 0.0


# --- the limit ------------------------------------------------------------------------------------


def test_line_compensation_lowers_the_limit() -> None:
    assert regulator(replace(PLAIN, k_line=5e-4)).limit(0.0, 320.0) == pytest.approx(LIMIT - 0.16)
    assert regulator(replace(PLAIN, k_line=1.0)).limit(0.0, 320.0) == 0.0


def test_the_base_drive_limits_at_low_line() -> None:
    driven = regulator(replace(PLAIN, family="self-oscillating", f_s=None, I_drive=-0.1, k_drive=3e-3))
    assert driven.limit(0.0, 100.0) == pytest.approx(0.2)
    assert driven.limit(0.0, 320.0) == LIMIT
    assert driven.limit(0.0, 10.0) == 0.0


def test_a_soft_start_raises_the_limit_from_a_share_to_the_whole() -> None:
    soft = regulator(replace(PLAIN, t_soft=4e-3), started=1e-3)
    assert soft.limit(1e-3, 320.0) == pytest.approx(FIRST_SHARE * LIMIT)
    assert soft.limit(3e-3, 320.0) == pytest.approx((FIRST_SHARE + (1 - FIRST_SHARE) / 2) * LIMIT)
    assert soft.limit(5e-3, 320.0) == LIMIT
    assert soft.limit(9e-3, 320.0) == LIMIT


# --- protection -----------------------------------------------------------------------------------

TIMED = replace(PLAIN, t_overload=50e-3, t_restart=0.3)


def test_an_overload_counts_from_its_first_pulse_and_stops_after_its_time() -> None:
    loop = regulator(TIMED)
    loop.advance(1e-3, T, 4.5, LIMIT, LIMIT)
    loop.advance(51e-3, T, 4.5, LIMIT, LIMIT)
    assert (loop.limited_since, loop.resume_at) == (1e-3, None)
    loop.advance(51.1e-3, T, 4.5, LIMIT, LIMIT)
    assert loop.resume_at == pytest.approx(0.3511)
    assert loop.notices == ["51.1 ms: the overload timer stopped it; next start 351.1 ms"]


@pytest.mark.parametrize(("v_out", "asked"), [(4.5, 0.99 * LIMIT), (5.0, LIMIT)])
def test_one_pulse_below_the_limit_or_at_the_set_voltage_resets_the_timer(
    v_out: float, asked: float
) -> None:
    loop = regulator(TIMED)
    loop.advance(1e-3, T, 4.5, LIMIT, LIMIT)
    loop.advance(40e-3, T, v_out, asked, LIMIT)
    assert loop.limited_since is None
    loop.advance(60e-3, T, 4.5, LIMIT, LIMIT)
    assert loop.limited_since == 60e-3


def test_a_separate_threshold_starts_the_timer_below_the_limit() -> None:
    loop = regulator(replace(TIMED, I_overload=0.4))
    loop.advance(1e-3, T, 4.9, 0.39, LIMIT)
    assert loop.limited_since is None
    loop.advance(2e-3, T, 4.9, 0.41, LIMIT)
    assert loop.limited_since == 2e-3


def test_the_overload_timer_waits_for_the_soft_start() -> None:
    loop = regulator(replace(TIMED, t_soft=4e-3), started=0.0)
    loop.advance(3.9e-3, T, 1.0, LIMIT, LIMIT)
    assert loop.limited_since is None
    loop.advance(4.1e-3, T, 2.0, LIMIT, LIMIT)
    assert loop.limited_since == 4.1e-3


def test_a_controller_without_supply_is_carried_for_a_while() -> None:
    loop = regulator(replace(PLAIN, V_stop=3.5, t_hold=20e-3, t_restart=0.5))
    loop.advance(1e-3, T, 3.4, LIMIT, LIMIT)
    loop.advance(15e-3, T, 3.6, LIMIT, LIMIT)
    assert loop.unsupplied_since is None
    loop.advance(16e-3, T, 3.4, LIMIT, LIMIT)
    loop.advance(36e-3, T, 3.4, LIMIT, LIMIT)
    assert loop.resume_at is None
    loop.advance(36.2e-3, T, 3.4, LIMIT, LIMIT)
    assert loop.resume_at == pytest.approx(0.5362)
    assert "lost its supply" in loop.notices[0]


def test_a_restart_remembers_nothing() -> None:
    loop = regulator(replace(TIMED, t_soft=4e-3))
    loop.advance(1e-3, T, 4.5, LIMIT, LIMIT)
    loop.advance(60e-3, T, 4.5, LIMIT, LIMIT)
    assert loop.resume_at is not None
    loop.resume(0.36)
    assert (loop.resume_at, loop.limited_since, loop.unsupplied_since) == (None, None, None)
    assert (loop.command, loop.started) == (0.0, 0.36)
    assert loop.limit(0.36, 320.0) == pytest.approx(FIRST_SHARE * LIMIT)


def test_it_goes_on_from_a_state() -> None:
    """Timers that were running when a run ended run on in the next."""
    loop = regulator(
        replace(TIMED, V_stop=3.5, t_hold=20e-3), limited_since=1e-3, unsupplied_since=2e-3, command=0.55
    )
    assert (loop.command, loop.limited_since, loop.unsupplied_since) == (0.55, 1e-3, 2e-3)
    loop.advance(23e-3, T, 3.0, LIMIT, LIMIT)
    assert loop.resume_at == pytest.approx(0.323)
