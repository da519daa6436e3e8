"""Every fault of a board file is reported in words, with its line and field."""

from __future__ import annotations

from pathlib import Path

import pytest

from flyback.board.file import loads
from flyback.errors import BoardFileError, Problem

BOARD = Path(__file__).with_name("supply.toml").read_text(encoding="utf-8")


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BoardFileError) as caught:
        loads(text)
    return caught.value.problems


def check_only_problem(text: str, line: int, expected: str) -> None:
    """The text has one problem, on that line; expected is "field: words…more words"."""
    problems = problems_of(text)
    assert len(problems) == 1, "\n".join(map(str, problems))
    field, _, words = expected.partition(": ")
    assert (problems[0].line, problems[0].field) == (line, field)
    for part in words.split("…"):
        assert part in str(problems[0])


def line_of(piece: str, text: str) -> int:
    assert text.count(piece) == 1, piece
    return text.count("\n", 0, text.index(piece)) + 1


# What is written, what it is changed into, and the problem, on the last line that was changed
FAULTS = [
    ("[rail]", "[rial]",
     'rial: "rial" is not a key of a board file…Did you mean "rail"?'),
    ("notes =", "remarks =",
     'board.remarks: "remarks" is not a key of [board]…Its keys: name,'),
    ('mains = "100..240 V"', 'main = "100..240 V"',
     'label.main: Did you mean "mains"?'),
    ('voltage = "5.05 V"\n', 'voltage = "5.05 V"\ncurrent = 1\n',
     "rail.current: [rail]"),
    ("power_rating =", "power_ratting =",
     'parts.R5.power_ratting: Did you mean "power_rating"?'),
    ("ports = 4,", "port_count = 4,",
     "label.output[1].port_count: not a key of an output row"),
    ('note = "by its size"', 'remark = "x"',
     "parts.R5.power_rating.remark: not a key of a value"),
    ('wall_power = "6.4 W"', 'wall = "6.4 W"',
     'load_test[1].wall: Its keys: readings, wall_power, wall_apparent, mains,'),
    ('{ voltage = "0 V",', '{ volts = 1, voltage = "0 V",',
     "load_test[1].readings[2].volts: a reading"),
    ('topology = "flyback"', 'topology = "flybak"',
     'board.topology: there is no topology "flybak".…Did you mean "flyback"?'),
    ('control = "on/off"', 'control = "magic"',
     'board.control: there is no control "magic"…Write one of "fixed-frequency peak current"'),
    ('role = "transformer"', 'role = "Transfromer"',
     'parts.T1.role: there is no role "Transfromer"…Did you mean "transformer"?'),
    ('technology = "schottky"', 'technology = "Schottky"',
     'parts.D1.technology: Did you mean "schottky"?'),
    ('state = "not fitted"', 'state = "missing"',
     'parts.R6.state: Write one of "fitted", "not fitted", "open"'),
    ('origin = "marked"', 'origin = "printed"',
     'parts.C1.origin: there is no origin "printed"…Write one of "marked", "measured"'),
    ('origin = "guess", note', 'origin = "gues", note',
     'parts.R5.power_rating.origin: Did you mean "guess"?'),
    ('value = "0.25..0.5 W", origin = "guess"', 'value = "0.5 W", origin = "guess"',
     'parts.R5.power_rating: "0.5 W" is a guess without a range. Write it as a range'),
    ('efficiency_mark = "VI"', 'efficiency_mark = "6"',
     'label.efficiency_mark: "III", "IV", "V", "VI", "VII"'),
    ('name = "Test supply"', 'name = " "',
     "board.name: name is empty."),
    ('name = "Test supply"', 'name = ["Test"]',
     "board.name: a list stands here; a text is expected."),
    ('name = "Test supply"', "name = 7",
     'board.name: 7 stands here…Write name = "7".'),
    ('name = "Test supply"', 'name = "a\\u001bb"',
     "board.name: holds a line break or a control character"),
    ('name = "Test supply"', 'name = "a\\nb"',
     "board.name: Write it on one line"),
    ('role = "transformer"', "role = 1979-05-27",
     "parts.T1.role: a date or time stands here"),
    ("primary_turns = 98", "primary_turns = true",
     'parts.T1.primary_turns: true stands here…"120 turns"'),
    ("primary_turns = 98", "primary_turns = [98]",
     "parts.T1.primary_turns: a list stands here"),
    ('value = "10 uF"', "value = 10",
     'parts.C1.value: "10" has no unit.'),
    ('marking = "2R2"\n', "marking = 22\n",
     'parts.R5.marking: Write marking = "22".'),
    ('tolerance = "1 %"', "tolerance = 1",
     "parts.R5.tolerance: 1 stands here; a text is expected"),
    ('efficiency_mark = "VI"', "efficiency_mark = 6",
     "label.efficiency_mark: 6 stands here"),
    ("ports = 4", "ports = 0",
     "label.output[1].ports: 0 stands here; a whole number from 1 to 100"),
    ("ports = 4", "ports = 2.5",
     "label.output[1].ports: 2.5 stands here; a whole number is expected"),
    ("ports = 4", "ports = true",
     "label.output[1].ports: true stands here"),
    ('port = "USB-C"', 'port = "USB-C", ports = 2',
     "label.output[2].ports: port names one socket, but ports counts 2"),
    ('[rail]\nvoltage = "5.05 V"\norigin = "measured"', "[[rail]]",
     "rail: a list stands here; a table is expected"),
    ('value = "10 uF"', 'value = "10 V"',
     'parts.C1.value: "10 V" is a voltage'),
    ('value = "10 uF"', 'value = "10,0 uF"',
     "parts.C1.value: comma"),
    ('power = "24 W"', 'power = "-24 W"',
     "label.power: is negative"),
    ("primary_turns = 98", "primary_turns = nan",
     "parts.T1.primary_turns: not a finite number"),
    ("primary_turns = 98", "primary_turns = -inf",
     "parts.T1.primary_turns: not a finite number"),
    ("primary_turns = 98", "primary_turns = -98",
     "parts.T1.primary_turns: is negative"),
    ("primary_turns = 98", f"primary_turns = 1{'0' * 400}",
     "parts.T1.primary_turns: 401 characters"),
    ("primary_turns = 98", f"primary_turns = 0x{'f' * 5000}",
     "parts.T1.primary_turns: characters"),
    ('mains = "100..240 V"', 'mains = "240..100 V"',
     "label.mains: from high to low"),
    ('marking = "2R2"\n', 'marking = "2R2.2"\n',
     "parts.R5.marking: not a code of a resistor…Other print on the part goes under note."),
    ('value = "10 uF"', 'value = "0.1 F"',
     'parts.C1.value: "0.1 F" is outside what any bulk capacitor can be (1 nF to 10 mF).…Check the unit.'),
    ("primary_turns = 98", "primary_turns = 0",
     "parts.T1.primary_turns: what primary_turns of any transformer can be (1 to 10000)…above zero."),
    ("primary_turns = 98", "primary_turns = 20000",
     "parts.T1.primary_turns: Check the unit."),
    ('voltage = "5.05 V"', 'voltage = "0 V"',
     "rail.voltage: It must be above zero."),
    ('voltage = "5.05 V"', 'voltage = "505 kV"',
     "rail.voltage: (1 mV to 10 kV)"),
    ('power = "24 W"', 'power = "0 W"',
     "label.power: It must be above zero."),
    ('total_current = "4.8 A"', 'total_current = "0 A"',
     "label.total_current: It must be above zero."),
    ('"9 V", current = "2 A"', '"9 V", current = "0 A"',
     "label.output[2].current: It must be above zero."),
    ('"9 V", current', '"0 V", current',
     "label.output[2].voltage: It must be above zero."),
    ('power = "24 W"', 'power = "24 W ± 5 %"',
     "label.power: is more than one number"),
    ('mains = "100..240 V"', 'mains = "5 V"',
     "label.mains: what mains can be (10 V to 1000 V)"),
    ('mains = "100..240 V"', 'mains = "100..2400 V"',
     "label.mains: (10 V to 1000 V)"),
    ('frequency = "60/50 Hz"', 'frequency = "60/5 Hz"',
     "label.frequency: (10 Hz to 1000 Hz)"),
    ('frequency = "60/50 Hz"', 'frequency = "mains"',
     'label.frequency: Write for example frequency = "50/60 Hz".'),
    ('tried_on = "230 V 50 Hz"', 'tried_on = "230 V"',
     "board.tried_on: not a mains voltage and a frequency"),
    ('tried_on = "230 V 50 Hz"', 'tried_on = "2300 V 50 Hz"',
     "board.tried_on: (10 V to 1000 V)"),
    ('tried_on = "230 V 50 Hz"', 'tried_on = "230 V 5 kHz"',
     "board.tried_on: (10 Hz to 1000 Hz)"),
    ('mains = "230 V"', 'mains = "2300 V"',
     "load_test[1].mains: (10 V to 1000 V)"),
    ('wall_power = "0 W"', 'wall_power = "20 kW"',
     "load_test[2].wall_power: (1 uW to 10 kW)"),
    ('min = "0.75 V"', 'min = "0.95 V"',
     "parts.U1.limit_voltage: not in ascending order"),
    ('typ = "0.80 V", max', "max",
     "parts.U1.limit_voltage: min and max without typ."),
    ('typ = "0.80 V"', 'value = "0.80 V"',
     "parts.U1.limit_voltage: value and min and max stand side by side"),
    ('typ = "0.80 V"', 'typ = "0.80 V ± 1 %"',
     "parts.U1.limit_voltage: has a spread of its own"),
    ('max = "0.85 V"', 'max = "0.85"',
     'parts.U1.limit_voltage.max: "0.85" has no unit'),
    ('max = "0.85 V"', 'max = "20 kV"',
     "parts.U1.limit_voltage.min: limit_voltage of any switching IC can be"),
    ('value = "10 uF"', 'value = "10 uF"\ncapacitance = "10 uF"',
     "parts.C1.capacitance: value and capacitance are one thing said twice"),
    ('value = "10 uF"', 'value = "10 uF"\nmarking = "104"',
     'parts.C1.marking: "10 uF" does not agree with the marking 104, which reads 100 nF'),
    ('value = "10 uF"', 'value = "unknown"\nmarking = "104"',
     'parts.C1.marking: "unknown" does not agree'),
    ('tolerance = "-20/+50 %"', 'tolerance = "-20/+5 V"',
     "parts.C1.tolerance: is not a tolerance below 100 %"),
    ('tolerance = "-20/+50 %"', 'tolerance = "100 %"',
     "parts.C1.tolerance: is not a tolerance below 100 %"),
    ('tolerance = "-20/+50 %"', 'tolerance = "large"',
     'parts.C1.tolerance: Write for example "1 %"'),
    ('"10 uF"\ntolerance = "-20/+50 %"', '"10 uF ± 5 %"\ntolerance = "1 %"',
     "parts.C1.tolerance: has a spread already"),
    ('value = "10 uF"\ntolerance = "-20/+50 %"', 'tolerance = "1 %"',
     "parts.C1.tolerance: tolerance has no value to apply to"),
    ('core_area = "unknown"', 'value = "1 mH"',
     "parts.T1.value: value belongs to resistors and capacitors, not to transformer."),
    ("[parts.D1]", "[parts.d1]",
     'parts.d1: "d1" is not a designator.…Write D1.'),
    ("[parts.D1]", '[parts."left diode"]',
     "parts.left diode: Write for example R6"),
    ('technology = "schottky"', 'limit_voltage = "1 V"',
     "parts.D1.limit_voltage: limit_voltage belongs to switching IC, not to output rectifier."),
    ('technology = "schottky"', 'power_rating = "1 W"',
     "parts.D1.power_rating: belongs to series resistor or sense resistor or base resistor or others"),
    ('same_reel_as = "R5"', 'same_reel_as = "R4"',
     'parts.R6.same_reel_as: there is no part "R4". Name a part of this file.'),
    ('same_reel_as = "R5"', 'same_reel_as = "C1"',
     "parts.R6.same_reel_as: sense resistor and bulk capacitor \"C1\" cannot share a reel."),
    ('same_reel_as = "R5"', 'same_reel_as = "R6"',
     "parts.R6.same_reel_as: same_reel_as goes in a circle: \"R6, R6\"."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), FAULTS)
