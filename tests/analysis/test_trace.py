"""Every number of a board: given, lent by the handbook, absent or unknown; and boards that are none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import pytest
from boards import FAMILIES, Changes, board

from flyback.analysis.circuit import Circuit
from flyback.analysis.trace import is_unknown, trace
from flyback.board.model import Origin, Shape, Value
from flyback.board.roles import ROLES
from flyback.errors import BoardFileError, Problem
from flyback.reference import handbook, rows

LENT, ABSENT, UNKNOWN = "lent", "absent", "unknown"


@dataclass(frozen=True)
class Row:
    """One value of a board file and what stands in for it where it is not known.

    ``role`` is given for a part that the plain board does not have.
    """

    name: str
    part: str
    key: str
    text: str
    value: float
    otherwise: str
    role: str = ""
    control: str = "fixed-frequency peak current"

    def changes(self, text: str | None) -> dict[str, Changes]:
        entry: dict[str, Any] = {"role": self.role} if self.role else {}
        if text is not None:
            entry[self.key] = {"value": text, "origin": "datasheet"}
        elif not self.role:
            entry[self.key] = None
        if self.key in ("resistance", "capacitance"):
            entry.update(value=None, marking=None, tolerance=None)
        return {self.part: entry}

    def traced(self, text: str | None) -> Circuit:
        return trace(board(self.control, **self.changes(text)))

    @property
    def file_key(self) -> str:
        return f"{self.part}.{self.key}"


OSCILLATING, HOLDING = "self-oscillating", "primary-side constant current"

ROWS = (
    Row("V_d", "BR1", "forward_drop", "0.9 V", 0.9, LENT),
    Row("C_bulk", "C1", "capacitance", "33 uF", 33e-6, UNKNOWN),
    Row("V_limit", "U1", "limit_voltage", "0.75 V", 0.75, UNKNOWN),
    Row("s_test", "U1", "limit_test_slope", "80 mA/us", 80e3, ABSENT),
    Row("k_line", "U1", "line_compensation", "0.0002", 2e-4, ABSENT),
    Row("S_ramp", "U1", "slope_compensation", "20 mV/us", 20e3, ABSENT),
    Row("I_th", "U1", "conduction_threshold", "0.1 A", 0.1, ABSENT),
    Row("t_sense", "U1", "delay", "150 ns", 150e-9, LENT),
    Row("f_s", "U1", "frequency", "100 kHz", 100e3, UNKNOWN),
    Row("f_max", "U1", "max_frequency", "120 kHz", 120e3, UNKNOWN, control=HOLDING),
    Row("D_max", "U1", "max_duty", "65 %", 0.65, LENT),
    Row("D_max", "Q1", "max_duty", "60 %", 0.6, LENT, control=OSCILLATING),
    Row("R_switch", "U1", "on_resistance", "7 ohm", 7.0, ABSENT),
    Row("R_switch", "Q5", "on_resistance", "2 ohm", 2.0, "", role="switching transistor"),
    Row("C_d", "U1", "drain_capacitance", "80 pF", 80e-12, LENT),
    Row("C_d", "Q1", "drain_capacitance", "30 pF", 30e-12, LENT, control=OSCILLATING),
    Row("V_stop", "U1", "supply_stop", "8.5 V", 8.5, UNKNOWN),
    Row("V_overload", "U1", "overload_voltage", "0.7 V", 0.7, UNKNOWN),
    Row("d_dem", "U1", "conduction_share", "0.42", 0.42, LENT, control=HOLDING),
    Row("t_store", "Q1", "storage_time", "0.4 us", 0.4e-6, LENT, control=OSCILLATING),
    Row("V_sat", "Q1", "saturation_voltage", "0.6 V", 0.6, LENT, control=OSCILLATING),
    Row("h_FE", "Q1", "gain", "25", 25.0, LENT, control=OSCILLATING),
    Row("V_be", "Q2", "base_emitter_voltage", "0.62 V", 0.62, LENT, control=OSCILLATING),
    Row("R_b", "R7", "resistance", "150 ohm", 150.0, UNKNOWN, control=OSCILLATING),
    Row("N_b", "T1", "base_turns", "7", 7.0, UNKNOWN, control=OSCILLATING),
    Row("N_p", "T1", "primary_turns", "110", 110.0, ""),
    Row("N_s", "T1", "secondary_turns", "9", 9.0, ""),
    Row("L_p", "T1", "primary_inductance", "1.2 mH", 1.2e-3, ""),
    Row("N_aux", "T1", "auxiliary_turns", "20", 20.0, UNKNOWN),
    Row("A_e", "T1", "core_area", "23 mm²", 23e-6, UNKNOWN),
    Row("B_sat", "T1", "saturation_flux", "0.35 T", 0.35, LENT),
    Row("L_leak", "T1", "leakage_inductance", "20 uH", 20e-6, ""),
    Row("R_pri", "T1", "primary_resistance", "2 ohm", 2.0, ABSENT),
    Row("R_sec", "T1", "secondary_resistance", "15 mohm", 15e-3, ABSENT),
    Row("V_c", "D4", "clamp_voltage", "180 V", 180.0, ""),
    Row("R_cl", "R20", "resistance", "120 kohm", 120e3, "", role="clamp resistor"),
    Row("V_f", "D5", "forward_drop", "0.5 V", 0.5, ""),
    Row("I_rectifier", "D5", "current_rating", "3 A", 3.0, UNKNOWN),
    Row("C_o", "C5", "capacitance", "1000 uF", 1e-3, UNKNOWN),
    Row("R_esr", "C5", "esr", "20 mohm", 20e-3, ABSENT),
    Row("ripple_rating", "C5", "ripple_rating", "3 A", 3.0, UNKNOWN),
    Row("sense_rating", "R3", "power_rating", "1 W", 1.0, UNKNOWN),
    Row("R_s", "R3", "resistance", "3.3 ohm", 3.3, UNKNOWN),
    Row("R_series", "R1", "resistance", "10 ohm", 10.0, ABSENT, role="series resistor"),
    Row("R_upper", "R10", "resistance", "10 kohm", 10e3, UNKNOWN, role="upper divider resistor"),
    Row("R_lower", "R11", "resistance", "9.76 kohm", 9760.0, UNKNOWN, role="lower divider resistor"),
    Row("V_ref", "U2", "reference_voltage", "2.5 V", 2.5, LENT, role="voltage reference"),
    Row("eta_post", "U5", "efficiency", "92 %", 0.92, LENT, role="post converter"),
)
"""Where the last column is empty, a test of its own says what stands in."""

ELSEWHERE = {"n_pulse", "N_d", "I_limit", "K_power", "V_rail", "no sense resistor", "k_clamp"}
"""Names that tests of their own cover."""


def ids(row: Row) -> str:
    return f"{row.name} of {row.part}"


def of(kind: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("row", [row for row in ROWS if row.otherwise == kind], ids=ids)


@pytest.mark.parametrize("row", [row for row in ROWS if row.name != "R_cl"], ids=ids)
def test_given(row: Row) -> None:
    circuit = row.traced(row.text)
    assert row.file_key in circuit.keys[row.name]
    value = circuit.values[row.file_key]
    assert value.nominal == pytest.approx(row.value, rel=1e-12)
    assert value.origin is Origin.DATASHEET
    assert row.part in circuit.parts[row.name]
    assert row.name not in circuit.missing


NOT_KNOWN = pytest.mark.parametrize("text", [None, "unknown"], ids=["left out", "unknown"])


@of(LENT)
@NOT_KNOWN
def test_lent_by_the_handbook(row: Row, text: str | None) -> None:
    circuit = row.traced(text)
    assert circuit.keys[row.name] == (row.file_key,)
    assert row.name not in circuit.missing
    value = circuit.values[row.file_key]
    assert [found for found in circuit.assumed if found.key == row.file_key] == [value]
    role = circuit.board.parts[row.part].role
    expected = handbook(role, row.key)
    assert expected is not None
    assert (value.low, value.nominal, value.high) == (expected.low, expected.typical, expected.high)
    assert (value.origin, value.shape) == (Origin.HANDBOOK, Shape.TWO_PIECE)
    assert (value.source, value.basis) == (expected.source, expected.basis)
    assert value.source


@of(ABSENT)
@NOT_KNOWN
def test_absent(row: Row, text: str | None) -> None:
    circuit = row.traced(text)
    assert circuit.keys[row.name] == (f"absent.{row.name}",)
    value = circuit.values[f"absent.{row.name}"]
    assert (value.nominal, value.spread) == (0.0, False)
    assert value.text
    assert row.name not in circuit.missing


@of(UNKNOWN)
@NOT_KNOWN
def test_unknown(row: Row, text: str | None) -> None:
    circuit = row.traced(text)
    assert circuit.missing[row.name] == row.file_key
    assert row.name not in circuit.keys
    assert is_unknown(circuit.board, row.file_key) == (text is not None)


def uncovered(names: Iterable[str]) -> set[str]:
    """Names of a circuit that no row and no test of its own covers."""
    return set(names) - {row.name for row in ROWS} - ELSEWHERE


@pytest.mark.parametrize("control", FAMILIES)
def test_every_name_is_covered(control: str) -> None:
    circuit = trace(board(control))
    assert uncovered([*circuit.keys, *circuit.missing]) == set()


def test_a_name_without_a_row_is_found() -> None:
    assert uncovered(["V_f", "V_new"]) == {"V_new"}


# Fields with rules of their own


@pytest.mark.parametrize(
    ("arrangement", "diodes", "pulses"), [("full wave", 2.0, 2.0), ("half wave", 1.0, 1.0)]
)
def test_arrangement(arrangement: str, diodes: float, pulses: float) -> None:
    """A bridge has two drops in the path and conducts in both half-waves."""
    circuit = trace(board(BR1={"arrangement": arrangement}))
    found = [circuit.values[circuit.keys[name][0]].nominal for name in ("N_d", "n_pulse")]
    assert found == [diodes, pulses]


@pytest.mark.parametrize("change", [None, {"arrangement": "unknown"}])
def test_unknown_arrangement(change: Changes) -> None:
    circuit = trace(board(BR1=change))
    assert {"n_pulse", "N_d"} <= set(circuit.missing)
    assert circuit.missing["n_pulse"] in ("a part with role mains rectifier", "BR1.arrangement")


@pytest.mark.parametrize(
    ("role", "name"),
    [("C1", "C_bulk"), ("U1", "V_limit"), ("U1", "f_s"), ("C5", "C_o"), ("U1", "t_sense")],
)
def test_a_missing_part_is_asked_for_by_its_role(role: str, name: str) -> None:
    wanted = board().parts[role].role
    assert trace(board(**{role: None})).missing[name] == f"a part with role {wanted}"


@pytest.mark.parametrize(
    ("key", "text", "name"),
    [("limit_current", "0.42 A", "I_limit"), ("power_coefficient", "5200 A²Hz", "K_power")],
)
def test_another_kind_of_current_limit(key: str, text: str, name: str) -> None:
    circuit = trace(board(U1={"limit_voltage": None, key: text}))
    assert circuit.keys[name] == (f"U1.{key}",)
    assert "V_limit" not in circuit.missing


def test_leakage_is_lent_as_a_share_of_the_inductance() -> None:
    """The handbook's 1, 2.5 and 5 % of 1.00 mH."""
    circuit = trace(board(T1={"leakage_inductance": None}))
    value = circuit.values["T1.leakage_inductance"]
    assert (value.low, value.nominal, value.high) == pytest.approx((10e-6, 25e-6, 50e-6))
    assert value.dimension == "inductance"
    assert value in circuit.assumed
    assert "L_leak" not in circuit.missing


