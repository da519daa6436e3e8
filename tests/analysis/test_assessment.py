"""Ladders with bands, corners and probabilities, for demands at one output voltage."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from boards import DEMOS, Changes, board, demo, demo_traced, nominal

from flyback.analysis import tolerance
from flyback.analysis.assessment import Assessment, assess
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question, ladder
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.inputs import dc_line, mains_line
from flyback.analysis.subharmonic import power_share
from flyback.analysis.trace import trace

LINES = [mains_line(90.0, 50.0), mains_line(230.0, 50.0)]
SAMPLES = 4096
POWERS = (4.0, 8.0, 10.0, 11.0, 12.0, 13.0, 14.0, 16.0, 20.0, 24.0, 30.0, 40.0)


def watts(*powers: float, voltage: float = 5.0) -> list[Demand]:
    return [Demand(f"{power:g} W", voltage, power=power) for power in powers]


@cache
def assessed(name: str, seed: int = 1) -> Assessment:
    voltage = DEMOS[name]
    demands = watts(*POWERS, voltage=voltage)
    return assess(trace(demo(name)), LINES, demands, voltage=voltage, samples=SAMPLES, seed=seed)


def plain(
    *demands: Demand, lines: list[Line] | None = None, samples: int = 512, **changes: Changes
) -> Assessment:
    circuit = trace(board(**changes))
    return assess(circuit, lines or LINES, demands or watts(10.0), voltage=5.0, samples=samples)


EVERY_DEMO = pytest.mark.parametrize("name", DEMOS)

# Bands and corners


@EVERY_DEMO
def test_nominal_lies_in_the_band_and_the_band_between_the_corners(name: str) -> None:
    """Within 1e-6, to which samples are solved.

    One rung is the weaker of two like parts, whose nominal equality is the best case: the ripple of the
    strip adapter's and the bedside charger's two output capacitors may be nominally above its band.
    """
    several = len(trace(demo(name)).keys["C_o"]) > 1
    for column in assessed(name).columns:
        bands = {step.rung.name: step.band for step in column.steps}
        for rung, band in {**bands, "lowest": column.lowest}.items():
            if math.isinf(band.nominal) and math.isinf(band.low):
                continue
            assert band.corner_low * (1 - 1e-6) <= band.low <= band.high, rung
            assert band.high <= band.corner_high * (1 + 1e-6), rung
            top = band.corner_high if several and rung == "capacitor ripple" else band.high
            assert band.low * (1 - 1e-6) <= band.nominal <= top * (1 + 1e-6), rung


@EVERY_DEMO
def test_corners_are_never_inside_the_sampled_extremes(name: str) -> None:
    circuit, _, V_o = demo_traced(name)
    case = Case(circuit, DEMOS[name], ())
    for line, column in zip((Line(90.0, 50.0), Line(230.0, 50.0)), assessed(name).columns, strict=True):
        for _, numbers in tolerance.blocks(circuit.values, 1024, seed=1):
            rows = case.ladder(circuit.supply(numbers), line)
            for step in column.steps:
                sampled = np.asarray(rows[step.rung.name].power)
                assert step.band.corner_low <= sampled.min() * (1 + 1e-6)
                assert step.band.corner_high >= sampled.max() * (1 - 1e-6)
    assert V_o > 0


def test_corners_hold_the_samples_where_a_limit_passes_the_best_pulse() -> None:
    """From 60 V with much leakage the clamp takes what less than about 0.36 Ω lets in."""
    sense = {"marking": None, "value": "0.36 ohm ±40 %", "tolerance": None, "origin": "marked"}
    circuit = trace(board(R3=sense, R4=None, T1={"leakage_inductance": "50 uH"}))
    only = {
        key: value if key == "R3.resistance" else replace(value, low=value.nominal, high=value.nominal)
        for key, value in circuit.values.items()
    }
    (column,) = assess(
        replace(circuit, values=only), [dc_line(60.0)], [], voltage=5.0, samples=1024
    ).columns
    band = next(step.band for step in column.steps if step.rung.name == "current limit")
    assert band.corner_low <= band.low < band.high <= band.corner_high
    powers = []
    for R_s in (0.52, 0.44, 0.36, 0.28, 0.20, 0.02):
        supply = nominal(circuit, R_s=R_s, R_on=4.5)
        powers.append(float(ladder(circuit, supply, Line(V_fixed=60.0), V_o=5.0)["current limit"].power))
    assert all(more >= less * (1 - 1e-9) for less, more in pairwise(powers)), "smaller never gives less"
    assert powers[-1] == pytest.approx(powers[-2], rel=1e-6), "both are past the best pulse"


@EVERY_DEMO
def test_bands_and_counts_of_an_own_count(name: str) -> None:
    """The same draws judged here: middle 95 % within a bin of 1/1024, and the demands counted."""
    circuit = trace(demo(name))
    case = Case(circuit, DEMOS[name], ())
    for line, column in zip((Line(90.0, 50.0), Line(230.0, 50.0)), assessed(name).columns, strict=True):
        ((_, numbers),) = tolerance.blocks(circuit.values, SAMPLES, seed=1)
        rows = case.ladder(circuit.supply(numbers), line)
        for step in column.steps:
            powers = np.broadcast_to(rows[step.rung.name].power, SAMPLES)
            if not np.isfinite(powers).all():
                continue
            low, high = np.quantile(powers, [0.025, 0.975])
            bin_width = 1.5 * float(step.ceiling.power) / tolerance.BINS_PER_UNIT
            assert step.band.low == pytest.approx(low * step.subharmonics, abs=bin_width), step.rung.name
            assert step.band.high == pytest.approx(high, abs=bin_width), step.rung.name
        for outcome in column.outcomes:
            for share, least in (
                (outcome.reach, lowest(rows, Question.REACH)),
                (outcome.both, lowest(rows)),
            ):
                reaching = int(np.broadcast_to(least >= outcome.demand.power, SAMPLES).sum())
                assert abs(share.count - reaching) <= 1


@EVERY_DEMO
def test_nominal_is_the_only_sample_without_spreads(name: str) -> None:
    circuit = trace(demo(name))
    exact = replace(
        circuit,
        values={key: replace(v, low=v.nominal, high=v.nominal) for key, v in circuit.values.items()},
    )
    demands = watts(*POWERS, voltage=DEMOS[name])
    found = assess(exact, LINES, demands, voltage=DEMOS[name], samples=1)
    for column, other in zip(found.columns, assessed(name).columns, strict=True):
        for step in column.steps:
            power, band = float(step.ceiling.power), step.band
            assert (band.high, band.corner_high) == pytest.approx((power, power), rel=1e-6)
            lowered = power * step.subharmonics
            assert (band.low, band.corner_low) == pytest.approx((lowered, lowered), rel=1e-6)
        assert [float(step.ceiling.power) for step in column.steps] == [
            float(step.ceiling.power) for step in other.steps
        ]
        for outcome in column.outcomes:
            reached = float(column.lowest.nominal) >= float(outcome.needed)
            assert outcome.both.value == float(reached)


@EVERY_DEMO
def test_steps_are_in_order(name: str) -> None:
    for column in assessed(name).columns:
        powers = [float(step.ceiling.power) for step in column.steps]
        assert powers == sorted(powers)
        assert column.binding.ceiling.power == column.lowest.nominal == powers[0]


# Demands


@EVERY_DEMO
def test_probabilities_fall_as_the_demand_rises(name: str) -> None:
    for column in assessed(name).columns:
        outcomes = column.outcomes
        assert [outcome.demand.power for outcome in outcomes] == list(POWERS)
        for shares in ([o.reach.count for o in outcomes], [o.both.count for o in outcomes]):
            assert shares == sorted(shares, reverse=True)
        assert all(outcome.both.count <= outcome.reach.count for outcome in outcomes)
        best = [outcome.best_case for outcome in outcomes]
        assert best == sorted(best, reverse=True)
        for outcome in outcomes:
            assert outcome.reach.samples == SAMPLES
            if outcome.both.count:
                assert outcome.best_case >= 1 - 1e-6, "what a sample reaches, a corner reaches"


@EVERY_DEMO
def test_best_case_is_the_highest_corner_over_the_demand(name: str) -> None:
    for column in assessed(name).columns:
        for outcome in column.outcomes:
            reached = outcome.best_case * float(outcome.needed)
            assert reached <= column.lowest.corner_high * (1 + 1e-6)
            assert reached == pytest.approx(column.lowest.corner_high, rel=0.02)


@EVERY_DEMO
def test_the_worst_line_is_the_one_with_the_lowest_ceiling(name: str) -> None:
    """For every demo board the low end of the range."""
    found = assessed(name)
    assert found.worst is found.columns[0]
    turned = assess(trace(demo(name)), LINES[::-1], watts(10.0), voltage=DEMOS[name], samples=128)
    assert turned.worst.line.V_ac == 90.0


def test_amps_are_reckoned_at_the_rail() -> None:
    """2 A from the bedside charger's one rail of 5.05 V."""
    circuit = trace(demo("bedside_charger"))
    demand = Demand("2 A", 5.0, current=2.0)
    (column,) = assess(circuit, LINES[:1], [demand], voltage=5.0, samples=128).columns
    assert column.outcome(demand).needed == pytest.approx(10.10)


