"""What the codes on parts mean: the only reader of markings.

Four systems are read, in this order:

- 0, 000 and 0000: a link of zero ohm;
- IEC 60062 letter code: the letter is the decimal point and the multiplier (4k7, R47, 2n2, 5L00);
- digit codes: significant digits, then the number of zeros (103, 1002; capacitors count in pF);
- EIA-96: two digits name an E96 value, a letter the multiplier (01C).

A code may end in a tolerance letter (4K7J, 104K). Where a code could be read two ways:

- a letter after bare digits that is also a multiplier is the multiplier: 10K is 10 kohm, and 102K
  on a resistor is 102 kohm; on a capacitor, where K multiplies nothing, it is 1 nF ± 10 %;
- once a multiplier is read, a further letter can only be the tolerance: 4K7K is 4.7 kohm ± 10 %;
- two digits and R are ohms (22R is 22 ohm), unless the first is 0: only EIA-96 prints 02R;
- two digits and E (18E: 18 ohm, or EIA-96 for 1.5 Mohm) and three digits and F on a capacitor
  (104F: 104 F, or 100 nF ± 1 %) are refused: either is met, and they lie decades apart;
- F after the letter code of a capacitor and H after that of an inductor (100nF, 4u7H) are taken for
  the unit, never for a tolerance, and do not belong in a code;
- a small m on a resistor (10m) is refused: it is written for mega and for milli.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from flyback.errors import Problem, QuantityError
from flyback.units import format_quantity, shown, tidy

# Exponents of ten, IEC 60062. R, K, M and G were seen in a text that cites it (4K7, 4R7, R47, 1M2,
# 15M0); E, L and the small k are from memory. Capacitors: n seen there (2n2), the rest from memory.
# Inductors: the same way of writing, common practice, no source.
_LETTERS = {
    "resistance": {"R": 0, "E": 0, "K": 3, "k": 3, "M": 6, "G": 9, "L": -3},
    "capacitance": {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "F": 0},
    "inductance": {"n": -9, "u": -6, "µ": -6, "m": -3},
}
_UNIT_LETTERS = {"capacitance": "F", "inductance": "H"}

# IEC 60062 tolerance letters, in percent, from memory.
_TOLERANCE_PERCENT = {
    "E": 0.005, "L": 0.01, "P": 0.02, "W": 0.05, "B": 0.1, "C": 0.25, "D": 0.5,
    "F": 1.0, "G": 2.0, "H": 3.0, "J": 5.0, "K": 10.0, "M": 20.0, "N": 30.0,
}  # fmt: skip
# IEC 60062, capacitors only, from memory: unequal percentages, and picofarads below 10 pF.
_TOLERANCE_UNEQUAL = {"Q": (-10, 30), "T": (-10, 50), "S": (-20, 50), "Z": (-20, 80)}
_TOLERANCE_PF = {"B": 0.1, "C": 0.25, "D": 0.5, "F": 1.0, "G": 2.0}

# EIA-96 multiplier letters as exponents of ten, both sets; seen alike in five open-source tables.
_EIA96_LETTERS = {
    "Z": -3, "Y": -2, "R": -2, "X": -1, "S": -1, "A": 0,
    "B": 1, "H": 1, "C": 2, "D": 3, "E": 4, "F": 5,
}  # fmt: skip
# E96 of IEC 60063: codes 20 to 96 compared with a list in open-source text, 01 to 19 by formula.
_E96 = tuple(round(100 * 10 ** (step / 96)) for step in range(96))

# EIA marking of capacitors, from memory: a last digit of 8 or 9 scales down, adding no zeros.
_CAPACITOR_ZEROS = {"8": -2, "9": -1}

_WHOLE = "(0|[1-9][0-9]{0,4})?"
_TOLERANCE = f"([{''.join(_TOLERANCE_PERCENT)}]?)"
_CAPACITOR_TOLERANCE = f"([{''.join(_TOLERANCE_PERCENT)}{''.join(_TOLERANCE_UNEQUAL)}]?)"
_LETTER_CODE = {
    dimension: re.compile(
        f"{_WHOLE}([{''.join(letters)}])([0-9]{{0,4}})"
        f"{_CAPACITOR_TOLERANCE if dimension == 'capacitance' else _TOLERANCE}"
    )
    for dimension, letters in _LETTERS.items()
}
# EIA marking, from memory. Resistors: no 8 or 9 zeros, which would be gigohms and more.
_RESISTOR_DIGITS = re.compile(f"([1-9][0-9]{{1,2}})([0-7]){_TOLERANCE}")
_CAPACITOR_DIGITS = re.compile(f"([1-9][0-9])([0-9]){_CAPACITOR_TOLERANCE}")
_CAPACITOR_POINT = re.compile(f"{_WHOLE}R([0-9]{{1,2}}){_CAPACITOR_TOLERANCE}")
_EIA96 = re.compile(f"([0-9]{{2}})([{''.join(_EIA96_LETTERS)}])")
_LINKS = ("0", "000", "0000")


@dataclass(frozen=True, slots=True)
class Marking:
    """A code on a part and what it says.

    ``value`` is in ohm, farad or henry. ``tolerance`` is a pair of fractions such as (-0.05, 0.05),
    or None when the code has no tolerance letter. ``system`` names the code.
    """

    code: str
    value: float
    tolerance: tuple[float, float] | None
    system: str


def read_resistor(code: str) -> Marking:
    """Read the code on a resistor; the value is in ohm, 0.0 for a link.

    A lone 470 is a 3-digit code and means 47 ohm. EIA-96 parts are usually 1 %, but the code does
    not say so, hence no tolerance. The top of this module tells of codes that read two ways.

    Raises QuantityError for anything that is not a code, saying what to write instead.

    >>> read_resistor("4K7J")
    Marking(code='4K7J', value=4700.0, tolerance=(-0.05, 0.05), system='IEC 60062 letter code')
    >>> read_resistor("470").value, read_resistor("1002").value, read_resistor("01C").value
    (47.0, 10000.0, 10000.0)

    References: IEC 60062 (letters), EIA marking (digits, from memory), EIA-96.
    """
    given = tidy(code)
    if re.fullmatch("[1-9][0-9]E", given) and (coded := _read_eia96(given)):
        raise _two_readings(
            given,
            f"{given[:2]} ohm, or {format_quantity(coded.value, 'resistance')} in EIA-96.",
            f"Write {given[:2]}R for the first, or give the value in clear for the second.",
        )
    marking = _find_resistor(given)
    if marking is None:
        raise _not_a_code(given, "resistance")
    return marking


def read_capacitor(code: str) -> Marking:
    """Read the code on a ceramic or film capacitor; the value is in farad.

    Electrolytic capacitors print microfarads in clear: their "100" is 100 uF, but as a code 100 is
    10 pF. Give such a value with its unit, never through this function.

    Raises QuantityError for anything that is not a code, saying what to write instead.

    >>> read_capacitor("104K")
    Marking(code='104K', value=1e-07, tolerance=(-0.1, 0.1), system='3-digit code')
    >>> read_capacitor("6p8").value, read_capacitor("479").value, read_capacitor("100").value
    (6.8e-12, 4.7e-12, 1e-11)

    References: IEC 60062 (letters), EIA marking (digits, from memory).
    """
    given = tidy(code)
    if re.fullmatch("[1-9][0-9]{2}F", given) and (coded := _find_capacitor_digits(given)):
        raise _two_readings(
            given,
            f"{given[:3]} F, or {format_quantity(coded.value, 'capacitance')} with tolerance F.",
            f"Write the code {given[:3]} and give the tolerance apart from it.",
        )
    marking = _find_capacitor(given)
    if marking is None:
        raise _not_a_code(given, "capacitance")
    return marking


def read_letter_code(code: str, *, dimension: str) -> Marking | None:
    """Read a letter code of IEC 60062, or None if it is not one.

    The dimension is "resistance", "capacitance" or "inductance" (written likewise by common
    practice, no source); the others have no codes.

    >>> read_letter_code("4u7", dimension="inductance").value
    4.7e-06
    """
    given = tidy(code)
    if dimension not in _LETTERS or not (match := _LETTER_CODE[dimension].fullmatch(given)):
        return None
    whole, letter, part, tolerance = match.groups(default="")
    if not whole + part or (tolerance and tolerance == _UNIT_LETTERS.get(dimension)):
        return None
    value = float(f"{whole or 0}.{part or 0}e{_LETTERS[dimension][letter]}")
    if value == 0.0 and dimension != "resistance":
        return None
    return Marking(given, value, _tolerance(tolerance, value, dimension), "IEC 60062 letter code")


def as_letter_code(number: str, letter: str) -> str:
    """Put a letter where the decimal point of a written number is.

    >>> as_letter_code("4.7", "k"), as_letter_code("47", "n")
    ('4k7', '47n')
    """
    whole, _, part = number.partition(".")
    return f"{whole}{letter}{part}"


def _find_resistor(code: str) -> Marking | None:
    if code in _LINKS:
        return Marking(code, 0.0, None, "zero-ohm link")
    if marking := read_letter_code(code, dimension="resistance"):
        return marking
    if match := _RESISTOR_DIGITS.fullmatch(code):
        digits, zeros, letter = match.groups()
        value = float(f"{digits}e{zeros}")
        system = f"{len(digits) + 1}-digit code"
        return Marking(code, value, _tolerance(letter, value, "resistance"), system)
    return _read_eia96(code)


def _find_capacitor(code: str) -> Marking | None:
    return read_letter_code(code, dimension="capacitance") or _find_capacitor_digits(code)


def _find_capacitor_digits(code: str) -> Marking | None:
    if match := _CAPACITOR_DIGITS.fullmatch(code):
        digits, zeros, letter = match.groups()
        value = float(f"{digits}e{_CAPACITOR_ZEROS.get(zeros, int(zeros)) - 12}")
    elif match := _CAPACITOR_POINT.fullmatch(code):
        whole, part, letter = match.groups(default="")
        value = float(f"{whole or 0}.{part}e-12")
    else:
        return None
    if value == 0.0:
        return None
    return Marking(code, value, _tolerance(letter, value, "capacitance"), "3-digit code")


def _read_eia96(code: str) -> Marking | None:
    match = _EIA96.fullmatch(code)
    if match is None or not 1 <= int(match[1]) <= len(_E96):
        return None
    value = float(f"{_E96[int(match[1]) - 1]}e{_EIA96_LETTERS[match[2]]}")
    return Marking(code, value, None, "EIA-96")


def _tolerance(letter: str, value: float, dimension: str) -> tuple[float, float] | None:
    if not letter:
        return None
    if letter in _TOLERANCE_UNEQUAL:
        low, high = _TOLERANCE_UNEQUAL[letter]
        return low / 100, high / 100
    if dimension == "capacitance" and value < 10e-12 and letter in _TOLERANCE_PF:
        fraction = _TOLERANCE_PF[letter] * 1e-12 / value
        return max(-fraction, -1.0), fraction
    fraction = _TOLERANCE_PERCENT[letter] / 100
    return -fraction, fraction


_PARTS = {
    "resistance": (
        "resistor",
        "a code such as 4k7, R47, 103, 1002 or 01C",
        'Read the part again, or give its value in clear, for example value = "4.7 kohm".',
    ),
    "capacitance": (
        "capacitor",
        "a code such as 2n2, 104, 104K or 4R7",
        'Read the part again, or give its value in clear, for example value = "100 uF".',
    ),
}
_WRITTEN_OUT = re.compile(r"([0-9]{1,5})(?:[.,]([0-9]{1,4}))? ?([a-zA-Zµ]?) ?(?:ohms?|Ω|F)?")


def _two_readings(code: str, readings: str, hint: str) -> QuantityError:
    return QuantityError(
        Problem(
            message=f"{shown(code)} can be read two ways: {readings}",
            given=code,
            expected="a code that reads one way",
            hint=hint,
        )
    )


def _not_a_code(code: str, dimension: str) -> QuantityError:
    part, expected, look_again = _PARTS[dimension]
    return QuantityError(
        Problem(
            message=f"{shown(code)} is not a code of a {part}; {expected} is expected.",
            given=shown(code)[1:-1],
            expected=expected,
            hint=_advice(code, dimension) or look_again,
        )
    )


def _advice(code: str, dimension: str) -> str | None:
    """What was probably meant, as something this module does read."""
    find = _find_resistor if dimension == "resistance" else _find_capacitor
    if match := _WRITTEN_OUT.fullmatch(code):
        whole, part, letter = match.groups(default="")
        if dimension == "resistance" and letter == "m":
            return f"Write {whole}M{part} for megohm or {whole}L{part} for milliohm."
        if dimension == "capacitance" and not letter and find(f"{whole}p{part}"):
            return f"Write {whole}p{part} for picofarad or {whole}u{part} for microfarad."
        mended = f"{whole}{letter or 'R'}{part}"
        if find(mended):
            return f"Write {mended}: the letter stands where the point would be."
    without_unit = re.sub(" ?(?:ohms?|Ω|F)$", "", code)
    for mended in (without_unit, code.upper(), code.lower(), code.replace(" ", "")):
        if find(mended):
            return f"Write {mended}."
    return None
