"""Bands of the limiting current: those of the envelope, exact at nodes of the grid, close in between."""

from __future__ import annotations

import numpy as np
import pytest
from boards import board, demo, demo_traced, traced

from flyback.analysis.bulk import Line
from flyback.analysis.envelope import envelope
from flyback.analysis.limits import stop_voltage
from flyback.studies.bands import MOST_VOLTAGES, Wanted, current_bands

SAMPLES = 600


def test_the_envelope_s_band() -> None:
    """The same samples: they differ by the envelope's bins, 0.1 % of the current, and its interpolation."""
    circuit, _, V_set = demo_traced("bedside_charger")
    curve = envelope(demo("bedside_charger"), [Line(90.0, 50.0), Line(230.0, 50.0)], samples=SAMPLES).curves
    wanted = [Wanted(V_o, V_ac, 50.0) for V_ac in (90.0, 230.0) for V_o in (4.4, 3.0, 1.0)]
    low, high = current_bands(circuit, wanted, V_set=V_set, samples=SAMPLES)
    for k, one in enumerate(wanted):
        of = curve[k // 3]
        for end, ends in ((low, of.low), (high, of.high)):
            assert end[k] == pytest.approx(np.interp(one.V_o, of.V_o[:0:-1], ends[:0:-1]), rel=5e-3)


def test_points_do_not_depend_on_each_other() -> None:
    circuit, _, V_set = demo_traced("wall_charger")
    wanted = [Wanted(V_o, V_ac, f) for V_o, V_ac, f in ((4.5, 230, 50), (3.1, 100, 60), (4.0, 115, 60))]
    low, high = current_bands(circuit, wanted, V_set=V_set, samples=SAMPLES)
    for k, one in enumerate(wanted):
        alone = current_bands(circuit, [one], V_set=V_set, samples=SAMPLES)
        assert (low[k], high[k]) == pytest.approx([float(end[0]) for end in alone], rel=1e-12)


def test_a_long_log_is_interpolated_within_one_percent() -> None:
    """Far more voltages than nodes, over the whole range of mains: the widest grid there is."""
    circuit, _, V_set = demo_traced("wall_charger")
    stream = np.random.default_rng(2)
    wanted = [
        Wanted(V_o, V_ac, 50.0)
        for V_o, V_ac in zip(
            stream.uniform(2, 5, 5 * MOST_VOLTAGES).tolist(),
            stream.uniform(90, 264, 5 * MOST_VOLTAGES).tolist(),
            strict=True,
        )
    ]
    low, high = current_bands(circuit, wanted, V_set=V_set, samples=100)
    few = [current_bands(circuit, [one], V_set=V_set, samples=100) for one in wanted[:12]]
    for k, (alone_low, alone_high) in enumerate(few):
        assert (low[k], high[k]) == pytest.approx((alone_low[0], alone_high[0]), rel=0.01)


def test_a_controller_that_has_stopped_gives_nothing() -> None:
    """8 V at 18 turns are 3.56 V at 8, less the drop of 0.45 V."""
    circuit, supply = traced(
        board(
            U1={"supply_stop": "8.0 V"},
            T1={"auxiliary_turns": 18},
            D5={"forward_drop": "0.45 V", "origin": "measured"},
        )
    )
    assert float(stop_voltage(supply)) == pytest.approx(8 * 8 / 18 - 0.45)
    wanted = [Wanted(V_o, 230.0, 50.0) for V_o in (2.5, 4.0)]
    low, high = current_bands(circuit, wanted, V_set=5.0, samples=SAMPLES)
    assert (low[0], high[0]) == (0.0, 0.0)
    assert 0 < low[1] < high[1]
