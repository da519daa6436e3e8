"""Reading the log of a meter: named columns, separated by commas, in; load tests or every problem out.

Each row is a load test of one port, unless a column ``test`` says which rows belong together: rows of the
same minute may be different loads, and only who wrote them down knows.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn

from flyback.board.file import unreadable
from flyback.board.load_tests import MAX_MINUTES
from flyback.board.model import LoadReading, LoadTest, ReadAt
from flyback.board.tables import nearest
from flyback.errors import Problem, RequestError
from flyback.units import shown

MAX_ROWS = 100_000
MAX_BYTES = 32 << 20
MOST_PROBLEMS = 20
"""Problems told one by one; of more, only the count is told."""

LONGEST_NAME = 40

ZERO_CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class Column:
    """A column of numbers.

    Attributes:
        goes_to: field of `LoadTest`, or of `LoadReading` for what belongs to a port.
        low, high: what its numbers can be, in the unit of the column's name.
        offset: what makes SI units of them.
        needed: True where an empty cell would leave nothing of the row.
    """

    goes_to: str
    meaning: str
    low: float
    high: float
    offset: float = 0.0
    needed: bool = False


NUMBERS: Mapping[str, Column] = MappingProxyType(
    {
        "voltage_V": Column("voltage", "volts at the port", 0, 10_000, needed=True),
        "current_A": Column("current", "amps of the port", 0, 1000, needed=True),
        "wall_W": Column("wall_power", "watts of the mains wattmeter", 0, 10_000),
        "wall_VA": Column("wall_apparent", "volt-amperes there", 0, 10_000),
        "mains_V": Column("mains", "mains voltage", 10, 1000),
        "minutes": Column("minutes", "how long it had been loaded so", 0, MAX_MINUTES),
        "case_C": Column("case_temperature", "hottest spot of the case", -60, 250, ZERO_CELSIUS),
        "ambient_C": Column("ambient_temperature", "air around it", -60, 250, ZERO_CELSIUS),
        "ripple_V": Column("ripple", "ripple of the output, peak to peak", 0, 10_000),
    }
)
"""Columns that hold a number; each name ends in the unit."""

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "port": "name of the port",
        "test": "rows of one load test, one for each port, have the same word or number here",
    }
)
"""Columns that hold a word."""

COLUMNS = (*WORDS, *NUMBERS)

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_OTHER_MARKS = {";": "semicolons", "\t": "tabs", "|": "vertical bars", " ": "spaces"}


def read_log(
    path: str | os.PathLike[str],
    *,
    mains: float | None = None,
    frequency: float | None = None,
    read_at: ReadAt | None = None,
) -> tuple[LoadTest, ...]:
    """Read the log of a meter as load tests.

    Args:
        mains: mains voltage of rows that do not say theirs [V rms].
        frequency: mains frequency during the log [Hz].
        read_at: where the volts of the log were read.

    Raises:
        RequestError: the file cannot be read or used; up to `MOST_PROBLEMS` problems with their lines.
    """
    where = Path(path)
    try:
        with where.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        otherwise = "Save the meter's log as comma-separated text."
        raise RequestError(unreadable(where, error, kind="meter log", otherwise=otherwise)) from error
    return _read(data, where.name, mains, frequency, read_at)


def read_log_text(
    text: str,
    *,
    source: str = "<text>",
    mains: float | None = None,
    frequency: float | None = None,
    read_at: ReadAt | None = None,
) -> tuple[LoadTest, ...]:
    """Read the text of a log; `read_log` says what the arguments are.

    >>> (test,) = read_log_text("voltage_V,current_A,wall_W\\n5.06,1.00,6.4")
    >>> test.readings[0].voltage, test.wall_power
    (5.06, 6.4)
    """
    return _read(text.encode("utf-8", "surrogatepass"), source, mains, frequency, read_at)


def _read(
    data: bytes, source: str, mains: float | None, frequency: float | None, read_at: ReadAt | None
) -> tuple[LoadTest, ...]:
    _refuse_arguments(mains, frequency)
    faults = _Faults(source)
    tests = _read_tests(_rows(_text(data, faults), faults), faults)
    if faults.problems:
        faults.leave()
    common = LoadTest((), None, mains, frequency=frequency, read_at=read_at, source=source)
    return tuple(test.made(common) for test in tests)


def _refuse_arguments(mains: float | None, frequency: float | None) -> None:
    problems = [
        Problem(f"{value:g} {unit} cannot be used; expected 10 to 1000 {unit}.", name, f"{value:g}")
        for name, value, unit in (("mains", mains, "V"), ("frequency", frequency, "Hz"))
        if value is not None and not 10 <= value <= 1000
    ]
    if problems:
        raise RequestError(tuple(problems))


@dataclass
class _Faults:
    """The problems found so far, the first ones in full."""

    source: str
    problems: list[Problem] = field(default_factory=list)
    untold: int = 0

    def add(
        self,
        message: str,
        line: int | None,
        column: str | None = None,
        *,
        given: str | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> None:
        if len(self.problems) < MOST_PROBLEMS:
            given = None if given is None else shown(given)[1:-1]
            self.problems.append(Problem(message, column, given, expected, hint, line))
        else:
            self.untold += 1

    def stop(
        self,
        message: str,
        line: int | None = None,
        *,
        given: str | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> NoReturn:
        """Add a problem after which nothing more can be read."""
        self.add(message, line, given=given, expected=expected, hint=hint)
        self.leave()

    def leave(self) -> NoReturn:
        more = f"{self.untold} more problem{'s' * (self.untold > 1)} of this file."
        raise RequestError((*self.problems, *([Problem(more)] if self.untold else [])), self.source)


# --- from bytes to rows of cells ------------------------------------------------------------------


def _text(data: bytes, faults: _Faults) -> str:
    if len(data) > MAX_BYTES:
        most = f"{MAX_BYTES >> 20} MiB"
        faults.stop(
            f"the file is larger than {most}.",
            expected=f"at most {most} and {MAX_ROWS} rows",
            hint="Keep the rows that were read at different loads.",
        )
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        faults.stop("the file is UTF-16 text.", given="UTF-16", expected="UTF-8", hint="Save it as UTF-8.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        faults.stop(
            "the file is not UTF-8 text.",
            data.count(b"\n", 0, error.start) + 1,
            given=f"byte 0x{data[error.start]:02x}",
            expected="UTF-8",
            hint="Save it as UTF-8; a workbook must be exported as comma-separated text.",
        )


def _rows(text: str, faults: _Faults) -> Iterator[tuple[int, list[str]]]:
    """Rows that hold anything, with the line each begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader, None)
        except csv.Error as error:
            hint = "A quoted cell must be closed, and a comma or the line's end follows it."
            faults.stop(f"this is not comma-separated text: {error}.", line, hint=hint)
        if cells is None:
            return
        cells = [cell.strip() for cell in cells]
        if any(cells):
            yield line, cells


