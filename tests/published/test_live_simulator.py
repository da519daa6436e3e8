"""The outside circuit simulator run here and now: its own stored figures again, and ours beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from . import live
from .simulated import CASES
from .switching import LOOP_SETTLED, Scenario, scenarios_of
from .switching_checks import COARSE, COARSE_FIGURES, FIGURES, FULL, FULL_BOUNDS, simulate
from .test_switching import changed

needs_simulator = pytest.mark.skipif(live.simulator() is None, reason="ngspice is not installed")

PERIOD = 1.538461538e-05  # s, of the clock in these netlists
FINE: Mapping[str, str] = {
    "options": ".options reltol=0.0001 method=trap",
    "tran": f".tran 20n {LOOP_SETTLED[1]} {LOOP_SETTLED[0]} 20n uic",
}
"""A finer step for the closed loop, over the window in which ours is measured."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A netlist and the same converter for our simulation."""

    netlist: str
    case: str
    point: str = ""

    @property
    def scenario(self) -> Scenario:
        (found,) = (s for s in scenarios_of(self.case, CASES[self.case]) if self.point in s.name)
        return found


DCM = Pair("b1_dcm_5V1A_110V_65k", "b1_dcm_5V1A_110V_65k")
CCM = Pair("c3_ccm_5V2A_90V_65k_limit", "c3_ccm_5V2A_90V_65k_limit")
LOOP = Pair("d1_ceiling_5V1A_65k_loop_350_93", "d1_ceiling_5V1A_65k", "closed loop 350 V load 0.93")


@cache
def outside(pair: Pair, fine: bool) -> Mapping[str, float]:
    """Figures of a live run; each netlist runs once."""
    text = (live.NETLISTS / f"{pair.netlist}.cir").read_text(encoding="utf-8")
    return live.figures(live.run(text, **(FINE if fine else {})), PERIOD)


def ours(scenario: Scenario) -> dict[str, float]:
    """Our figures by the outside names."""
    figures = simulate(scenario, FULL).figures
    found = {
        name: getattr(figures, figure)
        for figure, (names, _) in FIGURES.items()
        if figure != "I_v"
        for name in names
    }
    return found | {"ripple_pp": figures.V_swing}


def share_allowed(name: str) -> float:
    """How far ours may lie from a live figure: as from a stored one; the ripple with ringing as without."""
    if name == "ripple_pp":
        return FULL_BOUNDS["V_ripple"].high
    return next(FULL_BOUNDS[figure].high for figure, (names, _) in FIGURES.items() if name in names)


def differing(pair: Pair, scenario: Scenario, fine: bool = False) -> set[str]:
    """Outside names of the figures in which ours leave the bounds around a live run."""
    found = outside(pair, fine)
    mine = ours(scenario)
    return {name for name in found if abs(mine[name] / found[name] - 1) > share_allowed(name)}


@pytest.mark.simulator
@needs_simulator
@pytest.mark.parametrize("pair", [DCM, CCM], ids=lambda pair: pair.netlist)
def test_the_stored_figures_come_out_again(pair: Pair) -> None:
    """Within the solver's relative tolerance of 1e-4; on the machine this was written on, 2e-5."""
    stored = pair.scenario.measured
    again = outside(pair, False)
    assert {"Ipk", "Iprms", "Isrms", "Icrms", "Pin", "Pout", "Vo", "Vds_pk", "ripple_pp"} <= set(again)
    for name, value in again.items():
        assert value == pytest.approx(stored[name], rel=1e-4), name


@pytest.mark.simulator
@needs_simulator
@pytest.mark.parametrize("pair", [DCM, CCM], ids=lambda pair: pair.netlist)
def test_ours_beside_the_live_run(pair: Pair) -> None:
    assert not differing(pair, pair.scenario)


@pytest.mark.simulator
@needs_simulator
def test_a_wrong_input_is_noticed_live() -> None:
    scenario, _ = changed(CCM.case, rs=1.53)
    assert {"Ipk", "Pin", "Pout", "Iprms"} <= differing(CCM, scenario)


@pytest.mark.simulator
@needs_simulator
def test_with_a_finer_step_the_closed_loop_moves_to_ours() -> None:
    """The stated reason of `COARSE`: the outside run's own step, nothing in the circuit."""
    assert not differing(LOOP, LOOP.scenario, fine=True)
    stored = LOOP.scenario.measured
    fine = outside(LOOP, True)
    names = [name for figure in COARSE_FIGURES for name in FIGURES[figure][0] if name in stored]
    moved = {name: fine[name] / stored[name] - 1 for name in names}
    assert max(map(abs, moved.values())) > 0.03
    assert all(COARSE.low <= share <= COARSE.high for share in moved.values())


# Reading and measuring, without the simulator


def raw_file(path: Path, table: np.ndarray, names: list[str], flags: str = "real") -> Path:
    """A result file as the simulator writes it."""
    variables = "".join(f"\t{k}\t{name}\tvoltage\n" for k, name in enumerate(names))
    header = (
        f"Title: * made up\nDate: today\nPlotname: Transient Analysis\nFlags: {flags}\n"
        f"No. Variables: {len(names)}\nNo. Points: {len(table)}       \nVariables:\n{variables}Binary:\n"
    )
    path.write_bytes(header.encode() + table.astype("<f8").tobytes())
    return path


def test_a_result_file_is_read(tmp_path: Path) -> None:
    table = np.array([[0.0, 1.0, -2.0], [0.5, 3.0, 4.0]])
    t, signals = live.read(raw_file(tmp_path / "a.raw", table, ["time", "v(Out)", "i(Vsp)"]))
    assert t.tolist() == [0.0, 0.5]
    assert {name: values.tolist() for name, values in signals.items()} == {
        "v(out)": [1.0, 3.0],
        "i(vsp)": [-2.0, 4.0],
    }


@pytest.mark.parametrize("fault", ["complex", "cut"])
def test_a_result_file_of_another_kind_is_refused(tmp_path: Path, fault: str) -> None:
    table = np.array([[0.0, 1.0], [0.5, 3.0]])
    path = raw_file(
        tmp_path / "a.raw", table, ["time", "v(out)"], "complex" if fault == "complex" else "real"
    )
    if fault == "cut":
        path.write_bytes(path.read_bytes()[:-8])
    with pytest.raises((AssertionError, ValueError)):
        live.read(path)


def test_uneven_steps_do_not_bias_a_mean_or_an_rms() -> None:
    """A ramp from 0 to 1 has mean 1/2, rms 1/sqrt(3), and 1/6 in product with one from 1 to 0."""
    t = np.array([0.0, 0.01, 0.02, 0.5, 1.0])
    run = live.Outside(t, {"v": t})
    assert run.mean(run["v"]) == pytest.approx(1 / 2)
    assert run.rms(run["v"]) == pytest.approx(1 / math.sqrt(3))
    assert run.mean(run["v"], 1 - run["v"]) == pytest.approx(1 / 6)


def test_peaks_of_whole_periods_only() -> None:
    t = np.linspace(0.55, 3.0, 246)
    run = live.Outside(t, {"v": t % 1.0})
    assert run.peaks(run["v"], 1.0) == pytest.approx([0.99, 0.99], abs=1e-9)


def test_a_line_that_is_not_there_cannot_be_changed() -> None:
    with pytest.raises(AssertionError, match=r"0 lines \.options"):
        live.run("* nothing\n.end\n", options=".options reltol=1e-4")
