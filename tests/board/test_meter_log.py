"""The log of a meter: columns into load tests, every fault in words, and never a traceback."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.board import meter_log
from flyback.board.meter_log import COLUMNS, MAX_ROWS, MOST_PROBLEMS, read_log, read_log_text
from flyback.board.model import LoadReading, LoadTest, ReadAt
from flyback.errors import Problem, RequestError

HEADER = "port,voltage_V,current_A,wall_W,mains_V,minutes"
ROW = "1,5.06,1.00,6.4,230,1"


def log(*rows: str, header: str = HEADER) -> str:
    return "\n".join((header, *rows))


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(RequestError) as caught:
        read_log_text(text, source="meter.csv")
    assert caught.value.source == "meter.csv"
    return caught.value.problems


def only_problem_of(text: str) -> Problem:
    (problem,) = problems_of(text)
    return problem


# --- what is read ---------------------------------------------------------------------------------


def test_every_column_in_any_order_in_si_units() -> None:
    text = log(
        "24.5,62,90e-3,12.5,231,24,12.6,.9,5.060,2",
        header="ambient_C,case_C,ripple_V,minutes,mains_V,wall_VA,wall_W,current_A,voltage_V,port",
    )
    assert read_log_text(text, source="a.csv", frequency=50.0, read_at=ReadAt.METER) == (
        LoadTest(
            readings=(LoadReading("2", 5.06, 0.9),),
            wall_power=12.6,
            mains=231.0,
            line=2,
            wall_apparent=24.0,
            frequency=50.0,
            read_at=ReadAt.METER,
            minutes=12.5,
            case_temperature=335.15,
            ambient_temperature=297.65,
            ripple=0.09,
            source="a.csv",
        ),
    )


def test_each_row_is_a_test_even_at_the_same_minute() -> None:
    tests = read_log_text(log(ROW, "2,5.05,1.10,,230,1"))
    assert [test.readings for test in tests] == [
        (LoadReading("1", 5.06, 1.0),),
        (LoadReading("2", 5.05, 1.1),),
    ]
    assert [(test.wall_power, test.line) for test in tests] == [(6.4, 2), (None, 3)]


def test_rows_with_one_test_are_one_load_test() -> None:
    text = log(
        "a,1,5.06,1.0,12.6", "b,1,5.00,2.0,", "a,2,5.05,1.1,",
        header="test,port,voltage_V,current_A,wall_W",
    )  # fmt: skip
    first, second = read_log_text(text)
    assert first.readings == (LoadReading("1", 5.06, 1.0), LoadReading("2", 5.05, 1.1))
    assert (first.wall_power, first.line) == (12.6, 2)
    assert (second.readings, second.wall_power, second.line) == ((LoadReading("1", 5.0, 2.0),), None, 3)


def test_the_log_s_mains_is_for_rows_that_do_not_say_theirs() -> None:
    tests = read_log_text(log(ROW, "1,5,1,,,2"), mains=115.0)
    assert [test.mains for test in tests] == [230.0, 115.0]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_blank_rows_and_a_byte_order_mark(end: str, mark: str) -> None:
    text = mark + end.join(("", HEADER, "", f" {ROW.replace(',', ' , ')} ", ",,,,,", ROW, "", ""))
    assert [test.line for test in read_log_text(text)] == [4, 6]


def test_quoted_cells() -> None:
    (test,) = read_log_text('"port","voltage_V","current_A"\n"USB, left","5.06","1"')
    assert test.readings == (LoadReading("USB, left", 5.06, 1.0),)


def test_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    path.write_bytes(b"\xef\xbb\xbf" + log(ROW).encode())
    (test,) = read_log(str(path), mains=115.0, frequency=60.0)
    assert (test.source, test.mains, test.frequency) == ("meter.csv", 230.0, 60.0)


def test_ten_thousand_rows() -> None:
    tests = read_log_text(log(*(f"1,5.06,{row / 10_000},6.4,230,{row / 60:.3f}" for row in range(10_000))))
    assert len(tests) == 10_000
    assert tests[-1].line == 10_001


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", None, "the file is empty. Its first line is for example port,"),
        (" \n\r\n,,\n", None, "the file is empty"),
        (HEADER, 1, "no row follows the names of the columns"),
        ("time;volts\n1;2", 1, "the columns are separated by semicolons"),
        ("port;voltage_V;current_A\n1;5,06;1,00", 1, "decimal points in the numbers"),
        ("voltage_V\tcurrent_A\n5\t1", 1, "the columns are separated by tabs"),
        ("voltage_V|current_A\n5|1", 1, "the columns are separated by vertical bars"),
        ("voltage_V current_A\n5 1", 1, "the columns are separated by spaces"),
        ("5.06,1.00\n5.06,1.00", 1, '"5.06,1.00" names no column that is known. The first line names the'),
        ("Volt (V)\n5", 1, '"Volt (V)" names no column'),
        (log(ROW + '\n"1,5'), 3, "this is not comma-separated text: unexpected end of data. A quoted cell"),
        (log('"1"x,5,1,,,'), 2, "this is not comma-separated text"),
        (log("x" * 200_000), 2, "this is not comma-separated text: field larger than field limit"),
    ],
)
def test_a_file_that_is_no_log(text: str, line: int | None, words: str) -> None:
    problem = only_problem_of(text)
    assert problem.line == line
    assert words in str(problem)
    assert problem.hint


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("volatge_V,voltage_V,current_A", '"volatge_V" is not a column of a meter log. Did you mean "volt'),
        ("Current_A,voltage_V,current_A", 'Did you mean "current_A"?'),
        ("fan,voltage_V,current_A", f"Take it out; the columns are {', '.join(COLUMNS)}."),
        (",voltage_V,current_A", "a column has no name."),
        ("voltage_V,voltage_V,current_A", "the column voltage_V stands twice. Leave one of them out."),
        ("port,mains_V,current_A", "the column voltage_V is missing: volts at the port."),
        ("port,voltage_V,mains_V", "the column current_A is missing: amps of the port."),
    ],
)  # fmt: skip
def test_a_header_that_cannot_be_used(header: str, words: str) -> None:
    problem = only_problem_of(log("12,13,14", header=header))
    assert problem.line == 1
    assert words in str(problem)


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("1,,1.00,6.4,230,1", "voltage_V", "the cell is empty. Fill it in, or take the row out."),
        ("1,5.06, ,6.4,230,1", "current_A", "the cell is empty."),
        ("1,five,1,6.4,230,1", "voltage_V", '"five" is no number. Write a number, or leave the cell empty'),
        ("1,5.06 V,1,6.4,230,1", "voltage_V", "Write 5.06: the column's name says the unit."),
        ("1,5.06,900mA,6.4,230,1", "current_A", "holds more than a number"),
        ("1,NaN,1,6.4,230,1", "voltage_V", '"NaN" is not a finite number. Leave the cell empty'),
        ("1,5,1,-inf,230,1", "wall_W", '"-inf" is not a finite number.'),
        ("1,5,1,1e999,230,1", "wall_W", "outside what wall_W can be (0 to 10000)"),
        ('1,"5,06",1,6.4,230,1', "voltage_V", '"5,06" has a decimal comma. Write 5.06.'),
        ("1,-5.06,1,6.4,230,1", "voltage_V", "A little below zero is the meter's own error: write 0."),
        ("1,5.06,2000,6.4,230,1", "current_A", "(0 to 1000). The column's name says the unit."),
        ("1,5.06,1,6.4,5,1", "mains_V", "(10 to 1000)"),
        ("1,5.06,1,6.4,230,00:10", "minutes", '"00:10" is no number.'),
        ("1,5.06,1,6.4,230,٣", "minutes", "is no number."),
        ("1,5.06,1,6.4,230,-", "minutes", '"-" is no number.'),
        ("1,5.06,1,6.4,230", None, "5 cells stand here, but 6 columns are named. Keep an empty cell"),
        ("1,5,06,1,6.4,230,1", None, "7 cells stand here, but 6 columns are named. A decimal comma splits"),
        ("a\x07b,5.06,1,6.4,230,1", "port", '"a\\x07b" is no name.'),
        ("p" * 41 + ",5.06,1,6.4,230,1", "port", "is no name. Write for example 1 or USB-C."),
    ],
)
def test_a_row_that_cannot_be_used(row: str, column: str | None, words: str) -> None:
    problem = only_problem_of(log(ROW, row, ROW))
    assert (problem.line, problem.field) == (3, column)
    assert words in str(problem)
    assert problem.expected


@pytest.mark.parametrize(
    ("rows", "column", "words"),
    [
        (["a,1,5,1,", "a,1,5,2,"], "port", 'port "1" stands twice in test "a", which begins on line 2.'),
        (["a,,5,1,", "a,,5,2,"], "port", 'a port without a name stands twice in test "a"'),
        (["a,1,5,1,", ",2,5,1,"], "test", "Every row says which load test it belongs to."),
        (["a,1,5,1,230", "a,2,5,1,231"], "mains_V", 'of test "a" is 231 here, and another on line 2.'),
    ],
)  # fmt: skip
def test_tests_of_several_rows_that_cannot_be_used(rows: list[str], column: str, words: str) -> None:
    problem = only_problem_of(log(*rows, header="test,port,voltage_V,current_A,mains_V"))
    assert (problem.line, problem.field) == (3, column)
    assert words in str(problem)


def test_problems_are_all_reported_up_to_a_number() -> None:
    rows = ["x,1"] * (MOST_PROBLEMS + 81)
    problems = problems_of(log(*rows, header="voltage_V,current_A"))
    assert [problem.line for problem in problems] == [*range(2, MOST_PROBLEMS + 2), None]
    assert problems[-1].message == "81 more problems of this file."
    last = problems_of(log(*rows[: MOST_PROBLEMS + 1], header="voltage_V,current_A"))[-1]
    assert last.message == "1 more problem of this file."
    assert len(problems_of(log(*rows[:MOST_PROBLEMS], header="voltage_V,current_A"))) == MOST_PROBLEMS


def test_header_and_rows_are_reported_together() -> None:
    problems = problems_of(log("5,1,1", "5,x,1", header="voltage_V,current_A,wallW"))
    assert [problem.line for problem in problems] == [1, 3]


def test_too_many_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    assert MAX_ROWS == 100_000
    monkeypatch.setattr(meter_log, "MAX_ROWS", 2)
    assert len(read_log_text(log(ROW, ROW, ""))) == 2
    problem = only_problem_of(log(ROW, ROW, ROW))
    assert problem.message == "more than 2 rows stand here."
    assert problem.line == 4


def test_too_many_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(meter_log, "MAX_BYTES", 1 << 20)
    problem = only_problem_of(log(ROW) + "\n" * (1 << 20))
    assert str(problem).startswith("the file is larger than 1 MiB.")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (log(ROW).encode("utf-16"), "the file is UTF-16 text. Save it as UTF-8."),
        (b"PK\x03\x04\x14\x00\x06\x00\x08\xff", "the file is not UTF-8 text"),
        (log("\N{DEGREE SIGN}" + ROW).encode("latin-1"), "line 2: the file is not UTF-8 text."),
    ],
)
def test_other_bytes(data: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    path.write_bytes(data)
    with pytest.raises(RequestError) as caught:
        read_log(path)
    assert words in str(caught.value)


def test_a_path_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "meter.csv").write_text(log(ROW))
    for path, words in (
        (tmp_path / "metre.csv", r"there is no file .*Did you mean .*meter\.csv"),
        (tmp_path / "z", r"there is no file .*Save the meter's log as comma-separated text\."),
        (tmp_path, r"is a directory\. Name a meter log in it\."),
        ("a\0b", r"cannot be read: .*null"),
    ):
        with pytest.raises(RequestError, match=words):
            read_log(path)


def test_arguments_that_make_no_sense() -> None:
    with pytest.raises(RequestError) as caught:
        read_log_text(log(ROW), mains=2.3, frequency=float("nan"))
    assert [str(problem) for problem in caught.value.problems] == [
        "mains: 2.3 V cannot be used; expected 10 to 1000 V.",
        "frequency: nan Hz cannot be used; expected 10 to 1000 Hz.",
    ]


# --- whatever is written, an answer or words -------------------------------------------------------


def outcome(data: bytes) -> tuple[LoadTest, ...] | RequestError:
    try:
        return meter_log._read(data, "meter.csv", None, None, None)
    except RequestError as error:
        return error


CELLS = st.one_of(
    st.sampled_from(["", "1", "5.06", "-1", "nan", "5,06", '"', '"5"', "V", *COLUMNS]),
    st.text(max_size=6),
    st.floats().map(str),
)
LINES = st.lists(CELLS, max_size=6).map(",".join)


@given(
    st.one_of(
        st.text(max_size=200),
        st.lists(LINES, max_size=6).map("\n".join),
        st.lists(LINES, max_size=6).map(lambda lines: log(*lines)),
        st.lists(LINES, max_size=6).map(lambda lines: log(*lines, header="test,voltage_V,current_A")),
    )
)
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    found = outcome(text.encode("utf-8", "surrogatepass"))
    if isinstance(found, RequestError):
        assert 0 < len(found.problems) <= MOST_PROBLEMS + 1
        assert all(line.isprintable() for line in str(found).split("\n"))
        return
    for test in found:
        for reading in test.readings:
            assert 0 <= reading.voltage <= 10_000
            assert 0 <= reading.current <= 1000


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_in_words(data: bytes) -> None:
    found = outcome(data)
    if isinstance(found, RequestError):
        assert re.match(r"meter\.csv: [0-9]+ problems?\n", str(found))
