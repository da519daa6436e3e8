"""The handbook tables: every figure has its source, and agrees with what the source prints."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import FrozenInstanceError
from typing import Any

import pytest

from flyback.errors import RequestError
from flyback.reference import TABLES, HandbookRange, handbook, rows, series
from flyback.units import DIMENSIONS

BASES = {"seen", "from memory", "common practice", "computed"}
UNSOURCED = "common practice, no source"


def provenance_faults(row: Mapping[str, Any]) -> list[str]:
    """What is wrong with the provenance of a row; empty for a sound one."""
    faults = []
    source, basis = row.get("source", ""), row.get("basis")
    if not source.strip():
        faults.append("no source")
    if basis not in BASES:
        faults.append(f"unknown basis: {basis}")
    if (basis == "common practice") != (source == UNSOURCED):
        faults.append("a common practice, and nothing else, has no source")
    return faults


def range_faults(found: HandbookRange) -> list[str]:
    """What is wrong with a handbook range; empty for a sound one."""
    faults = []
    if not found.low <= found.typical <= found.high:
        faults.append("not in order")
    if not all(map(math.isfinite, (found.low, found.typical, found.high))) or found.low <= 0:
        faults.append("not finite and positive")
    return faults


def band_faults(bands: tuple[Mapping[str, Any], ...]) -> list[str]:
    """Where power bands leave a gap or overlap; empty if they follow each other from 0 W on."""
    starts = [band["above_W"] for band in bands]
    ends = [band["up_to_W"] for band in bands]
    faults = [] if starts == [0, *ends[:-1]] else [f"bands start at {starts} and end at {ends}"]
    if any(start >= end for start, end in zip(starts, ends, strict=True)):
        faults.append("empty band")
    return faults


def volume_error(core: Mapping[str, Any]) -> float:
    """Relative difference between A_e·l_e and the printed volume of a core."""
    product = core["effective_area_mm2"] * core["path_length_mm"]
    return float(abs(product / core["volume_mm3"] - 1))


def every_row() -> list[Any]:
    return [
        pytest.param(row, id=f"{table}-{number}")
        for table in TABLES
        for number, row in enumerate(rows(table), start=1)
    ]


def every_range() -> list[Any]:
    keys = [(row["role"], row["key"], row.get("variant")) for row in rows("handbook")]
    return [pytest.param(*key, id="-".join(filter(None, key))) for key in keys]


class TestEveryRow:
    @pytest.mark.parametrize("row", every_row())
    def test_says_where_it_comes_from(self, row: Mapping[str, Any]) -> None:
        assert provenance_faults(row) == []

    @pytest.mark.parametrize(
        ("row", "fault"),
        [
            ({"basis": "seen"}, "no source"),
            ({"source": "  ", "basis": "seen"}, "no source"),
            ({"source": "IEC 60063", "basis": "rumour"}, "unknown basis: rumour"),
            ({"source": "IEC 60063"}, "unknown basis: None"),
            (
                {"source": "IEC 60063", "basis": "common practice"},
                "a common practice, and nothing else, has no source",
            ),
            (
                {"source": UNSOURCED, "basis": "seen"},
                "a common practice, and nothing else, has no source",
            ),
        ],
    )
    def test_checker_finds_bad_provenance(self, row: Mapping[str, Any], fault: str) -> None:
        assert provenance_faults(row) == [fault]

    def test_is_read_only(self) -> None:
        row = rows("cores")[0]
        with pytest.raises(TypeError):
            row["effective_area_mm2"] = 0  # type: ignore[index]
        with pytest.raises(TypeError):
            rows("average_efficiency")[0]["bands"][0]["constant"] = 1

    def test_is_read_once(self) -> None:
        assert rows("cores") is rows("cores")

    def test_unknown_table_gets_the_nearest_name(self) -> None:
        with pytest.raises(RequestError, match="Did you mean cores") as caught:
            rows("core")
        assert caught.value.problems[0].given == "core"


class TestHandbook:
    @pytest.mark.parametrize(("role", "key", "variant"), every_range())
    def test_range_is_sound(self, role: str, key: str, variant: str | None) -> None:
        found = handbook(role, key, variant)
        assert found is not None
        assert (found.role, found.key, found.variant) == (role, key, variant)
        assert range_faults(found) == []
        assert found.dimension in DIMENSIONS

    @pytest.mark.parametrize(
        ("low", "typical", "high", "fault"),
        [
            (0.5, 0.4, 0.6, "not in order"),
            (0.4, 0.7, 0.6, "not in order"),
            (0.0, 0.4, 0.6, "not finite and positive"),
            (0.4, 0.5, math.inf, "not finite and positive"),
        ],
    )
    def test_checker_finds_a_bad_range(self, low: float, typical: float, high: float, fault: str) -> None:
        found = HandbookRange(
            role="output rectifier",
            key="forward_drop",
            variant=None,
            low=low,
            typical=typical,
            high=high,
            dimension="voltage",
            source="this test",
            basis="computed",
            note="",
        )
        assert range_faults(found) == [fault]

    def test_no_field_has_two_rows(self) -> None:
        keys = [(row["role"], row["key"], row.get("variant")) for row in rows("handbook")]
        assert len(set(keys)) == len(keys)

    @pytest.mark.parametrize(
        ("role", "key", "variant", "low", "high", "dimension"),
        [
            # Panjit SB540L: 0.35 V typical at 125 °C; SB520..SB540: 0.55 V at most, both at 5 A
            ("output rectifier", "forward_drop", "schottky", 0.35, 0.55, "voltage"),
            # 2 A × 10 mΩ = 0.02 V; 5 A × 20 mΩ = 0.1 V
            ("output rectifier", "forward_drop", "synchronous", 0.02, 0.1, "voltage"),
            # Ferroxcube E13/7/4: 320 mT; EPCOS N87: 390 mT, both at 100 °C
            ("transformer", "saturation_flux", None, 0.320, 0.390, "flux density"),
            # AN-18, p. 12: 10 to 15 %
            ("transformer", "primary_inductance_tolerance", None, 0.10, 0.15, "ratio"),
            # from memory: 0.3 to 0.8 µs; 100 to 300 ns; 20 to 100 pF; h_FE 8 to 40
            ("switching transistor", "storage_time", None, 0.3e-6, 0.8e-6, "time"),
            ("switching IC", "delay", None, 100e-9, 300e-9, "time"),
            ("switching IC", "drain_capacitance", None, 20e-12, 100e-12, "capacitance"),
            ("switching transistor", "gain", None, 8, 40, "ratio"),
            # utilitiesbunker.com LED table, white: 2.8..3.4 V
            ("indicator LED", "forward_voltage", "white", 2.8, 3.4, "voltage"),
            # 2.495 V × 0.98 = 2.4451 V; × 1.02 = 2.5449 V, written to the millivolt
            ("voltage reference", "reference_voltage", None, 2.445, 2.545, "voltage"),
        ],
    )
    def test_ends_are_those_of_the_source_in_si(
        self, role: str, key: str, variant: str | None, low: float, high: float, dimension: str
    ) -> None:
        found = handbook(role, key, variant)
        assert found is not None
        assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)
        assert found.dimension == dimension

    @pytest.mark.parametrize("role", ["switching IC", "switching transistor"])
    def test_drain_capacitance_is_the_same_for_both_switches(self, role: str) -> None:
        found = handbook(role, "drain_capacitance")
        assert found is not None
        assert found.typical == pytest.approx(50e-12)

    @pytest.mark.parametrize(
        ("role", "key", "variant"),
        [
            ("fuse", "rated_current", None),
            ("output rectifier", "colour", None),
            ("output rectifier", "forward_drop", "germanium"),
            ("output rectifier", "forward_drop", None),
            ("transformer", "saturation_flux", "schottky"),
        ],
    )
    def test_missing_row_is_none(self, role: str, key: str, variant: str | None) -> None:
        assert handbook(role, key, variant) is None

    def test_range_is_frozen(self) -> None:
        found = handbook("post converter", "efficiency")
        assert found is not None
        with pytest.raises(FrozenInstanceError):
            found.low = 0.5  # type: ignore[misc]


# IEC 60063, as listed in the standard: E24 and E96 from a text that was seen.
E24 = """
1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1
"""
E96 = """
1.00 1.02 1.05 1.07 1.10 1.13 1.15 1.18 1.21 1.24 1.27 1.30 1.33 1.37 1.40 1.43 1.47 1.50 1.54 1.58
1.62 1.65 1.69 1.74 1.78 1.82 1.87 1.91 1.96 2.00 2.05 2.10 2.15 2.21 2.26 2.32 2.37 2.43 2.49 2.55
2.61 2.67 2.74 2.80 2.87 2.94 3.01 3.09 3.16 3.24 3.32 3.40 3.48 3.57 3.65 3.74 3.83 3.92 4.02 4.12
4.22 4.32 4.42 4.53 4.64 4.75 4.87 4.99 5.11 5.23 5.36 5.49 5.62 5.76 5.90 6.04 6.19 6.34 6.49 6.65
6.81 6.98 7.15 7.32 7.50 7.68 7.87 8.06 8.25 8.45 8.66 8.87 9.09 9.31 9.53 9.76
"""


class TestSeries:
    @pytest.mark.parametrize(("name", "listed"), [("E24", E24), ("E96", E96)])
    def test_agrees_with_the_standard(self, name: str, listed: str) -> None:
        assert series(name) == tuple(float(value) for value in listed.split())

    @pytest.mark.parametrize("count", [3, 6, 12, 24, 48, 96, 192])
    def test_has_as_many_rising_values_as_its_name_says(self, count: int) -> None:
        values = series(f"E{count}")
        assert len(values) == count
        assert values == tuple(sorted(set(values)))
        assert values[0] == 1
        assert values[-1] < 10

    @pytest.mark.parametrize(
        ("coarse", "fine"), [("E3", "E6"), ("E6", "E12"), ("E12", "E24"), ("E48", "E96")]
    )
    def test_every_second_value_makes_the_coarser_series(self, coarse: str, fine: str) -> None:
        assert series(fine)[::2] == series(coarse)

    def test_e192_keeps_e96_and_its_one_exception(self) -> None:
        # IEC 60063: 9.20 is listed where 10^(185/192) = 9.194 would round to 9.19
        assert series("E192")[::2] == series("E96")
        assert series("E192")[185] == 9.20
        assert 9.19 not in series("E192")

    def test_unknown_series_gets_the_nearest_name(self) -> None:
        with pytest.raises(RequestError, match="Did you mean E96"):
            series("E95")


# A_e of EE8 is remembered to a whole square millimetre: 139 mm³ / 19.4 mm = 7.16 mm², not 7.
UNEVEN_CORES = {"EE8 (EE8.3)"}


class TestCores:
    @pytest.mark.parametrize(
        "core",
        [
            pytest.param(core, id=f"{core['name']}-{number}")
            for number, core in enumerate(rows("cores"), start=1)
            if "volume_mm3" in core
        ],
    )
    def test_volume_is_area_times_path(self, core: Mapping[str, Any]) -> None:
        assert (volume_error(core) <= 0.02) == (core["name"] not in UNEVEN_CORES)

    def test_checker_finds_a_misread_path(self) -> None:
        # E16/8/5 with its path read as 31.6 for 37.6 mm: 20.1 × 31.6 = 635.2 mm³, 15.3 % under 750
        core = {"effective_area_mm2": 20.1, "path_length_mm": 31.6, "volume_mm3": 750}
        assert volume_error(core) == pytest.approx(0.153, abs=0.0005)

    @pytest.mark.parametrize(
        ("name", "area", "path", "volume"),
        [
            # EPCOS B66413 sheet; open-source handbook copy; from memory
            ("EFD15/8/5", 15.0, 34.0, 510),
            ("E16/8/5 (EF16)", 20.1, 37.6, 750),
            ("EE19", 23, 39.4, 900),
        ],
    )
    def test_sizes_are_those_of_the_sheet(self, name: str, area: float, path: float, volume: float) -> None:
        (core,) = (row for row in rows("cores") if row["name"] == name)
        sizes = (core["effective_area_mm2"], core["path_length_mm"], core["volume_mm3"])
        assert sizes == (area, path, volume)

    def test_a_hot_core_saturates_earlier(self) -> None:
        both = [row for row in rows("saturation") if "at_25_C_mT" in row]
        assert both
        assert all(row["at_100_C_mT"] < row["at_25_C_mT"] for row in both)


class TestSupply:
    def test_universal_label_means_90_to_264_volts(self) -> None:
        # AN-6094, p. 6: an adapter for 100 to 240 V is designed for 90 to 264 V
        (tolerance,) = rows("mains_tolerance")
        assert 100 - 100 * tolerance["below_percent"] / 100 == 90
        assert 240 + 240 * tolerance["above_percent"] / 100 == 264

    def test_nominal_voltages(self) -> None:
        voltages = [row["voltage_V"] for row in rows("mains_voltages")]
        assert voltages == [100, 110, 115, 120, 127, 220, 230, 240]


def band_at(table: str, level: str, supply_class: str, power: float) -> Mapping[str, Any]:
    """Band of an efficiency table that holds a nameplate power in watts."""
    (row,) = (row for row in rows(table) if (row["level"], row["supply_class"]) == (level, supply_class))
    (band,) = (band for band in row["bands"] if band["above_W"] < power <= band["up_to_W"])
    found: Mapping[str, Any] = band
    return found


def mean_efficiency(level: str, supply_class: str, power: float) -> float:
    """Least mean efficiency that the table asks at a nameplate power in watts."""
    band = band_at("average_efficiency", level, supply_class, power)
    return float(band["log"] * math.log(power) + band["linear"] * power + band["constant"])


def every_level(*tables: str) -> list[Any]:
    return [
        pytest.param(row["bands"], id=f"{table}-{row['level']}-{row['supply_class']}")
        for table in tables
        for row in rows(table)
    ]


class TestEfficiency:
    @pytest.mark.parametrize("level", ["VI", "EU 2019/1782"])
    @pytest.mark.parametrize(
        ("volts", "amps", "supply_class", "expected"),
        [
            # (EU) 2019/1782 by hand, ln 10 = 2.3026: 0.0834·2.3026 - 0.0014·10 + 0.609 = 0.7870
            (5, 2, "low-voltage", 0.7870),
            (5, 1, "low-voltage", 0.7362),
            (5, 2.4, "low-voltage", 0.7994),
            (5, 3, "low-voltage", 0.8139),
            # ln 2.5 = 0.9163: 0.071·0.9163 - 0.0014·2.5 + 0.67 = 0.7316
            (5, 0.5, "basic", 0.7316),
            (9, 2, "basic", 0.8500),
            (12, 1, "basic", 0.8296),
            (12, 2, "basic", 0.8620),
            (20, 2.25, "basic", 0.8773),
        ],
    )
    def test_level_vi_by_hand(
        self, level: str, volts: float, amps: float, supply_class: str, expected: float
    ) -> None:
        found = mean_efficiency(level, supply_class, volts * amps)
        assert found == pytest.approx(expected, abs=0.00005)

    @pytest.mark.parametrize(
        ("level", "power", "supply_class", "expected", "rounding"),
        [
            # AN4164 (Feb 2013), 12 V 0.35 A = 4.2 W, prints 71.18 % and 76.6 %
            ("V", 4.2, "basic", 0.7118, 0.00005),
            ("VI", 4.2, "basic", 0.766, 0.0005),
            # by hand, ln 10 = 2.30259: 0.075·2.30259 + 0.561; 0.09·2.30259 + 0.5 and + 0.49
            ("V", 10, "low-voltage", 0.73369, 0.000005),
            ("IV", 10, "any", 0.70723, 0.000005),
            ("III", 10, "any", 0.69723, 0.000005),
            # by hand, below 1 W: 0.5·0.5 + 0.16; 0.497·0.5 + 0.067; 0.49·0.5
            ("VI", 0.5, "basic", 0.41, 1e-9),
            ("VI", 0.5, "multiple-voltage", 0.3155, 1e-9),
            ("III", 0.5, "any", 0.245, 1e-9),
        ],
    )
    def test_other_bands_and_levels_by_hand(
        self, level: str, power: float, supply_class: str, expected: float, rounding: float
    ) -> None:
        found = mean_efficiency(level, supply_class, power)
        assert found == pytest.approx(expected, abs=rounding)

    @pytest.mark.parametrize("supply_class", ["low-voltage", "basic", "multiple-voltage"])
    @pytest.mark.parametrize("power", [0.5, 1, 5, 24, 49, 50, 250])
    def test_level_vi_is_the_european_rule_to_250_w(self, supply_class: str, power: float) -> None:
        us, eu = (mean_efficiency(level, supply_class, power) for level in ("VI", "EU 2019/1782"))
        assert us == eu

    @pytest.mark.parametrize("bands", every_level("average_efficiency", "no_load_power"))
    def test_bands_follow_each_other(self, bands: tuple[Mapping[str, Any], ...]) -> None:
        assert band_faults(bands) == []

    @pytest.mark.parametrize(
        "bands",
        [
            ({"above_W": 1, "up_to_W": 49},),
            ({"above_W": 0, "up_to_W": 1}, {"above_W": 2, "up_to_W": 49}),
            ({"above_W": 0, "up_to_W": 0},),
        ],
    )
    def test_checker_finds_gaps(self, bands: tuple[Mapping[str, Any], ...]) -> None:
        assert band_faults(bands) != []

    @pytest.mark.parametrize(
        ("level", "supply_class", "power", "expected"),
        [
            ("III", "any", 10, 0.5),
            ("III", "any", 24, 0.75),
            ("IV", "any", 24, 0.5),
            ("V", "basic", 24, 0.3),
            ("VI", "low-voltage", 10, 0.1),
            ("VI", "basic", 60, 0.21),
            ("EU 2019/1782", "multiple-voltage", 60, 0.3),
        ],
    )
    def test_no_load_limits(self, level: str, supply_class: str, power: float, expected: float) -> None:
        # Printed limits in watts of the tables that the rows name.
        assert band_at("no_load_power", level, supply_class, power)["limit_W"] == expected

    def test_low_voltage_supply(self) -> None:
        # EPS review study: below 6 V and at least 550 mA
        (row,) = (row for row in rows("supply_classes") if row["name"] == "low-voltage")
        assert (row["voltage_below_V"], row["current_at_least_A"]) == (6, 0.55)
