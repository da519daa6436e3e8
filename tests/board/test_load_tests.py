"""Load tests and meters of a board file: what is read, and every fault in words."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.board.file import load, loads
from flyback.board.load_tests import LOAD_TEST
from flyback.board.meter_log import COLUMNS, MAX_BYTES, MAX_ROWS, read_log_text
from flyback.board.meters import METERS, accuracy
from flyback.board.model import Accuracy, Board, LoadReading, Meters, ReadAt, WallMeter
from flyback.board.template import template
from flyback.errors import BoardFileError, Problem, QuantityError
from flyback.units import parse

HEAD = """[board]
name = "x"
topology = "other"
[label]
power = "5 W"
"""
"""Five lines: a board with as little as possible in it."""

EXAMPLES = Path(__file__).parents[2] / "worked_examples"


def board(text: str) -> Board:
    return loads(HEAD + text)


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BoardFileError) as caught:
        board(text)
    return caught.value.problems


class TestLoadTest:
    def test_every_key_in_si_units(self) -> None:
        (test,) = board(
            """
[[load_test]]
readings = [
    { port = "1", voltage = "5.06 V", current = "900 mA" },
    { port = "2", voltage = "5.05 V", current = "1.1 A" },
]
wall_power = "12.6 W"
wall_apparent = "24 VA"
mains = "231 V"
frequency = "50 Hz"
read_at = "end of cable"
minutes = 12.5
case_temperature = "62 degC"
ambient_temperature = "296.15 K"
ripple = "90 mV"
pulse_frequency = "66 kHz"
mains_dips = true
restarts = false
note = "warm"
"""
        ).load_tests
        assert test.readings == (LoadReading("1", 5.06, 0.9), LoadReading("2", 5.05, 1.1))
        assert (test.wall_power, test.wall_apparent, test.mains, test.frequency) == (12.6, 24, 231, 50)
        assert (test.read_at, test.minutes) == (ReadAt.CABLE_END, 12.5)
        assert (test.case_temperature, test.ambient_temperature) == (335.15, 296.15)
        assert (test.ripple, test.pulse_frequency, test.note) == (0.09, 66e3, "warm")
        assert (test.mains_dips, test.restarts) == (True, False)
        assert (test.line, test.source) == (7, "")

    def test_what_is_not_written_is_not_there(self) -> None:
        (test,) = board('[[load_test]]\nwall_apparent = "0 VA"').load_tests
        assert (test.wall_apparent, test.wall_power, test.readings) == (0.0, None, ())
        assert test.mains is test.frequency is test.read_at is test.minutes is test.ripple is None
        assert test.case_temperature is test.ambient_temperature is test.pulse_frequency is None
        assert test.mains_dips is test.restarts is None

    def test_the_bedside_charger_s_rows_are_as_they_were(self) -> None:
        tests = load(EXAMPLES / "bedside_charger.toml").load_tests
        assert [(test.wall_power, *test.readings) for test in tests[:2]] == [
            (6.4, LoadReading("1", 5.06, 1.0)),
            (12.5, LoadReading("1", 5.04, 2.0)),
        ]

    @pytest.mark.parametrize(
        ("row", "field", "words"),
        [
            ('wal_power = "1 W"', "wal_power", 'Did you mean "wall_power"?'),
            ('wall_power = "1 VA"', "wall_power", '"1 VA" is an apparent power; a power [W] is expected'),
            ('wall_apparent = "1 W"', "wall_apparent", '"1 W" is a power; an apparent power [VA] is exp'),
            ('wall_apparent = "20 kVA"', "wall_apparent", "(1 mVA to 10 kVA)"),
            ('frequency = "50 kHz"', "frequency", "(10 Hz to 1000 Hz)"),
            ('read_at = "end of the cable"', "read_at", 'Did you mean "end of cable"?'),
            ('read_at = "sofa"', "read_at", 'Write one of "socket", "meter", "end of cable".'),
            ("read_at = 1", "read_at", "1 stands here; a text is expected"),
            ('minutes = "10"', "minutes", '"10" is not a number of minutes from 0 to 100000. Write for ex'),
            ("minutes = -1", "minutes", "-1 is not a number of minutes"),
            ("minutes = nan", "minutes", "is not a number of minutes"),
            ("minutes = inf", "minutes", "is not a number of minutes"),
            ("minutes = true", "minutes", "is not a number of minutes"),
            ("minutes = [1]", "minutes", "is not a number of minutes"),
            ('case_temperature = "62"', "case_temperature", '"62" has no unit'),
            ('case_temperature = "620 degC"', "case_temperature", "(-60 degC to 250 degC)"),
            ('ambient_temperature = "-70 degC"', "ambient_temperature", "(-60 degC to 250 degC)"),
            ('ripple = "0 V"', "ripple", "It must be above zero."),
            ('ripple = "60..90 mV"', "ripple", "is more than one number"),
            ('pulse_frequency = "66 Hz"', "pulse_frequency", "(1 kHz to 10 MHz)"),
            (
                'mains_dips = "yes"',
                "mains_dips",
                '"yes" is neither true nor false. Write mains_dips = true',
            ),
            ('restarts = "false"', "restarts", "without quotation marks, or nothing if nobody looked"),
            ("restarts = 1", "restarts", "1 is neither true nor false"),
            ("mains_dips = []", "mains_dips", "this is neither true nor false"),
            ("mains_dip = true", "mains_dip", 'Did you mean "mains_dips"?'),
            ("note = 7", "note", 'Write note = "7".'),
        ],
    )
    def test_fault(self, row: str, field: str, words: str) -> None:
        (problem,) = problems_of(
            f'[[load_test]]\nreadings = [{{ voltage = "5 V", current = "1 A" }}]\n{row}'
        )
        assert (problem.line, problem.field) == (8, f"load_test[1].{field}")
        assert words in str(problem)

    def test_a_port_that_stands_twice(self) -> None:
        reading = '{ port = "1", voltage = "5 V", current = "1 A" }'
        (problem,) = problems_of(f"[[load_test]]\nreadings = [\n  {reading},\n  {reading},\n]")
        assert (problem.line, problem.field) == (9, "load_test[1].readings[2].port")
        assert 'port "1" stands twice in one load test; its current would count twice.' in problem.message

    def test_ports_without_a_name_may_be_several(self) -> None:
        reading = '{ voltage = "5 V", current = "1 A" }'
        (test,) = board(f"[[load_test]]\nreadings = [{reading}, {reading}]").load_tests
        assert len(test.readings) == 2

    def test_every_fault_at_once(self) -> None:
        text = """[meters]
