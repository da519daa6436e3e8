"""The loader: exact values from a good file; files that cannot be read; any text survived."""

from __future__ import annotations

import hashlib
import pickle
import random
import subprocess
import sys
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.board.file import MAX_BYTES, load, loads
from flyback.board.load_tests import MAX_LOAD_TESTS
from flyback.board.model import LoadReading, Origin, OutputClaim, Shape, State, Unknown, Value
from flyback.board.parts import MAX_PARTS
from flyback.board.roles import ROLES, Role
from flyback.board.values import FIELD_LIMITS, LIMITS
from flyback.errors import BoardFileError, Problem
from flyback.units import DIMENSIONS, parse

BOARD = Path(__file__).with_name("supply.toml").read_text(encoding="utf-8")


def changed(old: str, new: str) -> str:
    assert BOARD.count(old) == 1, old
    return BOARD.replace(old, new)


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BoardFileError) as caught:
        loads(text)
    return caught.value.problems


def only_problem_of(text: str) -> Problem:
    problems = problems_of(text)
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


def value_of(text: str, designator: str, key: str) -> Value:
    value = loads(text).parts[designator].known(key)
    assert value is not None
    return value


class TestGoodFile:
    board = loads(BOARD)

    def test_board(self) -> None:
        board = self.board
        assert (board.name, board.topology, board.control) == ("Test supply", "flyback", "on/off")
        assert board.tried_on == (230.0, 50.0)
        assert board.notes == "first line\nsecond line"
        assert board.path is None
        assert board.digest == hashlib.sha256(BOARD.encode()).hexdigest()[:12]

    def test_label(self) -> None:
        label = self.board.label
        assert label.mains == (100.0, 240.0)
        assert label.frequencies == (50.0, 60.0)
        assert (label.input_current, label.power, label.total_current) == (0.6, 24.0, 4.8)
        assert label.efficiency_mark == "VI"
        assert label.outputs == (
            OutputClaim(5.0, 2.0, ports=4, line=15),
            OutputClaim(9.0, 2.0, ports=1, port="USB-C", line=16),
        )
        assert label.lines["power"] == 12

    @pytest.mark.parametrize(
        ("designator", "key", "nominal", "low", "high", "shape", "origin", "text"),
        [
            # 2.2 Ω ± 1 %: 2.178 and 2.222
            ("R5", "resistance", 2.2, 2.178, 2.222, Shape.RECTANGULAR, Origin.MARKED, "2R2 ± 1 %"),
            ("R5", "power_rating", 0.375, 0.25, 0.5, Shape.RECTANGULAR, Origin.GUESS, "0.25..0.5 W"),
            # J is ± 5 %: 2.09 and 2.31
            ("R6", "resistance", 2.2, 2.09, 2.31, Shape.RECTANGULAR, Origin.MARKED, "2R2J"),
            # -20 % is 8 µF, +50 % is 15 µF
            ("C1", "capacitance", 1e-5, 8e-6, 15e-6, Shape.RECTANGULAR, Origin.MARKED, "10 uF -20/+50 %"),
            ("T1", "primary_turns", 98.0, 98.0, 98.0, Shape.EXACT, Origin.MEASURED, "98"),
            (
                "T1",
                "primary_inductance",
                0.68e-3,
                0.612e-3,
                0.748e-3,
                Shape.NORMAL,
                Origin.MEASURED,
                "0.68 mH ± 10 %",
            ),
            (
                "U1",
                "limit_voltage",
                0.80,
                0.75,
                0.85,
                Shape.TWO_PIECE,
                Origin.DATASHEET,
                "min 0.75 V, typ 0.80 V, max 0.85 V",
            ),
            ("U1", "frequency", 70e3, 65e3, 75e3, Shape.RECTANGULAR, Origin.DATASHEET, "65..75 kHz"),
            ("U1", "delay", 0.0, 0.0, 0.0, Shape.EXACT, Origin.DATASHEET, "0 ns"),
        ],
    )
    def test_values(
        self,
        designator: str,
        key: str,
        nominal: float,
        low: float,
        high: float,
        shape: Shape,
        origin: Origin,
        text: str,
    ) -> None:
        value = self.board.parts[designator].known(key)
        assert value is not None
        assert (value.nominal, value.low, value.high) == pytest.approx((nominal, low, high), rel=1e-12)
        assert (value.shape, value.origin, value.text) == (shape, origin, text)
        assert value.key == f"{designator}.{key}"

    def test_notes_and_lines(self) -> None:
        inductance = value_of(BOARD, "T1", "primary_inductance")
        assert (inductance.note, inductance.line) == ("LCR meter", 49)
        assert self.board.parts["T1"].line == 44

    def test_unknown(self) -> None:
        assert self.board.parts["T1"].values["core_area"] == Unknown("T1.core_area", line=50)
        assert self.board.parts["T1"].known("core_area") is None

    def test_unknown_with_a_note(self) -> None:
        text = changed('core_area = "unknown"', 'core_area = { value = "unknown", note = "glued" }')
        assert loads(text).parts["T1"].values["core_area"] == Unknown("T1.core_area", 50, "glued")

    def test_words_state_and_marking(self) -> None:
        parts = self.board.parts
        assert parts["D1"].words == {"technology": "schottky"}
        assert (parts["R5"].state, parts["R6"].state) == (State.FITTED, State.NOT_FITTED)
        assert parts["R5"].marking == "2R2"
        assert [part.designator for part in self.board.playing("sense resistor")] == ["R5"]

    def test_an_unknown_word_is_left_out(self) -> None:
        text = changed('technology = "schottky"', 'technology = "unknown"')
        assert loads(text).parts["D1"].words == {}

    def test_rail(self) -> None:
        rail = self.board.rail_voltage
        assert rail is not None
        assert (rail.key, rail.nominal, rail.origin) == ("rail.voltage", 5.05, Origin.MEASURED)

    def test_causes(self) -> None:
        assert value_of(BOARD, "R5", "resistance").cause == "R5.resistance"
        assert value_of(BOARD, "R6", "resistance").cause == "R5.resistance"

    def test_a_chain_of_reels_has_the_cause_of_its_first_part(self) -> None:
        text = BOARD + '[parts.R7]\nrole = "sense resistor"\nmarking = "2R2"\nsame_reel_as = "R6"\n'
        assert value_of(text, "R7", "resistance").cause == "R5.resistance"

    def test_load_tests_come_through_as_written(self) -> None:
        first, second = self.board.load_tests
        assert first.readings == (LoadReading("1", 5.06, 1.0), LoadReading("", 0.0, 0.0))
        assert (first.wall_power, first.mains, first.note, first.line) == (6.4, 230.0, "cold", 58)
        assert (second.readings, second.wall_power, second.mains) == ((), 0.0, None)

    def test_is_frozen(self) -> None:
        with pytest.raises(FrozenInstanceError):
            self.board.name = "another"  # type: ignore[misc]

    def test_goes_to_another_process_whole(self) -> None:
        assert pickle.loads(pickle.dumps(self.board)) == self.board


