"""Elementary functions that accept floats, numpy arrays, pint quantities and sympy expressions alike.

numpy's functions serve the first three (pint joins in through numpy's own protocol); sympy is
imported only when an argument is a sympy expression, so the ordinary path never loads it.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np


class _Pi(float):
    """The float pi, recognised by `formula.symbolic` so that sympy prints it as pi."""

    __slots__ = ()


pi = _Pi(math.pi)


_NUMERIC = frozenset({float, int, np.ndarray, np.float64})


def _is_symbolic(*values: Any) -> bool:
    for value in values:
        kind = type(value)
        if kind not in _NUMERIC and kind.__module__.startswith("sympy"):
            return True
    return False


def _sympy() -> Any:
    import sympy

    return sympy


def sqrt(x: Any) -> Any:
    """Square root."""
    return _sympy().sqrt(x) if _is_symbolic(x) else np.sqrt(x)


def sin(x: Any) -> Any:
    """Sine of an angle in radians."""
    return _sympy().sin(x) if _is_symbolic(x) else np.sin(x)


def cos(x: Any) -> Any:
    """Cosine of an angle in radians."""
    return _sympy().cos(x) if _is_symbolic(x) else np.cos(x)


def arcsin(x: Any) -> Any:
    """Angle in radians whose sine is ``x``."""
    return _sympy().asin(x) if _is_symbolic(x) else np.arcsin(x)


def arccos(x: Any) -> Any:
    """Angle in radians whose cosine is ``x``."""
    return _sympy().acos(x) if _is_symbolic(x) else np.arccos(x)


def arctan(x: Any) -> Any:
    """Angle in radians whose tangent is ``x``."""
    return _sympy().atan(x) if _is_symbolic(x) else np.arctan(x)


def exp(x: Any) -> Any:
    """Exponential function."""
    return _sympy().exp(x) if _is_symbolic(x) else np.exp(x)


def log(x: Any) -> Any:
    """Natural logarithm."""
    return _sympy().log(x) if _is_symbolic(x) else np.log(x)


def minimum(x: Any, y: Any) -> Any:
    """The smaller of two values, element by element; NaN is kept."""
    return _sympy().Min(x, y) if _is_symbolic(x, y) else np.minimum(x, y)


def maximum(x: Any, y: Any) -> Any:
    """The larger of two values, element by element; NaN is kept."""
    return _sympy().Max(x, y) if _is_symbolic(x, y) else np.maximum(x, y)


def where(condition: Any, x: Any, y: Any) -> Any:
    """``x`` where the condition holds, else ``y``; both are evaluated, so both must be finite."""
    if _is_symbolic(condition, x, y):
        return _sympy().Piecewise((x, condition), (y, True))
    return np.where(condition, x, y)
