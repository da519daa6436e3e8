"""Comma-separated values: named with their units, and not a digit lost."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
import waves
from sweeps import swept

from flyback.report.columns import envelope_csv, sweep_csv, traces_csv


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


def test_a_sweep_has_a_row_for_each_step() -> None:
    found = swept("one crossing")
    table = rows(sweep_csv(found))
    assert [float(row["R6_ohm"]) for row in table] == found.axes[0].values.tolist()
    for name, values in (
        ("lowest_W", found.lowest),
        ("low_95_W", found.low),
        ("high_95_W", found.high),
        ("current_limit_W", next(c.power for c in found.ceilings if c.name == "current limit")),
        ("24_W_in_total_needed_W", found.claims[0].needed),
        ("2_A_from_one_port_met_share", found.claims[1].met),
    ):
        assert [float(row[name]) for row in table] == values.tolist()
    assert {row["duty_limit_W"] for row in table} == {""}  # that limit does not exist at 90 V
    assert (table[0]["binds"], table[0]["parts"]) == ("bulk valley", "C1")
    assert (table[-1]["binds"], table[-1]["parts"]) == ("current limit", "R5 || R6")


def test_a_map_has_a_row_for_each_point() -> None:
    found = swept("a map")
    table = rows(sweep_csv(found))
    assert len(table) == found.lowest.size
    at = [(float(row["R6_ohm"]), float(row["mains_V"])) for row in table]
    assert at == [(x, y) for x in found.axes[0].values.tolist() for y in found.axes[1].values.tolist()]
    assert [float(row["lowest_W"]) for row in table] == found.lowest.ravel().tolist()


@pytest.mark.parametrize(
    ("name", "column"), [("turns", "T1.primary_turns"), ("a series", "C1_F"), ("the mains", "mains_V")]
)
def test_the_head_names_the_unit(name: str, column: str) -> None:
    assert sweep_csv(swept(name)).startswith(f"{column},lowest_W,")


def test_what_has_no_result_is_empty() -> None:
    found = swept("turns")
    nothing = np.full(found.lowest.shape, np.nan)
    table = rows(sweep_csv(replace(found, lowest=nothing, binding=np.full(found.binding.shape, -1))))
    assert {(row["lowest_W"], row["binds"], row["parts"]) for row in table} == {("", "", "")}
