"""Parts and readings that cannot both be right, on load tests of simulated boards."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from benches import EUROPE, load_test, nominal_numbers
from boards import Changes, board, demo, demo_traced, traced
from scipy import stats

from flyback.analysis.circuit import Circuit
from flyback.analysis.trace import trace
from flyback.studies.contradiction import SURPRISE, Contradiction, Kind, other_boards, surprise
from flyback.studies.likelihood import FACTOR, LoadTest, factor
from flyback.studies.likelihood import load_test as sorted_out
from flyback.studies.observed import Observed
from flyback.studies.reconcile import Reconciled, reconcile
from flyback.studies.scores import Prior

SEED = 11


def sense(circuit: Circuit) -> float:
    supply = circuit.supply(nominal_numbers(circuit))
    return float(supply.R_s or 0)


def reconciled(circuit: Circuit, points: list[Observed], V_set: float) -> Reconciled:
    found = reconcile(circuit, points, V_set=V_set, samples=4096)
    assert found is not None
    return found


@cache
def told(
    name: str, written: tuple[tuple[str, str], ...], real: tuple[tuple[str, str], ...]
) -> Contradiction:
    """What is told of a board whose sense resistors were written down otherwise than they are."""
    traced_circuit, actual = (
        trace(demo(name, **{part: _resistor(ohms) for part, ohms in which})) for which in (written, real)
    )
    V_set = demo_traced(name)[2]
    points, _ = load_test(actual, nominal_numbers(actual), V_set, seed=SEED)
    found = reconciled(traced_circuit, points, V_set).contradiction
    assert found is not None
    return found


def _resistor(ohms: str) -> Changes:
    return {"state": ohms} if ohms in ("open", "not fitted") else {"marking": ohms}


OPEN = ("wall_charger", (), (("R4", "open"),))
MISSING = ("wall_charger", (("R4", "not fitted"),), ())
SLIP = ("strip_adapter", (("R5", "6R2"),), (("R5", "R62"),))


# --- what is found --------------------------------------------------------------------------------


def test_a_sense_resistor_that_is_open() -> None:
    found = told(*OPEN)
    assert found.kind is Kind.TOO_LITTLE
    first = found.alternatives[0]
    assert first.words == "one of R3 || R4 may be open"
    assert first.plausible
    assert first.I_o == pytest.approx(found.reading.current, rel=0.05)
    assert found.nominal > 2 * found.reading.current
    assert found.words.startswith(f"The board gives {found.reading.current:.3g}"[:20])
    assert "where the parts should give" in found.words
    assert "one of R3 || R4 may be open (that would give" in found.words


def test_a_sense_resistor_that_was_not_written_down() -> None:
    found = told(*MISSING)
    assert found.kind is Kind.TOO_MUCH
    first = found.alternatives[0]
    assert first.words == "a resistor like R3 may be missing from the list"
    assert first.plausible
    assert "The parts as traced cannot deliver" in found.words
    assert "at 230 V" not in found.words  # "on 230 V 50 Hz", as everywhere
    assert found.high < found.reading.current
    assert f"(at most {found.high:.3g}" in found.words


def test_a_code_that_was_read_a_decade_off() -> None:
    """0.62 ohm written down as 6.2 ohm."""
    found = told(*SLIP)
    assert found.kind is Kind.TOO_MUCH
    assert found.alternatives[0].words == "R5 may be 0.620 Ω"
    assert found.alternatives[0].plausible
    assert [other.plausible for other in found.alternatives[1:]] == [False] * (len(found.alternatives) - 1)


@pytest.mark.parametrize("case", [OPEN, MISSING, SLIP], ids=["open", "missing", "slip"])
def test_a_board_as_it_was_traced_contradicts_nothing(case: tuple[str, tuple, tuple]) -> None:  # type: ignore[type-arg]
    """The same load tests, beside the parts as they really are."""
    name, _, real = case
    actual = trace(demo(name, **{part: _resistor(ohms) for part, ohms in real}))
    V_set = demo_traced(name)[2]
    points, _ = load_test(actual, nominal_numbers(actual), V_set, seed=SEED)
    assert reconciled(actual, points, V_set).contradiction is None


def test_alternatives_are_ranked_by_how_well_they_explain_the_readings() -> None:
    for case in (OPEN, MISSING, SLIP):
        odds = [other.log_odds for other in told(*case).alternatives]
        assert odds == sorted(odds, reverse=True)
        assert odds[0] > 0


def reading(V_o: float, I_o: float, where: str = "") -> Observed:
    return Observed(EUROPE, V_o, I_o, u_V=0.02, u_I=0.01 * I_o, where=where)


def test_readings_that_do_not_fit_together() -> None:
    """2.6 A in regulation, but only 1.9 A once the voltage has given way."""
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [reading(5.04, 2.6), reading(4.8, 1.9, "load test 2"), reading(4.2, 3.05)]
    found = reconciled(circuit, points, V_set).contradiction
    assert found is not None
    assert found.kind is Kind.AMONG_THEMSELVES
    assert found.words == (
        "The readings do not fit together: no value of the parts explains them all. 1.90 A at 4.80 V on "
        "230 V 50 Hz (load test 2) is furthest off: read it again."
    )


def test_what_no_slip_explains() -> None:
    """Half as much again as the traced parts give: neither a decade nor a further resistor."""
    circuit, _, V_set = demo_traced("bedside_charger")
    points = [reading(4.8, 1.35 * 2.86), reading(4.4, 1.35 * 3.11)]
    found = reconciled(circuit, points, V_set).contradiction
    assert found is not None
    assert found.kind is Kind.TOO_MUCH
    assert not any(other.plausible for other in found.alternatives)
    assert found.words.endswith(": re-read R5 and R6; no single slip at a sense resistor explains it.")


def test_a_limit_inside_the_ic_has_no_alternatives() -> None:
    inside = {"R3": None, "R4": None, "U1": {"limit_voltage": None, "limit_current": "0.70 A ±6 %"}}
    circuit, _ = traced(board(**inside))
    found = reconciled(circuit, [reading(4.5, 5.0)], 5.0).contradiction
    assert found is not None
    assert found.alternatives == ()
    assert found.words.endswith(": re-read U1.")


WIDE: dict[str, Changes] = {
    "U1": {"limit_voltage": "0.80 V ±15 %", "frequency": "65 kHz ±15 %"},
    "R3": {"tolerance": "15 %"},
    "R4": {"tolerance": "15 %"},
    "T1": {
        "primary_inductance": {"value": "1.00 mH ±20 %", "origin": "datasheet"},
        "core_area": "40 mm²",
    },
}


def test_what_the_parts_just_allow_is_told_as_such() -> None:
    """Every spread near its end at once: possible, and rarer than one board in a thousand."""
    circuit, _ = traced(board(**WIDE))
    points = [reading(4.5, I_o) for I_o in (1.36, 6.20)]
    little, much = (
        found.contradiction for point in points if (found := reconcile(circuit, [point], V_set=5.0))
    )
    assert little is not None
    assert much is not None
    assert little.low < little.reading.current < much.reading.current < much.high
    assert much.words.startswith(
        "The parts as traced hardly deliver 6.20 A at 4.50 V on 230 V 50 Hz (rather "
    )
    assert f", at the very most {much.high:.3g}" in much.words
    assert f"(at the very least {little.low:.3g}"[:24] in little.words


# --- other boards ---------------------------------------------------------------------------------


def test_boards_that_differ_in_their_sense_resistors() -> None:
    circuit, _, _ = demo_traced("bedside_charger")
    found = {words: sense(other) for words, other in other_boards(circuit)}
    assert found == {
        "one of R5 || R6 may be open": pytest.approx(2.2),
        "a resistor like R6 may be missing from the list": pytest.approx(2.2 / 3),
        "one of R5 || R6 may be 22.0 Ω": pytest.approx(2.0),
        "R5 and R6 may be 22.0 Ω": pytest.approx(11.0),
        "one of R5 || R6 may be 0.220 Ω": pytest.approx(0.2),
        "R5 and R6 may be 0.220 Ω": pytest.approx(0.11),
    }


def test_unlike_resistors_are_told_apart() -> None:
    circuit, _, _ = demo_traced("bedside_charger", R6={"marking": "4R7"})
    words = [words for words, _ in other_boards(circuit)]
    assert words[:2] == ["R5 may be open", "a resistor like R5 may be missing from the list"]
    assert {"R6 may be open", "R6 may be 47.0 Ω"} <= set(words)


def test_a_single_resistor_is_not_taken_for_open() -> None:
    circuit, _, _ = demo_traced("strip_adapter")
    assert not any("open" in words for words, _ in other_boards(circuit))


# --- how surprising readings are ------------------------------------------------------------------


SEEN = {"sagging": (4.7, 4.2), "regulated": (5.04,), "both": (5.04, 4.7, 4.2)}
BOARDS = 150


def shares(V_o: tuple[float, ...], *, common: bool) -> np.ndarray:  # type: ignore[type-arg]
    """How surprising readings are that were made from the spreads themselves.

    Args:
        common: whether the meter's errors have something in common, as is reckoned with.
    """
    circuit, _, V_set = demo_traced("bedside_charger")
    test = sorted_out(circuit, [reading(V, 2.9 if V < 4.9 else 2.2) for V in V_o], V_set=V_set)
    prior = Prior.of(circuit.values, (FACTOR,))
    scores = prior.draw(2048, seed=SEED)
    I_o = test.predicted(prior, scores).I_o * factor(prior, scores)[:, np.newaxis]
    noise = np.random.default_rng(SEED).standard_normal((BOARDS, len(V_o)))
    if common:
        noise = noise @ np.linalg.cholesky(test.scatter).T
    else:
        noise = noise * [one.sigma for one in test.readings]
    return np.array([surprise(_with_currents(test, row), I_o, seed=SEED) for row in I_o[:BOARDS] + noise])


def too_many(found: np.ndarray) -> list[float]:  # type: ignore[type-arg]
    """Shares that more readings fall below than should, by three standard errors."""
    levels = (0.05, 0.2, 0.5)
    return [p for p in levels if np.mean(found <= p) > p + 3 * np.sqrt(p * (1 - p) / BOARDS)]


def test_how_surprising_sagging_readings_are_is_a_share_of_the_boards() -> None:
    assert stats.kstest(shares(SEEN["sagging"], common=True), stats.uniform.cdf).pvalue > 1e-3


@pytest.mark.parametrize("V_o", SEEN.values(), ids=SEEN)
def test_ordinary_boards_are_seldom_surprising(V_o: tuple[float, ...]) -> None:
    """An upper bound where both kinds are asked, or where a meter's errors have nothing in common."""
    assert too_many(shares(V_o, common=False)) == []


def test_shares_that_come_out_too_small_would_be_noticed() -> None:
    assert too_many(shares(SEEN["sagging"], common=True) / 3) != []


def _with_currents(test: LoadTest, amps: np.ndarray) -> LoadTest:  # type: ignore[type-arg]
    """The same with other currents; in regulation less than can be had is asked for."""
    readings = []
    for one, I_o in zip(test.readings, amps, strict=True):
        asked = I_o if one.sags else 0.8 * I_o
        readings.append(replace(one, observed=replace(one.observed, I_o=float(asked))))
    return replace(test, readings=tuple(readings))


def test_a_factor_of_two_is_a_surprise() -> None:
    circuit, _, V_set = demo_traced("bedside_charger")
    prior = Prior.of(circuit.values, (FACTOR,))
    scores = prior.draw(4000, seed=SEED)
    for points in ([reading(4.4, 1.5)], [reading(4.4, 6.2)], [reading(5.04, 5.5)]):
        test = sorted_out(circuit, points, V_set=V_set)
        I_o = test.predicted(prior, scores).I_o * factor(prior, scores)[:, np.newaxis]
        assert surprise(test, I_o, seed=SEED) < SURPRISE
