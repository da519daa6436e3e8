"""The load as it is written: "2A", "10W", "2.5ohm", "1A..2A" for a slow change, "1A,2A" for a step."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flyback.analysis.waveforms.load import Load
from flyback.errors import InputError, Problem, RequestError
from flyback.units import format_quantity, parse, shown, tidy

_DIMENSIONS = ("current", "power", "resistance")
_EXAMPLES = "2A, 10W or 2.5ohm"
_BARE = re.compile(r"[0-9]+(?:\.[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Asked:
    """A load that was asked for, before it is known when the run starts and ends.

    Attributes:
        kind: a key of `flyback.analysis.waveforms.load.KINDS`.
        first, last: value at the start and at the end of the span, in the unit of the kind.
        step: changes at once in the middle of the span, not slowly over all of it.
    """

    kind: str
    first: float
    last: float
    step: bool = False

    def over(self, start: float, end: float) -> Load:
        """The load over a span between two instants [s]."""
        if self.first == self.last:
            return Load.constant(self.kind, self.first)
        if self.step:
            return Load.step(self.kind, self.first, self.last, at=(start + end) / 2.0)
        return Load.ramp(self.kind, self.first, self.last, start=start, end=end)


def read_load(text: str) -> Asked:
    """Read a load; what it holds constant follows from the unit.

    >>> read_load("1A..2A")
    Asked(kind='current', first=1.0, last=2.0, step=False)

    Raises:
        RequestError: it is not one value, or two of one kind.
    """
    written = tidy(text)
    step = "," in written
    values = [value.strip() for value in written.split("," if step else "..")]
    if len(values) > 2:
        raise _refusal(
            text, "has more than two values.", "Write 1A..2A for a slow change, 1A,2A for a step."
        )
    if step and any(_BARE.fullmatch(value) for value in values):
        hint = "Write a decimal with a point (1.5A), a step with the unit twice (1A,2A)."
        raise _refusal(text, "has a value without a unit.", hint)
    if len(values) == 2 and _BARE.fullmatch(values[0]) and (unit := re.search(r"[^0-9. ].*", values[1])):
        values[0] += unit[0]
    read = [_read(value, text) for value in values]
    (kind, first), (other, last) = read[0], read[-1]
    if kind != other:
        raise _refusal(text, f"goes from a {kind} to a {other}.", "Write both values in one unit.")
    return Asked(kind, first, last, step)


def _read(value: str, text: str) -> tuple[str, float]:
    """What one value holds constant, and how much of it."""
    faults = []
    for dimension in _DIMENSIONS:
        try:
            quantity = parse(value, dimension=dimension)
        except InputError as error:
            faults.append(error.problems[0].message)
            continue
        if not quantity.exact:
            raise _refusal(text, "has a tolerance.", "Write one value, such as 2A.")
        if dimension == "resistance" and quantity.nominal == 0.0:
            raise _refusal(text, "is a short.", "Write a small resistance, such as 10mohm.")
        return dimension, quantity.nominal
    # what is expected instead is said here: all three kinds, not only the first one tried
    what = faults[0].partition(";")[0].rstrip(".")
    hint = f"A load is a current, a power or a resistance: {_EXAMPLES}."
    raise RequestError(Problem(f"{what}.", given=text, expected=_EXAMPLES, hint=hint))


def load_words(load: Load) -> str:
    """The load in a few words, such as "load 1.00 A to 2.00 A"."""
    first, last = (format_quantity(value, load.kind) for value in (load.values[0], load.values[-1]))
    what = "output held at" if load.kind == "voltage" else "load"
    if load.steady:
        return f"{what} {first}"
    stepped = len(load.times) == 2 and load.times[0] == load.times[1]
    return f"{what} {first}, then {last}" if stepped else f"{what} {first} to {last}"


def _refusal(text: str, what: str, hint: str) -> RequestError:
    return RequestError(Problem(f"{shown(text)} {what}", given=text, expected=_EXAMPLES, hint=hint))
