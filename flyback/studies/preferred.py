"""Preferred numbers: the next value that parts are made in (IEC 60063; `flyback.reference.series`)."""

from __future__ import annotations

import math
from collections.abc import Sequence

from flyback.reference import series

RESISTORS = ("E24",)
"""Series of a resistor of 1 or 5 %."""

ELECTROLYTICS = ("E6", "E12")
"""Series of an electrolytic capacitor: E6, or E12 where the fitted one already is of it."""

_SAME = 1e-6
"""Relative difference below which two values are one, so that 1.0 stays 1.0."""


def at_least(value: float, name: str) -> float:
    """The smallest number of a series that is not below a value.

    >>> at_least(23e-6, "E6"), at_least(22e-6, "E6"), at_least(7.0, "E6")
    (3.3e-05, 2.2e-05, 10.0)
    """
    return min(number for number in _around(value, name) if number >= value * (1 - _SAME))


def at_most(value: float, name: str) -> float:
    """The largest number of a series that is not above a value.

    >>> at_most(0.545, "E24"), at_most(0.51, "E24")
    (0.51, 0.51)
    """
    return max(number for number in _around(value, name) if number <= value * (1 + _SAME))


def series_of(values: Sequence[float], names: Sequence[str]) -> str:
    """The first of several series that holds all values; the last where none does.

    >>> series_of([18e-6], ELECTROLYTICS), series_of([10e-6, 22e-6], ELECTROLYTICS)
    ('E12', 'E6')
    """
    for name in names:
        if all(math.isclose(at_least(value, name), value, rel_tol=_SAME) for value in values):
            return name
    return names[-1]


def rounded_up(value: float, digits: int = 2) -> float:
    """The next number of so many digits, for ratings, which follow no series.

    >>> rounded_up(4.612), rounded_up(0.47)
    (4.7, 0.47)
    """
    step = math.floor(math.log10(value)) - digits + 1
    return float(f"{math.ceil(value / 10**step * (1 - _SAME))}e{step}")


def _around(value: float, name: str) -> list[float]:
    decade = math.floor(math.log10(value))
    # written out, so that 1.8e-05 is the number a board file would say
    return [
        float(f"{number}e{power}") for power in range(decade - 1, decade + 2) for number in series(name)
    ]
