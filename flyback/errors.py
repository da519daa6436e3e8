"""What can go wrong, as a tree.

FlybackError
├── InputError (ValueError)          something the user wrote cannot be used; carries every Problem found
│   ├── QuantityError                a value such as "4,7 k" cannot be read
│   ├── BoardFileError               a board file has one or more problems
│   └── RequestError                 an option or argument of a command or call
├── NotAFlybackError                 the board is declared to be another kind of converter
└── NumericalError (ArithmeticError) a formula or solver left NaN or infinity, or did not settle

A value that is merely *unknown* is not an error: the check that needs it says so and goes on.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault of an input: where it is, what was given, what was expected and how to mend it."""

    message: str
    field: str | None = None
    given: str | None = None
    expected: str | None = None
    hint: str | None = None
    line: int | None = None

    def __str__(self) -> str:
        place = self.field or ""
        if self.line is not None:
            place = f"line {self.line}, {place}" if place else f"line {self.line}"
        text = f"{place}: {self.message}" if place else self.message
        return f"{text} {self.hint}" if self.hint else text


class FlybackError(Exception):
    """Root of every error this package raises on purpose."""


class InputError(FlybackError, ValueError):
    """The input cannot be used; ``problems`` lists every fault found, not only the first."""

    def __init__(self, problems: Problem | tuple[Problem, ...], source: str | None = None) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        self.source = source
        super().__init__(self.problems, source)

    def __str__(self) -> str:
        lines = [str(problem) for problem in self.problems]
        if self.source is None and len(lines) == 1:
            return lines[0]
        count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
        head = count if self.source is None else f"{self.source}: {count}"
        return "\n".join([head, *(f"  {line}" for line in lines)])


class QuantityError(InputError):
    """A written quantity or part code cannot be read."""


class BoardFileError(InputError):
    """A board file has problems."""


class RequestError(InputError):
    """An option of a command, or an argument of a call, cannot be used."""


class NotAFlybackError(FlybackError):
    """The board is not a flyback converter, so its power is not judged."""


class NumericalError(FlybackError, ArithmeticError):
    """A result is not finite, or a solver did not settle."""
