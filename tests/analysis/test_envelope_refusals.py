"""Which lines an envelope is drawn for, and what it cannot do or leaves out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from boards import board

from flyback.analysis.bulk import Line
from flyback.analysis.envelope import LEAST_SAMPLES, ends_and_nominal, envelope
from flyback.analysis.inputs import mains_line
from flyback.errors import NotAFlybackError, NumericalError, RequestError

LOW, EUROPE = Line(90.0, 50.0), Line(230.0, 50.0)


# --- which lines ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tried", "volts", "chosen"),
    [
        ((230.0, 50.0), [90.0, 115.0, 230.0, 264.0], [90.0, 230.0, 264.0]),
        ((115.0, 60.0), [90.0, 115.0, 230.0, 264.0], [90.0, 115.0, 264.0]),
        ((300.0, 60.0), [90.0, 115.0, 230.0, 264.0], [90.0, 230.0, 264.0]),
        (None, [90.0, 115.0, 230.0, 264.0], [90.0, 230.0, 264.0]),
        (None, [90.0, 110.0, 115.0, 132.0], [90.0, 115.0, 132.0]),
        (None, [90.0, 115.0, 132.0], [90.0, 115.0, 132.0]),
        (None, [230.0], [230.0]),
    ],
)
def test_both_ends_and_the_nominal_mains(
    tried: tuple[float, float] | None, volts: Sequence[float], chosen: Sequence[float]
) -> None:
    lines = [mains_line(V, 50.0) for V in volts]
    made = replace(board(), tried_on=tried)
    assert [float(line.V_ac) for line in ends_and_nominal(made, lines)] == chosen


# --- what cannot be computed ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topology", "words"),
    [("capacitive dropper", "a capacitive dropper, not"), ("other", "is not a flyback")],
)
def test_another_converter_is_refused(topology: str, words: str) -> None:
    with pytest.raises(NotAFlybackError, match=words):
        envelope(replace(board(), topology=topology), [EUROPE])


@pytest.mark.parametrize(
    ("changes", "line", "key"),
    [
        ({"R3": {"marking": None, "tolerance": None, "resistance": "unknown"}}, EUROPE, "R3.resistance"),
        ({"U1": {"frequency": None}}, Line(V_fixed=300.0), "U1.frequency"),
        ({"C1": {"value": None, "capacitance": "unknown"}}, EUROPE, "C1.capacitance"),
    ],
)
def test_an_unknown_value_is_named(changes: dict[str, Any], line: Line, key: str) -> None:
    with pytest.raises(RequestError, match=f"needs {key};"):
        envelope(board(**changes), [line])


def test_a_bench_supply_needs_no_bulk() -> None:
    made = board(C1={"value": None, "capacitance": "unknown"}, BR1=None)
    (curve,) = envelope(made, [Line(V_fixed=300.0)], samples=LEAST_SAMPLES).curves
    assert curve.I_o[1] > 2


def test_an_unknown_set_voltage_is_named() -> None:
    with pytest.raises(RequestError, match=r"needs rail\.voltage;"):
        envelope(replace(board(), rail_voltage=None), [EUROPE])


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(RequestError, match="99 samples make no band; expected at least 100"):
        envelope(board(), [EUROPE], samples=99)


def test_what_is_not_counted_is_said() -> None:
    found = envelope(board(T1={"core_area": None}), [EUROPE], samples=LEAST_SAMPLES)
    assert "Not counted: saturation, which needs T1.core_area." in found.notes


def test_a_hopeless_bulk_is_said() -> None:
    small = board("valley switching", C1={"value": "2.2 uF ±20 %"})
    found = envelope(small, [LOW, EUROPE], samples=LEAST_SAMPLES)
    assert any(note.startswith("At 90 V the bulk is so small that it follows") for note in found.notes)


def test_a_result_that_is_not_finite_is_put_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    from flyback.analysis import envelope as module

    real = module.averaged
    monkeypatch.setattr(module, "averaged", lambda *a, **k: replace(real(*a, **k), I_o=np.nan))
    with pytest.raises(NumericalError, match="the curve at 230 V 50 Hz"):
        envelope(board(), [EUROPE], samples=LEAST_SAMPLES)
