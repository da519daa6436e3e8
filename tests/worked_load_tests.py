"""Load tests of worked examples that nobody read: the switching simulation, seen through meters.

``python tests/worked_load_tests.py`` prints the rows that stand in the files. The meters are as accurate as
each file's [meters] says: the percentage is one scale error of a meter in all its rows; the fixed amount,
less half a digit of the display for the rounding, is drawn anew for each.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
import worked

from flyback.analysis.waveforms.load_text import Asked
from flyback.analysis.waveforms.scene import scene
from flyback.board.model import Accuracy, LoadReading, LoadTest, ReadAt
from flyback.studies.corrections import Bench

UNCOUNTED = 1.04
"""What a real board takes at the wall over what the simulation counts: core loss and the controller's
supply (invented; 0 to 10 % is common practice, no source)."""

VOLTS, AMPS, WATTS = 2, 3, 1
"""Decimals of the displays."""


@dataclass(frozen=True, slots=True)
class Load:
    """What loads the socket, meters and cable included: a constant current [A] or a resistance [ohm]."""

    kind: str
    value: float
    mains: float = 230.0
    frequency: float = 50.0


AMERICA = (115.0, 60.0)


@dataclass(frozen=True, slots=True)
class Specimen:
    """What stood on the bench, and how.

    Attributes:
        change: what its board has in truth, where that is not what its file says.
        seed: of the meters' errors.
    """

    name: str
    loads: tuple[Load, ...]
    read_at: ReadAt
    seed: int
    change: tuple[worked.Change, ...] = ()


CRACKED = ('[parts.R4]\nrole = "sense resistor"\n', '[parts.R4]\nrole = "sense resistor"\nstate = "open"\n')

SPECIMENS: Mapping[str, Specimen] = {
    specimen.name: specimen
    for specimen in (
        Specimen(
            "hall_charger",
            # a constant current above the one it holds has no steady voltage: hence resistances
            (
                *(Load("current", amps) for amps in (0.2, 0.5, 0.8, 1.0)),
                *(Load("resistance", ohms) for ohms in (4.6, 4.2, 3.8, 3.3, 2.85)),
                *(Load("current", amps, *AMERICA) for amps in (0.5, 1.0)),
                *(Load("resistance", ohms, *AMERICA) for ohms in (4.4, 3.8, 3.0)),
            ),
            ReadAt.METER,
            seed=1,
        ),
        Specimen(
            "cracked_charger",
            tuple(Load("current", amps) for amps in (0.1, 0.4, 0.8, 0.9, 0.95, 1.05, 1.15, 1.3)),
            ReadAt.SOCKET,
            seed=2,
            change=(CRACKED,),
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What really was at the socket [V, A] and at the wall [W]: means over a mains period."""

    V_o: float
    I_o: float
    P_wall: float


@cache
def truth(name: str, load: Load, change: tuple[worked.Change, ...], fidelity: str) -> Truth:
    """What the simulated board does at a load.

    Args:
        change: what differs from the file.

    Raises:
        ValueError: it does not settle there, so that no meter would stand still.
    """
    shown = scene(
        worked.board(name, *change),
        load=Asked(load.kind, load.value, load.value),
        mains=load.mains,
        frequency=load.frequency,
        span=1.0 / load.frequency,
        fidelity=fidelity,
    )
    if not (shown.settled and shown.run.finished):
        raise ValueError(f"{name} does not settle at {load}")
    figures = shown.run.figures
    # the board's own LED and bleeder never reach the socket
    return Truth(figures.V_o, figures.I_o - shown.load.own * figures.V_o, UNCOUNTED * figures.P_line)


def rows(specimen: Specimen) -> Iterator[LoadTest]:
    """What the meters showed."""
    bench = Bench.of(worked.board(specimen.name).meters)
    path, _ = bench.path(specimen.read_at)
    stream = np.random.default_rng(specimen.seed)
    R = path.nominal + path.u * np.sqrt(3) * stream.uniform(-1, 1)
    scales = stream.uniform(-1, 1, size=3)
    for load in specimen.loads:
        was = truth(specimen.name, load, specimen.change, "full")
        fixed = stream.uniform(-1, 1, size=3)
        volts = _shown(was.V_o - was.I_o * R, bench.voltage, VOLTS, scales[0], fixed[0])
        amps = _shown(was.I_o, bench.current, AMPS, scales[1], fixed[1])
        yield LoadTest(
            readings=(LoadReading("1", volts, amps),),
            wall_power=_shown(was.P_wall, bench.wall_power, WATTS, scales[2], fixed[2]),
            mains=load.mains,
            frequency=load.frequency,
            read_at=specimen.read_at,
        )


def _shown(value: float, accuracy: Accuracy, decimals: int, scale: float, fixed: float) -> float:
    """A value as the display shows it; scale and fixed are shares of what the accuracy allows."""
    off = value + fixed * (accuracy.floor - 0.5 * 10**-decimals)
    return round(float(off / (1 - scale * accuracy.share)), decimals)


def as_toml(row: LoadTest) -> str:
    """A load test as the file writes it."""
    (reading,) = row.readings
    return (
        f'[[load_test]]\nmains = "{row.mains:g} V"\nfrequency = "{row.frequency:g} Hz"\n'
        f'wall_power = "{row.wall_power:.{WATTS}f} W"\nread_at = "{row.read_at}"\n'
        f'readings = [{{ port = "{reading.port}", voltage = "{reading.voltage:.{VOLTS}f} V", '
        f'current = "{reading.current:.{AMPS}f} A" }}]\n'
    )


if __name__ == "__main__":
    for one in SPECIMENS.values():
        print(f"# {one.name}.toml\n")
        print("\n".join(map(as_toml, rows(one))))