@pytest.mark.parametrize(
    ("technology", "limits"),
    [("schottky", (0.35, 0.45, 0.55)), ("silicon", (0.7, 0.85, 1.0)), ("synchronous", (0.02, 0.05, 0.10))],
)
def test_rectifier_drop_is_lent_by_technology(technology: str, limits: tuple[float, ...]) -> None:
    circuit = trace(board(D5={"forward_drop": None, "technology": technology}))
    value = circuit.values["D5.forward_drop"]
    assert (value.low, value.nominal, value.high) == limits
    assert value in circuit.assumed


def test_clamp_of_a_resistor() -> None:
    circuit = trace(board(D4=None, R20={"role": "clamp resistor", "value": "120 kohm", "origin": "marked"}))
    assert circuit.keys["R_cl"] == ("R20.resistance",)
    assert "V_c" not in circuit.keys
    assert "V_c" not in circuit.missing


@pytest.mark.parametrize("change", [None, {"clamp_voltage": "unknown"}], ids=["no clamp", "unknown"])
def test_clamp_voltage_is_lent_in_proportion_to_the_reflected_voltage(change: Changes) -> None:
    circuit = trace(board(D4=change))
    (key,) = circuit.keys["k_clamp"]
    value = circuit.values[key]
    assert value.low < value.nominal < value.high
    assert value.low > 1, "a clamp below the reflected voltage would take everything"
    assert value in circuit.assumed
    assert "V_c" not in circuit.missing


