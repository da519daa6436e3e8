"""The outside circuit simulator itself: run a netlist in batch, read its result, take its figures.

Only for the tests that compare with it live; everything else uses the figures in `data/simulated.json`.
"""

from __future__ import annotations

import math
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PROGRAM = "ngspice"
NETLISTS = Path(__file__).parent / "netlists"
LONGEST = 300.0
"""How long a run may take before it is given up [s]."""


def simulator() -> str | None:
    """Path of the simulator, or None where it is not installed."""
    return shutil.which(PROGRAM)


@dataclass(frozen=True, slots=True)
class Outside:
    """One run of the outside simulator.

    Attributes:
        t: time of each point [s]; the steps are uneven.
        signals: node voltages and currents by the simulator's own lower-case names. The current of a
            voltage source flows into its + terminal.
        analysis: seconds the simulator says its analysis took; NaN where it says nothing.
        wall: seconds from its start to its end.
    """

    t: Array
    signals: Mapping[str, Array]
    analysis: float = math.nan
    wall: float = math.nan

    def __getitem__(self, name: str) -> Array:
        return self.signals[name]

    def between(self, start: float, end: float) -> Outside:
        """The points from one instant to another [s]."""
        inside = (self.t >= start) & (self.t <= end)
        signals = {name: values[inside] for name, values in self.signals.items()}
        return Outside(self.t[inside], signals, self.analysis, self.wall)

    def mean(self, first: Array, second: Array | None = None) -> float:
        """Mean over time of a signal or of the product of two, each a straight line between points."""
        length = float(self.t[-1] - self.t[0])
        if second is None:
            return float(np.trapezoid(first, self.t)) / length
        a, b = first[:-1], first[1:]
        c, d = second[:-1], second[1:]
        return float(np.diff(self.t) @ (2 * a * c + a * d + b * c + 2 * b * d)) / (6 * length)

    def rms(self, signal: Array) -> float:
        return math.sqrt(self.mean(signal, signal))

    def peaks(self, signal: Array, period: float) -> Array:
        """Highest value in each whole switching period; they start at whole multiples of the period."""
        number = np.floor(self.t / period).astype(int)
        first = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
        found: Array = np.maximum.reduceat(signal, first)
        last = np.append(first[1:], self.t.size) - 1
        whole: Array = found[self.t[last] - self.t[first] > 0.9 * period]
        return whole


def run(netlist: str, **changes: str) -> Outside:
    """Run a netlist in an empty directory and read what it wrote.

    Args:
        netlist: the text of a netlist.
        changes: lines to put in place of those that begin with ``.options`` or ``.tran``.
    """
    for word, line in changes.items():
        netlist, found = re.subn(rf"(?m)^\.{word}\b.*$", line, netlist)
        assert found == 1, f"the netlist has {found} lines .{word}"
    program = simulator()
    assert program is not None
    with tempfile.TemporaryDirectory() as directory:
        circuit, raw = Path(directory) / "circuit.cir", Path(directory) / "out.raw"
        circuit.write_text(netlist, encoding="utf-8")
        began = time.perf_counter()
        done = subprocess.run(
            [program, "-b", "-r", str(raw), str(circuit)],
            cwd=directory,
            capture_output=True,
            text=True,
            timeout=LONGEST,
            check=True,
        )
        wall = time.perf_counter() - began
        t, signals = read(raw)
    said = re.search(r"Total analysis time \(seconds\) = ([\d.]+)", done.stdout + done.stderr)
    return Outside(t, signals, float(said[1]) if said else math.nan, wall)


def read(raw: Path) -> tuple[Array, dict[str, Array]]:
    """A binary result file: a header in text, then every point as one row of doubles."""
    header, _, body = raw.read_bytes().partition(b"Binary:\n")
    text = header.decode("utf-8", errors="replace")
    flags, count, points = (
        re.search(rf"(?m)^{key}:\s*(\w+)", text) for key in ("Flags", "No. Variables", "No. Points")
    )
    assert flags is not None
    assert count is not None
    assert points is not None
    assert flags[1] == "real"
    # one line a variable: its number, its name, its kind
    names = re.findall(r"(?m)^\s+\d+\s+(\S+)\s+\S+\s*$", text.partition("Variables:")[2])
    assert len(names) == int(count[1])
    table = np.frombuffer(body, dtype="<f8", count=len(names) * int(points[1])).reshape(-1, len(names))
    columns = {
        name.lower(): np.ascontiguousarray(column) for name, column in zip(names, table.T, strict=True)
    }
    return columns.pop("time"), columns


def figures(outside: Outside, period: float) -> dict[str, float]:
    """Figures of a converter under the names of `data/simulated.json`.

    Args:
        period: switching period [s].
    """
    o = outside
    on_mains = "v(bulk)" in o.signals
    i_pri, i_sec, v_out = o["i(vsp)"], o["i(vss)"], o["v(out)"]
    # the supply is a source that delivers; on mains it is an ammeter behind the bulk capacitor
    i_in = o["i(vin)"] if on_mains else -o["i(vin)"]
    found = {
        "Iprms": o.rms(i_pri),
        "Isrms": o.rms(i_sec),
        "Vo": o.mean(v_out),
        "Vds_pk": float(o["v(drain)"].max()),
        ("Pin_bulk" if on_mains else "Pin"): o.mean(o["v(in)"], i_in),
    }
    peaks = o.peaks(i_pri, period)
    if on_mains:
        found |= {
            "Ipk_mean": float(peaks.mean()),
            "Ipk_max": float(peaks.max()),
            "Ipk_min": float(peaks.min()),
        }
    else:
        found["Ipk"] = float(peaks.max())
    if "i(vsc)" in o.signals:
        i_load = i_sec - o["i(vsc)"]
        found["Icrms"] = o.rms(o["i(vsc)"])
        found["ripple_pp"] = float(np.ptp(v_out))
    else:
        i_load = o["i(vo)"]
    found["Io"] = o.mean(i_load)
    found["Pout"] = o.mean(v_out, i_load)
    if on_mains:
        found["bulk_valley"] = float(o["v(bulk)"].min())
        found["bulk_peak"] = float(o["v(bulk)"].max())
        found["Im_rms"] = o.rms(o["i(vm)"])
        found["Im_pk"] = float(np.abs(o["i(vm)"]).max())
    return found
