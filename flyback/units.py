"""Quantities at the edge: strict reading and plain writing, SI floats inside.

What is written in a board file ("1.00 mH ± 10 %", "4k7", "100..240 V", "2R4 || 2R4") becomes a
`Quantity` in SI units; figures of a report are written by `format_quantity`. Nothing is guessed:
what cannot be read exactly is refused with the way to write it. pint, and numpy with it, is loaded
only by `registry`, `to_pint` and `from_pint`, and never sees a text the user wrote.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

from flyback._unit_table import DIMENSIONS, PREFIXES, SPELLED, UNITS, Dimension, Unit
from flyback.errors import Problem, QuantityError

if TYPE_CHECKING:
    import pint

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "Quantity",
    "Unit",
    "format_quantity",
    "format_range",
    "from_pint",
    "parse",
    "registry",
    "shown",
    "tidy",
    "to_pint",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI units with its limits, the dimension it has and the text it was read from."""

    nominal: float
    low: float
    high: float
    dimension: str
    text: str

    @property
    def exact(self) -> bool:
        """Whether no spread was given."""
        return self.low == self.high


_LONGEST = 200
# Nothing on a board lies outside; within, no sum, product or quotient below can overflow.
_SMALLEST, _LARGEST = 1e-30, 1e30
_COUNTED = ("turns", "ratio")

_NUMBER = r"[0-9]+(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?"
_VALUE = re.compile(rf"(?P<sign>[+-]?) ?(?P<number>{_NUMBER}) ?(?P<symbol>.*)")
_TOLERANCE = re.compile(r"(?P<body>.*?) ?(?:±|\+/-|\+-) ?(?P<amount>.*)")
_UNEQUAL_TOLERANCE = re.compile(
    rf"(?P<body>.*?) ?(?P<sign>[+-]) ?(?P<number>{_NUMBER}) ?%? ?/"
    rf" ?(?P<other_sign>[+-]) ?(?P<other_number>{_NUMBER}) ?(?P<symbol>.*)"
)
_HYPHENATED = re.compile(rf"({_NUMBER})[^0-9]*?(?:-|–|—|to|\.\.\.|…) ?({_NUMBER}) ?(.*)")
_GROUPED = re.compile(r"([0-9]{1,3}(?:[ ,'_][0-9]{3})+)(?![0-9,])")
_ONE_SIGN = str.maketrans({"\u03bc": "µ", "\u2126": "Ω", "−": "-", "‖": "||", "∥": "||"})


def parse(text: str, *, dimension: str, field: str | None = None, line: int | None = None) -> Quantity:
    """Read a written quantity of one of the `DIMENSIONS` into SI units (temperatures in kelvin).

    A value is a number with its unit ("65 kHz") or, for resistance, capacitance and inductance, a
    letter code ("4k7"). It may be a range ("60..70 kHz", nominal in the middle), carry a tolerance
    ("± 10 %", "-20/+50 %", "± 0.25 V") or be several resistors or capacitors in parallel
    ("2R4 || 2R4 ± 1 %"), whose limits are those of all members at once. Turns and ratios need no
    unit. Codes of digits ("103") and EIA-96 codes belong under ``marking`` and are refused here.

    Raises QuantityError with one Problem; ``field`` and ``line`` say where the text stood.

    >>> parse("1.00 mH ± 10 %", dimension="inductance")
    Quantity(nominal=0.001, low=0.0009, high=0.0011, dimension='inductance', text='1.00 mH ± 10 %')
    >>> parse("4k7", dimension="resistance").nominal
    4700.0
    """
    try:
        return replace(_read(tidy(text), dimension), text=text)
    except _ReadError as fault:
        raise QuantityError(_problem(fault, text, dimension, field, line)) from None


def tidy(text: str) -> str:
    """One space between words, one code point for signs that have several (µ, Ω, minus, ||)."""
    return " ".join(text.split()).translate(_ONE_SIGN)


def shown(text: str) -> str:
    """The text in quotes, short and printable enough for a message."""
    printable = text if text.isprintable() else ascii(text)[1:-1]
    return f'"{printable}"' if len(printable) <= 60 else f'"{printable[:57]}..."'


