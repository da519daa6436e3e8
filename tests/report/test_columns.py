"""Comma-separated values: named with their units, and not a digit lost."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
import waves

from flyback.report.columns import envelope_csv, traces_csv


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_every_trace_and_every_digit() -> None:
    scene = waves.scene()
    text = traces_csv(scene)
    assert text.splitlines()[0] == (
        "time_s,primary_current_A,secondary_current_A,drain_voltage_V,bulk_voltage_V,output_voltage_V,"
        "clamp_voltage_V,mains_current_A"
    )
    traces = scene.run.traces
    assert traces is not None
    found = rows(text)
    assert len(found) == traces.t.size
    for name, values in (
        ("time_s", traces.t),
        ("primary_current_A", traces.i_pri),
        ("secondary_current_A", traces.i_sec),
        ("drain_voltage_V", traces.v_drain),
        ("bulk_voltage_V", traces.v_bulk),
        ("output_voltage_V", traces.v_out),
        ("clamp_voltage_V", traces.v_clamp),
        ("mains_current_A", traces.i_line),
    ):
        assert [float(row[name]) for row in found] == values.tolist()


def test_no_traces_no_table() -> None:
    with pytest.raises(ValueError, match="no waveforms to write"):
        traces_csv(waves.scene(replace(waves.two_cycles(), traces=None)))


def test_curves_and_simulated_points() -> None:
    env = waves.envelope()
    found = rows(envelope_csv(env))
    points = [row for row in found if row["source"] == "curve"]
    assert len(points) == sum(curve.V_o.size for curve in env.curves)
    first = env.curves[0]
    assert [float(row["output_current_A"]) for row in points[: first.I_o.size]] == first.I_o.tolist()
    assert [float(row["current_low_A"]) for row in points[: first.I_o.size]] == first.low.tolist()
    assert points[-1]["line"] == "230 V 50 Hz"
    assert points[-1]["region"] == "current limit"
    simulated = [row for row in found if row["source"] == "simulated, full"]
    assert len(simulated) == 9
    assert {row["current_low_A"] for row in simulated} == {""}


def test_a_region_with_a_comma_stays_one_column() -> None:
    curve = waves.curve(230.0, 13.6, 3.9)
    region = ("current limit, continuous conduction",) * len(curve.region)
    found = rows(envelope_csv(waves.envelope(replace(curve, region=region))))
    assert found[0]["region"] == region[0]