def test_a_rail_that_was_not_measured_is_unknown() -> None:
    assert trace(board()).keys["V_rail"] == ("rail.voltage",)
    assert trace(board(rail=None)).missing["V_rail"] == "rail.voltage"


def test_sense_inside_the_ic_needs_no_resistor() -> None:
    circuit = trace(board(R3=None, R4=None, U1={"limit_voltage": None, "limit_current": "0.42 A"}))
    assert circuit.missing["R_s"] == "a part with role sense resistor"
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    supply = circuit.supply(numbers)
    assert supply.R_s is None
    assert supply.R_on == pytest.approx(3.0 + 1.5), "switch and winding only"


def test_effects_left_out_are_named_with_their_keys() -> None:
    bare = board(
        R1={"role": "series resistor", "value": "unknown"},
        U1={"on_resistance": None},
        T1={"primary_resistance": None, "secondary_resistance": None},
        C5={"esr": None},
    )
    left_out = trace(bare).left_out
    for key in ("resistance", "on_resistance", "primary_resistance", "secondary_resistance", "esr"):
        assert len([words for words in left_out if f"({key})" in words]) == 1, key
    assert trace(board()).left_out == ()


@pytest.mark.parametrize(
    ("change", "needed"),
    [({"kind": None}, "Q1.kind"), (None, "a part with role switching transistor")],
    ids=["kind not given", "not traced"],
)
def test_a_self_oscillating_switch_of_unknown_kind_leaves_its_limit_unknown(
    change: Changes, needed: str
) -> None:
    circuit = trace(board("self-oscillating", Q1=change))
    assert circuit.missing["t_store"] == needed
    assert "t_store" not in circuit.keys