# The voltage at which a demand is judged


@pytest.mark.parametrize(
    ("rail", "printed", "expected"),
    [
        ("5.05 V", 5.0, 5.05),
        ("5.70 V", 5.0, 5.70),  # 14 % off
        ("5.80 V", 5.0, 5.0),  # 16 % off: a port with several voltages
        ("4.30 V", 5.0, 4.30),
        ("4.20 V", 5.0, 5.0),
        ("5.05 V", 9.0, 9.0),
        (None, 5.0, 5.0),
    ],
)
def test_rail_voltage(rail: str | None, printed: float, expected: float) -> None:
    circuit = trace(board(rail={"voltage": rail} if rail else None))
    case = Case(circuit, printed, ())
    assert case.rail(nominal(circuit)) == pytest.approx(expected)
    assert case.socket(case.rail(nominal(circuit))) == pytest.approx(expected)


def test_behind_a_second_converter_the_rail_stays_and_the_sockets_are_printed() -> None:
    circuit = trace(board(rail={"voltage": "12 V"}, U5={"role": "post converter"}))
    case = Case(circuit, 5.0, (Demand("2 A", 5.0, current=2.0),))
    V_o = case.rail(nominal(circuit))
    assert (V_o, case.socket(V_o)) == (12.0, 5.0)
    assert case.needed(V_o) == [10.0]


