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
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from flyback.errors import Problem, QuantityError
from flyback.reference import merged, rows
from flyback.units import format_quantity, shown, tidy

_PARTS_OF = {"resistance": "resistor", "capacitance": "capacitor", "inductance": "inductor"}

# Exponents of ten by letter.
_LETTERS = {dimension: merged("letter_codes", "exponents", part) for dimension, part in _PARTS_OF.items()}
_UNIT_LETTERS = {"capacitance": "F", "inductance": "H"}
_TOLERANCE_PERCENT = merged("tolerance_letters", "percent")
_TOLERANCE_UNEQUAL = merged("tolerance_letters", "lower_and_upper_percent")
_TOLERANCE_PF = merged("tolerance_letters", "picofarads")
_EIA96_LETTERS = merged("eia96_multipliers", "exponents")
_E96 = {
    code: value
    for row in rows("eia96_codes")
    for code, value in enumerate(row["values"], row["first_code"])
}

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
    if re.fullmatch("[1-9][0-9]E", given) and (coded := read_eia96(given)):
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
    if re.fullmatch("[1-9][0-9]{2}F", given) and (coded := read_digits(given, dimension="capacitance")):
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
    return Marking(
        given, value, tolerance_of(tolerance, value=value, dimension=dimension), "IEC 60062 letter code"
    )


def read_digits(code: str, *, dimension: str) -> Marking | None:
    """Read a code of digits alone, or with a tolerance letter; None if it is not one.

    The dimension is "resistance" or "capacitance", whose codes count in pF and may hold R for the point.

    >>> read_digits("1002", dimension="resistance").value, read_digits("104", dimension="capacitance").value
    (10000.0, 1e-07)
    """
    return _resistor_digits(code) if dimension == "resistance" else _capacitor_digits(code)


def read_eia96(code: str) -> Marking | None:
    """Read an EIA-96 code, or None if it is not one.

    >>> read_eia96("68X").value
    49.9
    """
    match = _EIA96.fullmatch(code)
    if match is None or int(match[1]) not in _E96:
        return None
    value = float(f"{_E96[int(match[1])]}e{_EIA96_LETTERS[match[2]]}")
    return Marking(code, value, None, "EIA-96")


def as_letter_code(number: str, letter: str) -> str:
    """Put a letter where the decimal point of a written number is.

    >>> as_letter_code("4.7", "k"), as_letter_code("47", "n")
    ('4k7', '47n')
    """
    whole, _, part = number.partition(".")
    return f"{whole}{letter}{part}"


# --- one slip of the eye away ---------------------------------------------------------------------

# Pairs that worn or tiny print confuses; our choice from how the digits are drawn.
_ALIKE = frozenset({"06", "08", "09", "14", "17", "27", "35", "38", "39", "56", "58", "68", "69", "89"})
_ALIKE_LETTERS = {"R": "K", "K": "R", "k": "R", "n": "u", "u": "n", "µ": "n"}
_TURNED = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6"}


class Slip(StrEnum):
    """How one code is read for another, likeliest first."""

    POINT = "the decimal point one place off"
    ZEROS = "one zero more or less"
    R_AND_ZERO = "an R and a 0 taken for each other"
    ALIKE = "a digit taken for one that looks like it"
    LETTER = "a letter taken for one that looks like it"
    TURNED = "read upside down"
    DIGIT = "a digit taken for another"


@dataclass(frozen=True, slots=True)
class Misreading:
    """What a code may be if it was read with one slip."""

    marking: Marking
    slip: Slip


def misreadings(code: str, *, dimension: str) -> tuple[Misreading, ...]:
    """Codes of other values that one slip makes of a code, those of the likeliest slips first.

    Args:
        dimension: "resistance" or "capacitance".

    >>> [(one.marking.code, one.marking.value) for one in misreadings("2R4", dimension="resistance")][:3]
    [('R24', 0.24), ('24R', 24.0), ('204', 200000.0)]
    """
    read = read_resistor if dimension == "resistance" else read_capacitor
    own = read(code)
    found: dict[float, Misreading] = {}
    slips = sorted(_slips(own, dimension), key=lambda pair: list(Slip).index(pair[1]))
    decades = [printed_code(own.value * factor, dimension=dimension) for factor in (10, 0.1)]
    slips += [(other, Slip.POINT) for other in decades if other]
    for other, slip in slips:
        try:
            marking = read(other)
        except QuantityError:
            continue
        if marking.value not in (0.0, own.value):
            found.setdefault(marking.value, Misreading(marking, slip))
    return tuple(found.values())


def misread_numbers(number: str) -> Iterator[tuple[str, Slip]]:
    """Numbers that one slip makes of a number printed or written in clear, such as "4.7" or "100".

    >>> [other for other, slip in misread_numbers("4.7") if slip is Slip.POINT]
    ['47', '0.47']
    """
    for factor in (10, 0.1):
        yield f"{float(number) * factor:.6g}", Slip.POINT
    yield from (pair for pair in _other_digits(number) if pair[0][0] != "0")