@pytest.mark.parametrize(
    ("lines", "low", "nominal", "high", "origin"),
    [
        # the part's tolerance goes before the letter: ± 2 % of 4.7 kΩ is 94 Ω
        (["marking = '4K7J'", "tolerance = '2 %'"], 4606.0, 4700.0, 4794.0, "marked"),
        (["marking = '4k7'", "tolerance = '±2 %'"], 4606.0, 4700.0, 4794.0, "marked"),
        # -10/+20 % of 4.7 kΩ: 4230 and 5640
        (["marking = '472'", "tolerance = '+20/-10 %'"], 4230.0, 4700.0, 5640.0, "marked"),
        (["value = '4k7'", "origin = 'measured'"], 4700.0, 4700.0, 4700.0, "measured"),
        (["resistance = '4..5 kohm'", "origin = 'guess'"], 4000.0, 4500.0, 5000.0, "guess"),
        (["value = '4.7 kohm'", "marking = '472'"], 4700.0, 4700.0, 4700.0, "marked"),
        # letter J beside a value without spread: ± 5 % is 4465 and 4935
        (["value = '4k7'", "marking = '472J'", "origin = 'measured'"], 4465.0, 4700.0, 4935.0, "measured"),
        # own spread of the value: ± 0.1 kΩ
        (["value = '4.7 kohm ± 0.1 kohm'", "marking = '472J'"], 4600.0, 4700.0, 4800.0, "marked"),
        (["value = { value = '4k7', origin = 'measured' }"], 4700.0, 4700.0, 4700.0, "measured"),
    ],
)
def test_value_marking_and_tolerance_together(
    lines: list[str], low: float, nominal: float, high: float, origin: str
) -> None:
    text = "\n".join([BOARD, "[parts.R9]", 'role = "bleeder"', *lines])
    value = value_of(text, "R9", "resistance")
    assert (value.low, value.nominal, value.high) == pytest.approx((low, nominal, high), rel=1e-12)
    assert value.origin == origin


