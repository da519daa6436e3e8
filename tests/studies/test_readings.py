"""Load tests as evidence: what each says beside the parts, what is doubtful, and what has no order."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from boards import board as plain_board
from boards import demo
from hypothesis import given, settings
from hypothesis import strategies as st

from flyback.analysis.trace import trace
from flyback.board.meter_log import read_log_text
from flyback.board.model import (
    Accuracy,
    Board,
    LoadReading,
    LoadTest,
    Meters,
    OutputClaim,
    ReadAt,
    WallMeter,
)
from flyback.errors import RequestError
from flyback.studies import readings
from flyback.studies.readings import Place, Readings, observe, rank_efficiencies
from flyback.units import parse

METERS = Meters(
    voltage=Accuracy(0.005, 0.010, "0.5 % + 10 mV"),
    current=Accuracy(0.01, 0.005, "1 % + 5 mA"),
    wall_power=Accuracy(0.01, 0.1, "1 % + 0.1 W"),
    cable_resistance=parse("100 mohm", dimension="resistance"),
    meter_resistance=parse("50 mohm", dimension="resistance"),
    wall_meter=WallMeter.TRUE_POWER,
)
"""At 5 V, 2 A and 12 W: limits of 35 mV, 25 mA and 0.22 W."""

SAMPLES = 400


def read(*ports: tuple[float, float], wall: float | None = None, **fields: Any) -> LoadTest:
    """A load test at the sockets on 230 V, with volts and amps of each port."""
    readings = tuple(LoadReading(str(k), *port) for k, port in enumerate(ports, start=1))
    common = {"mains": 230.0, "frequency": 50.0, "read_at": ReadAt.SOCKET}
    return LoadTest(readings, wall, **{**common, **fields})


def seen(*tests: LoadTest, meters: Meters = METERS, of: Board | None = None, **fields: Any) -> Readings:
    """Load tests of a board: of the bedside charger if none is named, four ports of 5 V 2 A and 24 W."""
    made = replace(of or demo("bedside_charger"), load_tests=tests, meters=meters, **fields)
    return observe(made, trace(made), samples=SAMPLES)


def notice(found: Readings) -> str:
    (text,) = found.notices
    return text


@cache
def bedside() -> Readings:
    made = demo("bedside_charger")
    return observe(made, trace(made))


# --- the numbers ----------------------------------------------------------------------------------


def test_the_bedside_charger_s_load_test_beside_its_parts() -> None:
    """Its first two loads are still regulated, the others lie in the band (as its notebook tells)."""
    details = bedside().details
    assert [detail.place for detail in details] == [Place.REGULATED] * 3 + [Place.INSIDE] * 2
    for detail in details:
        low, high = detail.band or (0.0, 0.0)
        assert 2.2 < low < high < 3.8
    assert [round(detail.P_o, 2) for detail in details] == [5.06, 10.08, 13.05, 13.20, 13.20]


def test_points_are_what_was_read() -> None:
    points = bedside().points
    assert [point.where[:11] for point in points] == [f"load test {k}" for k in range(1, 6)]
    last = points[-1]
    assert (last.V_o, last.I_o, last.P_wall) == (pytest.approx(4.40), 3.0, 16.6)
    assert last.line is not None
    assert (last.line.V_ac, last.line.f_line) == (230.0, 50.0)


def test_error_bars_are_two_standard_uncertainties_by_hand() -> None:
    """5 V ± 35 mV and 2 A ± 25 mA at limits: 70 mW and 125 mW of 10 W; 12.5 W ± 0.225 W."""
    (detail,) = seen(read((5.0, 2.0), wall=12.5, minutes=10.0)).details
    u_P = (0.070**2 + 0.125**2) ** 0.5 / 3**0.5
    assert (detail.P_o, detail.U_P_o) == pytest.approx((10.0, 2 * u_P))
    assert detail.eta == pytest.approx(0.80)
    u_eta = ((u_P / 12.5) ** 2 + (0.8 * 0.225 / 3**0.5 / 12.5) ** 2) ** 0.5
    assert detail.U_eta == pytest.approx(2 * u_eta)
    assert detail.observed.minutes == 10.0
    assert detail.observed.u_P == pytest.approx(0.225 / 3**0.5)
    assert detail.assumed == ()


def test_a_log_is_named_by_its_file() -> None:
    made = replace(demo("bedside_charger"), load_tests=())
    tests = read_log_text("voltage_V,current_A,mains_V\n5.05,1,230\n5.04,2,230", source="usb.csv")
    found = observe(made, trace(made), tests, samples=SAMPLES)
    assert [point.where for point in found.points] == ["usb.csv test 1 (line 2)", "usb.csv test 2 (line 3)"]
    assert len(observe(demo("bedside_charger"), trace(made), tests, samples=SAMPLES).points) == 7


def test_a_long_log() -> None:
    made = replace(demo("bedside_charger"), load_tests=())
    rows = "\n".join(f"{5.05 - k / 4000:.4f},{k / 1000},{229 + k % 7 / 5}" for k in range(2000))
    tests = read_log_text(f"voltage_V,current_A,mains_V\n{rows}")
    found = observe(made, trace(made), tests, samples=100)
    assert len(found.points) == 2000
    assert {detail.place for detail in found.details} >= {Place.REGULATED}


# --- what was not written down --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "of", "line", "words"),
    [
        ({"mains": 120.0, "frequency": 60.0}, {}, (120.0, 60.0), ()),
        ({"mains": None}, {"tried_on": (115.0, 60.0)}, (115.0, 50.0), ("as the 115 V that",)),
        ({"mains": None, "frequency": None}, {"tried_on": (115.0, 60.0)}, (115.0, 60.0),
         ("as the 115 V that the supply was tried on", "as the 60 Hz that the supply was tried on")),
        ({"frequency": None}, {"tried_on": (100.0, 60.0)}, (230.0, 50.0), ("50 Hz that is customary",)),
        ({"frequency": None, "mains": 118.0}, {"tried_on": None}, (118.0, 60.0), ("60 Hz that is",)),
    ],
)  # fmt: skip
def test_the_line_and_how_it_was_taken(
    fields: dict[str, Any], of: dict[str, Any], line: tuple[float, float], words: tuple[str, ...]
) -> None:
    found = seen(read((5.0, 1.0), **fields), **of)
    (point,) = found.points
    assert point.line is not None
    assert (point.line.V_ac, point.line.f_line) == line
    assert len(found.taken) == len(words)
    assert all(word in taken for word, taken in zip(words, found.taken, strict=True))


def test_the_label_s_only_frequency_is_taken() -> None:
    found = seen(read((5.0, 1.0), frequency=None, mains=120.0), of=plain_board())  # its label prints 50 Hz
    assert found.taken == ("load test 1: the mains frequency is taken as the 50 Hz that the label prints",)


def test_no_mains_at_all() -> None:
    found = seen(read((5.0, 1.0), mains=None), tried_on=None)
    assert found.points[0].line is None
    assert found.details[0].place is Place.NOT_COMPARED
    assert notice(found) == (
        "load test 1: no mains voltage is noted, so it is not compared with the traced parts."
    )


def test_volts_without_a_place_are_taken_at_the_socket_and_said_once() -> None:
    found = seen(*(read((5.0, I_o), read_at=None) for I_o in (0.5, 1.0, 1.5, 1.8)))
    assert found.taken == (
        "load test 1, load test 2, load test 3 and 1 more: the volts are taken as read at the socket, "
        "since nothing else is said",
    )


def test_lent_accuracies_are_listed_once() -> None:
    found = seen(read((5.0, 1.0), wall=7.0), read((5.0, 1.5), wall=9.9), meters=Meters())
    assert len(found.assumed) == 6
    assert len({value.key for value in found.assumed}) == 6


def test_a_test_without_ports_says_nothing_of_the_output() -> None:
    found = seen(read((5.0, 1.0)), read(wall=0.08))
    assert len(found.points) == 1
    assert notice(found).startswith("load test 2: nothing was read at a port")


# --- doubts ---------------------------------------------------------------------------------------


def test_volts_above_those_without_load() -> None:
    """5.05 V idle; 5.06 V is within the meters, 5.20 V is not."""
    idle = read((5.05, 0.0))
    assert seen(idle, read((5.06, 1.0))).notices == ()
    text = notice(seen(idle, read((5.20, 1.0))))
    assert text.startswith("load test 2: 5.20 V at 1.00 A is more than the 5.05 V read without load.")
    assert "make up for the cable" in text
    assert "added back" not in text


def test_the_drop_added_back_may_be_what_is_wrong() -> None:
    idle = read((5.05, 0.0))
    text = notice(seen(idle, read((5.04, 1.5), read_at=ReadAt.CABLE_END)))
    assert "the 0.225 V added back for what lies before the meter is too much, or one of the two" in text


def test_the_rail_serves_where_nothing_was_read_without_load() -> None:
    text = notice(seen(read((5.25, 1.0))))  # the file's rail is 5.05 V
    assert "is more than the 5.05 V read without load" in text
    assert seen(read((5.25, 1.0)), rail_voltage=None).notices == ()


def test_another_setting_of_the_output_is_no_reference() -> None:
    label = replace(demo("bedside_charger").label, outputs=(OutputClaim(5, 2), OutputClaim(9, 1)))
    assert seen(read((5.05, 0.0)), read((8.9, 0.5)), label=label).notices == ()


@pytest.mark.parametrize("wall", [12.0, None])
def test_current_beyond_the_claim_of_the_ports(wall: float | None) -> None:
    text = notice(seen(read((4.9, 2.3), wall=wall and 14.5)))
    assert "more current than the label claims of 1 port (2.00 A)." in text
    assert "were more ports loaded than are written down?" in text
    # the error bar of 2.02 A reaches down to 2.00 A, and two ports may give 4 A
    assert seen(read((5.0, 2.02)), read((5.0, 1.3), (5.0, 1.3))).notices == ()


def test_a_printed_total_is_claimed_by_all_ports_together() -> None:
    label = replace(demo("bedside_charger").label, total_current=2.1)
    text = notice(seen(read((4.9, 1.2), (4.9, 1.2)), label=label))
    assert "more current than the label claims of 2 ports (2.10 A)" in text


def test_more_ports_than_the_label_has() -> None:
    text = notice(seen(read(*[(5.0, 0.4)] * 5)))
    assert text == "load test 1: 5 ports were read, but the label has 4: was one counted twice?"


def test_ports_of_one_rail_that_differ() -> None:
    text = notice(seen(read((5.0, 1.0), (4.5, 1.0))))
    assert "the loaded ports differ by 0.500 V" in text
    assert seen(read((5.0, 1.0), (4.8, 1.0)), read((5.0, 1.0), (4.5, 0.0))).notices == ()


def test_volt_amperes_are_no_watts() -> None:
    found = seen(read((5.0, 1.0), wall_apparent=11.0))
    assert found.details[0].eta is None
    assert "volt-amperes were read at the wall, not watts" in notice(found)


def test_more_watts_than_volt_amperes() -> None:
    text = notice(seen(read((5.0, 1.0), wall=7.0, wall_apparent=6.0)))
    assert "7.00 W at the wall is more than the 6.00 VA read with it, which cannot be" in text
    assert seen(read((5.0, 1.0), wall=7.0, wall_apparent=7.0)).notices == ()


def test_a_wall_meter_that_sees_nothing() -> None:
    text = notice(seen(read((5.0, 0.01), wall=0.1)))
    assert "the wall meter may be off by as much as it reads: no efficiency follows." in text


def test_a_cheap_wall_meter_is_told_once_for_all() -> None:
    cheap = replace(METERS, wall_meter=WallMeter.CHEAP)
    found = seen(read((5.0, 1.0), wall=6.0), read((5.0, 2.0), wall=12.0), meters=cheap)
    assert notice(found).startswith("load test 1 and load test 2: the wall meter is a cheap one")


@pytest.mark.parametrize(
    ("kind", "test", "likeliest"),
    [
        # 10 W out of 9 W: what a cheap meter makes of short pulses of current
        (WallMeter.CHEAP, {"wall": 9.0}, "a cheap wall meter reads low at the low power factor"),
        (None, {"wall": 9.0}, "the wall meter, if a cheap one, reads low"),
        # 10.6 W with the drop of 0.30 V, 10.0 W without: 98 % of 10.2 W
        (WallMeter.TRUE_POWER, {"wall": 10.2, "read_at": ReadAt.CABLE_END},
         "the volts were read before the cable: without the 0.300 V added back it would be 98 %"),
        # 10.2 W with the drop of 0.10 V at the meter
        (WallMeter.TRUE_POWER, {"wall": 10.1, "read_at": ReadAt.METER},
         "the volts were read before the meter: without the 0.100 V added back it would be 99 %"),
        # 40 mW too much at 5 V: 8 mA, less than twice the 5 mA of the current meter
        (WallMeter.TRUE_POWER, {"wall": 9.96}, "the current meter shows 8.00 mA or more"),
        (WallMeter.TRUE_POWER, {"wall": 9.0}, "volts, amps and watts are not of one moment"),
    ],
)  # fmt: skip
def test_an_efficiency_above_one(kind: WallMeter | None, test: dict[str, Any], likeliest: str) -> None:
    found = seen(read((5.0, 2.0), **test), meters=replace(METERS, wall_meter=kind))
    text = found.notices[-1]
    assert " %, which cannot be: repeat this reading. Likeliest: " + likeliest in text
    assert (found.details[0].eta or 0) > 1


# --- beside the traced parts ----------------------------------------------------------------------


def test_above_and_below_the_band() -> None:
    """About 2.6 to 3.6 A at 4.4 V and 2.9 to 4.0 A at 4.0 V."""
    found = seen(read((4.4, 2.0), (4.4, 2.5)), read((4.0, 1.5)), read((4.4, 1.6), (4.4, 1.5)))
    assert [detail.place for detail in found.details] == [Place.ABOVE, Place.BELOW, Place.INSIDE]
    above, below = (text for text in found.notices if "traced parts" in text)
    assert above.startswith("load test 1: more current than the traced parts allow there")
    assert "re-read R5 || R6 and the turns, or doubt the current meter" in above
    assert below.startswith("load test 2: less current than the traced parts allow there")
    assert "though the voltage has given way" in below


def test_an_error_bar_that_touches_the_band_is_inside() -> None:
    found = seen(read((4.4, 1.9), (4.4, 1.9)), meters=replace(METERS, current=Accuracy(0.1, 0.01, "10 %")))
    (detail,) = found.details
    assert detail.band is not None
    assert detail.observed.I_o > detail.band[1]
    assert detail.place is Place.INSIDE


def test_below_is_regulated_only_near_the_voltage_without_load() -> None:
    """3 % below the 5.05 V of the rail is 4.90 V; 4.87 V with its error bar of 40 mV may still be that."""
    places = [seen(read((V_o, 1.0))).details[0].place for V_o in (4.95, 4.87, 4.80)]
    assert places == [Place.REGULATED, Place.REGULATED, Place.BELOW]


def test_each_of_several_printed_voltages_is_a_regulated_one() -> None:
    made = plain_board()
    label = replace(made.label, outputs=(OutputClaim(5, 2, port="C"), OutputClaim(6.5, 1, port="C")))
    found = seen(read((5.0, 0.5)), read((6.5, 0.3)), read((5.8, 0.3)), of=made, label=label)
    assert [detail.place for detail in found.details] == [Place.REGULATED, Place.REGULATED, Place.BELOW]


def test_a_label_without_voltages() -> None:
    made = plain_board()
    label = replace(made.label, outputs=(), power=10.0)
    for rail in (made.rail_voltage, None):
        found = seen(read((5.0, 1.0)), read((4.0, 0.5)), of=made, label=label, rail_voltage=rail)
        assert [detail.place for detail in found.details] == [Place.REGULATED, Place.BELOW]


def test_where_the_controller_stops_nothing_is_compared() -> None:
    """8 V at 18 turns are 3.56 V at 8, less 0.45 V: it stops below 3.11 V."""
    made = plain_board(U1={"supply_stop": "8.0 V"}, T1={"auxiliary_turns": 18})
    found = seen(read((2.5, 0.4)), read((4.0, 2.9)), of=made)
    assert found.details[0].place is Place.NOT_COMPARED
    assert found.details[1].place is not Place.NOT_COMPARED
    assert "below 3.11 V the controller loses its supply" in found.notices[0]


def test_parts_that_are_not_known() -> None:
    found = seen(read((5.0, 1.0)), of=plain_board(U1={"frequency": None}))
    assert found.details[0].place is Place.NOT_COMPARED
    assert notice(found) == "Not compared with the traced parts: needs U1.frequency."


def test_behind_a_second_converter_nothing_is_said_about_the_rail() -> None:
    post = {"role": "post converter", "efficiency": {"value": "90 %", "origin": "datasheet"}}
    found = seen(read((5.0, 1.0), wall=7.0), of=plain_board(U5=post))
    assert found.points == ()
    assert found.details[0].eta == pytest.approx(5 / 7)
    assert "behind a second converter" in notice(found)


def test_a_board_that_is_no_flyback_still_has_its_readings() -> None:
    made = replace(demo("bedside_charger"), topology="half bridge", meters=METERS)
    found = observe(made, None)
    assert len(found.points) == 5
    assert {detail.place for detail in found.details} == {Place.NOT_COMPARED}


def test_a_board_without_a_result_there(monkeypatch: pytest.MonkeyPatch) -> None:
    none = np.full(3, np.nan)
    monkeypatch.setattr(readings, "current_bands", lambda *_, **__: (none, none))
    found = seen(read((5.0, 1.0)))
    assert (found.details[0].place, found.details[0].band) == (Place.NOT_COMPARED, None)
    assert "the traced parts give no finite current there" in notice(found)


VOLTS = st.one_of(st.just(0.0), st.floats(1e-3, 1e4), st.floats(3, 6))
AMPS = st.one_of(st.just(0.0), st.floats(1e-6, 1000), st.floats(0, 4))
TESTS = st.builds(
    read,
    *[st.tuples(VOLTS, AMPS)] * 2,
    wall=st.one_of(st.none(), st.just(0.0), st.floats(1e-6, 1e4)),
    wall_apparent=st.one_of(st.none(), st.floats(0, 1e4)),
    mains=st.one_of(st.none(), st.floats(10, 1000)),
    frequency=st.one_of(st.none(), st.floats(10, 1000)),
    read_at=st.sampled_from([None, *ReadAt]),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(TESTS, max_size=4), st.sampled_from([METERS, Meters()]))
def test_whatever_was_read_there_is_an_answer(tests: list[LoadTest], meters: Meters) -> None:
    found = seen(*tests, meters=meters)
    assert len(found.points) == len(tests)
    for detail in found.details:
        assert all(map(math.isfinite, (detail.P_o, detail.U_P_o, detail.eta or 0.0, detail.U_eta)))
        assert (detail.band is None) == (detail.place is Place.NOT_COMPARED)
    assert not any("nan" in text or "inf " in text for text in found.notices)


def test_no_load_tests_at_all() -> None:
    assert seen() == Readings((), at_rail=True, general=())


# --- an order among efficiencies ------------------------------------------------------------------


def test_efficiencies_clear_of_each_other_are_ranked() -> None:
    """60, 70 and 80 %, each within 2.5 %."""
    found = seen(read((5.0, 2.0), wall=14.29), read((5.0, 2.0), wall=12.5), read((5.0, 2.0), wall=16.67))
    assert max(detail.U_eta for detail in found.details) < 0.025
    ranked = rank_efficiencies(found.details)
    assert [detail.observed.where for detail in ranked] == ["load test 2", "load test 1", "load test 3"]
    assert rank_efficiencies(()) == ()


def test_efficiencies_that_overlap_are_not_ranked() -> None:
    found = seen(read((5.0, 2.0), wall=12.5), read((5.0, 2.0), wall=12.7), read((5.0, 2.0), wall=20.0))
    with pytest.raises(RequestError) as caught:
        rank_efficiencies(found.details)
    (problem,) = caught.value.problems
    assert str(problem) == (
        "load test 1, 80.0 ± 2.1 %, and load test 2, 78.7 ± 2.1 %, are not ranked: their error bars "
        "overlap. Better meters, or a heavier load, would tell them apart."
    )


def test_a_test_without_an_efficiency_is_not_ranked() -> None:
    found = seen(read((5.0, 2.0), wall=12.5), read((5.0, 1.0)))
    with pytest.raises(RequestError, match=r"load test 2 has no efficiency\."):
        rank_efficiencies(found.details)
