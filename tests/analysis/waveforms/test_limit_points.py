"""Simulated points of the volts and amps: against the curve in closed form, and between the fidelities."""

from __future__ import annotations

import numpy as np
import pytest
from boards import DEMOS, board, demo, demo_traced

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Demand
from flyback.analysis.envelope import envelope
from flyback.analysis.trace import trace
from flyback.analysis.waveforms import limit_points as under_test
from flyback.analysis.waveforms.limit_points import limit_points
from flyback.errors import RequestError

EUROPE = Line(V_ac=230.0, f_line=50.0)
V_O = np.array([1.0, 0.75, 0.5, 0.25])
"""Held output voltages as shares of the set one."""


def points(name: str, line: Line, shares: np.ndarray = V_O) -> list[tuple[float, float, str, bool]]:
    circuit, _, V_set = demo_traced(name)
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    return list(limit_points(circuit, numbers, line, V_set=V_set, V_o=V_set * shares))


@pytest.mark.parametrize("name", DEMOS)
def test_the_curve_in_closed_form_runs_through_the_points(name: str) -> None:
    """Within 3 %, what is asked of a closed form; the mean over the mains period on both sides."""
    printed = [Demand("claim", DEMOS[name], current=1.0)]
    (curve,) = envelope(demo(name), [EUROPE], printed, samples=100).curves
    found = points(name, EUROPE)
    assert len(found) == V_O.size
    for V_o, I_o, fidelity, uneven in found:
        # from no load to the set voltage the curve has one voltage: the last of these is the limit
        closed = np.interp(-V_o, -curve.V_o[1:], curve.I_o[1:])
        assert I_o == pytest.approx(float(closed), rel=0.03)
        assert (fidelity, uneven) == ("cycle", False)


@pytest.mark.parametrize("name", ["wall_charger", "hall_charger", "strip_adapter"])
def test_a_bench_supply_at_the_bulk_gives_what_a_large_bulk_gives(name: str) -> None:
    """ "full" on a stiff supply and "cycle" on mains: the bulk sags to about 313 V in the mean, so 2 %."""
    mains = points(name, EUROPE, V_O[:2])
    bench = points(name, Line(V_fixed=315.0), V_O[:2])
    assert [fidelity for *_, fidelity, _ in bench] == ["full"] * 2
    for (_, I_mains, *_), (_, I_bench, *_) in zip(mains, bench, strict=True):
        assert I_mains == pytest.approx(I_bench, rel=0.02)


def test_another_current_limit_moves_the_points() -> None:
    circuit, _, V_set = demo_traced("wall_charger", R3={"marking": "2R2"})
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    ((_, changed, *_),) = limit_points(circuit, numbers, EUROPE, V_set=V_set, V_o=np.array([V_set]))
    ((_, usual, *_),) = points("wall_charger", EUROPE, V_O[:1])
    assert changed > 1.03 * usual


def test_a_current_that_runs_away_is_followed_in_full() -> None:
    """Short circuit of the strip adapter at 230 V: the delay alone lets the magnetising current climb."""
    ((_, I_o, fidelity, _),) = points("strip_adapter", EUROPE, np.zeros(1))
    assert fidelity == "full"
    assert 5.0 < I_o < 12.0


def test_a_point_that_does_not_settle_is_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(under_test, "MOST_PERIODS", 1)
    assert points("wall_charger", EUROPE) == []


def test_subharmonic_pulses_are_marked() -> None:
    assert [uneven for *_, uneven in points("strip_adapter", Line(V_fixed=62.0), np.ones(1))] == [True]


def test_what_is_unknown_is_asked_for() -> None:
    circuit = trace(board(U1={"frequency": "unknown"}))
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    with pytest.raises(RequestError, match=r"U1\.frequency"):
        list(limit_points(circuit, numbers, EUROPE, V_set=5.0, V_o=np.array([5.0])))