class _ReadError(Exception):
    """Why a part of the text cannot be read; `parse` turns it into a Problem."""

    def __init__(self, part: str, what: str, hint: str | None = None) -> None:
        super().__init__(part, what, hint)
        self.part, self.what, self.hint = part, what, hint


# Reading


def _read(text: str, dimension: str) -> Quantity:
    if len(text) > _LONGEST:
        raise _ReadError(text, f"is {len(text)} characters long")
    if not text.isprintable():
        raise _ReadError(text, "holds characters that cannot be printed")
    if "," in text:
        raise _comma(text, dimension)
    if match := _UNEQUAL_TOLERANCE.fullmatch(text):
        if match["sign"] == match["other_sign"]:
            raise _ReadError(text, "has two tolerances of one sign", "Write for example -20/+50 %.")
        amounts = {match["sign"]: match["number"], match["other_sign"]: match["other_number"]}
        value = _read_untoleranced(match["body"], dimension)
        return _widened(value, amounts["-"], amounts["+"], match["symbol"])
    if match := _TOLERANCE.fullmatch(text):
        if "||" in match["amount"]:
            hint = "Write one tolerance after the last part, as in 2R4 || 2R4 ± 1 %."
            raise _ReadError(text, "has a tolerance before the last part", hint)
        value = _read_untoleranced(match["body"], dimension)
        amount = _VALUE.fullmatch(match["amount"])
        if amount is None or amount["sign"]:
            raise _ReadError(text, "has a tolerance without a number", "Write for example ± 10 %.")
        return _widened(value, amount["number"], amount["number"], amount["symbol"])
    return _read_untoleranced(text, dimension)


def _read_untoleranced(text: str, dimension: str) -> Quantity:
    if "||" in text:
        return _read_parallel(text, dimension)
    if ".." in text and "..." not in text:
        return _read_range(text, dimension)
    return _read_single(text, dimension)


def _read_parallel(text: str, dimension: str) -> Quantity:
    if dimension not in ("resistance", "capacitance"):
        raise _ReadError(text, "has ||, which only resistors and capacitors may have")
    combine = _parallel_resistance if dimension == "resistance" else math.fsum
    members = [_read_single(member.strip(), dimension) for member in text.split("||")]
    return Quantity(
        nominal=combine([member.nominal for member in members]),
        low=combine([member.low for member in members]),
        high=combine([member.high for member in members]),
        dimension=dimension,
        text=text,
    )


def _parallel_resistance(members: list[float]) -> float:
    return 0.0 if 0.0 in members else 1 / math.fsum(1 / member for member in members)


def _read_range(text: str, dimension: str) -> Quantity:
    first, _, last = (end.strip() for end in text.partition(".."))
    high = _read_single(last, dimension)
    bare, complete = _VALUE.fullmatch(first), _VALUE.fullmatch(last)
    if bare and complete and not bare["symbol"]:
        first = f"{first} {complete['symbol']}".strip()
    low = _read_single(first, dimension)
    if not (low.exact and high.exact):
        raise _ReadError(text, "has a tolerance inside a range", "Write the outermost limits.")
    if low.nominal > high.nominal:
        raise _ReadError(text, "is a range from high to low", "Write the lower end first.")
    middle = (low.nominal + high.nominal) / 2
    return Quantity(middle, low.nominal, high.nominal, dimension, text)


def _read_single(text: str, dimension: str) -> Quantity:
    # The reader of codes sits one layer up and itself imports this module.
    from flyback.board.markings import read_letter_code

    match = _VALUE.fullmatch(text)
    code = read_letter_code(text, dimension=dimension)
    symbol = match["symbol"] if match else None
    # "1E3" is a number that lacks its unit, and "10kW" a power, not 10k with the tolerance W.
    if code and symbol != "" and not (code.tolerance and symbol in SPELLED):
        low, high = (code.value * (1 + part) for part in code.tolerance or (0.0, 0.0))
        return Quantity(code.value, low, high, dimension, text)
    if match is None:
        raise _not_a_number(text, dimension)
    negative = match["sign"] == "-"
    if negative and dimension != "temperature":
        raise _ReadError(text, "is negative", "Write it without the minus sign.")
    scaled, offset = _measured(text, match["number"], match["symbol"], dimension)
    value = (-scaled if negative else scaled) + offset
    if value < 0.0:
        raise _ReadError(text, "lies below absolute zero")
    return Quantity(value, value, value, dimension, text)


