"""Reading the load tests of a board file: what was read at each load, checked but not interpreted."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from types import MappingProxyType

from flyback.board.label import MAINS_FREQUENCY_LIMITS, MAINS_LIMITS
from flyback.board.model import LoadReading, LoadTest, ReadAt
from flyback.board.roles import Field
from flyback.board.tables import Table
from flyback.board.values import LIMITS, read_single
from flyback.units import shown

MAX_LOAD_TESTS = 2000
MAX_MINUTES = 100_000

TEMPERATURE_LIMITS = ("-60 degC", "250 degC")

LOAD_TEST: Mapping[str, Field] = MappingProxyType(
    {
        field.key: field
        for field in (
            Field(
                "readings",
                "rows",
                "volts and amps of each port, read together",
                '[{ port = "1", voltage = "5.06 V", current = "1.0 A" }]',
            ),
            Field("wall_power", "power", "watts of the mains wattmeter", "6.4 W", zero_allowed=True),
            Field(
                "wall_apparent",
                "apparent power",
                "volt-amperes there; no efficiency follows from them",
                "11 VA",
                zero_allowed=True,
            ),
            Field("mains", "voltage", "mains voltage during the test", "230 V"),
            Field("frequency", "frequency", "mains frequency during the test", "50 Hz"),
            Field(
                "read_at",
                "choice",
                "where the volts were read",
                "end of cable",
                choices=tuple(ReadAt),
            ),
            Field("minutes", "number", "how long it had been loaded so", "10"),
            Field("case_temperature", "temperature", "hottest spot of the case", "62 degC"),
            Field("ambient_temperature", "temperature", "air around it", "24 degC"),
            Field("ripple", "voltage", "ripple of the output, peak to peak", "90 mV"),
            Field("pulse_frequency", "frequency", "switching frequency as measured", "66 kHz"),
            Field(
                "mains_dips",
                "flag",
                "whether a scope showed the output dipping at the mains frequency, or twice that, with "
                "level stretches between the dips",
                "true",
            ),
            Field("restarts", "flag", "whether the output came and went, or stayed down", "false"),
            Field("note", "text", "anything worth remembering", "Cold start"),
        )
    }
)
"""Keys of a load test: the loader and the template of ``flyback new`` are made from them."""

_READING = ("port", "voltage", "current")

_LIMITS: Mapping[str, tuple[str, str]] = {
    **{key: LIMITS[field.dimension] for key, field in LOAD_TEST.items() if field.dimension in LIMITS},
    "wall_apparent": ("1 mVA", "10 kVA"),
    "mains": MAINS_LIMITS,
    "frequency": MAINS_FREQUENCY_LIMITS,
    "case_temperature": TEMPERATURE_LIMITS,
    "ambient_temperature": TEMPERATURE_LIMITS,
}


def read_load_tests(root: Table) -> tuple[LoadTest, ...]:
    """Read every ``[[load_test]]`` of a file; what is unfit is reported and left out."""
    rows = root.content.get("load_test", [])
    if isinstance(rows, list) and len(rows) > MAX_LOAD_TESTS:
        root.report(
            f"{len(rows)} load test rows stand here; at most {MAX_LOAD_TESTS} can be read.",
            "load_test",
            given=str(len(rows)),
            expected=f"at most {MAX_LOAD_TESTS} rows",
            hint="Keep those that were read at different loads.",
        )
        return ()
    return tuple(_read_load_test(row) for row in root.rows("load_test"))


def _read_load_test(table: Table) -> LoadTest:
    table.report_unknown_keys(tuple(LOAD_TEST), "[[load_test]]")
    if not table.content.get("readings") and "wall_power" not in table and "wall_apparent" not in table:
        table.report(
            "nothing was read in this row.",
            expected="readings or wall_power",
            hint=f"Write readings = {LOAD_TEST['readings'].example}.",
        )
    place = table.choice("read_at", LOAD_TEST["read_at"].choices)

    def number(key: str) -> float | None:
        field = LOAD_TEST[key]
        return read_single(
            table, key, field.dimension, limits=_LIMITS[key], zero_allowed=field.zero_allowed
        )

    return LoadTest(
        readings=tuple(_read_readings(table)),
        wall_power=number("wall_power"),
        mains=number("mains"),
        note=table.text("note", lines_allowed=True),
        line=table.line(),
        wall_apparent=number("wall_apparent"),
        frequency=number("frequency"),
        read_at=ReadAt(place) if place else None,
        minutes=_read_minutes(table),
        case_temperature=number("case_temperature"),
        ambient_temperature=number("ambient_temperature"),
        ripple=number("ripple"),
        pulse_frequency=number("pulse_frequency"),
        mains_dips=_read_flag(table, "mains_dips"),
        restarts=_read_flag(table, "restarts"),
    )


def _read_readings(table: Table) -> Iterator[LoadReading]:
    seen: set[str] = set()
    for row in table.rows("readings"):
        reading = _read_reading(row)
        if reading is None:
            continue
        if reading.port and reading.port in seen:
            row.report(
                f"port {shown(reading.port)} stands twice in one load test; its current would count twice.",
                "port",
                given=reading.port,
                expected="each port once",
                hint="Give every load its own [[load_test]].",
            )
        seen.add(reading.port)
        yield reading


def _read_reading(table: Table) -> LoadReading | None:
    table.report_unknown_keys(_READING, "a reading")
    for key, example in (("voltage", "5.06 V"), ("current", "1.0 A")):
        if key not in table:
            table.report_missing(key, f'{key} = "{example}"')
    port = table.text("port")
    voltage = read_single(table, "voltage", "voltage", zero_allowed=True)
    current = read_single(table, "current", "current", zero_allowed=True)
    if voltage is None or current is None:
        return None
    return LoadReading(port, voltage, current)


def _read_minutes(table: Table) -> float | None:
    """A plain number, since the key itself names the unit."""
    value = table.content.get("minutes")
    if value is None:
        return None
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    if plain and math.isfinite(value) and 0 <= value <= MAX_MINUTES:
        return float(value)
    given = _given(value)
    table.report(
        f"{given} is not a number of minutes from 0 to {MAX_MINUTES}.",
        "minutes",
        given=given,
        expected="a plain number",
        hint="Write for example minutes = 10.",
    )
    return None


def _read_flag(table: Table, key: str) -> bool | None:
    """True, false, or None where nobody looked."""
    value = table.content.get(key)
    if value is None or isinstance(value, bool):
        return value
    given = _given(value)
    table.report(
        f"{given} is neither true nor false.",
        key,
        given=given,
        expected="true or false",
        hint=f"Write {key} = true or {key} = false without quotation marks, or nothing if nobody looked.",
    )
    return None


def _given(value: object) -> str:
    """What stands there, if it is short."""
    if isinstance(value, str):
        return shown(value)
    number = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9
    return str(value) if number else "this"
