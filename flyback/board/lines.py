"""Where in a TOML file each key stands, which `tomllib` does not say.

The scanner follows keys only: it reads headers, dotted and quoted keys, inline tables and arrays, and
steps over values. It leaves checking to `tomllib`; where it loses its way it keeps what it has found.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TypeAlias

from flyback.units import shown

KeyPath: TypeAlias = tuple[str | int, ...]
"""Keys from the top of the file down, with the index (from 0) inside an array."""

_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_LINE_END = re.compile(r"[ \t]*(?:#[^\n]*)?\r?(?:\n|\Z)")
_KEY = re.compile(r""" "(?:[^"\\\n]|\\.)*" | '[^'\n]*' | [A-Za-z0-9_-]+ """, re.VERBOSE)
# A multi-line string may end in up to five quotes, of which the last three close it.
_SCALAR = re.compile(
    r'''
    """ (?:[^\\]|\\.)*? """ (?!")  |  \'\'\' .*? \'\'\' (?!\')
    | " (?:[^"\\\n]|\\.)* "        |  ' [^'\n]* '
    | [^\s,\]}\#"'\[{] [^,\]}\#\n]*
    ''',
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Repeat:
    """A key or table written a second time."""

    path: KeyPath
    first_line: int
    line: int


@dataclass(frozen=True, slots=True)
class Lines:
    """Line numbers (from 1) of the keys of a file, and what was written twice."""

    known: Mapping[KeyPath, int]
    repeats: tuple[Repeat, ...]

    def of(self, path: KeyPath) -> int | None:
        """Line of a key, or of the nearest enclosing key that was found; None at the top."""
        for length in range(len(path), 0, -1):
            if line := self.known.get(path[:length]):
                return line
        return None


def find_lines(text: str) -> Lines:
    """Find the line of every key of a TOML text.

    >>> lines = find_lines('[parts.R5]\\nrole = "sense resistor"')
    >>> lines.of(("parts", "R5")), lines.of(("parts", "R5", "role"))
    (1, 2)
    >>> lines.of(("parts", "R5", "marking"))
    1
    """
    scanner = _Scanner(text)
    with suppress(_LostError):
        scanner.scan_document()
    return Lines(scanner.known, tuple(scanner.repeats))


def field_name(path: KeyPath) -> str:
    """The path in printable characters; elements of an array are counted from 1.

    >>> field_name(("load_test", 0, "wall_power"))
    'load_test[1].wall_power'
    """
    steps = (f"[{step + 1}]" if isinstance(step, int) else f".{shown(step)[1:-1]}" for step in path)
    return "".join(steps).removeprefix(".")


class _LostError(Exception):
    """What stands here is no TOML that the scanner knows."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.known: dict[KeyPath, int] = {}
        self.repeats: list[Repeat] = []
        self._text = text
        self._position = 0
        self._line_ends = [match.start() for match in re.finditer("\n", text)]
        self._written: dict[KeyPath, int] = {}
        self._array_sizes: dict[KeyPath, int] = {}

    def scan_document(self) -> None:
        table: KeyPath = ()
        while not self._at_end_after_blank():
            if self._skip("[["):
                table = self._array_table_header()
            elif self._skip("["):
                table = self._last_element(self._key())
                self._note(table)
                self._expect("]")
            else:
                self._pair(table)
            self._take(_LINE_END)

    def _array_table_header(self) -> KeyPath:
        *outer, name = self._key()
        array = (*self._last_element(tuple(outer)), name)
        index = self._array_sizes.get(array, 0)
        self._array_sizes[array] = index + 1
        self._note((*array, index))
        self._expect("]]")
        return (*array, index)

    def _last_element(self, path: tuple[str, ...]) -> KeyPath:
        """The path with the index of the newest element after each array of tables."""
        found: KeyPath = ()
        for name in path:
            found = (*found, name)
            if size := self._array_sizes.get(found):
                found = (*found, size - 1)
        return found

    def _pair(self, table: KeyPath) -> None:
        path = (*table, *self._key())
        self._note(path)
        self._expect("=")
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._take(_SPACE)
        if self._skip("["):
            index = 0
            while not self._closes("]"):
                self.known[*path, index] = self._line()
                self._value((*path, index))
                index += 1
        elif self._skip("{"):
            while not self._closes("}"):
                self._pair(path)
        else:
            self._take(_SCALAR)

    def _closes(self, bracket: str) -> bool:
        """Step over blanks and one comma; True once the bracket closes the array or inline table."""
        self._take(_BLANK)
        if self._skip(","):
            self._take(_BLANK)
        return self._skip(bracket)

    def _key(self) -> tuple[str, ...]:
        names = []
        while True:
            self._take(_SPACE)
            name = self._take(_KEY)
            # Escapes stay as written: such a key gets the line of the one around it.
            names.append(name[1:-1] if name[0] in "\"'" else name)
            self._take(_SPACE)
            if not self._skip("."):
                return tuple(names)

    def _note(self, path: KeyPath) -> None:
        line = self._line()
        for length in range(1, len(path) + 1):
            self.known.setdefault(path[:length], line)
        if path in self._written:
            self.repeats.append(Repeat(path, self._written[path], line))
        self._written.setdefault(path, line)

    def _line(self) -> int:
        return bisect_left(self._line_ends, self._position) + 1

    def _at_end_after_blank(self) -> bool:
        self._take(_BLANK)
        return self._position == len(self._text)

    def _take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._position)
        if match is None:
            raise _LostError
        self._position = match.end()
        return match[0]

    def _skip(self, mark: str) -> bool:
        found = self._text.startswith(mark, self._position)
        self._position += len(mark) if found else 0
        return found

    def _expect(self, mark: str) -> None:
        if not self._skip(mark):
            raise _LostError
