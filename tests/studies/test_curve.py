"""What a measured curve says, against curves with known answers; `test_curve_rates` counts how often."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from measured_curves import observed, probability
from worked import board

from flyback.analysis.bulk import Line
from flyback.analysis.trace import trace
from flyback.analysis.waveforms.limit_points import limit_points
from flyback.board.model import LoadReading, LoadTest
from flyback.errors import RequestError
from flyback.studies.curve import CANNOT_TELL, CurveReading, read_curve, read_curves
from flyback.studies.curve_shapes import KINDS
from flyback.studies.curve_words import Parameter
from flyback.studies.readings import observe

EUROPE, JAPAN = Line(230.0, 50.0), Line(100.0, 50.0)

BEDSIDE = [5.06, 5.04, 5.02, 4.80, 4.40], [1.0, 2.0, 2.6, 2.75, 3.0]
"""The load test of the bedside charger at 230 V."""

LOOP = [5.0, 5.0, 5.0, 4.7, 4.2, 3.5], [0.3, 0.6, 1.0, 1.045, 1.052, 1.060]
CABLE = [4.93, 4.81, 4.69, 4.57, 4.45], [0.5, 1.0, 1.5, 2.0, 2.5]
FOLDS = [5.0, 5.0, 5.0, 4.5, 3.5, 2.5], [0.3, 0.6, 1.0, 0.95, 0.80, 0.66]
RESTARTS = [5.0, 5.0, 5.0, 1.2, 0.7], [0.3, 0.6, 1.0, 0.30, 0.10]
HELD = [5.05, 5.04, 5.03, 5.02], [0.5, 1.0, 1.5, 2.0]
"""Written by hand: a current loop at 1.04 A, 0.24 ohm, a current that folds back to a third, a controller
that starts again and again, and a device that asks for 2 A."""


def value(reading: CurveReading, name: str) -> tuple[float, float]:
    assert reading.best is not None
    return next((found.value, found.u) for found in reading.best.parameters if found.name == name)


# --- curves with known answers --------------------------------------------------------------------


def test_the_bedside_charger_gives_a_constant_power() -> None:
    """5.02 V x 2.6 A = 13.05 W is held, 4.80 x 2.75 = 4.40 x 3.0 = 13.2 W is not."""
    reading = read_curve(observed(*BEDSIDE, line=EUROPE))
    assert reading.word == "constant power"
    assert probability(reading, "constant power") > 0.9
    assert reading.knee is not None
    assert 2.6 < reading.knee.I_o < 2.75
    P, u_P = value(reading, "power at the knee")
    assert abs(P - 13.2) < 2 * u_P < 0.3
    assert value(reading, "exponent m of the current, which goes as volts^-m")[0] == pytest.approx(
        1, abs=0.1
    )
    assert "Every pulse is at its limit" in reading.candidates[0].explained


def test_cheap_meters_still_tell_it() -> None:
    """0.8 % in volts and 1.6 % in amps, about what a USB meter without a data sheet is good for."""
    better = observed(*BEDSIDE, line=EUROPE)
    points = [replace(point, u_V=0.008 * point.V_o, u_I=0.016 * point.I_o) for point in better]
    reading = read_curve(points)
    assert reading.word == "constant power"
    most = probability(read_curve(better), "constant power")
    assert 0.8 < probability(reading, "constant power") < most


def test_a_current_loop() -> None:
    reading = read_curve(observed(*LOOP))
    assert reading.word == "constant current"
    assert reading.knee is not None
    assert abs(reading.knee.I_o - 1.045) < 2 * reading.knee.u_I
    assert "holds the current at 1.04" in reading.candidates[0].explained


def test_a_cable() -> None:
    reading = read_curve(observed(*CABLE))
    assert (reading.word, reading.knee) == ("linear droop", None)
    R, u_R = value(reading, "resistance of the straight part")
    assert abs(R - 0.24) < 2 * u_R
    assert "cable" in reading.candidates[0].explained


def test_a_fold_back() -> None:
    reading = read_curve(observed(*FOLDS))
    assert reading.word == "fold-back or restart"
    # the straight line through (0.95 A, 4.5 V) and (0.66 A, 2.5 V) meets the axis at 0.30 A
    I_short, u = value(reading, "current at a short circuit")
    assert abs(I_short - 0.30) < 2 * u
    assert "takes the current back" in reading.candidates[0].explained


def test_a_controller_that_starts_again() -> None:
    reading = read_curve(observed(*RESTARTS))
    assert (reading.word, reading.knee) == ("fold-back or restart", None)
    assert "2 readings collapsed" in reading.candidates[0].explained


def test_readings_that_alternate_at_one_load() -> None:
    reading = read_curve(observed([5.0, 5.0, 4.99, 1.1, 5.0, 0.8], [0.3, 0.6, 1.0, 0.22, 1.0, 0.16]))
    assert reading.word == "fold-back or restart"


def test_one_collapse_may_be_a_bad_contact() -> None:
    reading = read_curve(observed([5.0, 5.0, 5.0, 0.0], [0.3, 0.6, 1.0, 0.0]))
    assert reading.word == CANNOT_TELL
    assert any("only one reading collapsed" in notice for notice in reading.notices)
    watched = read_curve(observed([5.0, 5.0, 5.0, 0.0], [0.3, 0.6, 1.0, 0.0]), restarts=True)
    assert watched.word == "fold-back or restart"


def test_a_device_that_asks_for_less() -> None:
    reading = read_curve(observed(*HELD))
    assert (reading.word, reading.knee) == ("asks for less", None)
    assert "only that 10.0 W can be had" in reading.candidates[0].explained


def test_volts_that_rise_with_the_load() -> None:
    reading = read_curve(observed([5.0, 5.1, 5.2, 5.3], [0.0, 1.0, 2.0, 3.0]))
    assert any("makes up for its cable" in notice for notice in reading.notices)


def test_a_cable_before_the_knee_is_told() -> None:
    V, I_o = np.array(LOOP[0]), np.array(LOOP[1])
    reading = read_curve(observed(V - 0.3 * I_o, I_o))
    assert reading.word == "constant current"
    R, u_R = value(reading, "resistance of the straight part")
    assert abs(R - 0.3) < 2 * u_R
    assert any("Even before the knee" in notice for notice in reading.notices)


@pytest.mark.parametrize(
    ("name", "V_ac", "kind", "least", "most"),
    [
        ("hall_charger", 230.0, "constant current", -0.05, 0.15),
        ("bedside_charger", 230.0, "constant power", 0.9, 1.1),
        ("travel_cube", 230.0, "constant power", 0.3, 0.6),
        ("travel_cube", 115.0, "constant power", 0.8, 1.0),
    ],
)
def test_what_the_switching_simulation_gives(
    name: str, V_ac: float, kind: str, least: float, most: float
) -> None:
    """The cube runs at the boundary of conduction at 230 V. At 115 V the bulk is emptied in every period,
    which brings a constant energy: into a held output that is a constant power, without a bend.
    """
    circuit = trace(board(name))
    numbers = {key: float(found.nominal) for key, found in circuit.values.items()}
    V_set = 5.05 if name == "bedside_charger" else 5.0
    asked = V_set * np.array([0.98, 0.95, 0.9, 0.85, 0.8])
    line = Line(V_ac, 50.0)
    simulated = limit_points(circuit, numbers, line, V_set=V_set, V_o=asked)
    V, I_o = np.array([point[:2] for point in simulated]).T
    held = I_o[0] * np.array([0.3, 0.6, 0.9])
    points = observed(np.append(np.full(3, V_set), V), np.append(held, I_o), line)
    reading = read_curve(points, dips=False)
    assert reading.word == kind
    m, _ = value(reading, "exponent m of the current, which goes as volts^-m")
    assert least < m < most
    # the knee is where the limit's current is reached at the set voltage
    assert reading.knee is not None
    at_set = np.interp(V_set, V[1::-1], I_o[1::-1]) - (I_o[1] - I_o[0]) / (V[0] - V[1]) * (V_set - V[0])
    assert abs(reading.knee.I_o - at_set) < 2 * reading.knee.u_I


def test_it_is_less_likely_where_the_bulk_has_plenty() -> None:
    """At 230 V the odds are a quarter of those at 100 V, where the same supply works as well."""
    low, high = (
        probability(read_curve(observed(*BEDSIDE, line=line)), "soft knee") for line in (JAPAN, EUROPE)
    )
    assert low / (1 - low) == pytest.approx(4 * high / (1 - high))
    unknown = probability(read_curve(observed(*BEDSIDE)), "soft knee")
    assert unknown == pytest.approx(low)


# --- when it cannot be told -----------------------------------------------------------------------


def test_one_reading_beyond_the_knee_says_little() -> None:
    reading = read_curve(observed(BEDSIDE[0][:4], BEDSIDE[1][:4]))
    assert reading.word == CANNOT_TELL
    assert reading.best is not None
    assert reading.best.probability < 0.6
    assert any("constant power" in notice and "%" in notice for notice in reading.notices)
    assert any("at the knee or beyond" in notice for notice in reading.notices)


FORETOLD = re.compile(
    r"Load it with ([\d.]+) ohm: ([a-z -]+) foretells ([\d.]+) V \(([\d.]+) A\), "
    r"([a-z -]+) ([\d.]+) V \(([\d.]+) A\); read the volts to ±([\d.]+) V or better\."
)


def test_the_reading_it_asks_for_tells_the_two_apart() -> None:
    V, I_o = BEDSIDE[0][:4], BEDSIDE[1][:4]
    reading = read_curve(observed(V, I_o))
    found = FORETOLD.fullmatch(reading.tells_apart)
    assert found is not None
    ohm, V_first, I_first, V_second, I_second, accuracy = (float(found[k]) for k in (1, 3, 4, 6, 7, 8))
    assert (found[2], found[5]) == tuple(candidate.kind for candidate in reading.candidates[:2])
    # printed to 0.01 V and 0.01 A
    assert pytest.approx(ohm, rel=0.01) == V_first / I_first
    assert pytest.approx(ohm, rel=0.01) == V_second / I_second
    assert accuracy == pytest.approx(abs(V_first - V_second) / 4, rel=0.15)
    for name, volts, amps in ((found[2], V_first, I_first), (found[5], V_second, I_second)):
        settled = read_curve(observed([*V, volts], [*I_o, amps]))
        assert settled.best is not None
        assert settled.best.kind == name
        assert settled.best.probability > 0.75


@pytest.mark.parametrize(
    ("curve", "words"),
    [
        (LOOP, "No further reading is needed to tell constant current from the rest."),
        (([5.06, 5.03, 5.00, 4.97], HELD[1]), "measure at the board's own output"),
        (BEDSIDE, "Look at the output with a scope where the volts begin to fall: dips at the mains fre"),
        (HELD, "Load it with 1.93 ohm: asks for less foretells 5.01 V (2.60 A)"),
        (([5.0, 5.0, 5.0, 3.4], [0.3, 0.6, 1.0, 0.65]), "watch the output for half a minute"),
    ],
)
def test_what_tells_kinds_apart(curve: tuple[list[float], list[float]], words: str) -> None:
    V, I_o = curve
    points = observed(V, I_o)
    if curve is BEDSIDE:
        points = [replace(point, u_V=3 * point.u_V, u_I=3 * point.u_I) for point in points]
    assert words in read_curve(points).tells_apart


@pytest.mark.parametrize("line", [EUROPE, JAPAN])
def test_what_is_known_either_way_is_told(line: Line) -> None:
    """Whether soft or not, the knee of these is at 13 W."""
    points = [replace(one, u_V=3 * one.u_V, u_I=3 * one.u_I) for one in observed(*BEDSIDE, line=line)]
    either_way = [word for word in read_curve(points).notices if "either way about 13.2 W" in word]
    assert len(either_way) == (line is JAPAN)


def test_readings_that_fit_nothing_are_not_believed() -> None:
    reading = read_curve(observed([5.1, 5.0, 4.9, 4.7, 2.0], [0.01, 0.6, 1.0, 0.8, 1.4]))
    assert reading.word == CANNOT_TELL
    assert any("No kind fits" in notice for notice in reading.notices)
    # chi squared is that of the stated uncertainties
    assert reading.candidates[0].chi2 > 50
    fits = read_curve(observed(*BEDSIDE))
    assert not fits.notices
    assert fits.candidates[0].chi2 < 5


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few(count: int) -> None:
    reading = read_curve(observed(HELD[0][:count], HELD[1][:count]))
    assert (reading.word, reading.best, reading.candidates) == (CANNOT_TELL, None, ())
    assert reading.notices[-1].startswith(f"Too few: {count} load{'s' * (count != 1)} that the meters keep")
    assert "three loads" in reading.tells_apart


@pytest.mark.parametrize(
    "curve",
    [
        ([5.0, 5.0, 5.0, 5.0], [1.0, 1.001, 0.999, 1.002]),
        ([5.0, 5.0, 5.0], [0.0, 0.0, 0.0]),
        ([0.0, 0.0, 0.0], [1.0, 2.0, 3.0]),
    ],
)
def test_loads_that_are_one_are_too_few(curve: tuple[list[float], list[float]]) -> None:
    assert "Too few" in read_curve(observed(*curve)).notices[-1]


# --- how readings are taken -----------------------------------------------------------------------


def test_the_order_of_the_readings_does_not_count() -> None:
    points = observed(*BEDSIDE)
    mixed = [points[k] for k in (3, 0, 4, 2, 1)]
    assert read_curve(mixed) == read_curve(points)


def test_a_copied_reading_counts_once() -> None:
    points = observed(*BEDSIDE, line=EUROPE)
    twice = read_curve([*points, replace(points[2], where="again")])
    assert twice.candidates == read_curve(points).candidates
    assert twice.notices == ("A reading that occurs twice counts once.",)
    # a second reading of the same load is another matter
    again = read_curve([*points, replace(points[2], V_o=5.01)])
    assert not again.notices
    assert again.candidates != twice.candidates


def test_no_load_and_short_circuit_count() -> None:
    V, I_o = LOOP
    reading = read_curve(observed([5.0, *V, 0.0], [0.0, *I_o, 1.07]))
    assert reading.word == "constant current"
    assert probability(reading, "constant current") > probability(
        read_curve(observed(V[:4], I_o[:4])), "constant current"
    )


def test_what_else_was_seen_counts() -> None:
    points = observed(BEDSIDE[0][:4], BEDSIDE[1][:4])
    for kind, seen in (("soft knee", {"dips": True}), ("fold-back or restart", {"restarts": True})):
        before, after = (probability(read_curve(points, **more), kind) for more in ({}, seen))
        assert after / (1 - after) > 5 * before / (1 - before)
        unseen = probability(read_curve(points, **dict.fromkeys(seen, False)), kind)
        assert unseen < before


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"V_o": float("nan")}, "reading 2: the voltage is nan"),
        ({"I_o": float("inf")}, "reading 2: the current is inf"),
        ({"I_o": -0.1}, "reading 2: the current is -0.1"),
        ({"u_V": -0.01}, "reading 2: the uncertainty of the voltage is -0.01"),
        (
            {"u_I": float("nan"), "where": "load test 2"},
            "load test 2: the uncertainty of the current is nan",
        ),
    ],
)
def test_numbers_that_cannot_be_used(change: dict[str, Any], words: str) -> None:
    points = observed(*BEDSIDE)
    points[1] = replace(points[1], **change)
    with pytest.raises(RequestError, match=re.escape(words)):
        read_curve(points)


def test_every_fault_is_named() -> None:
    points = [replace(point, V_o=float("nan")) for point in observed(*BEDSIDE)]
    with pytest.raises(RequestError) as caught:
        read_curve(points)
    assert len(caught.value.problems) == len(points)


def test_curves_of_two_lines_are_refused() -> None:
    points = observed(*BEDSIDE)
    points[0] = replace(points[0], line=EUROPE)
    points[1] = replace(points[1], line=Line(236.0, 50.0))
    assert read_curve(points).word == "constant power"
    points[2] = replace(points[2], line=JAPAN)
    with pytest.raises(RequestError, match=r"several lines \(100 V 50 Hz, 230 V 50 Hz, 236 V 50 Hz\)"):
        read_curve(points)


def test_probabilities_add_up() -> None:
    reading = read_curve(observed(*BEDSIDE))
    chances = [candidate.probability for candidate in reading.candidates]
    assert sum(chances) == pytest.approx(1)
    assert chances == sorted(chances, reverse=True)
    assert {candidate.kind for candidate in reading.candidates} == set(KINDS)


def test_uncertainty_shrinks_with_the_meters() -> None:
    points = observed(*BEDSIDE)
    better = [replace(point, u_V=point.u_V / 2, u_I=point.u_I / 2) for point in points]
    wide, narrow = read_curve(points).knee, read_curve(better).knee
    assert wide is not None
    assert narrow is not None
    assert 0.4 < narrow.u_I / wide.u_I < 0.7


def test_an_output_that_is_down_may_have_no_uncertainty() -> None:
    """A meter that is good to a share of its reading says 0 V exactly."""
    points = observed([*LOOP[0], 0.0], [*LOOP[1], 1.065])
    points[-1] = replace(points[-1], u_V=0.0)
    assert read_curve(points).word == "constant current"


@pytest.mark.parametrize(
    ("u", "words"),
    [(0.04, "2.62 ± 0.08 A"), (0.008, "2.618 ± 0.016 A"), (0.6, "2.6 ± 1.2 A"), (0.0, "2.62 ± 0.00 A")],
)
def test_an_amount_has_the_digits_of_its_error_bar(u: float, words: str) -> None:
    assert Parameter("knee current", 2.618, u, "A").amount == words


# --- the curves of a board ------------------------------------------------------------------------


def rows(
    V_o: Sequence[float], I_o: Sequence[float], mains: Sequence[float | None], *, ports: int = 1
) -> tuple[LoadTest, ...]:
    """Load tests as a board file holds them, the current split evenly over the ports."""
    return tuple(
        LoadTest(tuple(LoadReading(str(k), V, amps / ports) for k in range(ports)), None, line)
        for V, amps, line in zip(V_o, I_o, mains, strict=True)
    )


def read_of(tests: Sequence[LoadTest]) -> tuple[tuple[Line | None, CurveReading], ...]:
    bare = replace(board("bedside_charger"), load_tests=tuple(tests))
    return read_curves(observe(bare, None))


def test_each_mains_voltage_has_its_curve() -> None:
    tests = (
        *rows(*BEDSIDE, [229.0, 231.0, 230.0, 228.0, 230.0]),
        *rows(*LOOP, [115.0] * 6),
        *rows([5.05, 5.04], [0.5, 1.0], [90.0, 90.0]),
    )
    found = read_of(tests)
    assert [line and line.V_ac for line, _ in found] == [90.0, 115.0, 230.0]
    assert [reading.word for _, reading in found] == [CANNOT_TELL, "constant current", "constant power"]


def test_readings_without_a_mains_stand_by_themselves() -> None:
    bare = replace(board("bedside_charger"), tried_on=None, load_tests=rows(*BEDSIDE, [None] * 5))
    ((line, reading),) = read_curves(observe(bare, None))
    assert line is None
    assert reading.best is not None
    assert reading.best.kind == "constant power"


def test_ports_of_one_moment_count_together() -> None:
    (_, one), (_, four) = (
        *read_of(rows(*BEDSIDE, [230.0] * 5)),
        *read_of(rows(*BEDSIDE, [230.0] * 5, ports=4)),
    )
    assert one.knee is not None
    assert four.knee is not None
    assert four.knee.I_o == pytest.approx(one.knee.I_o, rel=0.02)
    assert four.word == one.word


def test_sockets_behind_a_second_converter_have_no_curve() -> None:
    bare = replace(board("bedside_charger"), load_tests=rows(*BEDSIDE, [230.0] * 5))
    assert read_curves(replace(observe(bare, None), at_rail=False)) == ()


def test_what_was_seen_at_any_load_counts_and_what_was_not_at_the_heaviest() -> None:
    tests = rows(*BEDSIDE, [230.0] * 5)

    def soft(*flags: bool | None) -> float:
        noted = [replace(test, mains_dips=flag) for test, flag in zip(tests, flags, strict=True)]
        ((_, reading),) = read_of(noted)
        return probability(reading, "soft knee")

    nobody_looked = soft(None, None, None, None, None)
    assert soft(None, None, None, True, False) > 2 * nobody_looked
    assert soft(False, False, None, None, None) == nobody_looked
    assert soft(None, None, None, None, False) < nobody_looked / 2


def test_restarts_that_were_seen_count() -> None:
    tests = rows([5.0, 5.0, 5.0, 0.0], [0.3, 0.6, 1.0, 0.0], [230.0] * 4)
    watched = [*tests[:3], replace(tests[3], restarts=True)]
    (_, alone), (_, seen) = (*read_of(tests), *read_of(watched))
    assert (alone.word, seen.word) == (CANNOT_TELL, "fold-back or restart")
    # nothing came and went under the load that pulled the output down
    ((_, down),) = read_of([*tests[:3], replace(tests[3], restarts=False)])
    assert down.candidates[1].probability > 2 * alone.candidates[1].probability
