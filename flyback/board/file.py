"""Reading a board file: TOML in, a `Board` or every problem of the file out."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple

from flyback.board.label import MAINS_FREQUENCY_LIMITS, MAINS_LIMITS, read_label
from flyback.board.lines import Lines, Repeat, field_name, find_lines
from flyback.board.load_tests import read_load_tests
from flyback.board.meters import read_meters
from flyback.board.model import Board, Meters, Part, Value
from flyback.board.parts import read_parts
from flyback.board.roles import CONTROL_FAMILIES, TOPOLOGIES, Field
from flyback.board.tables import Table
from flyback.board.values import read_written, single, with_origins
from flyback.errors import BoardFileError, Problem
from flyback.units import shown, tidy

MAX_BYTES = 1 << 20

_SECTIONS = ("board", "label", "rail", "parts", "meters", "load_test")
_RAIL_VOLTAGE = Field("voltage", "voltage", "measured voltage of the rail", "5.05 V")


def load(path: str | os.PathLike[str]) -> Board:
    """Read a board file. Raises BoardFileError with every problem found."""
    where = Path(path)
    try:
        with where.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise BoardFileError(unreadable(where, error)) from error
    return _read(data, source=str(where), path=where)


def loads(text: str, *, source: str = "<text>") -> Board:
    """Read the text of a board file. Raises BoardFileError with every problem found.

    ``source`` names the text in the error.
    """
    return _read(text.encode("utf-8", "surrogatepass"), source=source, path=None)


def unreadable(
    path: Path,
    error: Exception,
    *,
    kind: str = "board file",
    otherwise: str = "`flyback new` writes one to start from.",
) -> Problem:
    """Why a file cannot be read, in words; ``otherwise`` is the advice where no name comes near."""
    expected = f"the path of a {kind}"
    if isinstance(error, FileNotFoundError):
        beside = os.listdir(path.parent) if os.access(path.parent, os.R_OK) else []
        close = get_close_matches(path.name, beside, n=1)
        hint = f"Did you mean {path.parent / close[0]}?" if close else otherwise
        return Problem(f"there is no file {path}.", given=str(path), expected=expected, hint=hint)
    if isinstance(error, IsADirectoryError):
        message, hint = f"{path} is a directory.", f"Name a {kind} in it."
    else:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        message, hint = f"{path} cannot be read: {reason}.", "Name a file that can be read."
    return Problem(message, given=str(path), expected=expected, hint=hint)


def _read(data: bytes, *, source: str, path: Path | None) -> Board:
    content, lines = _parse_toml(data, source)
    problems: list[Problem] = []
    digest = hashlib.sha256(data).hexdigest()[:12]
    board = _read_board(Table(content, (), lines, problems), path=path, digest=digest)
    if board is None or problems:
        in_order = sorted(problems, key=lambda problem: problem.line or 0)
        raise BoardFileError(tuple(in_order), source)
    return board


# From bytes to TOML


def _parse_toml(data: bytes, source: str) -> tuple[dict[str, Any], Lines]:
    if len(data) > MAX_BYTES:
        raise BoardFileError(
            Problem("the file is larger than 1 MiB.", expected="at most 1 MiB", hint="Is it a board file?"),
            source,
        )
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        problem = Problem(
            "the file is not UTF-8 text.",
            given=f"byte 0x{data[error.start]:02x}",
            expected="UTF-8",
            hint="Save it as UTF-8.",
            line=data.count(b"\n", 0, error.start) + 1,
        )
        raise BoardFileError(problem, source) from error
    try:
        lines = find_lines(text)
        return tomllib.loads(text), lines
    except RecursionError:
        problem = Problem("brackets are nested too deeply.", expected="a board file", hint="Unnest them.")
        raise BoardFileError(problem, source) from None
    except ValueError as error:
        raise BoardFileError(_not_toml(text, lines, error), source) from error


def _not_toml(text: str, lines: Lines, error: ValueError) -> tuple[Problem, ...]:
    """What is written twice, and whatever else tomllib stumbled over."""
    paths = {repeat.path for repeat in lines.repeats}
    problems = [
        _repeated(repeat)
        for repeat in lines.repeats
        if not any(repeat.path[:length] in paths for length in range(1, len(repeat.path)))
    ]
    position = re.search(r" \(at line ([0-9]+), column [0-9]+\)", str(error))
    line = int(position[1]) if position else text.count("\n") + 1
    if line not in [problem.line for problem in problems]:
        reason = re.sub(r" \(at .*\)", "", str(error))
        written = text.split("\n")[line - 1].strip()
        unquoted = re.search(r"=\s*[^\s\"'\[{]", written)
        hint = 'Text and values with a unit stand in quotes: voltage = "5 V".' if unquoted else None
        problems.append(
            Problem(
                f"this is not TOML: {reason}, in {shown(written)}.",
                given=written,
                expected="TOML",
                hint=hint,
                line=line,
            )
        )
    return tuple(problems)


def _repeated(repeat: Repeat) -> Problem:
    name = field_name(repeat.path[-1:])
    message = f"{name} is written twice, first on line {repeat.first_line}"
    if repeat.path[:-1] == ("parts",):
        message = f"{message}; each designator may appear once."
        hint = "Give the second part its own designator, or merge the two."
    else:
        message, hint = f"{message}.", "Leave one of them out."
    field = field_name(repeat.path)
    return Problem(message, field, given=name, expected="once", hint=hint, line=repeat.line)


# The sections


class _About(NamedTuple):
    name: str
    topology: str
    control: str
    tried_on: tuple[float, float] | None
    notes: str


def _read_board(root: Table, *, path: Path | None, digest: str) -> Board | None:
    """The board, or None where a section without which there is none is missing."""
    root.report_unknown_keys(_SECTIONS, "a board file")
    about = _needed_section(root, "board", "with name, topology and control")
    label = _needed_section(root, "label", "with output or power")
    rail = root.table("rail")
    parts_table = root.table("parts")
    meters_table = root.table("meters")

    described = _read_about(about) if about else None
    printed = read_label(label) if label else None
    parts = read_parts(parts_table) if parts_table else {}
    rail_voltage = _read_rail(rail) if rail else None
    meters = read_meters(meters_table) if meters_table else Meters()
    load_tests = read_load_tests(root)
    if described and described.topology == "flyback":
        _check_flyback(root, parts)
    if described is None or printed is None:
        return None
    return Board(
        name=described.name,
        topology=described.topology,
        control=described.control,
        label=printed,
        parts=parts,
        rail_voltage=rail_voltage,
        tried_on=described.tried_on,
        load_tests=load_tests,
        meters=meters,
        notes=described.notes,
        path=path,
        digest=digest,
    )


def _needed_section(root: Table, key: str, contents: str) -> Table | None:
    if key not in root:
        root.report(
            f"the section [{key}] is missing.", key, expected=f"[{key}]", hint=f"Add [{key}] {contents}."
        )
    return root.table(key)


def _read_about(table: Table) -> _About:
    table.report_unknown_keys(_About._fields, "[board]")
    if "topology" not in table:
        table.report_missing("topology", 'topology = "flyback"')
    if table.content.get("topology") == "flyback" and "control" not in table:
        table.report_missing("control", 'control = "fixed-frequency peak current"')
    return _About(
        name=table.needed_text("name", 'name = "Wall charger, one port"'),
        topology=table.choice("topology", TOPOLOGIES),
        control=table.choice("control", CONTROL_FAMILIES),
        tried_on=_read_tried_on(table),
        notes=table.text("notes", lines_allowed=True),
    )


def _read_tried_on(table: Table) -> tuple[float, float] | None:
    text = table.text("tried_on")
    if not text:
        return None
    if not (match := re.fullmatch("(.*V),? (.*Hz)", tidy(text))):
        table.report(
            f"{shown(text)} is not a mains voltage and a frequency.",
            "tried_on",
            given=text,
            expected="230 V 50 Hz",
            hint='Write for example tried_on = "230 V 50 Hz".',
        )
        return None
    voltage = table.parsed("tried_on", match[1], "voltage")
    frequency = table.parsed("tried_on", match[2], "frequency")
    if voltage is None or frequency is None:
        return None
    volts = single(table, "tried_on", voltage, limits=MAINS_LIMITS)
    hertz = single(table, "tried_on", frequency, limits=MAINS_FREQUENCY_LIMITS)
    return (volts, hertz) if volts and hertz else None


def _read_rail(table: Table) -> Value | None:
    table.report_unknown_keys(("voltage", "origin"), "[rail]")
    if "voltage" not in table:
        table.report_missing("voltage", f'voltage = "{_RAIL_VOLTAGE.example}"')
        return None
    written = read_written(table, "voltage", _RAIL_VOLTAGE, None)
    voltage = with_origins(table, {"voltage": written}).get("voltage")
    return voltage if isinstance(voltage, Value) else None


def _check_flyback(root: Table, parts: Mapping[str, Part]) -> None:
    entries = root.content.get("parts", {})
    if not isinstance(entries, dict):
        return  # reported as no table
    if not entries:
        root.report(
            "a flyback without parts cannot be judged.",
            "parts",
            expected="one table [parts.R5], [parts.T1], ... for each part",
            hint="Add the parts that were traced, the transformer at least.",
        )
        return
    every_part_was_read = len(parts) == len(entries)
    has_transformer = any(part.role == "transformer" and part.fitted for part in parts.values())
    if every_part_was_read and not has_transformer:
        root.report(
            "a flyback has a transformer, and no fitted part here has that role.",
            "parts",
            expected='a part with role = "transformer"',
            hint='Add [parts.T1] with role = "transformer".',
        )