def test_fault(old: str, new: str, expected: str) -> None:
    line = line_of(old, BOARD) + new.rstrip("\n").count("\n")
    check_only_problem(BOARD.replace(old, new), line, expected)


# What is left out, a piece of the line that the problem stands on, and the problem
MISSING = [
    ('name = "Test supply"\n', "[board]",
     'board.name: name is missing. Write name = "Wall charger'),
    ('topology = "flyback"\n', "[board]",
     'board.topology: topology is missing. Write topology = "flyback".'),
    ('control = "on/off"\n', "[board]",
     "board.control: control is missing."),
    ('role = "output rectifier"\n', "[parts.D1]",
     'parts.D1.role: role is missing. Write role = "'),
    ('voltage = "5.05 V"\n', "[rail]",
     "rail.voltage: voltage is missing."),
    ('voltage = "9 V", ', "USB-C",
     'label.output[2].voltage: voltage is missing. Write voltage = "5 V".'),
    (', current = "1.0 A"', "5.06 V",
     "load_test[1].readings[1].current: current is missing."),
    ('wall_power = "0 W"', "[[load_test]]\n\n",
     "load_test[2]: nothing was read in this row."),
    ('value = "65..75 kHz", ', "frequency = {",
     "parts.U1.frequency: value is missing."),
    ("secondary_turns = 7\n", "primary_turns",
     "parts.T1.primary_turns: primary_turns without secondary_turns: no turns ratio."),
    ("primary_turns = 98\n", "secondary_turns",
     "parts.T1.secondary_turns: no turns ratio. Add primary_turns,"),
    ('origin = "marked"\n', "[parts.C1]",
     'parts.C1.origin: no origin is given for capacitance. Say where it comes from: origin = "marked" or '),
]  # fmt: skip


