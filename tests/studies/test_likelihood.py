"""What readings say of a set of numbers: against matrices written out, and against the simulation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from benches import EUROPE, nominal_numbers, simulated
from boards import DEMOS, Changes, board, demo_traced, traced
from scipy import stats

from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.load_point import load_point
from flyback.analysis.waveforms import cycle, steady
from flyback.analysis.waveforms import traced as circuits
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.scene import charged
from flyback.errors import RequestError
from flyback.studies.likelihood import (
    FACTOR,
    IN_COMMON,
    MODEL,
    SHAPE,
    WALL,
    WALL_SHAPE,
    WALL_SPREAD,
    LoadTest,
    load_test,
)
from flyback.studies.observed import Observed
from flyback.studies.scores import Prior

SEED = 5
ROWS = 40


def reading(V_o: float, I_o: float, **other: Any) -> Observed:
    return Observed(**{"line": EUROPE, "V_o": V_o, "I_o": I_o, "u_V": 0.015, "u_I": 0.02, **other})


def samples_of(circuit: Circuit, count: int = ROWS) -> tuple[Prior, Any]:
    prior = Prior.of(circuit.values, (FACTOR,))
    return prior, prior.draw(count, seed=SEED)


def predicted(circuit: Circuit, V_set: float, points: Sequence[Observed]) -> tuple[LoadTest, Any]:
    """What the nominal board gives for readings."""
    exact = {
        key: replace(value, low=value.nominal, high=value.nominal) for key, value in circuit.values.items()
    }
    test = load_test(circuit, points, V_set=V_set)
    return test, test.predicted(Prior.of(exact, (FACTOR,)), np.zeros((1, 1)))


# --- what a reading says --------------------------------------------------------------------------


def test_readings_that_sag_and_readings_that_do_not() -> None:
    """Within 3 % of the set voltage, or three of its own uncertainties, a reading counts as regulated."""
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [reading(V_set * share, 2.0) for share in (1.01, 0.975, 0.965)]
    vague = reading(V_set * 0.965, 2.0, u_V=0.1)
    test = load_test(circuit, [*points, vague], V_set=V_set)
    assert [one.sags for one in test.readings] == [False, False, True, False]


def test_the_uncertainty_of_a_current() -> None:
    """At a constant power, which a current limit gives, the current falls as fast as the volts rise."""
    circuit, supply, V_set = demo_traced("bedside_charger")
    (one,) = load_test(circuit, [reading(4.4, 3.0)], V_set=V_set).readings
    (there,) = simulated(circuit, nominal_numbers(circuit), V_set, [4.4])
    slope = there / (4.4 + float(supply.V_f))
    assert one.u_meter == pytest.approx(np.hypot(0.02, slope * 0.015), rel=0.01)
    assert one.sigma == pytest.approx(np.hypot(one.u_meter, SHAPE * 3.0))


def test_readings_that_are_not_used() -> None:
    stopping = {"U1": {"supply_stop": "8 V"}, "T1": {"auxiliary_turns": 16}}
    circuit, _ = traced(board(**stopping))
    points = [
        reading(5.0, 1.0),
        reading(2.0, 1.0, where="load test 2"),
        reading(5.0, 1.0, line=None, where="load test 3"),
        reading(5.0, 0.0, where="load test 4"),
    ]
    test = load_test(circuit, points, V_set=5.0)
    assert [one.observed for one in test.readings] == points[:1]
    # 8 V x 8 / 16 less the rectifier's 0.45 V
    assert test.left_out == (
        "load test 2: below 3.55 V the controller stops and starts again, and what it gives in the mean is "
        "not computed.",
        "load test 3: no mains voltage is noted.",
        "load test 4: without volts or amps it says nothing.",
    )


def test_the_mains_it_was_tried_on() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    (one,) = load_test(circuit, [reading(4.4, 3.0, line=None)], V_set=V_set).readings
    assert one.line == EUROPE


def test_what_is_unknown_is_asked_for() -> None:
    circuit, _ = traced(board(U1={"limit_voltage": "unknown"}))
    with pytest.raises(RequestError, match=r"U1\.limit_voltage"):
        load_test(circuit, [reading(5.0, 1.0)], V_set=5.0)


def test_numbers_beyond_the_formulas_are_told() -> None:
    circuit, _ = traced(board())
    with np.errstate(all="ignore"):
        points = [reading(np.inf, 1.0, where="load test 1"), reading(5.0, 1.0)]
        found = load_test(circuit, points, V_set=5.0)
    assert len(found.readings) == 1
    assert "load test 1" in found.left_out[0]


# --- likelihoods, the covariances written out -----------------------------------------------------


def scatter(sigma: Sequence[float], meter: Sequence[float]) -> Any:
    size = range(len(sigma))
    return np.array(
        [[(i == j) * sigma[i] ** 2 + IN_COMMON * meter[i] * meter[j] for j in size] for i in size]
    )


def test_sagging_readings_are_normal_with_a_common_error() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    test = load_test(circuit, [reading(4.7, 2.9), reading(4.2, 3.1), reading(3.6, 3.6)], V_set=V_set)
    prior, scores = samples_of(circuit)
    found = test.predicted(prior, scores)
    judged = test.judged(prior, scores, found)
    noise = scatter([r.sigma for r in test.readings], [r.u_meter for r in test.readings])
    read = np.array([r.current for r in test.readings])
    for I_o, log, misfit, score, factor in zip(
        found.I_o, judged.logs, judged.misfit, scores[:, prior.columns[FACTOR]], judged.factor, strict=True
    ):
        both = noise + MODEL**2 * np.outer(I_o, I_o)
        exact = stats.multivariate_normal.logpdf(read, mean=I_o, cov=both)
        assert log == pytest.approx(exact + 1.5 * np.log(2 * np.pi), rel=1e-9)
        assert misfit == pytest.approx((read - I_o) @ np.linalg.solve(both, read - I_o))
        # the error that is left, by the rules for normal variables that are known in part
        gain = MODEL * I_o @ np.linalg.inv(both)
        middle, spread = gain @ (read - I_o), np.sqrt(1 - MODEL * gain @ I_o)
        assert factor == pytest.approx(1 + MODEL * (middle + spread * score))


def test_regulated_readings_are_at_least() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    test = load_test(circuit, [reading(V_set, 2.6), reading(V_set, 2.4, u_I=0.1)], V_set=V_set)
    prior, scores = samples_of(circuit)
    found = test.predicted(prior, scores)
    judged = test.judged(prior, scores, found)
    factor = 1 + MODEL * scores[:, prior.columns[FACTOR]]
    expected = sum(
        stats.norm.logcdf((found.I_o[:, k] * factor - one.current) / one.sigma)
        for k, one in enumerate(test.readings)
    )
    assert judged.factor == pytest.approx(factor)
    assert judged.logs == pytest.approx(expected, abs=1e-4)


def test_a_wall_power_adds_its_own() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    plain = [reading(4.7, 2.9), reading(4.2, 3.1)]
    walled = [replace(point, P_wall=P, u_P=0.2) for point, P in zip(plain, (16.6, 16.4), strict=True)]
    prior, scores = samples_of(circuit)
    both = [load_test(circuit, points, V_set=V_set) for points in (plain, walled)]
    found = both[1].predicted(prior, scores)
    without, judged = (test.judged(prior, scores, found) for test in both)
    assert judged.of_currents == pytest.approx(without.misfit)
    noise = scatter([np.hypot(0.2, WALL_SHAPE * P) for P in (16.6, 16.4)], [0.2, 0.2])
    for P_in, difference in zip(found.P_wall, judged.logs - without.logs, strict=True):
        # both readings sag, so that the closed form's own error is in both
        scattered = noise + (WALL_SPREAD**2 + (MODEL * WALL) ** 2) * np.outer(P_in, P_in)
        exact = stats.multivariate_normal.logpdf([16.6, 16.4], mean=WALL * P_in, cov=scattered)
        assert difference == pytest.approx(exact + np.log(2 * np.pi), rel=1e-9)


def test_the_closed_forms_error_at_the_limit_is_not_in_a_wall_power_below_it() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    watts = (6.4, 16.6)
    points = [reading(5.05, 1.0), reading(4.7, 2.9)]
    walled = [replace(point, P_wall=P, u_P=0.2) for point, P in zip(points, watts, strict=True)]
    prior, scores = samples_of(circuit)
    test = load_test(circuit, walled, V_set=V_set)
    found = test.predicted(prior, scores)
    bare = load_test(circuit, points, V_set=V_set).judged(prior, scores, found)
    noise = scatter([np.hypot(0.2, WALL_SHAPE * P) for P in watts], [0.2, 0.2])
    gained = test.judged(prior, scores, found).logs - bare.logs
    for P_in, difference in zip(found.P_wall, gained, strict=True):
        own = np.diag([0.0, (MODEL * WALL * P_in[1]) ** 2])
        scattered = noise + WALL_SPREAD**2 * np.outer(P_in, P_in) + own
        exact = stats.multivariate_normal.logpdf(watts, mean=WALL * P_in, cov=scattered)
        assert difference == pytest.approx(exact + np.log(2 * np.pi), rel=1e-9)


def test_a_likelihood_that_is_not_a_number_is_none() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    test = load_test(circuit, [reading(4.7, 2.9)], V_set=V_set)
    prior, scores = samples_of(circuit, 2)
    found = test.predicted(prior, scores)
    found.I_o[0] = np.nan
    judged = test.judged(prior, scores, found)
    assert judged.logs[0] == -np.inf
    assert judged.misfit[0] == np.inf
    assert np.isfinite(judged.logs[1])


# --- against the simulation -----------------------------------------------------------------------


@pytest.mark.parametrize("name", DEMOS)
def test_currents_are_those_of_the_simulation(name: str) -> None:
    """Within two and a half of the standard uncertainty that the closed form is given."""
    circuit, _, V_set = demo_traced(name)
    volts = [0.9 * V_set, 0.7 * V_set]
    currents = simulated(circuit, nominal_numbers(circuit), V_set, volts)
    _, found = predicted(
        circuit, V_set, [reading(V, amps) for V, amps in zip(volts, currents, strict=True)]
    )
    assert found.I_o[0] == pytest.approx(currents, rel=2.5 * MODEL)
    # and along one curve closer than that
    assert found.I_o[0, 0] / currents[0] == pytest.approx(found.I_o[0, 1] / currents[1], rel=2.5 * SHAPE)


SERIES = {"R1": {"role": "series resistor", "value": "10 ohm", "origin": "marked"}}


@pytest.mark.parametrize("line", [EUROPE, Line(115.0, 60.0)], ids=lambda line: line.name)
@pytest.mark.parametrize("changes", [{}, SERIES], ids=["no series resistor", "10 ohm"])
def test_input_powers_are_those_of_the_simulation(changes: dict[str, Changes], line: Line) -> None:
    """At the limit, to 1 %: far closer than the losses left out on both sides."""
    circuit, _, V_set = demo_traced("wall_charger", **changes)
    converter = circuits.converter(circuit, nominal_numbers(circuit), line, V_set=V_set)
    limited = replace(steady.unregulated(converter), output=())
    load = Load.constant("voltage", 0.9 * V_set)
    state = replace(charged(limited, load), v_out=(0.9 * V_set,))
    for _ in range(4):
        run = cycle.simulate(limited, load, state, span=1 / float(line.f_line or 1))
        state = run.state
    P_line = run.figures.P_line
    point = reading(0.9 * V_set, run.figures.I_o, line=line, P_wall=P_line, u_P=0.1)
    _, found = predicted(circuit, V_set, [point])
    assert found.P_wall[0, 0] == pytest.approx(P_line, rel=0.01)


def test_input_power_in_regulation_is_that_of_the_load() -> None:
    circuit, supply, V_set = demo_traced("bedside_charger")
    _, found = predicted(
        circuit, V_set, [reading(V_set, 2.0, P_wall=12.5), reading(V_set, 0.2, P_wall=1.6)]
    )
    point = load_point(circuit, supply, EUROPE, V_o=V_set, I_o=2.0)
    assert point is not None
    P_in, bridge = float(point.pulse.P_in), 2 * float(supply.V_d or 0)
    # the rectifier's drop over the bulk voltage; the charging current flows at the crest
    assert found.P_wall[0, 0] == pytest.approx(P_in * (1 + bridge / float(point.V_mean)), rel=2e-3)
    assert np.isnan(found.P_wall[0, 1])  # so light a load is mostly what is left out


# --- controllers that stop ------------------------------------------------------------------------


def test_what_lasts_is_asked_of_the_overload_timer() -> None:
    """In regulation as much must last; while the voltage has given way every pulse is at the limit."""
    timed, _ = traced(board(U1={"overload_voltage": "0.60 V"}))
    plain, _ = traced(board())
    points = [reading(5.0, 2.0), reading(4.5, 2.5)]
    (with_timer,) = predicted(timed, 5.0, points)[1].I_o
    (without,) = predicted(plain, 5.0, points)[1].I_o
    assert with_timer[0] == pytest.approx(without[0] * (0.6 / 0.8) ** 2, rel=0.12)
    assert with_timer[1] == pytest.approx(without[1])


def test_a_sample_whose_controller_has_stopped_gives_nothing() -> None:
    stopping = {"U1": {"supply_stop": "8 V ±10 %"}, "T1": {"auxiliary_turns": 16}}
    circuit, _ = traced(board(**stopping))
    test = load_test(circuit, [reading(3.6, 2.0)], V_set=5.0)
    prior, scores = samples_of(circuit, 1000)
    I_o = test.predicted(prior, scores).I_o[:, 0]
    # it has stopped where V_stop x 8 / 16 - 0.45 V > 3.6 V: from 8.1 V on, of 7.2 to 8.8 V
    assert np.mean(I_o == 0) == pytest.approx(0.7 / 1.6, abs=4 * np.sqrt(0.25 / 1000))
    assert np.all(test.log_likelihood(prior, scores)[I_o == 0] < -1000)
