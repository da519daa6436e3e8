"""Computed load tests of the worked examples: what the simulated boards do, within the meters' limits."""

from __future__ import annotations

import os
import tomllib
from dataclasses import replace

import pytest
import worked
from worked_load_tests import AMPS, SPECIMENS, VOLTS, WATTS, Truth, as_toml, rows, truth

from flyback.analysis.trace import trace
from flyback.board.model import LoadReading, LoadTest, Meters, ReadAt
from flyback.studies.corrections import Bench
from flyback.studies.readings import Place, observe
from flyback.verdict.words import Word

LONG = bool(os.environ.get("FLYBACK_LONG"))

CYCLE_OFF = 0.013
"""What fidelity "cycle" may be off in currents and powers, and so in volts: docs/waveforms.md."""

QUICK = (("hall_charger", 6), ("cracked_charger", 4))
"""Rows beyond the knee that are followed in "full" each time."""

GIVEN_WAY = 4.9
"""Below this an output of 5 V no longer stands [V]."""

ROWS = [(name, number) for name, one in SPECIMENS.items() for number in range(len(one.loads))]

BOTH = pytest.mark.parametrize("name", SPECIMENS)


def row(name: str, number: int) -> LoadTest:
    return worked.board(name).load_tests[number]


def simulated(name: str, number: int, fidelity: str = "full") -> Truth:
    specimen = SPECIMENS[name]
    return truth(name, specimen.loads[number], specimen.change, fidelity)


def beyond(name: str, read: LoadTest, was: Truth, *, off: float = 0.0) -> list[str]:
    """What was read further from the truth than the file's meters allow.

    Args:
        off: share by which the truth itself may be off.
    """
    meters = worked.board(name).meters
    bench = Bench.of(meters)
    R = meters.meter_resistance if read.read_at is ReadAt.METER else None
    drop, unsure = (0.0, 0.0) if R is None else (R.nominal * was.I_o, (R.high - R.nominal) * was.I_o)
    (reading,), watts = read.readings, read.wall_power or 0.0
    volts_allowed = bench.voltage.limit(reading.voltage) + unsure
    errors = {
        "volts": (reading.voltage + drop - was.V_o, volts_allowed, was.V_o),
        "amps": (reading.current - was.I_o, bench.current.limit(reading.current), was.I_o),
        "watts": (watts - was.P_wall, bench.wall_power.limit(watts), was.P_wall),
    }
    return [what for what, (error, limit, true) in errors.items() if abs(error) > limit + off * true]


# --- the rows -------------------------------------------------------------------------------------


@BOTH
def test_the_file_has_a_row_for_each_load(name: str) -> None:
    board, specimen = worked.board(name), SPECIMENS[name]
    found = [(one.mains, one.frequency, one.read_at) for one in board.load_tests]
    assert found == [(load.mains, load.frequency, specimen.read_at) for load in specimen.loads]


@pytest.mark.parametrize(("name", "number"), ROWS)
def test_a_row_is_what_the_board_does_pulse_by_pulse(name: str, number: int) -> None:
    assert beyond(name, row(name, number), simulated(name, number, "cycle"), off=CYCLE_OFF) == []


@pytest.mark.parametrize(("name", "number"), ROWS if LONG else QUICK)
def test_a_row_is_what_the_board_does_with_every_state(name: str, number: int) -> None:
    assert beyond(name, row(name, number), simulated(name, number)) == []


@pytest.mark.parametrize(
    ("volts", "amps", "watts", "found"),
    [
        (0.15, 0.0, 0.0, ["volts"]),
        (0.0, -0.07, 0.0, ["amps"]),
        (0.0, 0.0, 0.5, ["watts"]),
        (-0.15, 0.07, -0.5, ["volts", "amps", "watts"]),
    ],
)
@pytest.mark.parametrize(("name", "number"), QUICK)
def test_a_row_that_is_moved_off_is_found(
    name: str, number: int, volts: float, amps: float, watts: float, found: list[str]
) -> None:
    read = row(name, number)
    (was,) = read.readings
    moved = replace(
        read,
        readings=(LoadReading(was.port, was.voltage + volts, was.current + amps),),
        wall_power=(read.wall_power or 0.0) + watts,
    )
    assert beyond(name, moved, simulated(name, number, "cycle"), off=CYCLE_OFF) == found
    assert beyond(name, moved, simulated(name, number)) == found


