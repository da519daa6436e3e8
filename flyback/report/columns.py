"""Waveforms, curves and sweeps as comma-separated values: SI units in the names, every digit kept."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from flyback.units import DIMENSIONS

if TYPE_CHECKING:
    from flyback.analysis.envelope import Envelope
    from flyback.analysis.waveforms.scene import Scene
    from flyback.studies.sweep import Sweep
    from flyback.studies.sweep_axes import Axis

TRACES = {
    "time_s": "t",
    "primary_current_A": "i_pri",
    "secondary_current_A": "i_sec",
    "drain_voltage_V": "v_drain",
    "bulk_voltage_V": "v_bulk",
    "output_voltage_V": "v_out",
    "clamp_voltage_V": "v_clamp",
    "mains_current_A": "i_line",
}
"""Column names and the traces below them."""


def traces_csv(scene: Scene) -> str:
    """One row a point of the waveforms, which are straight lines between the points.

    Raises:
        ValueError: the run has no traces.
    """
    traces = scene.run.traces
    if traces is None:
        raise ValueError("a run without traces has no waveforms to write")
    return _csv(
        list(TRACES), zip(*(getattr(traces, name).tolist() for name in TRACES.values()), strict=True)
    )


CURVES = (
    "line",
    "source",
    "output_voltage_V",
    "output_current_A",
    "current_low_A",
    "current_high_A",
    "region",
)


def envelope_csv(env: Envelope) -> str:
    """One row a point: of the curves first, then the simulated ones, which have no band."""
    rows: list[Sequence[Any]] = []
    for curve in env.curves:
        columns = (column.tolist() for column in (curve.V_o, curve.I_o, curve.low, curve.high))
        rows += [(curve.line.full_name, "curve", *row) for row in zip(*columns, curve.region, strict=True)]
    for curve in env.curves:
        rows += [
            (
                curve.line.full_name,
                f"simulated, {point.fidelity}",
                point.V_o,
                point.I_o,
                "",
                "",
                point.region,
            )
            for point in curve.simulated
        ]
    return _csv(CURVES, rows)


_PLAIN = str.maketrans({"Ω": "ohm", "²": "2", "·": "", "/": "_per_"})
"""How signs of units are spelt in the name of a column."""


def sweep_csv(found: Sweep) -> str:
    """One row a point of the grid. Empty: the limit does not exist there, or the point has no result."""
    axes = np.meshgrid(*[axis.values for axis in found.axes], indexing="ij")
    columns = {_axis_name(axis): x for axis, x in zip(found.axes, axes, strict=True)}
    columns |= {"lowest_W": found.lowest, "low_95_W": found.low, "high_95_W": found.high}
    parts = {ceiling.name: ceiling.parts for ceiling in found.ceilings} | {"": ""}
    binds = [found.name_of(int(index)) for index in found.binding.ravel()]
    columns |= {f"{_joined(ceiling.name)}_W": ceiling.power for ceiling in found.ceilings}
    for claim in found.claims:
        columns[f"{_joined(claim.text)}_needed_W"] = claim.needed
        columns[f"{_joined(claim.text)}_met_share"] = claim.met
    told = [[_finite(x) for x in column.ravel().tolist()] for column in columns.values()]
    names = [*columns, "binds", "parts"]
    return _csv(names, zip(*told, binds, [parts[name] for name in binds], strict=True))


def _axis_name(axis: Axis) -> str:
    """Name and SI unit of what is swept; turns and ratios are plain numbers."""
    unit = DIMENSIONS[axis.dimension].si_symbol.translate(_PLAIN)
    return axis.name if axis.dimension in ("turns", "ratio") else f"{axis.name}_{unit}"


def _joined(words: str) -> str:
    return re.sub(r"\W+", "_", words).strip("_")


def _finite(number: float) -> float | str:
    return number if np.isfinite(number) else ""


def _csv(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return text.getvalue()