def test_only_a_series_resistor_may_be_a_link() -> None:
    part = '\n[parts.R9]\nrole = "{}"\nmarking = "000"\n'
    assert value_of(BOARD + part.format("series resistor"), "R9", "resistance").nominal == 0.0
    problem = only_problem_of(BOARD + part.format("bleeder"))
    assert "000, 0 Ω" in problem.message
    assert problem.hint == "It must be above zero."


def test_a_board_that_is_no_flyback_needs_neither_parts_nor_control() -> None:
    board = loads(
        '[board]\nname = "Night light"\ntopology = "capacitive dropper"\n[label]\npower = "1 W"\n'
    )
    assert (board.control, board.parts, board.label.mains) == ("", {}, None)
    assert (board.label.frequencies, board.rail_voltage) == ((), None)


class TestFilesThatCannotBeRead:
    def test_good_file(self, tmp_path: Path) -> None:
        path = tmp_path / "board.toml"
        path.write_text(BOARD, encoding="utf-8")
        board = load(path)
        assert board.path == path
        assert board.digest == hashlib.sha256(path.read_bytes()).hexdigest()[:12]
        assert board.parts == loads(BOARD).parts

    @pytest.mark.parametrize(("mark", "newline"), [(b"\xef\xbb\xbf", b"\n"), (b"", b"\r\n")])
    def test_other_editors(self, tmp_path: Path, mark: bytes, newline: bytes) -> None:
        path = tmp_path / "board.toml"
        path.write_bytes(mark + BOARD.encode().replace(b"\n", newline))
        assert load(str(path)).parts == loads(BOARD).parts

    @pytest.mark.parametrize(
        ("name", "words"),
        [
            ("bord.toml", r"there is no file .*bord\.toml\. Did you mean .*board\.toml\?"),
            ("zzz", r"there is no file .*zzz\. `flyback new` writes one"),
            ("gone/board.toml", r"there is no file .*board\.toml\. `flyback new` writes one"),
            ("board.toml/x", r"cannot be read: Not a directory"),
            ("", r"is a directory\. Name a board file in it"),
            ("nul\0", r"cannot be read: embedded null byte"),
            ("n" * 300, r"cannot be read: File name too long"),
        ],
    )
    def test_refusals(self, tmp_path: Path, name: str, words: str) -> None:
        (tmp_path / "board.toml").write_text(BOARD, encoding="utf-8")
        with pytest.raises(BoardFileError, match=words):
            load(tmp_path / name)

    def test_no_permission(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*arguments: object, **options: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(Path, "open", refuse)
        with pytest.raises(BoardFileError, match="cannot be read: Permission denied"):
            load(tmp_path / "board.toml")

    def test_not_utf8(self, tmp_path: Path) -> None:
        path = tmp_path / "board.toml"
        path.write_bytes(b"[board]\nname = 'caf\xe9'\n")
        with pytest.raises(BoardFileError) as caught:
            load(path)
        assert str(caught.value) == (
            f"{path}: 1 problem\n  line 2: the file is not UTF-8 text. Save it as UTF-8."
        )

    def test_half_a_character(self) -> None:
        assert "not UTF-8" in only_problem_of("a = '\ud800'").message

    def test_too_large(self, tmp_path: Path) -> None:
        padding = "#" * (MAX_BYTES - len(BOARD.encode()))
        assert loads(BOARD + padding).name == "Test supply"
        path = tmp_path / "board.toml"
        path.write_text(BOARD + padding + "#", encoding="utf-8")
        with pytest.raises(BoardFileError, match=r"larger than 1 MiB"):
            load(path)

    def test_nested_too_deeply(self) -> None:
        assert "nested too deeply" in only_problem_of("a = " + "[" * 100_000).message


def test_too_many_parts_and_rows() -> None:
    parts = "".join(f'[parts.R{n}]\nrole = "bleeder"\n' for n in range(100, 100 + MAX_PARTS))
    rows = '[[load_test]]\nwall_power = "1 W"\n' * (MAX_LOAD_TESTS + 1)
    shared = BOARD.partition("[parts.R5]")[0]
    messages = [problem.message for problem in problems_of(shared + parts + "[parts.T1]\n" + rows)]
    assert messages == [
        "501 parts stand here; at most 500 can be read.",
        "2001 load test rows stand here; at most 2000 can be read.",
    ]


def test_loading_needs_no_heavy_library() -> None:
    code = (
        "import sys; from flyback.board.file import loads; loads(sys.stdin.read());"
        "print(sorted({'numpy', 'scipy', 'pint', 'sympy', 'matplotlib', 'tomlkit'} & set(sys.modules)))"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], input=BOARD, capture_output=True, text=True, check=True
    )
    assert result.stdout == "[]\n"


