"""Readings corrected to the sockets and their uncertainties: by hand, and by drawing the errors."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from flyback.board.model import Accuracy, LoadReading, LoadTest, Meters, ReadAt, WallMeter
from flyback.reference import handbook
from flyback.studies.corrections import Bench, Corrected, correct
from flyback.units import parse

METERS = Meters(
    voltage=Accuracy(0.01, 0.020, "1 % + 20 mV"),
    current=Accuracy(0.02, 0.010, "2 % + 10 mA"),
    wall_power=Accuracy(0.01, 0.2, "1 % + 0.2 W"),
    cable_resistance=parse("100 mohm", dimension="resistance"),
    meter_resistance=parse("50 mohm", dimension="resistance"),
    wall_meter=WallMeter.TRUE_POWER,
)

TEST = LoadTest(
    readings=(LoadReading("1", 5.00, 2.0),), wall_power=12.5, mains=230.0, read_at=ReadAt.CABLE_END
)


def of(*ports: tuple[float, float], meters: Meters = METERS, **fields: object) -> Corrected:
    """A load test with volts and amps of its ports, corrected."""
    readings = tuple(LoadReading(str(k), *port) for k, port in enumerate(ports, start=1))
    return correct(replace(TEST, readings=readings, **fields), Bench.of(meters))  # type: ignore[arg-type]


def test_one_port_at_the_end_of_a_cable_by_hand() -> None:
    """5.00 V, 2.000 A and 12.5 W; limits 70 mV, 50 mA and 0.325 W; 150 mohm in the way.

    V_o = 5.00 + 2 x 0.15; P_o = 5.30 x 2. P_o rises by 2 W a volt and by 5.00 + 2 x 2 x 0.15 W an ampere.
    """
    found = correct(TEST, Bench.of(METERS))
    assert (found.V_o, found.I_o, found.P_o) == pytest.approx((5.30, 2.0, 10.6))
    assert found.drop == pytest.approx(0.30)
    assert found.eta == pytest.approx(10.6 / 12.5)
    assert found.u_V == pytest.approx(sqrt(0.07**2 + (0.15 * 0.05) ** 2) / sqrt(3))
    assert found.u_I == pytest.approx(0.05 / sqrt(3))
    assert found.u_P == pytest.approx(sqrt((2 * 0.07) ** 2 + (5.6 * 0.05) ** 2) / sqrt(3))
    assert found.u_wall == pytest.approx(0.325 / sqrt(3))
    # worked on paper: 0.18074 / 12.5 and 0.848 x 0.18764 / 12.5
    assert found.u_eta == pytest.approx(0.01926, abs=5e-6)
    assert found.assumed == ()


@pytest.mark.parametrize(
    ("read_at", "V_o"),
    [(None, 5.00), (ReadAt.SOCKET, 5.00), (ReadAt.METER, 5.10), (ReadAt.CABLE_END, 5.30)],
)
def test_the_drop_goes_with_where_the_volts_were_read(read_at: ReadAt | None, V_o: float) -> None:
    assert of((5.00, 2.0), read_at=read_at).V_o == pytest.approx(V_o)


def test_the_spread_of_a_cable_counts() -> None:
    """100 mohm ± 10 % at 2 A: a limit of 20 mV beside the 70 mV of the meter."""
    cable = parse("100 mohm ± 10 %", dimension="resistance")
    none = parse("0 ohm", dimension="resistance")
    found = of((5.00, 2.0), meters=replace(METERS, cable_resistance=cable, meter_resistance=none))
    assert found.V_o == pytest.approx(5.20)
    assert found.u_V == pytest.approx(sqrt(0.07**2 + (0.10 * 0.05) ** 2 + 0.02**2) / sqrt(3))


def test_ports_add_up_and_the_voltage_is_weighted_with_their_currents() -> None:
    """5.00 V at 2 A and 5.10 V at 1 A: 15.1 W, 3 A, and so 5.033 V."""
    found = of((5.00, 2.0), (5.10, 1.0), (5.20, 0.0), read_at=ReadAt.SOCKET)
    assert (found.P_o, found.I_o) == pytest.approx((15.1, 3.0))
    assert found.V_o == pytest.approx(15.1 / 3)
    assert found.V_sockets == pytest.approx((5.00, 5.10, 5.20))
    # 50 mA, 30 mA and the 10 mA of a meter at rest
    assert found.u_I == pytest.approx(sqrt(0.05**2 + 0.03**2 + 0.01**2) / sqrt(3))


def test_currents_lost_in_their_error_are_no_weights() -> None:
    """5 mA, of a meter that may be 10 mA off, on one of two ports: its volts are not the only ones."""
    found = of((5.00, 0.005), (5.20, 0.0), read_at=ReadAt.SOCKET)
    assert found.V_o == pytest.approx(5.10)
    assert found.P_o == pytest.approx(0.025)
    assert found.u_V == pytest.approx(sqrt(0.070**2 + 0.072**2) / 2 / sqrt(3))


def test_without_load_the_voltage_is_the_plain_mean() -> None:
    found = of((5.00, 0.0), (5.10, 0.0), read_at=ReadAt.SOCKET)
    assert (found.V_o, found.I_o, found.P_o, found.eta) == (pytest.approx(5.05), 0.0, 0.0, None)
    assert found.u_V == pytest.approx(sqrt(0.070**2 + 0.071**2) / 2 / sqrt(3))


@pytest.mark.parametrize(
    ("wall", "eta"),
    [(None, None), (0.0, None), (0.2, None), (0.25, 0.4)],
    ids=["none", "0", "small", "more"],
)
def test_no_efficiency_where_the_wall_meter_says_nothing(wall: float | None, eta: float | None) -> None:
    """Its limit is 0.2 W at least."""
    found = of((5.0, 0.02), wall_power=wall, read_at=ReadAt.SOCKET)
    assert found.eta == (None if eta is None else pytest.approx(eta))


def test_uncertainties_are_those_of_drawn_errors() -> None:
    """An independent path: errors drawn evenly between their limits.

    The linear sums are within 2 % of it, of which the draws' own noise is 0.3 %.
    """
    ports = ((4.90, 2.0), (5.05, 0.7))
    cable = parse("200 mohm ± 30 %", dimension="resistance")
    found = of(*ports, meters=replace(METERS, cable_resistance=cable))
    stream = np.random.default_rng(1)

    def drawn(reading: float, limit: float) -> np.ndarray:
        return reading + limit * stream.uniform(-1, 1, 200_000)

    volts = [drawn(v, 0.01 * v + 0.02) for v, _ in ports]
    amps = [drawn(i, 0.02 * i + 0.01) for _, i in ports]
    R = drawn(0.2, 0.06) + 0.05
    P_o = sum((v + i * R) * i for v, i in zip(volts, amps, strict=True))
    eta = P_o / drawn(12.5, 0.325)
    for name, draws in (("u_P", P_o), ("u_I", sum(amps)), ("u_V", P_o / sum(amps)), ("u_eta", eta)):
        assert getattr(found, name) == pytest.approx(float(np.std(draws)), rel=0.02), name


# --- what is not said -----------------------------------------------------------------------------


def test_accuracies_not_given_are_lent_and_named() -> None:
    found = of((5.0, 2.0), meters=replace(METERS, voltage=None, current=None), read_at=ReadAt.SOCKET)
    assert [value.key for value in found.assumed] == [
        "meters.voltage, of the reading",
        "meters.voltage, fixed",
        "meters.current, of the reading",
        "meters.current, fixed",
    ]
    share, floor = handbook("meter", "voltage_accuracy"), handbook("meter", "voltage_floor")
    assert share is not None
    assert floor is not None
    assert found.u_V == pytest.approx((5.0 * share.typical + floor.typical) / sqrt(3))
    assert {value.source for value in found.assumed} == {"common practice, no source"}


def test_only_what_a_test_rests_on_is_assumed() -> None:
    bare = of((5.0, 2.0), meters=Meters(), wall_power=None, read_at=ReadAt.METER)
    assert [value.key.partition(",")[0] for value in bare.assumed] == [
        *("meters.voltage",) * 2,
        *("meters.current",) * 2,
        "meters.meter_resistance",
    ]
    far = of((5.0, 2.0), meters=Meters(), read_at=ReadAt.CABLE_END)
    assert [value.key for value in far.assumed[4:6]] == [
        "meters.cable_resistance",
        "meters.meter_resistance",
    ]


def test_a_lent_cable_is_as_uncertain_as_its_range() -> None:
    """0.1 to 0.6 ohm, typically 0.3: half the weight on each side, (0.2² + 0.3²) / 6."""
    none = parse("0 ohm", dimension="resistance")
    found = of((5.0, 2.0), meters=replace(METERS, cable_resistance=None, meter_resistance=none))
    assert found.V_o == pytest.approx(5.6)
    u_cable = 2 * sqrt((0.2**2 + 0.3**2) / 6)
    assert found.u_V == pytest.approx(sqrt(u_cable**2 + (0.07**2 + (0.3 * 0.05) ** 2) / 3))


def test_a_cheap_wall_meter_is_lent_a_worse_accuracy() -> None:
    kinds = (WallMeter.TRUE_POWER, None, WallMeter.CHEAP)
    found = [of((5.0, 2.0), meters=replace(METERS, wall_power=None, wall_meter=kind)) for kind in kinds]
    assert found[0].u_wall < found[1].u_wall < found[2].u_wall
    assert all(len(one.assumed) == 2 for one in found)
