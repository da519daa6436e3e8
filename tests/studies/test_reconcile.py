"""Parts and readings together: the bedside charger, and boards whose delivered power is known."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from benches import AMERICA, EUROPE, drawn, load_test, simulated
from boards import DEMOS, demo, demo_traced

from flyback.analysis.assessment import assess
from flyback.analysis.bulk import Line
from flyback.analysis.demand import Demand
from flyback.analysis.inputs import mains_line
from flyback.analysis.trace import trace
from flyback.board.model import Board
from flyback.studies import likelihood
from flyback.studies import reconcile as under_test
from flyback.studies.observed import Observed
from flyback.studies.reconcile import MOVED, Interval, Reconciled, reconcile
from flyback.verdict.label import power_claims

LONG = bool(os.environ.get("FLYBACK_LONG"))
"""Set by the long run: more boards."""

SEED = 13
LOW = mains_line(90.0, 50.0)


def bedside_points(board: Board, *, wall: bool = True) -> list[Observed]:
    """The readings of the board's file, with the limits of a simple meter: 1 % and a digit, 10 mV."""
    points = []
    for number, test in enumerate(board.load_tests, start=1):
        (read,) = test.readings
        points.append(
            Observed(
                line=EUROPE,
                V_o=read.voltage,
                I_o=read.current,
                u_V=0.02,
                u_I=0.01 * read.current + 0.01,
                P_wall=test.wall_power if wall else None,
                u_P=0.01 * (test.wall_power or 0.0),
                where=f"load test {number}",
            )
        )
    return points


@cache
def bedside(*, wall: bool = True) -> Reconciled:
    board = demo("bedside_charger")
    circuit, _, V_set = demo_traced("bedside_charger")
    found = reconcile(
        circuit,
        bedside_points(board, wall=wall),
        V_set=V_set,
        demands=power_claims(board.label, V_set),
        lines=[LOW, mains_line(230.0, 50.0)],
    )
    assert found is not None
    return found


# --- the bedside charger --------------------------------------------------------------------------


def test_its_readings_agree_with_its_parts() -> None:
    found = bedside()
    assert found.contradiction is None
    assert found.p > 0.1
    assert found.terms == 10
    assert found.effective > 400
    assert [one.reading.sags for one in found.told] == [False, False, False, True, True]


def test_what_it_gives_is_known_far_better_than_from_its_parts() -> None:
    """2.75 A at 4.80 V and 3.0 A at 4.40 V are 4 % less than the nominal parts give."""
    at_230, at_90 = bedside().delivered
    assert (at_230.line.name, at_90.line.name) == ("230 V", "90 V")
    assert at_230.after.width < 0.25 * at_230.before.width
    assert at_230.after.median == pytest.approx(0.97 * at_230.before.median, rel=0.01)
    # where nothing was read more is left open, but much less than before
    assert at_230.after.width < at_90.after.width < 0.3 * at_90.before.width
    for one in bedside().told[3:]:
        assert one.after is not None
        assert one.after.low < one.reading.current < one.after.high


def test_its_claims_before_and_after() -> None:
    claims = {(claim.demand.name, claim.line.name): claim for claim in bedside().claims}
    total = claims["24 W in total", "90 V"]
    assert (total.both.before, total.both.after) == (0.0, 0.0)
    one_port = claims["2 A from one port", "90 V"]
    assert one_port.both.before == pytest.approx(0.89, abs=0.01)
    assert one_port.both.after > 0.98
    low, high = one_port.both.interval
    assert low <= one_port.both.after <= high + 1e-12


def test_its_values_after_the_readings() -> None:
    """The limit voltage, whose spread moves the current most, gives way first."""
    moved = bedside().moved
    assert moved[0].value.key == "U1.limit_voltage"
    assert moved[0].after.median < moved[0].before.median
    assert all(one.change > MOVED for one in moved)
    assert [one.change for one in moved] == sorted((one.change for one in moved), reverse=True)
    sense, limit = bedside().implied
    assert sense.low < 1.10 < sense.high
    assert limit.low < 0.80 < limit.high


def test_its_wall_powers_add_little_to_its_currents() -> None:
    """They cannot do more: what is left out is 0 to 10 % of the input."""
    with_wall, without = bedside().delivered[0].after, bedside(wall=False).delivered[0].after
    assert bedside(wall=False).terms == 5
    assert with_wall.median == pytest.approx(without.median, rel=0.01)
    assert with_wall.width == pytest.approx(without.width, rel=0.15)


def test_wall_powers_that_cannot_be_are_set_aside() -> None:
    """A wattmeter that shows half of it: the currents are judged without, as if none had been read."""
    board = demo("bedside_charger")
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [replace(point, P_wall=(point.P_wall or 0.0) / 2) for point in bedside_points(board)]
    found = reconcile(circuit, points, V_set=V_set, lines=[LOW])
    assert found is not None
    assert found.contradiction is None
    (told,) = found.left_out
    assert told.startswith(
        "The powers at the wall do not fit the output's and are set aside: 8.30 W was read in load test "
    )
    assert found.delivered[0] == bedside(wall=False).delivered[0]