def test_a_compensation_the_file_calls_unknown_is_told() -> None:
    circuit = trace(board(U1={"slope_compensation": "unknown"}))
    assert circuit.left_out == ("slope_compensation, unknown and taken as none",)
    assert circuit.values["absent.S_ramp"].nominal == 0


# What the handbook lends to parts that state no tolerance


@pytest.mark.parametrize(
    ("part", "entry", "key"),
    [
        ("R3", {"value": "2R4", "marking": None, "tolerance": None, "origin": "measured"}, "R3.resistance"),
        ("T1", {"primary_inductance": {"value": "1.00 mH", "origin": "measured"}}, "T1.primary_inductance"),
    ],
)
def test_a_measured_value_needs_no_customary_tolerance(part: str, entry: dict[str, Any], key: str) -> None:
    circuit = trace(board(**{part: entry}))
    assert not circuit.values[key].spread


def test_an_inductance_from_a_data_sheet_gets_the_customary_tolerance() -> None:
    """Ten percent, as application notes state for gapped cores."""
    circuit = trace(board(T1={"primary_inductance": {"value": "1.00 mH", "origin": "datasheet"}}))
    value = circuit.values["T1.primary_inductance"]
    assert (value.low, value.high) == pytest.approx((0.9e-3, 1.1e-3))
    assert value in circuit.assumed


