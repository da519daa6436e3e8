"""A measurement of a part, as it is said at a bench ("9.8k", "0.47 uF ± 5 %"), beside a reading."""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from dataclasses import dataclass

from flyback.board.decoding.clues import Tolerance
from flyback.errors import Problem, QuantityError
from flyback.reference import handbook
from flyback.units import DIMENSIONS, Quantity, format_quantity, parse, shown, tidy

_DIMENSIONS = ("resistance", "capacitance", "inductance")
_UNITS = {"resistance": "ohm", "capacitance": "F", "inductance": "H"}
_BODY = re.compile(r"([0-9]*[.,]?[0-9]+) ?(.*)")
_NO_VALUE = frozenset(("ol", "o.l", "open", "inf", "infinite", "1 ."))
_HOW = "Write for example 9.8k, 470 ohm, 0.47 uF or 9.8k ± 1 %."

LINK = 0.05
"""What a link may have and still be one (our choice) [ohm]."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value with its limits, in SI units.

    Attributes:
        share, floor: accuracy of the meter, as a fraction of the reading and a fixed amount.
        lent: True where the accuracy was not given and the handbook's was taken.
    """

    text: str
    dimension: str
    value: float
    low: float
    high: float
    share: float
    floor: float
    lent: bool


@dataclass(frozen=True, slots=True)
class Fit:
    """A measurement beside a value that a part should have.

    Attributes:
        agrees: whether the part's tolerance and the meter's accuracy leave room for both.
        low, high: what the part may have [SI].
        factor: measured over marked; infinity beside 0.
        apart: distance in combined standard uncertainties, both spreads taken as rectangular.
    """

    agrees: bool
    low: float
    high: float
    factor: float
    apart: float


def read_measured(text: str, *, dimensions: Collection[str] = _DIMENSIONS) -> Measured:
    """Read a measured value; a bare number, k or M are ohms, and a tolerance is the meter's.

    Args:
        dimensions: what may have been measured.

    Raises QuantityError with one Problem.

    >>> measured = read_measured("9.8k")
    >>> measured.value, round(measured.low), round(measured.high), measured.lent
    (9800.0, 9702, 9898, True)
    """
    tidied = tidy(text).replace(",", ".")
    if not tidied or len(tidied) > 60:
        raise _unreadable(text, "is no measured value")
    if tidied.casefold() in _NO_VALUE:
        raise _unreadable(text, "is no value: the part is open, or the meter's range too low")
    body, sign, spread = re.fullmatch(r"(.*?) ?(±|\+/-|\+-|$)(.*)", tidied).groups()  # type: ignore[union-attr]
    found = [(one, quantity) for one in dimensions if (quantity := _as(body, one)) is not None]
    if not found:
        raise _unreadable(text, f"is not {_either(dimensions)}")
    if len(found) > 1:
        raise _unreadable(
            text, f"may be {_either([one for one, _ in found])}", "Write the unit too: 100 nF or 100 nH."
        )
    dimension, quantity = found[0]
    if not sign:
        return _with_accuracy(text, dimension, quantity.nominal)
    spelt = parse(f"{quantity.nominal:.10g} {_UNITS[dimension]} ± {spread.strip()}", dimension=dimension)
    half = spelt.high - spelt.nominal
    share, floor = (half / (spelt.nominal or 1.0), 0.0) if "%" in spread else (0.0, half)
    return Measured(text, dimension, spelt.nominal, spelt.low, spelt.high, share, floor, lent=False)


def _as(body: str, dimension: str) -> Quantity | None:
    """A body such as "9.8k", "4k7" or "100 nF" in one dimension, or None."""
    match = _BODY.fullmatch(body)
    spelling = body
    if match and match[2] == "":
        # bare numbers are ohms; nobody reads farads or henries without a prefix
        spelling = f"{match[1]} ohm"
    elif match and match[2] in ("R", "K", "k", "M", "G"):
        spelling = f"{match[1]} {match[2].replace('R', '').replace('K', 'k')}ohm"
    elif match and match[2] in ("m", "u", "µ", "n", "p"):
        spelling = f"{match[1]} {match[2]}{_UNITS[dimension]}"
    try:
        quantity = parse(re.sub(r"^\.", "0.", spelling), dimension=dimension)
    except QuantityError:
        return None
    return quantity if quantity.exact else None


def _with_accuracy(text: str, dimension: str, value: float) -> Measured:
    share = _typical(f"{dimension}_accuracy")
    floor = _typical(f"{dimension}_floor")
    half = share * value + floor
    return Measured(text, dimension, value, max(value - half, 0.0), value + half, share, floor, lent=True)


def _typical(key: str) -> float:
    row = handbook("meter", key)
    assert row is not None  # a row of the handbook that this module names
    return row.typical


def compare(measured: Measured, value: float, tolerance: Tolerance) -> Fit:
    """A measurement beside a marked value and its tolerance."""
    low, high = (value * (1 + part) for part in tolerance)
    if value == 0.0:
        high = LINK
    agrees = measured.low <= high and low <= measured.high
    spread = math.hypot(high - low, measured.high - measured.low) / math.sqrt(12)
    away = abs(measured.value - (low + high) / 2)
    return Fit(
        agrees=agrees,
        low=low,
        high=high,
        factor=measured.value / value if value else math.inf,
        apart=away / spread if spread else (0.0 if away == 0 else math.inf),
    )


def accuracy_words(measured: Measured) -> str:
    """The accuracy of the meter, such as "± (1 % + 0.300 Ω)"."""
    terms = []
    if measured.share:
        terms.append(f"{100 * measured.share:.3g} %")
    if measured.floor:
        terms.append(format_quantity(measured.floor, measured.dimension))
    joined = " + ".join(terms)
    return f"± ({joined})" if len(terms) > 1 else f"± {joined}"


def _either(dimensions: Collection[str]) -> str:
    return " or ".join(DIMENSIONS[one].described for one in dimensions)


def _unreadable(text: str, what: str, hint: str = _HOW) -> QuantityError:
    return QuantityError(
        Problem(
            f"--measured: {shown(text)} {what}.",
            given=shown(text)[1:-1],
            expected="a measured value with its unit",
            hint=hint,
        )
    )