@pytest.mark.parametrize(("old", "place", "expected"), MISSING)
def test_something_missing(old: str, place: str, expected: str) -> None:
    assert BOARD.count(old) == 1
    text = BOARD.replace(old, "")
    check_only_problem(text, line_of(place, text), expected)


def test_values_without_origin_are_reported_once_for_the_part() -> None:
    text = BOARD.replace(', origin = "datasheet"', "").replace('origin = "guess" }', "}")
    text = text.replace('"0 ns", }', '"0 ns" }')
    check_only_problem(
        text,
        line_of("[parts.U1]", text),
        "parts.U1.origin: no origin is given for limit_voltage, delay, frequency.",
    )


def test_an_origin_nobody_knows_is_reported_once() -> None:
    old = 'origin = "measured"\nprimary'
    text = BOARD.replace(old, 'origin = "seen"\nprimary')
    check_only_problem(text, line_of('"seen"', text), 'parts.T1.origin: there is no origin "seen".')


def test_keys_of_a_part_without_a_role_are_still_looked_at() -> None:
    text = BOARD.replace('role = "output rectifier"', 'role = "diode"').replace("technology", "technolgy")
    assert [problem.hint for problem in problems_of(text)][1] == 'Did you mean "technology"?'


def test_reels_that_name_each_other() -> None:
    text = BOARD.replace('tolerance = "1 %"', 'tolerance = "1 %"\nsame_reel_as = "R6"')
    messages = [problem.message for problem in problems_of(text)]
    assert messages == [
        'same_reel_as goes in a circle: "R5, R6, R5".',
        'same_reel_as goes in a circle: "R6, R5, R6".',
    ]