@pytest.mark.parametrize(
    ("part", "key", "entry", "share"),
    [
        ("C1", "capacitance", {"value": "22 uF"}, 0.20),
        ("C5", "capacitance", {"value": "680 uF"}, 0.20),
        ("R3", "resistance", {"tolerance": None}, 0.05),
        ("R7", "resistance", {"role": "base resistor", "value": "100 ohm", "origin": "marked"}, 0.05),
        ("R1", "resistance", {"role": "series resistor", "value": "10 ohm", "origin": "marked"}, 0.05),
    ],
)
def test_tolerance_is_lent(part: str, key: str, entry: dict[str, Any], share: float) -> None:
    control = "self-oscillating" if part == "R7" else "fixed-frequency peak current"
    circuit = trace(board(control, **{part: entry}))
    value = circuit.values[f"{part}.{key}"]
    expected = (value.nominal * (1 - share), value.nominal * (1 + share))
    assert (value.low, value.high) == pytest.approx(expected)
    assert value.shape is Shape.RECTANGULAR
    assert value.source
    assert value.origin is Origin.MARKED, "the value itself is still the marked one"
    assert value in circuit.assumed


def test_a_stated_tolerance_is_kept() -> None:
    circuit = trace(board())
    value = circuit.values["R3.resistance"]
    assert (value.low, value.high) == pytest.approx((2.376, 2.424)), "2R4 less and plus 1 %"
    assert value not in circuit.assumed


def test_a_link_of_zero_ohms_has_no_tolerance() -> None:
    circuit = trace(board(R1={"role": "series resistor", "value": "0 ohm", "origin": "marked"}))
    value = circuit.values["R1.resistance"]
    assert (value.nominal, value.spread) == (0.0, False)
    assert value not in circuit.assumed


def test_parts_off_one_reel_share_their_cause() -> None:
    circuit = trace(board(R4={"same_reel_as": "R3"}))
    assert circuit.values["R4.resistance"].cause == circuit.values["R3.resistance"].cause
    apart = trace(board())
    assert apart.values["R4.resistance"].cause != apart.values["R3.resistance"].cause


def test_overload_threshold_shares_the_draw_of_the_limit_voltage() -> None:
    circuit = trace(board(U1={"overload_voltage": "0.70 V ±6 %"}))
    overload = circuit.values["U1.overload_voltage"]
    assert overload.cause == circuit.values["U1.limit_voltage"].cause
    assert (overload.nominal, overload.key) == (0.7, "U1.overload_voltage")


def test_an_overload_threshold_alone_keeps_its_own_draw() -> None:
    limits = {"limit_voltage": None, "limit_current": "0.5 A", "overload_voltage": "0.7 V"}
    circuit = trace(board(U1=limits))
    assert circuit.values["U1.overload_voltage"].cause == "U1.overload_voltage"


# Parts that do not take part


@pytest.mark.parametrize("state", ["open", "not fitted"])
def test_one_of_two_sense_resistors_out_doubles_the_resistance(state: str) -> None:
    """2R4 || 2R4 is 1.2 ohm; 2R4 alone is 2.4 ohm."""
    both, one = trace(board()), trace(board(R4={"state": state}))
    found = [
        circuit.supply({key: value.nominal for key, value in circuit.values.items()}).R_s
        for circuit in (both, one)
    ]
    assert found == pytest.approx([1.2, 2.4])
    assert (both.parts["R_s"], one.parts["R_s"]) == ("R3 || R4", "R3")
    assert not [key for key in one.values if key.startswith("R4.")]


@pytest.mark.parametrize("state", ["open", "not fitted"])
@pytest.mark.parametrize(("part", "name"), [("C1", "C_bulk"), ("C5", "C_o"), ("U1", "f_s")])
def test_a_part_that_is_out_gives_nothing(part: str, name: str, state: str) -> None:
    circuit = trace(board(**{part: {"state": state}}))
    assert name in circuit.missing
    assert not [key for key in circuit.values if key.startswith(f"{part}.")]


# Boards that cannot be a circuit


def problems_of(**changes: Changes) -> tuple[Problem, ...]:
    with pytest.raises(BoardFileError) as caught:
        trace(board(**changes))
    return caught.value.problems