def test_rows_of_the_board_as_traced_would_be_found() -> None:
    """With both sense resistors the volts would stand where they gave way."""
    for number in range(3, 8):
        was = truth("cracked_charger", SPECIMENS["cracked_charger"].loads[number], (), "cycle")
        assert was.V_o == pytest.approx(5.05, abs=0.01)
        assert "volts" in beyond("cracked_charger", row("cracked_charger", number), was, off=CYCLE_OFF)


@BOTH
def test_rows_are_written_as_they_are_printed(name: str) -> None:
    text = worked.text(name)
    printed = "\n".join(map(as_toml, worked.board(name).load_tests))
    assert text.endswith(f"\n\n{printed}")
    assert len(tomllib.loads(printed)["load_test"]) == len(SPECIMENS[name].loads)


@pytest.mark.skipif(not LONG, reason="follows every load in full")
@BOTH
def test_rows_come_out_again(name: str) -> None:
    """To a digit of the display, which rounding may turn over on another machine."""
    for one, again in zip(worked.board(name).load_tests, rows(SPECIMENS[name]), strict=True):
        (read,), (anew,) = one.readings, again.readings
        assert anew.voltage == pytest.approx(read.voltage, abs=1.01 * 10**-VOLTS)
        assert anew.current == pytest.approx(read.current, abs=1.01 * 10**-AMPS)
        assert again.wall_power == pytest.approx(one.wall_power, abs=1.01 * 10**-WATTS)


# --- what they show -------------------------------------------------------------------------------


def test_the_hall_charger_holds_its_current() -> None:
    """Below 15.5/2 x (0.50 V / 1.8 ohm) x 0.50 = 1.076 A by transformer loss, to 3 V, at either mains."""
    tests = [one for one in worked.board("hall_charger").load_tests if one.readings[0].voltage < GIVEN_WAY]
    assert [one.mains for one in tests] == [230.0] * 5 + [115.0] * 3
    given_way = [one.readings[0] for one in tests]
    assert min(one.voltage for one in given_way) == pytest.approx(3.0, abs=0.1)
    assert all(1.0 < one.current < 1.076 for one in given_way)


def test_the_cracked_charger_gives_some_4_4_w() -> None:
    """Half the limit's current is a quarter of 14.8 W, and what the delay adds to it."""
    tests = worked.board("cracked_charger").load_tests
    given_way = [one.readings[0] for one in tests if one.readings[0].voltage < GIVEN_WAY]
    assert [one.voltage * one.current for one in given_way] == pytest.approx([4.4] * 5, abs=0.15)


def test_the_cracked_charger_s_parts_are_those_of_the_wall_charger() -> None:
    """No marking tells: the boards differ in their names and in what was read."""
    cracked, wall = worked.text("cracked_charger"), worked.text("wall_charger")
    cracked, wall = (
        cracked[cracked.index("[board]") : cracked.index("\n[meters]")],
        wall[wall.index("[board]") :],
    )
    assert cracked.replace("Wall charger, second specimen", "Wall charger") == wall
    assert worked.board("wall_charger").meters == Meters()


def test_the_verdict_on_the_cracked_charger_as_traced() -> None:
    (claim,) = worked.checked("cracked_charger").claims
    assert (claim.text, claim.word) == ("2 A", Word.VERY_LIKELY)


@pytest.mark.parametrize(
    ("name", "change", "place", "count"),
    [
        ("hall_charger", (), Place.INSIDE, 8),
        ("cracked_charger", (), Place.BELOW, 5),
        ("cracked_charger", SPECIMENS["cracked_charger"].change, Place.INSIDE, 5),
    ],
)
def test_beside_the_parts(name: str, change: tuple[worked.Change, ...], place: Place, count: int) -> None:
    """Where the voltage has given way, the loop holds what it should and the cracked limit does not."""
    board = worked.board(name, *change)
    details = observe(board, trace(board), samples=500).details
    given_way = [one for one in details if one.observed.V_o < GIVEN_WAY]
    assert [one.place for one in given_way] == [place] * count