@pytest.mark.parametrize("state", ["not fitted", "open"])
def test_a_transformer_that_is_not_there(state: str) -> None:
    text = BOARD.replace('role = "transformer"', f'role = "transformer"\nstate = "{state}"')
    check_only_problem(text, line_of("[parts.R5]", text), "parts: no fitted part here has that role.")


HEAD = '[board]\nname = "x"\ntopology = "flyback"\ncontrol = "on/off"\n[label]\n'


@pytest.mark.parametrize(
    ("text", "line", "expected"),
    [
        (HEAD + 'power = "5 W"', None, "parts: a flyback without parts cannot be judged."),
        (HEAD + 'power = "5 W"\n[parts]', 7, "parts: a flyback without parts cannot be judged."),
        (HEAD + 'power = "5 W"\n[[parts]]', 7, "parts: a list stands here; a table is expected."),
        (
            HEAD + 'power = "5 W"\n[parts.F1]\nrole = "fuse"',
            7,
            'parts: no fitted part here has that role.…Add [parts.T1] with role = "transformer".',
        ),
        (HEAD + '[parts.T1]\nrole = "transformer"', 5, "label: a board with no output cannot be judged."),
        (HEAD + 'output = []\n[parts.T1]\nrole = "transformer"', 5, "label: a board with no output"),
        (
            HEAD + 'output = "5 V"\n[parts.T1]\nrole = "transformer"',
            6,
            "label.output: a list of tables is expected.…Write [[label.output]], or output = [{ ... }].",
        ),
        (
            HEAD + 'output = ["5 V"]\n[parts.T1]\nrole = "transformer"',
            6,
            'label.output[1]: "5 V" stands here; a table is expected.',
        ),
        (
            HEAD + 'power = "5 W"\n[parts]\nR5 = "2R2"\nT1 = { role = "transformer" }',
            8,
            'parts.R5: "2R2" stands here; a table is expected.',
        ),
    ],
)
def test_boards_with_little_in_them(text: str, line: int, expected: str) -> None:
    check_only_problem(text, line, expected)