def test_every_fault_is_told_at_once() -> None:
    problems = problems_of(
        U1={"limit_current": "0.42 A", "power_coefficient": "5200 A²Hz"},
        T1={"primary_turns": "unknown", "secondary_turns": "unknown", "primary_inductance": None},
        D5=None,
    )
    text = [str(problem) for problem in problems]
    assert len(text) == 5, "\n".join(text)
    wanted = ("primary turns", "secondary turns", "primary inductance", "output rectifier")
    for words in ("limit_voltage and limit_current and power_coefficient", *wanted):
        assert len([line for line in text if words in line]) == 1, words
    assert all(problem.hint for problem in problems)


@pytest.mark.parametrize(
    "pair",
    [
        {"limit_current": "0.42 A"},
        {"power_coefficient": "5200 A²Hz"},
        {"limit_voltage": None, "limit_current": "0.42 A", "power_coefficient": "5200 A²Hz"},
    ],
)
def test_two_kinds_of_current_limit(pair: dict[str, str | None]) -> None:
    (problem,) = problems_of(U1=pair)
    assert problem.field == "parts.U1"
    assert problem.line == board(U1=pair).parts["U1"].line
    assert "keep" in str(problem)


def test_rectifier_without_drop_or_technology() -> None:
    (problem,) = problems_of(D5={"forward_drop": None})
    assert "schottky" in str(problem)


@pytest.mark.parametrize("key", ["limit_voltage", "overload_voltage", "delay"])
def test_a_guess_needs_a_range(key: str) -> None:
    text = "0.7 V" if "voltage" in key else "1 us"
    (problem,) = problems_of(U1={key: {"value": text, "origin": "guess"}})
    assert problem.field == f"parts.U1.{key}"
    assert problem.expected == "a range"


# The handbook and the board file speak of the same fields

TOLERANCES = {
    ("bulk capacitor", "tolerance"),
    ("output capacitor", "tolerance"),
    ("sense resistor", "tolerance"),
    ("resistor", "tolerance"),
    ("transformer", "primary_inductance_tolerance"),
}
"""Rows that hold the customary tolerance of a role's value; "resistor" stands for every other resistor."""

SCALED = {("clamp suppressor", "clamp_over_reflected")}
"""Rows for a value that is lent in proportion to another one."""

SIMULATED = {
    ("switching IC", "soft_start"),
    ("switching IC", "supply_hold"),
    ("switching IC", "restart_pause"),
    ("voltage reference", "crossover"),
    ("transformer", "ringing_quality"),
    ("transformer", "leakage_ringing_quality"),
    ("series resistor", "mains_impedance"),
}
"""Rows for what no board shows and only the switching simulation needs."""

METERS = {
    ("meter", f"{key}_{part}")
    for key in ("voltage", "current", "wall_power", "resistance", "capacitance", "inductance")
    for part in ("accuracy", "floor")
}
METERS |= {("meter", "cable_resistance"), ("meter", "meter_resistance")}
"""Rows for what a load test, or a part that is decoded, was read with; no part plays it."""


def strays(table: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Rows of the handbook for a field that no role has."""
    known = {(role.name, key) for role in ROLES.values() for key in role.fields}
    known |= TOLERANCES | SCALED | SIMULATED | METERS
    return [(row["role"], row["key"]) for row in table if (row["role"], row["key"]) not in known]


def test_every_handbook_row_is_for_a_field() -> None:
    assert strays(rows("handbook")) == []


@pytest.mark.parametrize("row", [("switching IC", "dleay"), ("sense resistors", "tolerance")])
def test_a_stray_row_is_found(row: tuple[str, str]) -> None:
    assert strays([{"role": row[0], "key": row[1]}, *rows("handbook")]) == [row]


def test_lent_values_keep_the_source_of_their_row() -> None:
    bare = board(
        U1={"delay": None, "max_duty": None, "drain_capacitance": None},
        T1={"saturation_flux": None, "leakage_inductance": None},
        BR1={"forward_drop": None},
        C1={"value": "22 uF"},
    )
    assumed: tuple[Value, ...] = trace(bare).assumed
    sources = {row["source"] for row in rows("handbook")}
    assert len(assumed) == 7
    assert {value.source for value in assumed} <= sources
