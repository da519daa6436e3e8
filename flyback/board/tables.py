"""One table of a board file while it is read: typed access that reports what is wrong and goes on."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

from flyback.board.lines import KeyPath, Lines, field_name
from flyback.errors import Problem, QuantityError
from flyback.units import DIMENSIONS, Quantity, parse, shown

_CONTROL_CHARACTER = re.compile(r"[\x00-\x1f\x7f-\x9f]")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the file, where it stands, and the list that collects every problem of the file.

    The getters return an empty value for a key that is absent, and for one that is unfit once they have
    reported it, so that reading can go on to the next problem.
    """

    content: Mapping[str, Any]
    path: KeyPath
    lines: Lines
    problems: list[Problem]

    def __contains__(self, key: str) -> bool:
        return key in self.content

    def line(self, *keys: str) -> int | None:
        return self.lines.of((*self.path, *keys))

    def report(
        self,
        message: str,
        *keys: str,
        given: str | None = None,
        expected: str | None = None,
        hint: str | None = None,
    ) -> None:
        """Add a problem of this table or of the key in it."""
        place = field_name((*self.path, *keys)) or None
        self.problems.append(Problem(message, place, given, expected, hint, self.line(*keys)))

    def report_missing(self, key: str, example: str) -> None:
        self.report(f"{key} is missing.", key, expected=example, hint=f"Write {example}.")

    def report_unknown_keys(self, known: Sequence[str], home: str) -> None:
        """Report every key that is not among those known in ``home``."""
        for key in self.content:
            if key not in known:
                self.report_unknown_key(key, known, home)

    def report_unknown_key(self, key: str, known: Sequence[str], home: str) -> None:
        listed = ", ".join(known)
        self.report(
            f"{shown(key)} is not a key of {home}.",
            key,
            given=key,
            expected=listed,
            hint=nearest(key, known) or f"Its keys: {listed}.",
        )

    def text(self, key: str, *, lines_allowed: bool = False) -> str:
        """The text under a key."""
        value = self.content.get(key, "")
        if not isinstance(value, str):
            number = isinstance(value, int | float) and not isinstance(value, bool)
            self._report_type(key, "a text", f'Write {key} = "{_digits(value)}".' if number else None)
            return ""
        kept = value.replace("\n", "").replace("\t", "") if lines_allowed else value
        if _CONTROL_CHARACTER.search(kept):
            self.report(
                f"{shown(value)} holds a line break or a control character.",
                key,
                given=value,
                expected="text on one line",
                hint="Write it on one line, in plain characters.",
            )
            return ""
        return value

    def needed_text(self, key: str, example: str) -> str:
        """The text under a key that must not be left out or empty."""
        if key not in self:
            self.report_missing(key, example)
            return ""
        text = self.text(key)
        if isinstance(self.content[key], str) and not self.content[key].strip():
            self.report(f"{key} is empty.", key, given="", expected=example, hint=f"Write {example}.")
        return text

    def choice(self, key: str, choices: Collection[str]) -> str:
        """The word under a key, one of the choices."""
        written = self.content.get(key)
        if isinstance(written, str):
            if written in choices:
                return written
            quoted = ", ".join(f'"{choice}"' for choice in choices)
            self.report(
                f"there is no {key} {shown(written)}.",
                key,
                given=written,
                expected=quoted,
                hint=nearest(written, choices) or f"Write one of {quoted}.",
            )
        elif written is not None:
            self._report_type(key, "a text", None)
        return ""

    def whole_number(self, key: str, *, default: int) -> int:
        """The whole number from 1 to 100 under a key."""
        value = self.content.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int):
            self._report_type(key, "a whole number", f"Write for example {key} = 4.")
        elif not 1 <= value <= 100:
            self.report(
                f"{_described(value)} stands here; a whole number from 1 to 100 is expected.",
                key,
                given=_described(value),
                expected="a whole number from 1 to 100",
            )
        else:
            return value
        return default

    def quantity(self, key: str, dimension: str) -> Quantity | None:
        """The quantity written under a key, as a text or a bare number."""
        value = self.content.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            self._report_type(key, f'a value such as "{DIMENSIONS[dimension].example}"', None)
            return None
        return self.parsed(key, value if isinstance(value, str) else _digits(value), dimension)

    def parsed(self, key: str, text: str, dimension: str) -> Quantity | None:
        """The quantity a text says, the whole or a piece of what stands under a key."""
        try:
            return parse(text, dimension=dimension)
        except QuantityError as error:
            self.add(error, key)
            return None

    def add(self, error: QuantityError, key: str, *, advice: str = "") -> None:
        """Add the problems of a quantity or marking that could not be read."""
        for problem in error.problems:
            hint = f"{problem.hint or ''} {advice}".strip() or None
            placed = replace(problem, field=field_name((*self.path, key)), line=self.line(key), hint=hint)
            self.problems.append(placed)

    def table(self, key: str) -> Table | None:
        """The table under a key."""
        value = self.content.get(key)
        if isinstance(value, dict):
            return Table(value, (*self.path, key), self.lines, self.problems)
        if value is not None:
            self._report_type(key, "a table", None)
        return None

    def rows(self, key: str) -> Iterator[Table]:
        """The tables of the array under a key."""
        value = self.content.get(key, [])
        if not isinstance(value, list):
            names = ".".join(str(step) for step in (*self.path, key) if isinstance(step, str))
            self._report_type(key, "a list of tables", f"Write [[{names}]], or {key} = [{{ ... }}].")
            return
        for index, row in enumerate(value):
            path = (*self.path, key, index)
            if isinstance(row, dict):
                yield Table(row, path, self.lines, self.problems)
            else:
                place = Table({}, path, self.lines, self.problems)
                place.report(
                    f"{_described(row)} stands here; a table is expected.",
                    given=_described(row),
                    expected="a table",
                    hint="Write { key = value, ... }.",
                )

    def _report_type(self, key: str, expected: str, hint: str | None) -> None:
        given = _described(self.content[key])
        message = f"{given} stands here; {expected} is expected."
        self.report(message, key, given=given, expected=expected, hint=hint)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Ask for the known word nearest to a misspelt one, if any comes near.

    >>> nearest("Sense resister", ["sense resistor", "base resistor"])
    'Did you mean "sense resistor"?'
    """
    by_folded = {entry.casefold(): entry for entry in known}
    close = get_close_matches(word.casefold(), by_folded, n=1)
    return f"Did you mean {shown(by_folded[close[0]])}?" if close else None


def _described(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, int | float):
        return shown(_digits(value))[1:-1]
    if isinstance(value, list):
        return "a list"
    return "a table" if isinstance(value, dict) else "a date or time"


def _digits(number: float) -> str:
    # Python refuses to write an integer of more than 4300 decimal digits; TOML can hold one.
    return hex(number) if isinstance(number, int) and number.bit_length() > 10_000 else str(number)
