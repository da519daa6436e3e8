"""The output's volts and amps of whole boards: where, against which claims, with which simulated points."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from worked import board

from flyback.analysis.regions import SHORTEST
from flyback.errors import NotAFlybackError, RequestError
from flyback.verdict import output
from flyback.verdict.output import POINTS, volts_and_amps

FEW = {"samples": 100, "mains": 230.0}


def test_the_ends_of_the_label_and_the_mains_it_was_tried_on() -> None:
    env = volts_and_amps(board("wall_charger"), samples=100, simulate=False)
    # 100..240 V widened by 10 %, tried on 230 V
    assert [curve.line.name for curve in env.curves] == ["90 V", "230 V", "264 V"]
    assert env.claims == ((2.0, 5.0, "2 A"),)
    assert all(curve.simulated == () for curve in env.curves)


def test_other_lines() -> None:
    wall = board("wall_charger")
    two = volts_and_amps(wall, mains=(100.0, 127.0), frequency=60.0, samples=100, simulate=False)
    assert [curve.line.full_name for curve in two.curves] == ["100 V 60 Hz", "127 V 60 Hz"]
    bench = volts_and_amps(wall, dc=150.0, samples=100, simulate=False)
    assert [curve.line.full_name for curve in bench.curves] == ["150 V dc"]


@pytest.mark.parametrize("name", ["wall_charger", "hall_charger", "strip_adapter"])
def test_simulated_points_lie_near_the_curve(name: str) -> None:
    (curve,) = volts_and_amps(board(name), **FEW).curves
    assert len(curve.simulated) == POINTS
    shortest = [V_o for V_o, region in zip(curve.V_o, curve.region, strict=True) if region == SHORTEST]
    for point in curve.simulated:
        if point.V_o <= max(shortest, default=-1.0):
            continue  # the curve says itself that the current runs up beyond it
        I_o = float(np.interp(-point.V_o, -curve.V_o[1:], curve.I_o[1:]))
        # closed forms and simulation agree within 3 %, and within 5 % below half the set voltage, where the
        # drops, of which the closed forms know least, are what is left
        tolerance = 0.03 if point.V_o > curve.V_o[0] / 2 else 0.05
        assert point.I_o == pytest.approx(I_o, rel=tolerance)
        assert point.fidelity in ("cycle", "full")


def test_points_that_do_not_settle_are_left_out_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def three(*arguments: object, **options: object) -> Iterator[tuple[float, float, str, bool]]:
        yield from [(5.0, 2.9, "full", False), (3.0, 4.7, "full", True), (0.0, 9.9, "cycle", False)]

    monkeypatch.setattr(output, "limit_points", three)
    env = volts_and_amps(board("wall_charger"), **FEW)
    assert [point.region for point in env.curves[0].simulated] == ["", "subharmonic", ""]
    assert [point.fidelity for point in env.curves[0].simulated] == ["full", "full", "cycle"]
    assert env.notes[-1] == "Not every simulated point at 230 V 50 Hz settled; those are left out."


def test_a_board_that_cannot_be_simulated_still_has_its_curve() -> None:
    unknown = ('esr = { value = "30 mohm", origin = "datasheet" }', "")
    no_capacitor = ('value = "680 uF"\ntolerance = "20 %"\norigin = "marked"', 'capacitance = "unknown"')
    env = volts_and_amps(board("wall_charger", no_capacitor, unknown), **FEW)
    assert env.curves[0].simulated == ()
    assert env.notes[-1].startswith("No simulated points: ")
    assert "C5.capacitance" in env.notes[-1]
    assert env.curves[0].I_o.max() > 2.0


def test_progress_reaches_the_end() -> None:
    told: list[float] = []
    volts_and_amps(board("wall_charger"), **FEW, simulate=False, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"mains": 2.0}, "mains: 2 V"),
        ({"dc": 150.0, "mains": 230.0}, "exclude each other"),
        ({"samples": 5}, "samples: 5"),
    ],
)
def test_what_cannot_be_asked(options: dict[str, float], words: str) -> None:
    with pytest.raises(RequestError, match=words):
        volts_and_amps(board("wall_charger"), **options)  # type: ignore[arg-type]


def test_another_kind_of_converter() -> None:
    other = board("bedside_charger", ('topology = "flyback"', 'topology = "half bridge"'))
    with pytest.raises(NotAFlybackError, match="half bridge"):
        volts_and_amps(other)
