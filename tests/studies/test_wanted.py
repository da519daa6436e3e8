"""What may be asked for: claims by their words, figures, and everything else refused with what to write."""

from __future__ import annotations

import pytest
from worked import checked

from flyback.errors import NotAFlybackError, RequestError
from flyback.studies.wanted import wanted
from flyback.verdict.check import check


def test_by_default_the_claim_with_the_worst_verdict() -> None:
    assert wanted(checked("bedside_charger"), None).name == "24 W in total"
    assert wanted(checked("hall_charger"), None).name == "1 A"


@pytest.mark.parametrize("text", ["24 W in total", "2 A from one port"])
def test_a_claim_by_its_words(text: str) -> None:
    assert wanted(checked("bedside_charger"), text).name == text


@pytest.mark.parametrize(
    ("text", "voltage", "current", "power"),
    [
        ("24 W", 5.0, None, 24.0),
        ("24W", 5.0, None, 24.0),
        ("2.5 A", 5.0, 2.5, None),
        ("500 mA", 5.0, 0.5, None),
        ("12 V 2 A", 12.0, 2.0, None),
        ("9 V, 2 A", 9.0, 2.0, None),
        ("12 V 24 W", 12.0, None, 24.0),
        ("4 x 2 A", 5.0, 8.0, None),
        ("2 × 5 V 2.4 A", 5.0, 4.8, None),
    ],
)
def test_a_figure(text: str, voltage: float, current: float | None, power: float | None) -> None:
    demand = wanted(checked("bedside_charger"), text)
    assert demand.voltage == voltage
    assert demand.current == (None if current is None else pytest.approx(current))
    assert demand.power == power


@pytest.mark.parametrize(
    "text", ["", "24", "24 V", "2 A 5 V", "3 W A", "0 W", "2 a", "much", "1.2.3 A", "-2 A", "24 W in totl"]
)
def test_refused_with_what_to_write(text: str) -> None:
    with pytest.raises(RequestError, match="24 W in total") as caught:
        wanted(checked("bedside_charger"), text)
    (problem,) = caught.value.problems
    assert problem.field == "claim"


def test_a_slip_is_mended() -> None:
    with pytest.raises(RequestError, match='did you mean "2 A from one port"'):
        wanted(checked("bedside_charger"), "2A from one prt")


def test_no_flyback_no_remedies() -> None:
    from worked import board

    other = check(board("wall_charger", ('topology = "flyback"', 'topology = "forward"')), samples=100)
    with pytest.raises(NotAFlybackError, match="not a flyback"):
        wanted(other, None)
