"""Waveforms and curves as comma-separated values: SI units in the column names, every digit kept."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flyback.analysis.envelope import Envelope
    from flyback.analysis.waveforms.scene import Scene

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


def _csv(names: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(rows)
    return text.getvalue()
