"""The ladder of ceilings: each rung by hand, which there are, and what may never happen."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import FAMILIES, Changes, board, nominal, traced
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq  # type: ignore[import-untyped]

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import RUNGS, Question, ladder, rungs, starting_points
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.limits import Ceiling, limit_at_mean
from flyback.analysis.operating_point import Pulse, deliver, pulse
from flyback.analysis.trace import trace
from flyback.errors import NumericalError

LOW, EUROPE = Line(90.0, 50.0), Line(230.0, 50.0)
BENCH = Line(V_fixed=325.0)
V_O, V_R = 5.0, 81.75  # 15 · (5.0 V + 0.45 V)


def plain_ladder(
    line: Line, control: str = "fixed-frequency peak current", /, **changes: Changes
) -> dict[str, Ceiling]:
    circuit, supply = traced(board(control, **changes))
    return ladder(circuit, supply, line, V_o=V_O)


def pulse_of(ceiling: Ceiling) -> Pulse:
    assert ceiling.loaded is not None
    return ceiling.loaded.load


# Each rung of the plain board by hand, on a bench supply of 325 V


def test_current_limit_in_discontinuous_conduction() -> None:
    I_off = 0.80 / 1.2 + (325 - 5.7 * 0.80 / 1.2) / 1e-3 * 200e-9
    I_pk = math.sqrt(I_off**2 + 50e-12 * 325**2 / 1e-3)
    clamp = 25e-6 * I_pk**2 / 2 * 65e3 * 150 / (150 - V_R)
    lift = 50e-12 * V_R**2 / 2 * 65e3
    P_sec = 1e-3 * I_pk**2 / 2 * 65e3 - clamp - lift
    I_s_pk = 15 * (I_pk - V_R * 25e-6 * I_pk / (150 - V_R) / 975e-6)
    square = I_s_pk**2 * 975e-6 * I_pk / V_R * 65e3 / 3
    # 5.45 V · I_o + I_rms² · (10 + 30) mΩ - I_o² · 30 mΩ = P_sec
    I_o = min(np.roots([-0.030, 5.45, square * 0.040 - P_sec]), key=abs)
    assert plain_ladder(BENCH)["current limit"].power == pytest.approx(5.0 * I_o, rel=1e-9)


def test_current_limit_in_continuous_conduction() -> None:
    """Cycle after cycle from standstill until it repeats, at 100 V, no capacitance, no loss on the path.

    As the switch closes the leakage first takes over the current, at 100 V + 81.75 V.
    """
    circuit, supply = traced(board(R5={"role": "sense resistor", "value": "1R2", "origin": "marked"}))
    supply = replace(supply, C_d=0.0, R_on=0.0)
    ceiling = ladder(circuit, supply, Line(V_fixed=100.0), V_o=V_O)["current limit"]
    rise, fall, period = 100 / 1e-3, V_R / 975e-6, 1 / 65e3
    top, start, charge = 0.80 / 0.6 + rise * 200e-9, 0.0, 0.0
    for _ in range(200):
        t_on = (top - start) / rise
        charge = (start + top) / 2 * t_on
        start = max(top - fall * (period - t_on), 0.0)
    assert pulse_of(ceiling).I_v == pytest.approx(start, rel=1e-6)
    assert start > 0.4
    charge += start / 2 * 25e-6 * start / (100 + V_R)
    assert pulse_of(ceiling).P_in == pytest.approx(100 * charge * 65e3, rel=1e-6)


def test_constant_current_loop() -> None:
    """I_o = ½ · n · I_pk · (share - t_reset/T); share 0.45 from peak to zero."""
    ceiling = plain_ladder(BENCH, "primary-side constant current")["constant-current loop"]
    I_off = 0.80 / 1.2 + (325 - 5.7 * 0.80 / 1.2) / 1e-3 * 200e-9
    I_pk = math.sqrt(I_off**2 + 50e-12 * 325**2 / 1e-3)
    f_s = 0.45 / (975e-6 * I_pk / V_R)
    t_reset = 25e-6 * I_pk / (150 - V_R)
    assert ceiling.power == pytest.approx(V_O * 15 * I_pk * (0.45 - t_reset * f_s) / 2, rel=1e-9)


def test_overload_timer_is_a_current_limit_at_its_own_threshold() -> None:
    timed = plain_ladder(LOW, U1={"overload_voltage": "0.70 V"})["overload timer"]
    limited = plain_ladder(LOW, U1={"limit_voltage": "0.70 V"})["current limit"]
    assert timed.power == pytest.approx(limited.power, rel=1e-9)


def test_saturation() -> None:
    """I_pk = B · N_p · A_e / L_p = 0.355 T · 120 · 20.1 mm² / 1 mH = 0.8563 A."""
    ceiling = plain_ladder(BENCH)["saturation"]
    assert pulse_of(ceiling).I_pk == pytest.approx(0.355 * 120 * 20.1e-6 / 1e-3, rel=1e-9)
    assert ceiling.power > plain_ladder(BENCH)["current limit"].power


def test_base_drive() -> None:
    """h_FE · (V_dc · N_b/N_p - V_be) / R_b = 20 · (50 · 9/120 - 0.65) V / 100 Ω = 0.62 A."""
    ceiling = plain_ladder(Line(V_fixed=50.0), "self-oscillating")["base drive"]
    assert pulse_of(ceiling).I_off == pytest.approx(0.62, rel=1e-9)


def test_rectifier_current() -> None:
    rating = {"role": "output rectifier", "current_rating": {"value": "1 A", "origin": "datasheet"}}
    assert plain_ladder(BENCH)["rectifier current"].power == pytest.approx(5.0 * V_O)
    assert plain_ladder(BENCH, D7=rating)["rectifier current"].power == pytest.approx(6.0 * V_O)
    behind = plain_ladder(BENCH, U5={"role": "post converter"})["rectifier current"]
    assert behind.power == pytest.approx(0.9 * 5.0 * V_O)


def test_ratings_are_judged_at_the_mean_bulk_voltage() -> None:
    rows = plain_ladder(LOW)
    loaded = rows["current limit"].loaded
    assert loaded is not None
    for rung in ("capacitor ripple", "sense resistor power"):
        assert pulse_of(rows[rung]).V_dc == pytest.approx(loaded.V_mean), rung


@pytest.mark.parametrize("line", [BENCH, LOW], ids=lambda line: line.full_name)
def test_capacitor_ripple(line: Line) -> None:
    """At the ceiling the ripple current, integrated over a cycle, is the rated 2.5 A."""
    ceiling = plain_ladder(line)["capacitor ripple"]
    assert ceiling.delivered is not None
    done, given = pulse_of(ceiling), ceiling.delivered
    time = np.linspace(0, 1 / done.f_s, 200_001)
    falling = given.I_s_pk + (given.I_s_end - given.I_s_pk) * time / done.t_dem
    secondary = np.where(time < done.t_dem, falling, 0.0)
    square = np.trapezoid(secondary**2, time) * done.f_s
    assert math.sqrt(square - given.I_o**2) == pytest.approx(2.5, rel=1e-4)
    assert ceiling.power == pytest.approx(given.I_o * V_O)


def test_sense_resistor_power() -> None:
    """At the ceiling each 2R4 takes half the primary current and its rated 0.5 W."""
    done = pulse_of(plain_ladder(BENCH)["sense resistor power"])
    assert (done.I_p_rms / 2) ** 2 * 2.4 == pytest.approx(0.5, rel=1e-8)


@pytest.mark.parametrize(("turns", "stopped"), [(12, True), (14, False)])
def test_auxiliary_supply(turns: int, stopped: bool) -> None:
    """Stops below 8.5 V · 8/N_aux - 0.45 V: 5.22 V for 12 turns, 4.41 V for 14, at a rail of 5 V."""
    changes: dict[str, Changes] = {"U1": {"supply_stop": "8.5 V"}, "T1": {"auxiliary_turns": turns}}
    power = plain_ladder(BENCH, **changes)["auxiliary supply"].power
    assert power == (0.0 if stopped else math.inf)


# Duty limit and bulk valley


NARROW: dict[str, Changes] = {"U1": {"max_duty": "40 %"}}
"""V_r no longer fits below 81.75 V · (1/0.975) · 0.6/0.4 = 125.8 V, the crest of 90 V mains."""


def test_duty_limit_where_the_reflected_voltage_does_not_fit() -> None:
    """On 60 V: I_off = 60 V · 0.4 / (1 mH · 65 kHz) = 0.3692 A, from zero current."""
    circuit, supply = traced(board(**NARROW), R_sec=0.0, R_esr=0.0)
    ceiling = ladder(circuit, supply, Line(V_fixed=60.0), V_o=V_O)["duty limit"]
    I_pk = math.sqrt((60 * 0.4 / 65) ** 2 + 50e-12 * 60**2 / 1e-3)
    stored = 1e-3 * I_pk**2 / 2 * 65e3
    lost = 25e-6 * I_pk**2 / 2 * 65e3 * 150 / (150 - V_R) + 50e-12 * V_R**2 / 2 * 65e3
    assert ceiling.power == pytest.approx((stored - lost) * 5.0 / 5.45, rel=1e-9)


@pytest.mark.parametrize(
    ("line", "changes", "exists"),
    [
        (BENCH, {}, False),
        (BENCH, NARROW, False),
        (Line(V_fixed=60.0), {}, False),
        (LOW, {}, False),
        (LOW, NARROW, True),
        (EUROPE, NARROW, False),
    ],
)
def test_duty_limit_exists_only_there(line: Line, changes: dict[str, Changes], exists: bool) -> None:
    assert math.isfinite(plain_ladder(line, **changes)["duty limit"].power) == exists


@given(
    D_max=st.floats(0.3, 0.8), V_ac=st.floats(85, 265), C_bulk=st.floats(5e-6, 50e-6), n=st.floats(8, 20)
)
def test_either_duty_limit_or_bulk_valley_exists(
    D_max: float, V_ac: float, C_bulk: float, n: float
) -> None:
    circuit, supply = PLAIN
    made = replace(supply, D_max=D_max, C_bulk=C_bulk, n=n)
    rows = ladder(circuit, made, Line(V_ac, 50.0), V_o=V_O)
    assert math.isfinite(rows["duty limit"].power) != math.isfinite(rows["bulk valley"].power)


PLAIN = traced(board())


def test_bulk_valley() -> None:
    """Power that takes the bulk to V_r fitting 70 %, V = 81.75 V / 0.975 · 0.3/0.7 = 35.9 V.

    From the energy of the capacitor: it leaves the sine past the crest, where the power lets go of it,
    and meets the next half-wave at 35.9 V. What arrives is reckoned at the efficiency of a pulse that
    takes this power from that voltage, or twice what the current limit takes if that is less.
    """
    circuit, supply = PLAIN
    rows = ladder(circuit, supply, LOW, V_o=V_O)
    V_least, V_crest, omega = V_R / 0.975 * 0.3 / 0.7, math.sqrt(2) * 90 - 1.6, 2 * math.pi * 50
    taken = 0.0
    for _ in range(50):
        angle = math.asin(2 * taken / (omega * 22e-6 * V_crest**2)) / 2
        alone = 0.5 / 50 - 0.25 / 50 + math.asin(V_least / V_crest) / omega - angle / omega
        taken = 22e-6 * ((V_crest * math.cos(angle)) ** 2 - V_least**2) / (2 * alone)
    fair = min(taken, 2 * pulse_of(rows["current limit"]).P_in)

    def fed(I_off: float) -> Pulse:
        return pulse(circuit, supply, V_dc=V_least, V_r=V_R, I_off=I_off)

    pulse_there = fed(float(brentq(lambda I_off: fed(I_off).P_in - fair, 0.1, 5.0, xtol=1e-12)))
    share = deliver(circuit, supply, pulse_there, V_o=V_O).P_socket / fair
    assert rows["bulk valley"].power == pytest.approx(taken * share, rel=1e-6)


def test_limits_are_judged_where_the_board_still_regulates() -> None:
    """0R4 in place of 1R2 would pull 22 µF far below the 35.9 V that the duty limit can use."""
    sense = {"marking": "R80"}
    rows = plain_ladder(LOW, R3=sense, R4=sense)
    loaded = rows["current limit"].loaded
    assert loaded is not None
    assert loaded.load.V_dc == pytest.approx(V_R / 0.975 * 0.3 / 0.7)
    bench = plain_ladder(Line(V_fixed=float(loaded.load.V_dc)), R3=sense, R4=sense)
    assert rows["current limit"].power == pytest.approx(bench["current limit"].power)


def test_a_board_fed_from_the_bench_has_no_bulk_valley() -> None:
    assert "bulk valley" not in plain_ladder(BENCH)


# Which rungs there are


BASIC = {"current limit", "saturation", "rectifier current", "capacitor ripple", "sense resistor power"}


@pytest.mark.parametrize(
    ("control", "expected"),
    [
        ("fixed-frequency peak current", BASIC | {"bulk valley", "duty limit"}),
        ("on/off", BASIC | {"bulk valley", "duty limit"}),
        ("valley switching", BASIC),
        ("self-oscillating", BASIC | {"bulk valley", "base drive"}),
        ("primary-side constant current", BASIC - {"current limit"} | {"constant-current loop"}),
    ],
)
def test_rungs_of_a_family(control: str, expected: set[str]) -> None:
    circuit, supply = traced(board(control))
    assert {rung.name for rung in rungs(circuit, LOW)} == expected
    assert set(ladder(circuit, supply, LOW, V_o=V_O)) == expected


def test_order_and_question() -> None:
    names = [rung.name for rung in RUNGS]
    assert list(plain_ladder(LOW)) == [name for name in names if name in plain_ladder(LOW)]
    hold = [rung.name for rung in RUNGS if rung.question is Question.HOLD]
    assert hold == ["rectifier current", "capacitor ripple", "sense resistor power"]


@pytest.mark.parametrize(
    ("control", "changes", "lacking"),
    [
        (
            "fixed-frequency peak current",
            {"U1": {"limit_voltage": None}},
            dict.fromkeys(
                ("bulk valley", "current limit", "capacitor ripple", "sense resistor power"),
                ("U1.limit_voltage",),
            ),
        ),
        ("fixed-frequency peak current", {"T1": {"core_area": None}}, {"saturation": ("T1.core_area",)}),
        (
            "fixed-frequency peak current",
            {"D5": {"current_rating": None}},
            {"rectifier current": ("D5.current_rating",)},
        ),
        (
            "fixed-frequency peak current",
            {"C5": {"ripple_rating": "unknown"}},
            {"capacitor ripple": ("C5.ripple_rating",)},
        ),
        (
            "fixed-frequency peak current",
            {"R4": {"power_rating": None}},
            {"sense resistor power": ("R4.power_rating",)},
        ),
        (
            "fixed-frequency peak current",
            {"U1": {"supply_stop": "8 V"}},
            {"auxiliary supply": ("T1.auxiliary_turns",)},
        ),
        ("self-oscillating", {"T1": {"base_turns": None}}, {"base drive": ("T1.base_turns",)}),
        (
            "valley switching",
            {"U1": {"limit_voltage": None, "power_coefficient": "5200 A²Hz"}},
            dict.fromkeys(("current limit", "capacitor ripple", "sense resistor power"), ("U1.frequency",)),
        ),
        (
            "primary-side constant current",
            {"C1": {"value": "unknown"}},
            dict.fromkeys(
                ("constant-current loop", "saturation", "capacitor ripple", "sense resistor power"),
                ("C1.capacitance",),
            ),
        ),
    ],
)
def test_a_rung_that_lacks_a_value_is_left_out(
    control: str, changes: dict[str, Any], lacking: dict[str, tuple[str, ...]]
) -> None:
    circuit, supply = traced(board(control, **changes))
    all_rungs = rungs(circuit, LOW)
    found = {rung.name: rung.lacking(circuit, LOW) for rung in all_rungs}
    assert {name: keys for name, keys in found.items() if keys} == lacking
    assert set(ladder(circuit, supply, LOW, V_o=V_O)) == {rung.name for rung in all_rungs} - set(lacking)


def test_a_self_oscillating_board_has_no_overload_timer() -> None:
    """Its sense transistor ends the pulse, whatever a controller beside it may time."""
    beside = {"role": "switching IC", "origin": "datasheet", "overload_voltage": "0.5 V"}
    circuit, supply = traced(board("self-oscillating", U1=beside))
    assert "overload timer" not in ladder(circuit, supply, LOW, V_o=V_O)


def test_a_rung_is_named_by_its_parts() -> None:
    circuit = trace(board(C2={"role": "bulk capacitor", "value": "10 uF", "origin": "marked"}))
    named = {rung.name: rung.parts(circuit) for rung in rungs(circuit, LOW)}
    assert named["current limit"] == "R3 || R4"
    assert named["bulk valley"] == "C1 || C2"
    assert named["saturation"] == "T1"
    assert named["duty limit"] == "U1"
    inside = trace(board(R3=None, R4=None, U1={"limit_voltage": None, "limit_current": "0.4 A"}))
    assert {rung.name: rung.parts(inside) for rung in rungs(inside, LOW)}["current limit"] == "U1"


@pytest.mark.parametrize(
    ("field", "number", "rung"),
    [
        ("I_rectifier", math.inf, "rectifier current"),
        ("I_rectifier", math.nan, "rectifier current"),
        ("R_s", math.nan, "current limit"),
        ("D_max", math.nan, "bulk valley"),
    ],
)
def test_a_ceiling_that_is_no_number_is_an_error(field: str, number: float, rung: str) -> None:
    circuit = trace(board(**({"C1": {"value": "22 uF"}} if rung == "bulk valley" else {})))
    line = LOW if rung == "bulk valley" else BENCH
    with pytest.raises(NumericalError, match=f"{rung} at {line.full_name}"):
        ladder(circuit, nominal(circuit, **{field: number}), line, V_o=V_O)


def test_limit_at_the_mean_bulk_voltage() -> None:
    circuit, supply = PLAIN
    rows = ladder(circuit, supply, LOW, V_o=V_O)
    loaded = rows["current limit"].loaded
    assert loaded is not None
    mean = limit_at_mean(circuit, supply, rows, V_O)
    fed = ladder(circuit, supply, Line(V_fixed=loaded.V_mean), V_o=V_O)["current limit"]
    assert mean == pytest.approx(fed.power, rel=1e-9)
    assert limit_at_mean(circuit, supply, ladder(circuit, supply, BENCH, V_o=V_O), V_O) is None


# What may never happen


@pytest.mark.parametrize("control", FAMILIES)
def test_a_clamp_below_the_reflected_voltage_leaves_nothing_or_little(control: str) -> None:
    """A suppressor misread as 60 V, against 81.75 V: the clamp takes it all, but no power is negative."""
    changes: dict[str, Changes] = {
        "D4": {"clamp_voltage": {"value": "60 V", "origin": "marked"}},
        "T1": {"leakage_inductance": "50 uH"},
    }
    assert limit_of(plain_ladder(BENCH, control, **changes)).power >= 0


VARIED = {
    "R_s": st.floats(1.0, 3.0),
    "less": st.floats(0.5, 1.0),
    "C_bulk": st.floats(6e-6, 60e-6),
    "V_ac": st.floats(85, 265),
    "L_p": st.floats(0.7e-3, 1.5e-3),
}
EVERY_FAMILY = pytest.mark.parametrize("control", FAMILIES)


def varied(control: str, case: dict[str, float]) -> tuple[Circuit, Supply]:
    circuit = CIRCUITS[control]
    inductances = {"L_p": case["L_p"], "L_leak": 0.025 * case["L_p"], "L_m": 0.975 * case["L_p"]}
    R_on = 4.5 + case["R_s"]
    return circuit, nominal(circuit, C_bulk=case["C_bulk"], R_s=case["R_s"], R_on=R_on, **inductances)


CIRCUITS = {control: trace(board(control)) for control in FAMILIES}


def limit_of(rows: dict[str, Ceiling]) -> Ceiling:
    return rows.get("current limit") or rows["constant-current loop"]


@EVERY_FAMILY
@given(case=st.fixed_dictionaries(VARIED), V_fixed=st.floats(90, 370))
def test_a_smaller_sense_resistor_never_lowers_the_current_limit(
    control: str, case: dict[str, float], V_fixed: float
) -> None:
    """On a bench supply at the sockets; on mains in what is taken from the bulk.

    On a sagging bulk the power at the sockets may fall: clamp and rectifier take more of it.
    """
    smaller = {**case, "R_s": case["R_s"] * case["less"]}
    bench, mains = Line(V_fixed=V_fixed), Line(case["V_ac"], 50.0)
    one, other = (
        [limit_of(ladder(*varied(control, chosen), line, V_o=V_O)) for line in (bench, mains)]
        for chosen in (case, smaller)
    )
    assert other[0].power >= one[0].power * (1 - 1e-9)
    assert other[1].loaded is not None
    if other[1].loaded.gap < bulk.SETTLED:
        assert pulse_of(other[1]).P_in >= pulse_of(one[1]).P_in * (1 - 1e-6)


@EVERY_FAMILY
@given(case=st.fixed_dictionaries(VARIED))
def test_a_larger_bulk_never_lowers_a_reach_rung(control: str, case: dict[str, float]) -> None:
    line = Line(case["V_ac"], 50.0)
    larger = {**case, "C_bulk": case["C_bulk"] / case["less"]}
    one, other = (ladder(*varied(control, chosen), line, V_o=V_O) for chosen in (case, larger))
    reach = [rung.name for rung in RUNGS if rung.question is Question.REACH and rung.name in one]
    exists = {name: math.isfinite(one[name].power) for name in reach}
    for name in reach:
        # where the duty limit ceases to exist, the bulk valley takes its place
        if name != "bulk valley" or exists[name]:
            assert other[name].power >= one[name].power * (1 - 1e-6) - 1e-9, name


# Arrays


@pytest.mark.parametrize("line", [LOW, EUROPE, Line(V_fixed=110.0)], ids=lambda line: line.full_name)
@EVERY_FAMILY
def test_arrays_are_scalars_element_by_element(control: str, line: Line) -> None:
    size = 12
    circuit = trace(
        board(
            control,
            **({} if control == "self-oscillating" else {"U1": {"supply_stop": "8 V", "max_duty": "40 %"}}),
            T1={"auxiliary_turns": 13},
        )
    )
    random = np.random.default_rng(17)
    factors = {key: random.uniform(0.85, 1.15, size) for key in circuit.values}
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    wanted = {key: number * factors[key] for key, number in numbers.items() if not key.startswith("BR1.")}
    supply = circuit.supply({**numbers, **wanted})
    base = ladder(circuit, nominal(circuit), line, V_o=V_O)
    starts = starting_points(nominal(circuit), line, base)
    many = ladder(circuit, supply, line, V_o=V_O, starts=starts)
    for index in range(size):
        chosen = {key: values[index] for key, values in wanted.items()}
        one = ladder(circuit, circuit.supply({**numbers, **chosen}), line, V_o=V_O)
        for name, ceiling in one.items():
            element = np.broadcast_to(many[name].power, size)[index]
            assert element == pytest.approx(float(ceiling.power), rel=1e-5), name


def test_starting_points_are_the_nominal_solutions() -> None:
    circuit, supply = PLAIN
    rows = ladder(circuit, supply, LOW, V_o=V_O)
    starts = starting_points(supply, LOW, rows)
    loaded = rows["current limit"].loaded
    assert loaded is not None
    crest = math.sqrt(2) * 90 - 1.6
    assert starts["current limit"].valley_share == pytest.approx(loaded.V_valley / crest)
    assert starts["limit"] == starts["current limit"]
    assert starting_points(supply, LOW, {"rectifier current": rows["rectifier current"]}) == {}