class TestLimits:
    def test_every_dimension_of_a_part_has_limits_in_order(self) -> None:
        dimensions = {field.dimension: field for role in ROLES.values() for field in role.fields.values()}
        assert set(dimensions) - {"choice", "text"} <= set(LIMITS) <= set(DIMENSIONS)
        for dimension, (low, high) in LIMITS.items():
            assert parse(low, dimension=dimension).nominal < parse(high, dimension=dimension).nominal

    @pytest.mark.parametrize(("role", "key"), FIELD_LIMITS)
    def test_narrower_limits_are_of_a_field_that_exists(self, role: str, key: str) -> None:
        dimension = ROLES[role].fields[key].dimension
        low, high = (parse(limit, dimension=dimension).nominal for limit in FIELD_LIMITS[role, key])
        outer_low, outer_high = (parse(limit, dimension=dimension).nominal for limit in LIMITS[dimension])
        assert outer_low <= low < high <= outer_high

    @pytest.mark.parametrize("role", ROLES.values(), ids=lambda role: role.name)
    def test_examples_of_the_roles_are_within(self, role: Role) -> None:
        fields = [
            f"{field.key} = {field.example if field.dimension == 'turns' else repr(field.example)}"
            for field in role.fields.values()
        ]
        text = "\n".join([BOARD, "[parts.Z9]", f'role = "{role.name}"', "origin = 'datasheet'", *fields])
        part = loads(text).parts["Z9"]
        assert {*part.values, *part.words} == set(role.fields)


# Any text at all


def survives(text: str) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        loads(text)
    except BoardFileError as error:
        problems = error.problems or (Problem("an error without a problem", line=-1),)
    last = text.count("\n") + 1
    assert all(problem.line is None or 1 <= problem.line <= last for problem in problems)
    assert all(str(problem) for problem in problems)


@given(st.text())
def test_any_text(text: str) -> None:
    survives(text)


@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    survives(data.decode("utf-8", "surrogateescape"))


@given(st.randoms(use_true_random=False), st.text(alphabet="\"'[]{}=.,#\n0aΩ %-", max_size=4))
def test_a_damaged_file(source: random.Random, garbage: str) -> None:
    start = source.randrange(len(BOARD))
    survives(BOARD[:start] + garbage + BOARD[start + source.randrange(6) :])


SCALARS = st.sampled_from(
    [
        '""',
        '"unknown"',
        '"5 V"',
        '"-1 %"',
        "0",
        "-1",
        "1e999",
        "nan",
        "true",
        "[]",
        "{}",
        "1979-05-27",
        "[[1]]",
        "{ value = {} }",
    ]
)


@given(st.randoms(use_true_random=False), SCALARS)
def test_a_value_of_another_kind(source: random.Random, scalar: str) -> None:
    lines = BOARD.split("\n")
    chosen = source.choice([index for index, line in enumerate(lines) if " = " in line])
    lines[chosen] = f"{lines[chosen].partition(' = ')[0]} = {scalar}"
    survives("\n".join(lines))


@given(st.randoms(use_true_random=False))
def test_lines_in_any_order(source: random.Random) -> None:
    lines = BOARD.split("\n")
    source.shuffle(lines)
    survives("\n".join(lines))
