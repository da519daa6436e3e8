"""Ladders of many boards at once: against the ladder of one board at a time, and in blocks of any size."""

from __future__ import annotations

import boards
import numpy as np
import pytest

from flyback.analysis import bulk, grid
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import ladder, starting_points
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.grid import Nominal, Points, bands, nominal
from flyback.analysis.limits import Ceiling
from flyback.analysis.tolerance import Tally, blocks
from flyback.analysis.trace import trace

SAMPLES = 300
OHMS = np.array([0.9, 1.6, 2.4, 3.3, 5.6])
VOLTS = np.array([90.0, 115.0, 160.0, 230.0, 264.0])
DEMANDS = (Demand("2 A", 5.0, current=2.0), Demand("12 W", 5.0, power=12.0))


@pytest.fixture(scope="module")
def circuit() -> Circuit:
    return trace(boards.board())


@pytest.fixture(scope="module")
def points(circuit: Circuit) -> Points:
    """R3 and the mains differ from point to point; R4 stays in parallel."""
    return Points(Case(circuit, 5.0, DEMANDS), 5, {"R3.resistance": OHMS}, Line(VOLTS, 50.0))


@pytest.fixture(scope="module")
def middle(points: Points) -> Nominal:
    return nominal(points)


def supply_of(points: Points, k: int) -> Supply:
    """One point by itself."""
    plain = {key: value.nominal for key, value in points.case.circuit.values.items()}
    return points.case.circuit.supply({**plain, "R3.resistance": float(OHMS[k])})


def alone(points: Points, k: int) -> dict[str, Ceiling]:
    """The ladder of one point by itself."""
    line = Line(float(VOLTS[k]), 50.0)
    return ladder(points.case.circuit, supply_of(points, k), line, V_o=5.0)


@pytest.mark.parametrize("k", range(5))
def test_each_point_is_the_ladder_of_its_board(points: Points, middle: Nominal, k: int) -> None:
    # arrays are solved to 1e-7, see bulk.SOLVED_SAMPLES
    single = alone(points, k)
    assert [rung.name for rung in middle.rungs] == list(single)
    assert middle.power[:, k] == pytest.approx([float(c.power) for c in single.values()], rel=1e-6)
    assert middle.lowest[k] == pytest.approx(float(lowest(single)), rel=1e-6)
    assert middle.rungs[middle.binding[k]].name == min(single, key=lambda name: float(single[name].power))
    assert middle.needed[:, k].tolist() == [10.0, 12.0]


@pytest.mark.parametrize("k", range(5))
@np.errstate(all="ignore")
def test_each_band_is_that_of_its_board(points: Points, middle: Nominal, k: int) -> None:
    found = bands(points, middle, samples=SAMPLES)
    ((_, draws),) = blocks(points.case.circuit.values, SAMPLES)
    ratio = OHMS[k] / points.case.circuit.values["R3.resistance"].nominal
    supply = points.case.circuit.supply({**draws, "R3.resistance": draws["R3.resistance"] * ratio})
    line = Line(float(VOLTS[k]), 50.0)
    starts = starting_points(supply_of(points, k), line, alone(points, k))
    least = lowest(points.case.ladder(supply, line, starts))
    tally = Tally(float(middle.lowest[k]))
    tally.add(least, SAMPLES)
    # the histogram resolves 0.1 % of the nominal value, and two samples may lie in a bin
    share = middle.repeats[k]
    assert (found.low[k] / share, found.high[k]) == pytest.approx(tally.band(), rel=0.01)
    assert found.met[:, k] == pytest.approx([np.mean(least >= 10.0), np.mean(least >= 12.0)])
    assert found.unsettled == 0