voltag = "1 %"
current = "2 % + 10 mV"
[[load_test]]
minutes = "ten"
read_at = "Socket"
readings = [{ port = "1", voltage = "5 V" }]
[[load_test]]
note = "nothing"
"""
        assert [(problem.line, problem.field) for problem in problems_of(text)] == [
            (7, "meters.voltag"),
            (8, "meters.current"),
            (10, "load_test[1].minutes"),
            (11, "load_test[1].read_at"),
            (12, "load_test[1].readings[1].current"),
            (13, "load_test[2]"),
        ]


class TestMeters:
    def test_every_key(self) -> None:
        found = board(
            """[meters]
voltage = "1 % + 20 mV"
current = "±2 % + 10 mA"
wall_power = "0.5 W"
cable_resistance = "180 mohm ± 10 %"
meter_resistance = "0 ohm"
wall_meter = "cheap"
"""
        ).meters
        assert found.voltage == Accuracy(0.01, 0.02, "1 % + 20 mV")
        assert found.current == Accuracy(0.02, 0.01, "±2 % + 10 mA")
        assert found.wall_power == Accuracy(0.0, 0.5, "0.5 W")
        assert found.cable_resistance is not None
        assert found.cable_resistance.high == pytest.approx(0.198)
        assert found.meter_resistance is not None
        assert (found.meter_resistance.nominal, found.wall_meter) == (0.0, WallMeter.CHEAP)

    def test_not_written_or_not_known_is_none(self) -> None:
        assert board("").meters == board("[meters]").meters == Meters()
        unknown = "".join(f'{key} = "unknown"\n' for key in METERS)
        assert board(f"[meters]\n{unknown}").meters == Meters()

    @pytest.mark.parametrize(
        ("row", "words"),
        [
            ("voltage = 1", "1 stands here; a text is expected"),
            ('voltage = "a\\nb"', "holds a line break"),
            ('wall_meter = "true RMS"', 'there is no wall_meter "true RMS"'),
            ('cable_resistance = "20 ohm"', "(0.1 mohm to 10 ohm)"),
            ('cable_resistance = "0.2 V"', '"0.2 V" is a voltage'),
            ("meter_resistance = true", "true stands here"),
        ],
    )
    def test_fault(self, row: str, words: str) -> None:
        (problem,) = problems_of(f"[meters]\n{row}")
        assert problem.line == 7
        assert words in str(problem)

    def test_another_name_of_the_table(self) -> None:
        (problem,) = problems_of('[meter]\nvoltage = "1 %"')
        assert problem.hint == 'Did you mean "meters"?'


class TestAccuracy:
    @pytest.mark.parametrize(
        ("text", "share", "floor"),
        [
            ("1 % + 20 mV", 0.01, 0.02),
            ("20 mV + 1 %", 0.01, 0.02),
            ("0.05%+3mV", 0.0005, 0.003),
            ("± 1 % + ± 0.02 V", 0.01, 0.02),
            ("+/- 1 %", 0.01, 0.0),
            ("1e+1 mV", 0.0, 0.01),
            ("50 % + 5 V", 0.5, 5.0),
        ],
    )
    def test_read(self, text: str, share: float, floor: float) -> None:
        read = accuracy(text, dimension="voltage")
        assert (read.share, read.floor, read.text) == (pytest.approx(share), pytest.approx(floor), text)

    def test_limit_at_a_reading(self) -> None:
        """1 % of 5 V and 20 mV are 70 mV."""
        assert accuracy("1 % + 20 mV", dimension="voltage").limit(5.0) == pytest.approx(0.070)

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("", "is not an accuracy"),
            ("1 % +", "is not an accuracy"),
            ("1", '"1" has no unit'),
            ("1 percent", "has an unknown unit"),
            ("1 % + 20 mA", '"20 mA" is a current; a voltage [V] is expected'),
            ("1 % + 2 digits", "2 digits of a display that shows 0.01 V are 20 mV"),
            ("0.5% + 3 dgt", "counts digits of a display"),
            ("1 % + 5 counts", "counts digits of a display"),
            ("0.5 % FS", "Write it as a fixed amount: 0.5 % of a range of 10 A is 50 mA."),
            ("1 % of range", "is a share of the range"),
            ("1 % + 0.5 %", "has two percentages. A percentage of the full range is a fixed amount"),
            ("20 mV + 1 mV", "has two fixed amounts. Add them up"),
            ("1 % + 20 mV + 5 mV", "has more than two terms"),
            ("1 % of reading + 20 mV", "A percentage is of the reading: write 1 % alone."),
            ("1..2 %", "holds a range or a tolerance"),
            ("0 % + 0 V", "says that the meter is exact"),
            ("-1 %", "is negative"),
            ("1,5 % + 20 mV", "Write 1.5 %."),
            ("60 %", "is more than any meter's (50 % + 5 V)"),
            ("20 V", "is more than any meter's"),
            ("±(1 %)", "does not start with a number"),
            ("nan %", "is not a finite number"),
        ],
    )
    def test_refused(self, text: str, words: str) -> None:
        with pytest.raises(QuantityError) as caught:
            accuracy(text, dimension="voltage")
        (problem,) = caught.value.problems
        assert words in str(problem)
        assert problem.hint

    @given(st.text(max_size=40))
    def test_any_text_is_read_or_refused_in_words(self, text: str) -> None:
        read = None
        with contextlib.suppress(QuantityError):
            read = accuracy(text, dimension="current")
        assert read is None or (0 <= read.share <= 0.5 and read.share + read.floor > 0)


class TestTemplate:
    def test_every_key_is_listed(self) -> None:
        flat = re.sub(r"\n# +", " ", template().partition("# topology, in")[2])
        for field in (*LOAD_TEST.values(), *METERS.values()):
            assert re.search(rf" {field.key} +{re.escape(field.meaning)}", flat), field.key
            assert all(f'"{choice}"' in flat for choice in field.choices)

    def test_its_meters_load_once_the_marks_are_taken_off(self) -> None:
        text = re.sub(r"^# (\[meters\]|(?:voltage|current|wall_\w+) = )", r"\1", template(), flags=re.M)
        found = loads(text).meters
        assert None not in (found.voltage, found.current, found.wall_power, found.wall_meter)

    @pytest.mark.parametrize("key", ["voltage", "current", "wall_power"])
    def test_examples_of_accuracies_can_be_read(self, key: str) -> None:
        field = METERS[key]
        assert accuracy(field.example, dimension=field.dimension).floor > 0

    def test_examples_of_load_tests_can_be_read(self) -> None:
        for field in LOAD_TEST.values():
            if field.dimension not in ("rows", "choice", "text", "number", "flag"):
                assert parse(field.example, dimension=field.dimension).exact
        plain = ("rows", "number", "flag")
        rows = "\n".join(
            f"{key} = {field.example if field.dimension in plain else repr(field.example)}"
            for key, field in LOAD_TEST.items()
        )
        (test,) = board(f"[[load_test]]\n{rows}").load_tests
        assert (test.read_at, test.minutes) == (ReadAt.CABLE_END, 10.0)


class TestPage:
    """docs/load_tests.md says what there is."""

    page = (Path(__file__).parents[2] / "docs" / "load_tests.md").read_text(encoding="utf-8")

    def block(self, language: str) -> str:
        (text,) = re.findall(rf"^```{language}\n(.*?)^```$", self.page, re.MULTILINE | re.DOTALL)
        return str(text)

    def test_every_key_and_column_has_a_row(self) -> None:
        named = {
            name
            for cell in re.findall(r"^\| (`[^|]+)\|", self.page, re.MULTILINE)
            for name in re.findall(r"`(\w+)`", cell)
        }
        assert named == {*LOAD_TEST, *METERS, *COLUMNS}

    def test_its_board_file_can_be_read(self) -> None:
        found = board(self.block("toml"))
        assert None not in (found.meters.voltage, found.meters.cable_resistance, found.meters.wall_meter)
        assert found.load_tests[0].read_at is ReadAt.CABLE_END

    def test_its_log_can_be_read(self) -> None:
        tests = read_log_text(self.block("csv"))
        assert [len(test.readings) for test in tests] == [2, 2]

    def test_its_limits_are_those_of_the_reader(self) -> None:
        assert f"{MAX_ROWS:,}".replace(",", " ") + f" rows and {MAX_BYTES >> 20} MiB" in self.page