def _measured(text: str, number: str, symbol: str, dimension: str) -> tuple[float, float]:
    """A difference in SI units, and the offset that turns it into a temperature."""
    if not symbol and dimension in _COUNTED:
        return _scaled(number, 0, 1.0), 0.0
    unit, exponent = SPELLED.get(symbol, (None, 0))
    if unit is None or unit.dimension != dimension:
        raise _wrong_unit(text, number, symbol, dimension)
    return _scaled(number, exponent, unit.factor), unit.offset


def _scaled(number: str, exponent: int, factor: float) -> float:
    mantissa, _, power = number.lower().partition("e")
    value = float(f"{mantissa}e{int(power or 0) + exponent}") * factor
    if not (_SMALLEST <= value <= _LARGEST or float(mantissa) == 0.0):
        raise _ReadError(number, "is too large or too small to be meant")
    return value


def _widened(value: Quantity, below: str, above: str, symbol: str) -> Quantity:
    """The value with a tolerance, both numbers in percent or in a unit of its dimension."""
    text, is_temperature = value.text, value.dimension == "temperature"
    if not value.exact:
        raise _ReadError(text, "already has a spread; a tolerance follows", "Write one of the two.")
    if not symbol and value.dimension not in _COUNTED:
        unit = DIMENSIONS[value.dimension].example.partition(" ")[2]
        hint = f"Write ± {above} % or ± {above} {unit}."
        raise _ReadError(text, "has a tolerance without a unit", hint)
    if symbol == "%" and is_temperature:
        raise _ReadError(text, "is a temperature, which has no percent", "Write for example ± 5 K.")
    if symbol == "%" and "%" in text:
        what = "is followed by a tolerance in percent of it or in percentage points"
        raise _ReadError(text, what, "Write a range such as 45..55 %.")
    if symbol == "%":
        below_by, above_by = (value.nominal * _scaled(n, -2, 1.0) for n in (below, above))
    else:
        below_by, above_by = (
            _measured(f"{n} {symbol}".strip(), n, symbol, value.dimension)[0] for n in (below, above)
        )
    low, high = value.nominal - below_by, value.nominal + above_by
    if not is_temperature and max(below_by, above_by) >= max(value.nominal, _SMALLEST):
        raise _ReadError(text, "has a tolerance of 100 % or more", "Write a smaller one.")
    if low < 0.0:
        raise _ReadError(text, "has a tolerance that reaches below absolute zero")
    return Quantity(value.nominal, low, high, value.dimension, text)


# Refusing


def _problem(
    fault: _ReadError, text: str, dimension: str, field: str | None = None, line: int | None = None
) -> Problem:
    example = DIMENSIONS[dimension].example
    return Problem(
        message=f"{shown(fault.part or text)} {fault.what}.",
        field=field,
        given=shown(text)[1:-1],
        expected=f"{DIMENSIONS[dimension].described}, for example {example}",
        hint=fault.hint or f"Write for example {example}.",
        line=line,
    )


def _comma(text: str, dimension: str) -> _ReadError:
    if match := _GROUPED.match(text):
        rest, decimal = text[match.end() :], match[1].replace(",", ".")
        hint = f"Write {re.sub('[^0-9]', '', match[1])}{rest}"
        if decimal.count(".") == 1:
            hint = f"{hint} if the comma groups thousands, {decimal}{rest} if it is a decimal comma"
        return _ReadError(text, "has a comma", f"{hint}.")
    mended = text.replace(",", ".")
    try:
        _read(mended, dimension)
    except _ReadError as fault:
        return _ReadError(text, "has a comma", fault.hint)
    return _ReadError(text, "has a comma", f"Write {mended}.")


def _not_a_number(text: str, dimension: str) -> _ReadError:
    if not text:
        return _ReadError(text, "lacks a value")
    if re.match(r"[+-]?(nan|inf(inity)?)\b", text, re.IGNORECASE):
        return _ReadError(text, "is not a finite number")
    if re.match(r"[+-]?\.[0-9]", text):
        return _ReadError(text, "starts with a point", f"Write {text.replace('.', '0.', 1)}.")
    return _ReadError(text, "does not start with a number", _as_marking(text, dimension))