def test_an_empty_file_lacks_both_sections() -> None:
    assert [str(problem) for problem in problems_of("")] == [
        "board: the section [board] is missing. Add [board] with name, topology and control.",
        "label: the section [label] is missing. Add [label] with output or power.",
    ]


def test_five_faults_are_all_reported_in_order() -> None:
    text = BOARD
    for old, new in {
        'name = "Test supply"': "name = 5",
        'power = "24 W"': 'power = "24"',
        'marking = "2R2J"': 'marking = "2R2Ω"',
        'role = "output rectifier"': 'role = "output rectifer"',
        'same_reel_as = "R5"': 'same_reel_as = "R99"',
    }.items():
        line_of(old, text)
        text = text.replace(old, new)
    with pytest.raises(BoardFileError) as caught:
        loads(text, source="board.toml")
    problems = caught.value.problems
    assert [(problem.line, problem.field) for problem in problems] == [
        (2, "board.name"),
        (12, "label.power"),
        (30, "parts.R6.marking"),
        (31, "parts.R6.same_reel_as"),
        (41, "parts.D1.role"),
    ]
    assert str(caught.value).startswith(
        "board.toml: 5 problems\n  line 2, board.name: 5 stands here; a text is expected. Write name ="
    )
    assert all(problem.given and problem.expected for problem in problems)


class TestNotToml:
    @pytest.mark.parametrize(
        ("text", "line", "words"),
        [
            (
                "[board]\nname = charger one",
                2,
                ["this is not TOML", "stand in quotes", '"name = charger one"'],
            ),
            ("a = 1\nvoltage = 5 V\n", 2, ["this is not TOML", 'voltage = "5 V"']),
            ("a = 1\n\nb = 'open", 3, ["this is not TOML"]),
            ("a = 1\n[b\nc = 1", 2, ["this is not TOML", 'in "[b"']),
            ("a = 2024-99-99", 1, ["this is not TOML"]),
            (f"a = {'9' * 5000}", 1, ["this is not TOML"]),
        ],
    )
    def test_syntax(self, text: str, line: int, words: list[str]) -> None:
        (problem,) = problems_of(text)
        assert problem.line == line
        for word in words:
            assert word in str(problem)

    def test_a_designator_written_twice(self) -> None:
        text = BOARD + '[parts.R5]\nrole = "bleeder"\n'
        check_only_problem(
            text,
            67,
            "parts.R5: R5 is written twice, first on line 22; each designator may appear once.",
        )

    def test_every_repeat_is_reported(self) -> None:
        text = BOARD + '[parts.R5]\n[parts.U1]\n[rail]\n[parts.R7]\nrole = "a"\nrole = "b"\n'
        assert [(problem.line, problem.field) for problem in problems_of(text)] == [
            (67, "parts.R5"),
            (68, "parts.U1"),
            (69, "rail"),
            (72, "parts.R7.role"),
        ]


def test_no_control_character_of_a_key_reaches_the_reader() -> None:
    for text in (BOARD + '[parts."R\\u001b9"]\nrole = "a"', '"\x1b" = 1', '"a\\u001b" = 1\n"a\\u001b" = 2'):
        for problem in problems_of(text):
            assert str(problem).isprintable()