# --- before the readings, and readings that say nothing -------------------------------------------


def test_before_is_what_the_assessment_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the closed form's own error, and on the same samples: to one sample on a limit's edge."""
    monkeypatch.setattr(likelihood, "MODEL", 0.0)
    monkeypatch.setattr(under_test, "ELSEWHERE", 0.0)
    board = demo("bedside_charger")
    circuit, _, V_set = demo_traced("bedside_charger")
    demands = [*power_claims(board.label, V_set), Demand("11 W", voltage=5.0, power=11.0)]
    lines = [LOW, mains_line(230.0, 50.0)]
    found = reconcile(
        circuit, bedside_points(board), V_set=V_set, demands=demands, lines=lines, samples=4096, ask=()
    )
    assert found is not None
    columns = assess(circuit, lines, demands, voltage=5.0, samples=4096).columns
    assert len(found.claims) == len(lines) * len(demands)
    for claim in found.claims:
        column = next(column for column in columns if column.line.name == claim.line.name)
        outcome = column.outcome(claim.demand)
        assert claim.reach.before == pytest.approx(outcome.reach.value, abs=1.5 / 4096)
        assert claim.both.before == pytest.approx(outcome.both.value, abs=1.5 / 4096)


def test_readings_that_say_nothing_change_nothing() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    demands = [Demand("13.6 W", voltage=5.0, power=13.6)]
    idle = Observed(EUROPE, V_set, 0.05, u_V=0.02, u_I=0.01)
    found = reconcile(circuit, [idle], V_set=V_set, demands=demands, lines=[LOW], samples=4096, ask=())
    assert found is not None
    assert found.effective == pytest.approx(4096)
    assert found.moved == ()
    for delivered in found.delivered:
        assert _numbers(delivered.after) == pytest.approx(_numbers(delivered.before))
    (claim,) = found.claims
    assert claim.both.after == pytest.approx(claim.both.before)


def _numbers(interval: Interval) -> tuple[float, float, float]:
    return interval.low, interval.median, interval.high


def test_no_reading_that_can_be_used() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    assert reconcile(circuit, [], V_set=V_set) is None
    assert reconcile(circuit, [Observed(EUROPE, 5.0, 0.0, 0.02, 0.01)], V_set=V_set) is None


def test_nothing_is_concluded_from_a_contradiction() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    demands = [Demand("10 W", voltage=5.0, power=10.0)]
    points = [Observed(EUROPE, 4.8, 0.92, 0.02, 0.02)]
    found = reconcile(circuit, points, V_set=V_set, demands=demands, lines=[LOW], samples=4096)
    assert found is not None
    assert found.contradiction is not None
    assert found.effective == 0
    assert (found.moved, found.delivered, found.claims) == ((), (), ())
    assert [one.after for one in found.told] == [None]
    assert found.implied != ()


def test_the_same_seed_gives_the_same_result() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [Observed(EUROPE, 4.8, 3.45, 0.01, 0.01), Observed(EUROPE, 4.4, 3.74, 0.01, 0.01)]
    first, second = (reconcile(circuit, points, V_set=V_set, samples=4096, seed=SEED) for _ in range(2))
    assert first is not None
    assert first.method.startswith("adaptive")
    assert first == second
    other = reconcile(circuit, points, V_set=V_set, samples=4096, seed=SEED + 1)
    assert other != first


def test_adaptive_samples_give_what_very_many_plain_ones_give() -> None:
    """The way round thin samples, on a board: the same bands as weights on 65 536 samples."""
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [Observed(EUROPE, 4.8, 3.45, 0.01, 0.01), Observed(EUROPE, 4.4, 3.74, 0.01, 0.01)]
    demands = [Demand("13.6 W", voltage=5.0, power=13.6)]

    def found(samples: int) -> Reconciled:
        result = reconcile(
            circuit, points, V_set=V_set, demands=demands, lines=[LOW], samples=samples, ask=()
        )
        assert result is not None
        return result

    few, many = found(4096), found(65_536)
    assert (few.method.startswith("adaptive"), many.method.startswith("adaptive")) == (True, False)
    for adaptive, plain in zip(few.delivered, many.delivered, strict=True):
        assert _numbers(adaptive.after) == pytest.approx(_numbers(plain.after), rel=3e-3)
    noise = 4 * np.sqrt(0.25 / min(few.effective, many.effective))
    assert few.claims[0].both.after == pytest.approx(many.claims[0].both.after, abs=noise)
    assert 0.05 < many.claims[0].both.after < 0.95


# --- boards whose delivered power is known --------------------------------------------------------


@dataclass(frozen=True)
class Trial:
    """A simulated board: power it really gives at 230 V and 115 V, and the bands for both [W]."""

    truth: tuple[float, float]
    before: tuple[Interval, Interval]
    after: tuple[Interval, Interval]
    contradicted: bool


@cache
def trial(number: int) -> Trial:
    name = list(DEMOS)[number % len(DEMOS)]
    circuit = trace(demo(name))
    V_set = demo_traced(name)[2]
    numbers = drawn(circuit, seed=7000 + number)
    points, P_o = load_test(circuit, numbers, V_set, seed=number)
    (elsewhere,) = simulated(circuit, numbers, V_set, [V_set], AMERICA)
    found = reconcile(circuit, points, V_set=V_set, lines=[AMERICA], samples=4096, ask=())
    assert found is not None
    nothing = Interval(0.0, 0.0, 0.0)
    before = tuple(one.before for one in found.delivered) or (nothing, nothing)
    after = tuple(one.after for one in found.delivered) or (nothing, nothing)
    return Trial(
        truth=(P_o, V_set * elsewhere),
        before=(before[0], before[1]),
        after=(after[0], after[1]),
        contradicted=found.contradiction is not None,
    )


def coverage(trials: Sequence[Trial], at: int, *, shrunk: float = 1.0) -> float:
    """Share of the boards whose power lies in its band."""
    inside = []
    for one in trials:
        band = one.after[at]
        half = shrunk * band.width / 2
        middle = (band.low + band.high) / 2
        inside.append(abs(one.truth[at] - middle) <= half)
    return float(np.mean(inside))


BOARDS = 200 if LONG else 20

# of 200 boards a right band holds 90 to 99 %; of 20 it may miss three
LEAST, MOST = (0.90, 0.99) if LONG else (0.85, 1.0)


def test_the_band_of_the_delivered_power_holds_it() -> None:
    trials = [trial(number) for number in range(BOARDS)]
    assert sum(one.contradicted for one in trials) <= BOARDS / 100
    shares = [coverage(trials, at) for at in range(2)]
    held = " and ".join(f"{share:.1%}" for share in shares)
    print(f"\n95 % bands of {BOARDS} boards hold {held} of them")
    for share in shares:
        assert LEAST <= share <= MOST
    # and it is worth having
    narrower = [one.after[0].width / one.before[0].width for one in trials]
    assert np.mean(narrower) < 0.25


def test_a_band_of_two_fifths_the_width_would_not() -> None:
    trials = [trial(number) for number in range(BOARDS)]
    assert coverage(trials, 0, shrunk=0.4) < LEAST


def test_a_resistor_that_is_off_shows_in_the_delivered_power() -> None:
    """R3 || R4 3 % high: the parts alone cannot know, the readings can."""
    circuit, _, V_set = demo_traced("wall_charger")
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    numbers |= {key: 1.03 * numbers[key] for key in circuit.keys["R_s"]}
    points, P_o = load_test(circuit, numbers, V_set, seed=SEED)
    found = reconcile(circuit, points, V_set=V_set, samples=4096, ask=())
    assert found is not None
    assert found.contradiction is None
    (delivered,) = found.delivered
    assert delivered.after.low < P_o < delivered.after.high
    assert abs(delivered.after.median - P_o) < abs(delivered.before.median - P_o)


def test_values_of_one_cause_are_told_once() -> None:
    circuit = trace(demo("bedside_charger", R6={"same_reel_as": "R5"}, R5={"tolerance": "20 %"}))
    points = [Observed(EUROPE, 4.8, 2.4, 0.01, 0.02), Observed(EUROPE, 4.4, 2.6, 0.01, 0.02)]
    found = reconcile(circuit, points, V_set=5.05, samples=4096, ask=())
    assert found is not None
    keys = [one.value.key for one in found.moved]
    assert "R5.resistance" in keys
    assert "R6.resistance" not in keys


def test_a_line_that_was_read_carries_no_further_uncertainty() -> None:
    circuit, _, V_set = demo_traced("wall_charger")
    point = Observed(EUROPE, 0.9 * V_set, 3.2, 0.01, 0.01)
    near = Line(V_ac=230.5, f_line=50.0)
    found = reconcile(circuit, [point], V_set=V_set, lines=[EUROPE, near], samples=4096, ask=())
    assert found is not None
    here, there = (one.after.width / one.after.median for one in found.delivered)
    assert np.sqrt(there**2 - here**2) == pytest.approx(2 * 1.96 * under_test.ELSEWHERE, rel=0.3)


def test_readings_left_out_are_told() -> None:
    circuit, _, V_set = demo_traced("wall_charger")
    circuit = replace(circuit, board=replace(circuit.board, tried_on=None))
    points = [
        Observed(EUROPE, V_set, 1.0, 0.01, 0.01),
        Observed(None, V_set, 2.0, 0.01, 0.01, where="log 7"),
    ]
    found = reconcile(circuit, points, V_set=V_set, samples=1000, ask=())
    assert found is not None
    assert found.left_out == ("log 7: no mains voltage is noted.",)
    assert len(found.told) == 1