@pytest.mark.parametrize("elements", [1, 700, 10**6])
def test_the_size_of_a_block_changes_nothing(
    points: Points, middle: Nominal, elements: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = bands(points, middle, samples=SAMPLES)
    monkeypatch.setattr(grid, "ELEMENTS", elements)
    other = bands(points, middle, samples=SAMPLES)
    # where a block ends its search together differs by no more than the solver's 1e-7
    assert other.low == pytest.approx(usual.low, rel=1e-6)
    assert other.high == pytest.approx(usual.high, rel=1e-6)
    assert np.array_equal(other.met, usual.met)


def test_the_work_grows_with_blocks_and_not_with_points(
    points: Points, monkeypatch: pytest.MonkeyPatch
) -> None:
    passes: list[int] = []
    counted = grid.situation

    def counting(*arguments: object) -> object:
        passes.append(1)
        return counted(*arguments)

    monkeypatch.setattr(grid, "situation", counting)
    many = Points(points.case, 1000, {"R3.resistance": np.linspace(1.0, 5.0, 1000)}, Line(230.0, 50.0))
    middle = nominal(many)
    assert len(passes) == 1
    bands(many, middle, samples=100)
    assert len(passes) == 1 + np.ceil(1000 / (grid.ELEMENTS // 100))


def test_progress_reaches_one(points: Points, middle: Nominal) -> None:
    told: list[float] = []
    bands(points, middle, samples=5000, progress=told.append)
    assert told == [0.2, 0.4, 0.6, 0.8, 1.0]


def test_a_valley_that_does_not_settle_is_marked(
    points: Points, middle: Nominal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bulk, "MOST_STEPS", 1)
    assert middle.settled.all()
    rough = nominal(points)
    assert not rough.settled.any()
    assert (rough.binding == -1).all()
    found = bands(points, rough, samples=100)
    assert np.isnan(found.low).all()
    assert np.isnan(found.met).all()
    spread = bands(points, middle, samples=100)
    assert spread.unsettled > 0


def test_a_pulse_that_empties_the_bulk_is_judged_at_the_lowest_usable_voltage() -> None:
    # 5 ohm of base resistor would let the collector take far more than 2.2 uF can give at 90 V
    circuit = trace(boards.demo("travel_cube"))
    ohms = np.array([5.0, 220.0])
    made = Points(Case(circuit, 5.0, ()), 2, {"R4.resistance": ohms}, Line(90.0, 50.0))
    found = nominal(made)
    assert found.settled.all()
    assert [found.rungs[k].name for k in found.binding] == ["bulk valley"] * 2


def test_one_point_out_of_range_leaves_the_others_alone(points: Points, circuit: Circuit) -> None:
    numbers = {"T1.core_area": np.array([20.1e-6, np.nan, 20.1e-6])}
    found = nominal(Points(points.case, 3, numbers, Line(230.0, 50.0)))
    assert found.settled.tolist() == [True, False, True]
    assert found.binding[1] == -1


def test_level_ceilings_take_the_first_along_the_path() -> None:
    power = np.array([[2.0, 5.0, np.inf, np.nan], [2.0 * (1 - 1e-9), 3.0, np.inf, 1.0]])
    assert grid._binding(power).tolist() == [0, 1, -1, -1]


def test_the_rail_is_decided_for_each_point() -> None:
    # a divider from 4.4 to 9.9 V on a label of 5 V: within 15 % the rail counts, beyond it the label
    made = boards.demo("wall_charger")
    circuit = trace(made)
    (upper,) = circuit.keys["R_upper"]
    ohms = np.array([0.9, 1.0, 2.0]) * circuit.values[upper].nominal
    points = Points(
        Case(circuit, 5.0, (Demand("2 A", 5.0, current=2.0),)), 3, {upper: ohms}, Line(230.0, 50.0)
    )
    for k in range(3):
        plain = {key: value.nominal for key, value in circuit.values.items()}
        supply = circuit.supply({**plain, upper: float(ohms[k])})
        (needed,) = points.case.needed(points.case.rail(supply))
        assert nominal(points).needed[0, k] == pytest.approx(float(needed))


@pytest.mark.parametrize("share", [0.025, 0.1])
def test_quantiles_are_those_of_numpy(share: float) -> None:
    rows = np.random.default_rng(7).normal(10.0, 1.0, (4, 257))
    low, high = grid._quantiles(rows, share)
    assert low == pytest.approx(np.quantile(rows, share, axis=1))
    assert high == pytest.approx(np.quantile(rows, 1 - share, axis=1))


def test_quantiles_of_what_has_a_result() -> None:
    rows = np.array([[1.0, np.nan, 3.0, 2.0], [np.nan] * 4, [np.inf, np.inf, 1.0, np.inf]])
    low, high = grid._quantiles(rows, 0.0)
    assert low[[0, 2]].tolist() == [1.0, 1.0]
    assert high[[0, 2]].tolist() == [3.0, np.inf]
    assert np.isnan([low[1], high[1]]).all()


def test_no_known_rung_is_refused() -> None:
    circuit = trace(boards.board(U1={"frequency": None}, D5={"current_rating": None}))
    with pytest.raises(ValueError, match="no ceiling"):
        nominal(Points(Case(circuit, 5.0, ()), 1, {}, Line(230.0, 50.0)))
