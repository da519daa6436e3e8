"""The valley of the bulk, against a simulated rectifier and against its own balance."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from boards import board, traced
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from flyback.analysis import bulk
from flyback.analysis.bulk import Bulk, Line
from flyback.analysis.circuit import Supply
from flyback.equations.formula import Real

_, PLAIN = traced(board())
DROP = 0.8
"""Drop of one diode of the plain board [V]."""


@dataclass(frozen=True)
class Drawn:
    """A load that takes a power from the bulk [W]."""

    P_in: Real


def supply(*, C_bulk: Real, R_series: Real = 0.0, n_pulse: Real = 2.0) -> Supply:
    """Full wave with two diodes in the path, half wave with one."""
    return replace(PLAIN, C_bulk=C_bulk, R_series=R_series, n_pulse=n_pulse, N_d=n_pulse)


def loaded(made: Supply, line: Line, power: Real, exponent: Real = 0.0) -> Bulk[Drawn]:
    """The bulk under a power that may grow with its voltage; ``power`` is taken at 100 V."""
    with np.errstate(all="ignore"):  # the search passes through voltages where the load is impossible
        return bulk.solve(made, line, lambda V: Drawn(power * (V / 100) ** exponent))


# Against the whole rectifier, step by step


@cache
def simulated(line: Line, made: tuple[float, float, float], power: float) -> tuple[float, float]:
    """Valley and mean of the bulk once the mains periods repeat [V].

    Ideal diodes with a fixed drop, series resistance, capacitor, constant-power load. Without a series
    resistance 0.1 Ω stands in, whose effect is far below what is compared.
    """
    C_bulk, R_series, n_pulse = made
    assert line.V_ac is not None
    assert line.f_line is not None
    top, omega = math.sqrt(2) * line.V_ac, 2 * math.pi * line.f_line
    drop = n_pulse * DROP

    def slope(t: float, v: np.ndarray) -> list[float]:
        wave = top * math.cos(omega * t)
        mains = (abs(wave) if n_pulse == 2 else wave) - drop
        return [(max(mains - v[0], 0.0) / max(R_series, 0.1) - power / max(v[0], 1.0)) / C_bulk]

    period = 1 / (n_pulse * line.f_line)
    start, valley = top - drop, 0.0
    for turn in range(60):
        times = np.linspace(turn * period, (turn + 1) * period, 2001)
        found = solve_ivp(
            slope,
            (times[0], times[-1]),
            [start],
            method="LSODA",
            t_eval=times,
            rtol=1e-7,
            atol=1e-5,
            max_step=period / 200,
        )
        before, start, valley = valley, found.y[0, -1], float(found.y[0].min())
        if abs(valley - before) < 1e-3:
            return valley, float(np.trapezoid(found.y[0], times) / period)
    raise AssertionError("the mains periods do not repeat")


EUROPE, LOW, AMERICA = Line(230.0, 50.0), Line(90.0, 50.0), Line(115.0, 60.0)

RECTIFIERS = [
    (line, (C_bulk, R_series, n_pulse), power * n_pulse / 2)
    for line in (LOW, AMERICA, EUROPE)
    for n_pulse in (2.0, 1.0)
    for C_bulk, R_series, power in (
        (4.7e-6, 0.0, 2.5),
        (10e-6, 22.0, 5.0),
        (22e-6, 0.0, 12.0),
        (22e-6, 10.0, 12.0),
        (22e-6, 22.0, 4.0),
        (47e-6, 0.0, 20.0),
        (47e-6, 4.7, 20.0),
        (100e-6, 2.2, 35.0),
        (47e-6, 22.0, 10.0),
        (100e-6, 22.0, 20.0),
    )
]


@pytest.mark.parametrize(("line", "made", "power"), RECTIFIERS)
def test_valley_of_the_simulated_rectifier(
    line: Line, made: tuple[float, float, float], power: float
) -> None:
    """Valley and mean within 1.5 %, the valley within 0.3 % without a series resistance."""
    C_bulk, R_series, n_pulse = made
    valley, mean = simulated(line, made, power)
    found = loaded(supply(C_bulk=C_bulk, R_series=R_series, n_pulse=n_pulse), line, power)
    assert found.V_valley == pytest.approx(valley, rel=0.015)
    assert found.V_mean == pytest.approx(mean, rel=0.015)
    if R_series == 0:
        assert found.V_valley == pytest.approx(valley, rel=0.003)


def test_largest_power_is_the_valley_turned_round() -> None:
    made = supply(C_bulk=22e-6, R_series=10.0)
    for power in (5.0, 10.0, 14.0):
        valley = loaded(made, LOW, power).V_valley
        assert bulk.largest_power(made, LOW, valley) == pytest.approx(power, rel=1e-6)


def test_largest_power_against_the_simulated_rectifier() -> None:
    power = float(bulk.largest_power(supply(C_bulk=22e-6), LOW, 80.0))
    assert simulated(LOW, (22e-6, 0.0, 2.0), power)[0] == pytest.approx(80.0, rel=0.003)


# The solver


LOADS = {
    "V_ac": st.floats(85, 265),
    "C_bulk": st.floats(2e-6, 150e-6),
    "R_series": st.sampled_from([0.0, 4.7, 10.0]),
    "n_pulse": st.sampled_from([1.0, 2.0]),
    "power": st.floats(0.05, 60),
    "exponent": st.floats(0, 2),
}


def solved_for(case: dict[str, Real]) -> Bulk[Drawn]:
    made = supply(C_bulk=case["C_bulk"], R_series=case["R_series"], n_pulse=case["n_pulse"])
    return loaded(made, Line(case["V_ac"], 50.0), case["power"], case["exponent"])


def can_feed(case: dict[str, float]) -> bool:
    """Whether taken and given power cross anywhere between a hundredth of the crest and the crest."""
    made = supply(C_bulk=case["C_bulk"], R_series=case["R_series"], n_pulse=case["n_pulse"])
    line = Line(case["V_ac"], 50.0)
    top = bulk.crest(made, line)
    V = np.linspace(0.01, 1.0, 4000) * top
    taken = case["power"] * (V / 100) ** case["exponent"]
    with np.errstate(all="ignore"):
        return bool(np.any(taken < bulk.power_at_valley(made, line, top, V, taken)))


@given(case=st.fixed_dictionaries(LOADS))
def test_the_balance_is_met_or_the_gap_says_so(case: dict[str, float]) -> None:
    found = solved_for(case)
    top = bulk.crest(supply(C_bulk=case["C_bulk"], n_pulse=case["n_pulse"]), Line(case["V_ac"], 50.0))
    assert 0 < found.V_valley <= top
    if can_feed(case):
        assert found.gap < bulk.SETTLED
        assert found.V_valley <= found.V_mean <= top
    else:
        assert found.gap >= bulk.SETTLED


@pytest.mark.parametrize("resistances", [[0.0], [4.7, 10.0, 22.0]], ids=["without", "with R_series"])
def test_arrays_are_scalars_element_by_element(resistances: list[float]) -> None:
    random = np.random.default_rng(11)
    size = 200
    cases = {
        "V_ac": random.uniform(85, 265, size),
        "C_bulk": np.exp(random.uniform(math.log(2e-6), math.log(150e-6), size)),
        "R_series": random.choice(resistances, size),
        "n_pulse": random.choice([1.0, 2.0], size),
        "power": np.exp(random.uniform(math.log(0.1), math.log(60), size)),
        "exponent": random.uniform(0, 2, size),
    }
    many = solved_for(cases)
    for index in range(size):
        one = solved_for({name: float(values[index]) for name, values in cases.items()})
        assert (many.gap[index] < bulk.SETTLED) == (one.gap < bulk.SETTLED)
        if one.gap < bulk.SETTLED:
            assert many.V_valley[index] == pytest.approx(one.V_valley, rel=1e-5)


def test_a_nominal_start_changes_nothing() -> None:
    made = supply(C_bulk=22e-6)
    plain = bulk.solve(made, LOW, lambda V: Drawn(12.0))
    for start in (0.1, 0.5, 0.99):
        assert bulk.solve(made, LOW, lambda V: Drawn(12.0), start=start).V_valley == pytest.approx(
            plain.V_valley, rel=1e-8
        )


def test_a_load_the_bulk_cannot_feed_shows_in_its_gap() -> None:
    """10 µF at 90 V 50 Hz hold 0.08 J; 40 W would need 0.3 J from one half-wave to the next."""
    found = loaded(supply(C_bulk=10e-6), LOW, 40.0)
    assert found.gap > 0.1
    mixed = loaded(supply(C_bulk=np.array([10e-6, 100e-6])), LOW, 40.0)
    assert [bool(gap < bulk.SETTLED) for gap in mixed.gap] == [False, True]


@given(
    V_ac=st.floats(85, 265),
    C_bulk=st.floats(3e-6, 100e-6),
    more=st.floats(1.0, 2.0),
    n_pulse=st.sampled_from([1.0, 2.0]),
    stored=st.floats(0.02, 0.3),
)
def test_a_larger_bulk_never_lowers_the_valley(
    V_ac: float, C_bulk: float, more: float, n_pulse: float, stored: float
) -> None:
    """For powers up to 0.6 of the energy stored at the crest in a charging period, without R_series."""
    line = Line(V_ac, 50.0)
    power = stored * C_bulk * V_ac**2 * n_pulse * 50
    one, larger = (
        loaded(supply(C_bulk=C, n_pulse=n_pulse), line, power).V_valley for C in (C_bulk, C_bulk * more)
    )
    assert larger >= one * (1 - 1e-9)


# Lines


def test_the_bench_supply_has_no_valley() -> None:
    found = loaded(supply(C_bulk=22e-6), Line(V_fixed=120.0), 12.0)
    assert (found.V_valley, found.V_mean, found.gap) == (120.0, 120.0, 0.0)
    assert bulk.crest(PLAIN, Line(V_fixed=120.0)) == 120.0


def test_crest() -> None:
    """230 V · √2 = 325.27 V less two drops of 0.8 V."""
    assert bulk.crest(supply(C_bulk=22e-6), EUROPE) == pytest.approx(323.67, abs=0.005)
    assert bulk.crest(supply(C_bulk=22e-6, n_pulse=1.0), EUROPE) == pytest.approx(324.47, abs=0.005)


@pytest.mark.parametrize(
    ("line", "name", "full_name"),
    [
        (Line(90.0, 50.0), "90 V", "90 V 50 Hz"),
        (Line(264.0, 60.0), "264 V", "264 V 60 Hz"),
        (Line(V_fixed=120.0), "120 V dc", "120 V dc"),
    ],
)
def test_names(line: Line, name: str, full_name: str) -> None:
    assert (line.name, line.full_name) == (name, full_name)


@pytest.mark.parametrize(
    ("part", "change", "key"),
    [
        ("C1", {"value": "unknown"}, "C1.capacitance"),
        ("BR1", {"arrangement": None}, "BR1.arrangement"),
        ("C1", None, "a part with role bulk capacitor"),
    ],
)
def test_what_the_valley_lacks(part: str, change: dict[str, str | None] | None, key: str) -> None:
    circuit, _ = traced(board(**{part: change}))
    assert bulk.missing(circuit) == key


def test_nothing_is_lacking_on_the_plain_board() -> None:
    assert bulk.missing(traced(board())[0]) is None