# --- the columns ----------------------------------------------------------------------------------


def _check_header(line: int, header: Sequence[str], faults: _Faults) -> None:
    if len(header) == 1:
        _refuse_other_marks(line, header[0], faults)
    listed = ", ".join(COLUMNS)
    if not set(header) & set(COLUMNS):
        faults.stop(
            f"{shown(','.join(header))} names no column that is known.",
            line,
            given=",".join(header),
            expected=listed,
            hint=f"The first line names the columns: {listed}.",
        )
    for index, name in enumerate(header):
        if name not in COLUMNS:
            faults.add(
                f"{shown(name)} is not a column of a meter log." if name else "a column has no name.",
                line,
                given=name,
                expected=listed,
                hint=nearest(name, COLUMNS) or f"Take it out; the columns are {listed}.",
            )
        elif name in header[:index]:
            faults.add(f"the column {name} stands twice.", line, name, hint="Leave one of them out.")
    for name, column in NUMBERS.items():
        if column.needed and name not in header:
            hint = "A row without volts and amps says nothing."
            faults.add(f"the column {name} is missing: {column.meaning}.", line, name, hint=hint)


def _refuse_other_marks(line: int, header: str, faults: _Faults) -> None:
    for mark, name in _OTHER_MARKS.items():
        pieces = header.split(mark)
        if len(pieces) > 1 and (mark != " " or len(set(pieces) & set(COLUMNS)) > 1):
            faults.stop(
                f"the columns are separated by {name}.",
                line,
                given=name,
                expected="commas between columns, points in numbers",
                hint="Export it with commas between the columns and decimal points in the numbers, "
                "as in 1,5.06,1.00.",
            )


# --- the rows -------------------------------------------------------------------------------------


@dataclass
class _Test:
    """What the rows of one load test have said so far, and on which line each number stood."""

    line: int
    readings: list[LoadReading] = field(default_factory=list)
    ports: set[str] = field(default_factory=set)
    numbers: dict[str, tuple[float, int]] = field(default_factory=dict)

    def made(self, common: LoadTest) -> LoadTest:
        numbers = self.numbers.items()
        found: dict[str, Any] = {NUMBERS[name].goes_to: number for name, (number, _) in numbers}
        return replace(common, readings=tuple(self.readings), line=self.line, **found)


