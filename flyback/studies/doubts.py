"""What is doubtful about a load test by itself, whatever the board is: in sentences, likeliest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import hypot

from flyback.analysis.demand import CLOSE
from flyback.board.model import Board, Label, LoadTest, ReadAt, WallMeter
from flyback.studies.corrections import COVERAGE, Bench, Corrected, standard
from flyback.units import format_quantity
from flyback.verdict.label import sockets

PORTS_APART = 0.25
"""What sockets of one rail may differ by, through switches and contacts of their own [V] (our choice)."""


@dataclass(frozen=True, slots=True)
class NoLoad:
    """A voltage read without load: the highest there was [V], and its standard uncertainty."""

    V_o: float
    u_V: float

    def near(self, V_o: float) -> bool:
        """Whether it can be the same output voltage setting."""
        return abs(V_o / self.V_o - 1) <= CLOSE


def no_load_readings(
    board: Board, tests: Sequence[tuple[LoadTest, Corrected]], bench: Bench
) -> tuple[NoLoad, ...]:
    """The voltage without load at each setting of the output: of the load tests, else of the rail."""
    found: list[NoLoad] = []
    idle = [one for _, one in tests if one.I_o <= COVERAGE * one.u_I and one.V_o > 0]
    for one in sorted(idle, key=lambda one: -one.V_o):
        if not any(other.near(one.V_o) for other in found):
            found.append(NoLoad(one.V_o, one.u_V))
    rail = board.rail_voltage
    if rail is not None and not any(other.near(rail.nominal) for other in found):
        spread = (rail.high - rail.low) / 2 / COVERAGE
        found.append(NoLoad(rail.nominal, hypot(spread, standard(bench.voltage.limit(rail.nominal)))))
    return tuple(found)


def doubts(
    board: Board, test: LoadTest, found: Corrected, bench: Bench, no_load: Sequence[NoLoad]
) -> Iterator[str]:
    """Everything doubtful about one load test."""
    yield from _above_no_load(test, found, no_load)
    yield from _ports(board.label, test, found, bench)
    yield from _wall(board, test, found, bench)


def _above_no_load(test: LoadTest, found: Corrected, no_load: Sequence[NoLoad]) -> Iterator[str]:
    reference = next((one for one in no_load if found.V_o > 0 and one.near(found.V_o)), None)
    if reference is None or found.I_o <= COVERAGE * found.u_I:
        return
    if found.V_o - reference.V_o <= COVERAGE * hypot(found.u_V, reference.u_V):
        return
    volts, amps = format_quantity(found.V_o, "voltage"), format_quantity(found.I_o, "current")
    added = ""
    if found.drop > 0:
        drop = format_quantity(found.drop, "voltage")
        added = f" the {drop} added back for what lies before the meter is too much, or"
    idle = format_quantity(reference.V_o, "voltage")
    yield (
        f"{volts} at {amps} is more than the {idle} read without load. Some controllers raise the voltage "
        "with the load to make up for the cable, by up to about 0.4 V (from memory). If this one does "
        f"not,{added} one of the two was read wrongly: repeat both with one meter at one place."
    )


# --- ports ----------------------------------------------------------------------------------------


def _ports(label: Label, test: LoadTest, found: Corrected, bench: Bench) -> Iterator[str]:
    rows = test.readings
    loaded = [V for V, row in zip(found.V_sockets, rows, strict=True) if row.current > 0]
    if len(loaded) > 1:
        apart = max(loaded) - min(loaded)
        limits = (standard(bench.voltage.limit(V)) for V in (max(loaded), min(loaded)))
        if apart > COVERAGE * hypot(*limits) + PORTS_APART:
            yield (
                f"the loaded ports differ by {format_quantity(apart, 'voltage')}, more than sockets of one "
                "rail do: they are taken together at the mean weighted with their currents."
            )
    if not label.outputs:
        return
    count = sum(group[0].ports for group in sockets(label))
    if len(rows) > count:
        yield f"{len(rows)} ports were read, but the label has {count}: was one counted twice?"
    most = min(len(rows), count) * max(row.current for row in label.outputs)
    if label.total_current is not None:
        most = min(most, label.total_current)
    if found.I_o - COVERAGE * found.u_I > most:
        read = "1 port" if len(rows) == 1 else f"{len(rows)} ports"
        yield (
            f"more current than the label claims of {read} ({format_quantity(most, 'current')}). On "
            "purpose it is an overload; otherwise, were more ports loaded than are written down?"
        )


# --- the wall -------------------------------------------------------------------------------------


def _wall(board: Board, test: LoadTest, found: Corrected, bench: Bench) -> Iterator[str]:
    if test.wall_power is None:
        if test.wall_apparent is not None:
            yield (
                "volt-amperes were read at the wall, not watts. A rectifier input takes its current in "
                "short pulses and its power factor, often near one half (common practice, no source), is "
                "not known: no efficiency follows."
            )
        return
    limit = bench.wall_power.limit(test.wall_power)
    if test.wall_apparent is not None and test.wall_power - limit > test.wall_apparent:
        yield (
            f"{format_quantity(test.wall_power, 'power')} at the wall is more than the "
            f"{format_quantity(test.wall_apparent, 'apparent power')} read with it, which cannot be: "
            "one of them is another moment's, or they were exchanged."
        )
    if found.eta is None:
        if found.P_o > 0:
            yield "the wall meter may be off by as much as it reads: no efficiency follows."
        return
    if found.eta > 1:
        reasons = list(_too_efficient(board, test, found, bench))
        yield (
            f"the efficiency would be {100 * found.eta:.0f} %, which cannot be: repeat this reading. "
            f"Likeliest: {'; or '.join(reasons)}."
        )
    elif board.meters.wall_meter is WallMeter.CHEAP:
        yield (
            "the wall meter is a cheap one: at the low power factor of a rectifier input such meters often "
            "read low, and the efficiency then comes out too high."
        )


def _too_efficient(board: Board, test: LoadTest, found: Corrected, bench: Bench) -> Iterator[str]:
    """Errors that would explain an efficiency above one, likeliest first."""
    assert test.wall_power is not None
    kind = board.meters.wall_meter
    if kind is not WallMeter.TRUE_POWER:
        which = "a cheap wall meter" if kind is WallMeter.CHEAP else "the wall meter, if a cheap one,"
        yield f"{which} reads low at the low power factor of a rectifier input"
    as_read = found.P_o - found.drop * found.I_o
    if found.drop > 0 and as_read <= test.wall_power:
        place = "the cable" if test.read_at is ReadAt.CABLE_END else "the meter"
        drop = format_quantity(found.drop, "voltage")
        yield (
            f"the volts were read before {place}: without the {drop} added back it would be "
            f"{100 * as_read / test.wall_power:.0f} %"
        )
    # what the current meter would have to show without load
    zero = (found.P_o - test.wall_power) / found.V_o
    if zero <= COVERAGE * len(test.readings) * bench.current.floor:
        yield (
            f"the current meter shows {format_quantity(zero, 'current')} or more where nothing flows: "
            "read its zero"
        )
    if kind is WallMeter.TRUE_POWER:
        yield "volts, amps and watts are not of one moment"