def printed_code(value: float, *, dimension: str) -> str | None:
    """The code that a resistor or small capacitor of a value usually carries, or None.

    Two significant digits make a 3-digit code, three a 4-digit code; below that stands the letter R.

    >>> [printed_code(ohms, dimension="resistance") for ohms in (10e3, 9.76e3, 2.4, 0.62)]
    ['103', '9761', '2R4', 'R62']
    """
    digits, _, exponent = f"{value if dimension == 'resistance' else value * 1e12:.2e}".partition("e")
    figures = digits.replace(".", "").rstrip("0").ljust(2, "0")
    zeros = int(exponent) + 1 - len(figures)
    if dimension == "capacitance":
        return f"{figures}{zeros}" if len(figures) == 2 and 0 <= zeros <= 7 else None
    if 0 <= zeros <= 7:
        return f"{figures}{zeros}"
    whole, _, part = f"{value:.6g}".partition(".")
    return f"{whole.lstrip('0')}R{part.ljust(2 - len(whole.lstrip('0')), '0')}"


def _slips(own: Marking, dimension: str) -> Iterator[tuple[str, Slip]]:
    code = own.code
    places = [place for place, sign in enumerate(code) if sign.isdigit()]
    if own.system.endswith("digit code"):
        last = places[-1]
        for zeros in (int(code[last]) + step for step in (-1, 1)):
            if 0 <= zeros <= 9:
                yield _with_sign(code, last, str(zeros)), Slip.ZEROS
    elif own.system.startswith("IEC 60062"):
        yield from ((other, Slip.POINT) for other in _point_moved(code))
    if dimension == "resistance":
        yield from ((other, Slip.R_AND_ZERO) for other in _r_and_zero(code))
    yield from _other_digits(code)
    for place, sign in enumerate(code):
        if sign in _ALIKE_LETTERS and own.system != "EIA-96":
            yield _with_sign(code, place, _ALIKE_LETTERS[sign]), Slip.LETTER
    if all(sign in _TURNED for sign in code):
        yield "".join(_TURNED[sign] for sign in reversed(code)), Slip.TURNED


def _point_moved(code: str) -> Iterator[str]:
    match = re.fullmatch("([0-9]*)([A-Za-zµ])([0-9]*)([A-Z]?)", code)
    if match is None:
        return
    whole, letter, part, tolerance = match.groups()
    if whole:
        yield f"{whole[:-1]}{letter}{whole[-1]}{part}{tolerance}"
    if part:
        yield f"{whole}{part[0]}{letter}{part[1:]}{tolerance}".lstrip("0")


def _r_and_zero(code: str) -> Iterator[str]:
    if "R" in code:
        yield code.replace("R", "0", 1)
    elif code.isdigit():
        yield from (_with_sign(code, place, "R") for place, sign in enumerate(code) if sign == "0")


def _other_digits(code: str) -> Iterator[tuple[str, Slip]]:
    for place, sign in enumerate(code):
        if sign.isdigit():
            for other in "0123456789".replace(sign, ""):
                alike = "".join(sorted(sign + other)) in _ALIKE
                yield _with_sign(code, place, other), Slip.ALIKE if alike else Slip.DIGIT


def _with_sign(code: str, place: int, sign: str) -> str:
    return code[:place] + sign + code[place + 1 :]


# --- the systems ----------------------------------------------------------------------------------


def _find_resistor(code: str) -> Marking | None:
    if code in _LINKS:
        return Marking(code, 0.0, None, "zero-ohm link")
    if marking := read_letter_code(code, dimension="resistance"):
        return marking
    return read_digits(code, dimension="resistance") or read_eia96(code)


def _find_capacitor(code: str) -> Marking | None:
    return read_letter_code(code, dimension="capacitance") or read_digits(code, dimension="capacitance")


def _resistor_digits(code: str) -> Marking | None:
    match = _RESISTOR_DIGITS.fullmatch(code)
    if match is None:
        return None
    digits, zeros, letter = match.groups()
    value = float(f"{digits}e{zeros}")
    system = f"{len(digits) + 1}-digit code"
    return Marking(code, value, tolerance_of(letter, value=value, dimension="resistance"), system)


def _capacitor_digits(code: str) -> Marking | None:
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
    return Marking(code, value, tolerance_of(letter, value=value, dimension="capacitance"), "3-digit code")


def tolerance_of(letter: str, *, value: float, dimension: str) -> tuple[float, float] | None:
    """What a tolerance letter means on a value, as fractions of it; None for no letter.

    >>> tolerance_of("J", value=100e-9, dimension="capacitance")
    (-0.05, 0.05)
    """
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