def test_the_rail_varies_with_its_divider() -> None:
    circuit = trace(demo("wall_charger"))
    case = Case(circuit, 5.0, ())
    ((_, numbers),) = tolerance.blocks(circuit.values, 256)
    rails = case.rail(circuit.supply(numbers))
    assert rails.shape == (256,)
    assert rails.min() < 5.05 < rails.max()


# Guesses


def guessed(low: str, high: str) -> dict[str, Any]:
    return {"U1": {"limit_voltage": {"value": f"{low}..{high}", "origin": "guess"}}}


def test_guess_range() -> None:
    """What the guessed threshold alone does: the lowest ceiling at either end, over the demand."""
    demand = Demand("6 W", 5.0, power=6.0)
    (column,) = plain(demand, lines=LINES[1:], **guessed("0.4 V", "0.5 V")).columns
    expected = []
    for voltage in ("0.4 V", "0.5 V"):
        circuit = trace(board(**guessed("0.4 V", "0.5 V")))
        supply = nominal(circuit, V_limit=float(voltage.removesuffix(" V")))
        rows = ladder(circuit, supply, Line(230.0, 50.0), V_o=5.0)
        expected.append(float(lowest(rows)) / 6.0)
    assert column.outcome(demand).guess_range == pytest.approx(tuple(expected), rel=1e-6)


def test_without_a_guess_there_is_no_guess_range() -> None:
    outcomes = [outcome for column in plain().columns for outcome in column.outcomes]
    assert [outcome.guess_range for outcome in outcomes] == [None, None]


# What else a column tells