def _wrong_unit(text: str, number: str, symbol: str, dimension: str) -> _ReadError:
    """Say what is wrong with the unit, the likeliest slip first."""
    from flyback.board.markings import read_letter_code

    example = DIMENSIONS[dimension].example
    marking = _as_marking(text, dimension)
    if not symbol:
        hint = f"Write {number} {example.partition(' ')[2]}."
        return _ReadError(text, "has no unit", f"{hint} {marking}" if marking else hint)
    if match := _HYPHENATED.fullmatch(text):
        mended = f"{match[1]}..{match[2]} {match[3]}".strip()
        return _ReadError(text, "looks like a range", f"Write {mended}.")
    if (match := _GROUPED.match(text)) and match.end() > len(number):
        mended = re.sub("[^0-9]", "", match[1]) + text[match.end() :]
        return _ReadError(text, "has a gap in its number", f"Write {mended}.")
    if prefixed := _bare_prefix(number, symbol, dimension):
        return _ReadError(text, "ends in a bare prefix", f"Write {prefixed}.")
    if symbol in SPELLED:
        given = DIMENSIONS[SPELLED[symbol][0].dimension].described.partition(" [")[0]
        what = f"is {given}; {DIMENSIONS[dimension].described} is expected"
        return _ReadError(text, what, f"Write for example {example}. {marking or ''}".strip())
    code = re.sub(f" ?(?:ohms?|{DIMENSIONS[dimension].si_symbol})$", "", text)
    if read_letter_code(code, dimension=dimension):
        return _ReadError(text, "has a unit after a letter code", f"Write {code}.")
    if marking:
        return _ReadError(text, "is not a value but may be a code", marking)
    spellings = [key for key, (unit, _) in SPELLED.items() if unit.dimension == dimension]
    if same := [key for key in spellings if key.casefold() == symbol.casefold()]:
        hint = f"Write {' or '.join(f'{number} {key}' for key in same)}."
        return _ReadError(text, "has its unit in the wrong case", hint)
    what = f"has an unknown unit of {dimension}"
    if close := difflib.get_close_matches(symbol, spellings, n=1, cutoff=0.7):
        return _ReadError(text, what, f"Did you mean {number} {close[0]}?")
    units = [unit for unit in UNITS if unit.dimension == dimension]
    known = [prefix + unit.symbol for unit in units for prefix in ("", *unit.prefixes)]
    return _ReadError(text, what, f"Use one of {', '.join(known)}.")


def _bare_prefix(number: str, symbol: str, dimension: str) -> str | None:
    """The value with the unit its lone prefix lacks, and as a letter code where there is one."""
    from flyback.board.markings import as_letter_code, read_letter_code

    prefix = "k" if symbol == "K" else symbol
    full = prefix + DIMENSIONS[dimension].si_symbol.replace("Ω", "ohm")
    if prefix not in PREFIXES or full not in SPELLED:
        return None
    code = as_letter_code(number, prefix)
    has_code = read_letter_code(code, dimension=dimension) is not None
    return f"{number} {full} or {code}" if has_code else f"{number} {full}"


def _as_marking(text: str, dimension: str) -> str | None:
    """Where the text belongs if it is a code, but not one that `parse` takes for a value."""
    from flyback.board.markings import read_capacitor, read_letter_code, read_resistor

    readers = {"resistance": read_resistor, "capacitance": read_capacitor}
    if dimension not in readers or read_letter_code(text, dimension=dimension):
        return None
    try:
        readers[dimension](text)
    except QuantityError:
        return None
    return f'A code printed on the part goes under marking = "{text}".'


# Writing

# From 0.1 up to 1000 these read best without a prefix: 0.820 A, not 820 mA.
_PLAIN_FROM_TENTH = ("resistance", "voltage", "current", "power", "apparent power")
_SHOWN_IN = {unit.dimension: unit for unit in reversed(UNITS)}