def _read_tests(rows: Iterator[tuple[int, list[str]]], faults: _Faults) -> Iterable[_Test]:
    line, header = next(rows, (1, []))
    if not header:
        faults.stop(
            "the file is empty.",
            expected="a line that names the columns, and rows below it",
            hint="Its first line is for example port,voltage_V,current_A,wall_W.",
        )
    _check_header(line, header, faults)
    tests: dict[str, _Test] = {}
    count = 0
    for row_line, cells in rows:
        count += 1
        if count > MAX_ROWS:
            hint = "Keep those that were read at different loads, or every tenth."
            faults.stop(f"more than {MAX_ROWS} rows stand here.", row_line, hint=hint)
        if len(cells) == len(header):
            # of a column that stands twice, once reported, the first counts
            _take(row_line, dict(zip(reversed(header), reversed(cells), strict=True)), tests, faults)
        else:
            faults.add(
                f"{len(cells)} cells stand here, but {len(header)} columns are named.",
                row_line,
                given=str(len(cells)),
                expected=f"{len(header)} cells",
                hint="Keep an empty cell where nothing was read."
                if len(cells) < len(header)
                else "A decimal comma splits a number in two: write decimal points.",
            )
    if count == 0:
        faults.add("no row follows the names of the columns.", line, hint="Add the readings below it.")
    return tests.values()


def _take(line: int, row: Mapping[str, str], tests: dict[str, _Test], faults: _Faults) -> None:
    words = {name: _word(line, name, row[name], faults) for name in WORDS if name in row}
    numbers = {name: _number(line, name, row[name], faults) for name in NUMBERS if name in row}
    if words.get("test") == "":
        hint = "Every row says which load test it belongs to."
        faults.add("the cell is empty.", line, "test", given="", hint=hint)
    key = words.get("test", str(line))
    test = tests.setdefault(key, _Test(line))
    port = words.get("port", "")
    if port in test.ports:
        faults.add(
            f"{f'port {shown(port)}' if port else 'a port without a name'} stands twice in test "
            f"{shown(key)}, which begins on line {test.line}.",
            line,
            "port",
            given=port,
            expected="each port once in a test",
            hint="Give another load another word in the column test.",
        )
    test.ports.add(port)
    volts, amps = numbers.pop("voltage_V", None), numbers.pop("current_A", None)
    if volts is not None and amps is not None:
        test.readings.append(LoadReading(port, volts, amps))
    for name, number in numbers.items():
        if number is None:
            continue
        first, there = test.numbers.setdefault(name, (number, line))
        if number != first:
            faults.add(
                f"{name} of test {shown(key)} is {row[name]} here, and another on line {there}.",
                line,
                name,
                given=row[name],
                expected="one value for a test",
                hint="Write it in one row of the test and leave the others empty.",
            )


def _word(line: int, name: str, cell: str, faults: _Faults) -> str:
    if not cell.isprintable() or len(cell) > LONGEST_NAME:
        expected = f"up to {LONGEST_NAME} plain characters"
        hint = "Write for example 1 or USB-C."
        faults.add(f"{shown(cell)} is no name.", line, name, given=cell, expected=expected, hint=hint)
    return cell


def _number(line: int, name: str, cell: str, faults: _Faults) -> float | None:
    """The number of a cell in SI units; None where nothing was read, or once it is reported."""
    column = NUMBERS[name]
    if not cell:
        if column.needed:
            expected = f"{column.meaning}, a number"
            hint = "Fill it in, or take the row out."
            faults.add("the cell is empty.", line, name, given="", expected=expected, hint=hint)
        return None
    if not _NUMBER.fullmatch(cell):
        what, hint = _no_number(cell)
        expected = f"{column.meaning}, a number such as 5.06"
        faults.add(f"{shown(cell)} {what}.", line, name, given=cell, expected=expected, hint=hint)
        return None
    number = float(cell)
    if column.low <= number <= column.high:
        return number + column.offset
    limits = f"{column.low:g} to {column.high:g}"
    hint = "The column's name says the unit."
    if number < column.low == 0:
        hint = "A little below zero is the meter's own error: write 0."
    message = f"{shown(cell)} is outside what {name} can be ({limits})."
    faults.add(message, line, name, given=cell, expected=limits, hint=hint)
    return None


def _no_number(cell: str) -> tuple[str, str]:
    """What is wrong with a cell that is no number, and what to do about it."""
    if re.fullmatch(r"[+-]?(nan|inf|infinity)", cell, re.IGNORECASE):
        return "is not a finite number", "Leave the cell empty where nothing was read, or take the row out."
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", cell):
        return "has a decimal comma", f"Write {cell.replace(',', '.')}."
    if match := re.fullmatch(r"([+-]?[0-9]+(?:\.[0-9]+)?) ?[A-Za-zµΩ°%]+", cell):
        return "holds more than a number", f"Write {match[1]}: the column's name says the unit."
    return "is no number", "Write a number, or leave the cell empty where nothing was read."