def test_bulk_share_is_the_elasticity_of_a_ceiling() -> None:
    """Against a central difference of the logarithms, within the step of 1 %."""
    found = plain(lines=LINES[:1])
    circuit = trace(board())
    powers = [
        ladder(circuit, nominal(circuit, C_bulk=22e-6 * factor), Line(90.0, 50.0), V_o=5.0)
        for factor in (0.99, 1.01)
    ]
    for step in found.columns[0].steps:
        low, high = (float(rows[step.rung.name].power) for rows in powers)
        expected = math.log(high / low) / math.log(1.01 / 0.99) if math.isfinite(low) else 0.0
        assert step.bulk_share == pytest.approx(expected, abs=0.02), step.rung.name


def test_a_bench_supply_has_no_bulk_share() -> None:
    (column,) = plain(lines=[dc_line(325.0)]).columns
    assert {step.bulk_share for step in column.steps} == {0.0}
    assert {step.mean_power for step in column.steps} == {None}


def test_alternating_pulses_widen_the_band_downwards() -> None:
    """The strip adapter at 90 V, above half duty without a ramp."""
    circuit, supply, V_o = demo_traced("strip_adapter")
    (column, _) = assessed("strip_adapter").columns
    step = next(step for step in column.steps if step.rung.name == "current limit")
    loaded = ladder(circuit, supply, Line(90.0, 50.0), V_o=V_o)["current limit"].loaded
    assert loaded is not None
    assert step.subharmonics == pytest.approx(power_share(supply, loaded.load))
    assert step.subharmonics < 1
    others = [step for step in column.steps if step.rung.name != "current limit"]
    assert {step.subharmonics for step in others} == {1.0}


def test_mean_power_stands_beside_the_current_limit() -> None:
    found = plain(lines=LINES[:1]).columns[0]
    given = {step.rung.name: step.mean_power for step in found.steps if step.mean_power is not None}
    assert list(given) == ["current limit"]
    limit = next(step for step in found.steps if step.rung.name == "current limit")
    assert given["current limit"] > limit.ceiling.power


def test_what_is_lacking() -> None:
    found = plain(T1={"core_area": None}, D5={"current_rating": None})
    assert found.lacking == {"saturation": ("T1.core_area",), "rectifier current": ("D5.current_rating",)}
    names = {step.rung.name for step in found.columns[0].steps}
    assert names.isdisjoint(found.lacking)
    assert plain().lacking == {}


def test_nothing_known_is_no_ladder() -> None:
    bare: dict[str, Any] = {"U1": {"frequency": None}, "D5": {"current_rating": None}}
    found = plain(**bare)
    assert [column.steps for column in found.columns] == [(), ()]
    assert [column.lowest.nominal for column in found.columns] == [math.inf, math.inf]


@EVERY_DEMO
def test_every_sample_of_the_demo_boards_settles(name: str) -> None:
    assert assessed(name).unsettled == 0


def test_samples_that_do_not_settle_are_counted() -> None:
    """1 µF at 90 V 50 Hz holds 8 mJ, and the pulses would take 0.1 J from one half-wave to the next."""
    found = plain(lines=LINES[:1], samples=256, C1={"value": "1 uF ±20 %"})
    assert found.unsettled == 256


# Repetition


def test_one_seed_repeats_exactly() -> None:
    first, again = assessed("wall_charger"), uncached("wall_charger", 1)
    assert picture(first) == picture(again)
    assert picture(first) != picture(uncached("wall_charger", 2))


def uncached(name: str, seed: int) -> Assessment:
    return assessed.__wrapped__(name, seed)


def picture(found: Assessment) -> list[tuple[object, ...]]:
    """Every figure of an assessment."""
    return [
        (step.rung.name, float(step.band.nominal), *figures(step.band.low, step.band.high))
        for column in found.columns
        for step in column.steps
    ] + [
        (outcome.demand.name, outcome.reach.count, outcome.both.count, outcome.best_case)
        for column in found.columns
        for outcome in column.outcomes
    ]


def figures(*numbers: float) -> tuple[float, ...]:
    return tuple(float(number) for number in numbers)


def test_a_further_line_changes_nothing_at_the_others() -> None:
    alone = plain(lines=LINES[:1])
    beside = plain(lines=[*LINES, dc_line(120.0)])
    assert picture(alone)[:5] == picture(beside)[:5]