def format_quantity(value: float, dimension: str, *, digits: int = 3) -> str:
    """Write an SI value with ``digits`` significant digits and a prefix that suits it.

    Turns are whole numbers, ratios percent, temperatures degrees Celsius, slopes per microsecond.
    Volts, amperes, volt-amperes, watts and ohms take no prefix from 0.1 up to 1000.

    Raises ValueError for a value that is not finite.

    >>> format_quantity(4700.0, "resistance"), format_quantity(0.82, "current")
    ('4.70 kΩ', '0.820 A')
    >>> format_quantity(0.52, "ratio"), format_quantity(358.15, "temperature")
    ('52.0 %', '85.0 °C')
    """
    unit = _SHOWN_IN[dimension]
    number = _in_unit(value, unit)
    prefix, exponent = _suitable_prefix(number, unit, digits)
    return f"{_written(number, unit, exponent, digits)} {prefix}{unit.symbol}"


def format_range(low: float, high: float, dimension: str, *, digits: int = 3) -> str:
    """Write two SI values with one unit, that of the larger.

    Raises ValueError if a value is not finite or low exceeds high.

    >>> format_range(9.6, 13.5, "power")
    '9.60 to 13.5 W'
    """
    if low > high:
        raise ValueError(f"low end {low} exceeds high end {high}")
    unit = _SHOWN_IN[dimension]
    ends = [_in_unit(value, unit) for value in (low, high)]
    prefix, exponent = _suitable_prefix(max(ends, key=abs), unit, digits)
    first, last = (_written(number, unit, exponent, digits) for number in ends)
    return f"{first} to {last} {prefix}{unit.symbol}"


def _in_unit(value: float, unit: Unit) -> float:
    if not math.isfinite(value):
        raise ValueError(f"cannot write {value} as a {unit.dimension}")
    return (value - unit.offset) / unit.factor


def _power_of_ten(number: float, digits: int) -> int:
    """The exponent of the first digit once rounded, so that 999.9 counts as 1000."""
    return int(f"{number:.{digits - 1}e}".partition("e")[2])


def _suitable_prefix(number: float, unit: Unit, digits: int) -> tuple[str, int]:
    power = _power_of_ten(number, digits)
    if number == 0.0 or (unit.dimension in _PLAIN_FROM_TENTH and -1 <= power < 3):
        return "", 0
    choices = [("", 0)] + [(prefix, PREFIXES[prefix]) for prefix in unit.prefixes]
    choices.sort(key=lambda choice: choice[1])
    fitting = [choice for choice in choices if choice[1] <= power]
    return fitting[-1] if fitting else choices[0]


def _written(number: float, unit: Unit, exponent: int, digits: int) -> str:
    if number == 0.0 or (unit.dimension == "turns" and number == round(number)):
        return f"{number:.0f}"
    power = _power_of_ten(number, digits)
    if unit.dimension == "temperature":
        power = max(power, 1)  # degrees near freezing are known no better than near boiling
    rounded = round(number, digits - 1 - power) / 10.0**exponent
    return f"{rounded:z.{max(0, digits - 1 - power + exponent)}f}"


# pint, for callers who use it


@cache
def registry() -> pint.UnitRegistry[Any]:
    """The one pint registry of this package, made on first use.

    >>> registry() is registry()
    True
    """
    import pint

    return pint.UnitRegistry()


def to_pint(value: float, dimension: str) -> pint.Quantity[Any]:
    """An SI value as a pint quantity in SI units.

    Turns and ratios become dimensionless, temperatures kelvin.

    >>> print(to_pint(0.001, "inductance"))
    0.001 henry
    """
    return registry().Quantity(value, DIMENSIONS[dimension].pint_name)


def from_pint(quantity: pint.Quantity[Any], *, dimension: str) -> float:
    """The SI value of a pint quantity.

    Angles are refused: pint would turn rad/s into Hz, and its turns into a count, off by 2 pi.

    Raises QuantityError if it is not a finite single value of the dimension.

    >>> from_pint(1.2 * registry().millihenry, dimension="inductance")
    0.0012
    """
    import pint

    try:
        is_angle = "radian" in str(quantity.to_root_units().units)
        value = math.nan if is_angle else float(quantity.m_as(DIMENSIONS[dimension].pint_name))
    except (pint.PintError, AttributeError, OverflowError, TypeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        fault = _ReadError(str(quantity), f"is not a single finite {dimension}, free of angles")
        raise QuantityError(_problem(fault, str(quantity), dimension))
    return value
