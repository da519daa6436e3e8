"""The value in a word printed on a part, by every system of marking that its kind of part may carry.

`flyback.board.markings` reads the codes; here they are put beside each other, with what speaks against
each and how it was read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from flyback.board.decoding.clues import (
    Clue,
    Doubt,
    Kind,
    Source,
    coarsest_series,
    figure_source,
    tolerance_words,
)
from flyback.board.markings import Marking, read_digits, read_eia96, read_letter_code
from flyback.reference import merged, rows

_PREFIX = {12: "T", 9: "G", 6: "M", 3: "k", 0: "", -3: "m", -6: "µ", -9: "n", -12: "p"}
_UNIT = {"resistance": "Ω", "capacitance": "F", "inductance": "H"}
_LETTER = "([FGJKMN]?)"
_POINT = re.compile(f"([0-9]{{0,3}})R([0-9]{{1,3}}){_LETTER}")
_MILLIOHMS = re.compile("([0-9]{1,4})m([0-9]{0,3})R?")
_MICROHENRIES = re.compile(f"([1-9][0-9])([0-7]){_LETTER}")
_NANOHENRIES = re.compile(f"([0-9]{{1,3}})N([0-9]{{0,2}}){_LETTER}")
_LETTER_AND_DIGIT = re.compile("[A-Z]?([A-Za-z])([0-7])")
_FINE_LETTERS = "ELPWBCD"

LEAST_TANTALUM = 0.99e-6
"""Value from which digits count as a code on an electrolytic; below, ceramic and film are usual [F]."""


def values(word: str, kind: Kind) -> Iterator[Clue]:
    """Every value a word may stand for on a part of a kind.

    >>> [(clue.value, clue.system) for clue in values("100", Kind.RESISTOR)]
    [(10.0, '3-digit code'), (100.0, 'in clear')]
    """
    if kind is Kind.RESISTOR and word in ("0", "000", "0000"):
        yield Clue("a link", "zero-ohm link", 0.0)
        return
    # 100uF is no inductor of ± 1 %
    marking = read_letter_code(word, dimension=kind.dimension)
    if marking is not None and not (kind is Kind.INDUCTOR and word.endswith("F")):
        yield _lettered(marking, kind)
    if kind is Kind.RESISTOR:
        yield from _resistor(word)
    elif kind is Kind.INDUCTOR:
        yield from _inductor(word)
    elif kind is Kind.CAPACITOR:
        yield from _capacitor(word)
    elif match := _POINT.fullmatch(word):
        yield from _pointed(match, "in clear", "in µF")
    elif (code := read_digits(word, dimension="capacitance")) and code.value >= LEAST_TANTALUM:
        yield _digits(code, "in pF")
    yield from _in_clear(word, kind)


def _lettered(marking: Marking, kind: Kind) -> Clue:
    part = "capacitor" if kind is Kind.ELECTROLYTIC else kind.value
    exponents = merged("letter_codes", "exponents", part)
    if marking.value == 0.0:
        return Clue("a link", "zero-ohm link", 0.0)
    match = re.fullmatch("([0-9]*)([^0-9])([0-9]*).?", marking.code)
    assert match is not None  # the pattern of every letter code
    whole, letter, part_behind = match.groups()
    unit = _PREFIX[exponents[letter]] + _UNIT[kind.dimension]
    words = f"{letter} is the decimal point, in {unit}" if part_behind else f"{letter} is {unit}"
    doubts: tuple[Doubt, ...] = ()
    if len(whole) == 3 and letter in "kKM" and not part_behind and coarsest_series(marking.value) != "E24":
        doubts = (Doubt(1, f"{whole} is no E24 value; before K or M it is more often a code"),)
    if kind is Kind.INDUCTOR:
        return replace(_told(marking, words), system="code in µH", doubts=doubts)
    sources = figure_source(f"the letter {letter}", "letter_codes", "exponents", letter, part)
    return replace(_told(marking, words), sources=_not_seen(sources), doubts=doubts)


def _not_seen(sources: tuple[Source, ...]) -> tuple[Source, ...]:
    """Those that are to be trusted less than the rule itself."""
    return tuple(source for source in sources if source.basis != "seen")


def _eia96_source(code: str) -> tuple[Source, ...]:
    return tuple(
        Source(f"code {code}", row["source"], row["basis"])
        for row in rows("eia96_codes")
        if 0 <= int(code) - row["first_code"] < len(row["values"])
    )


def _resistor(word: str) -> Iterator[Clue]:
    if marking := read_digits(word, dimension="resistance"):
        seldom = Doubt(1, "resistors seldom print a tolerance letter after digits")
        yield replace(_digits(marking), doubts=(seldom,) if marking.tolerance else ())
    if marking := read_eia96(word):
        exponent = merged("eia96_multipliers", "exponents")[word[2]]
        point = Doubt(2, "R is the decimal point on nearly all parts")
        yield Clue(
            f"{word[:2]} is {marking.value / 10.0**exponent:.0f}, {word[2]} is x {10.0**exponent:g}",
            marking.system,
            marking.value,
            sources=_not_seen(_eia96_source(word[:2])),
            doubts=(point,) if word[2] == "R" and word[0] != "0" else (),
        )
    if (match := _MILLIOHMS.fullmatch(word)) and (value := _number(match[1], match[2], -3)):
        yield Clue("m is milliohm", "milliohms", value)


def _capacitor(word: str) -> Iterator[Clue]:
    if marking := read_digits(word, dimension="capacitance"):
        clue = _digits(marking, "in pF")
        if marking.tolerance and marking.value >= 10e-12 and word[-1] in _FINE_LETTERS:
            fine = Doubt(1, f"{tolerance_words(marking.tolerance)} is finer than such capacitors are")
            clue = replace(clue, doubts=(fine,))
        yield clue
    picofarads = merged("capacitor_letters", "picofarads")
    safety = {name for row in rows("safety_classes") for name in row["names"]}
    if (match := _LETTER_AND_DIGIT.fullmatch(word)) and match[1] in picofarads and word not in safety:
        yield Clue(
            f"{match[1]} is {picofarads[match[1]]:g}, then {_zeros(match[2])}, in pF",
            "letter and digit",
            float(f"{picofarads[match[1]]}e{int(match[2]) - 12}"),
            doubts=(Doubt(1, "few ceramic chips are marked so"),),
        )


def _inductor(word: str) -> Iterator[Clue]:
    if match := _MICROHENRIES.fullmatch(word):
        words = f"{match[1]} and {_zeros(match[2])}, in µH"
        yield Clue(words, "code in µH", float(f"{match[1]}e{int(match[2]) - 6}"), match[3])
    elif match := _POINT.fullmatch(word):
        yield from _pointed(match, "code in µH", "in µH")
    elif (match := _NANOHENRIES.fullmatch(word)) and (value := _number(match[1], match[2], -9)):
        yield Clue("N is the decimal point, in nH", "code in µH", value, match[3])


def _pointed(match: re.Match[str], system: str, unit: str) -> Iterator[Clue]:
    if value := _number(match[1], match[2], -6):
        yield Clue(f"R is the decimal point, {unit}", system, value, match[3])


def _digits(marking: Marking, unit: str = "") -> Clue:
    code = marking.code[:-1] if marking.tolerance else marking.code
    if "R" in code:
        words = "R is the decimal point"
    elif unit and code[-1] in "89":
        words = f"{code[:-1]} x {'0.01' if code[-1] == '8' else '0.1'}"
    else:
        words = f"{code[:-1]} and {_zeros(code[-1])}"
    return _told(marking, f"{words}, {unit}" if unit else words)


def _told(marking: Marking, words: str) -> Clue:
    letter = marking.code[-1] if marking.tolerance is not None else ""
    return Clue(words, marking.system, marking.value, letter)


def _zeros(digit: str) -> str:
    return {"0": "no zero", "1": "1 zero"}.get(digit, f"{digit} zeros")


def _number(whole: str, part: str, exponent: int) -> float:
    """The number a point between two rows of digits makes; 0 where there are none."""
    return float(f"{whole or 0}.{part or 0}e{exponent}")


# --- in clear -------------------------------------------------------------------------------------

_CLEAR = re.compile(r"([0-9]{0,5})(?:([.,])([0-9]{1,4}))?(.*)")
_CLEAR_UNITS: dict[str, dict[str, int]] = {
    "resistance": {
        **dict.fromkeys(("R", "Ω", "ohm", "ohms", "OHM"), 0),
        **dict.fromkeys(("k", "K", "kΩ", "KΩ", "kohm"), 3),
        **dict.fromkeys(("M", "MΩ", "Mohm"), 6),
        **dict.fromkeys(("mΩ", "mohm"), -3),
    },
    "capacitance": {
        **dict.fromkeys(("p", "pF", "pf", "PF"), -12),
        **dict.fromkeys(("n", "nF", "nf", "NF"), -9),
        **dict.fromkeys(("u", "uF", "uf", "µ", "µF", "µf", "UF", "mfd", "MFD", "MF"), -6),
        "mF": -3,
        "F": 0,
    },
    "inductance": {
        **dict.fromkeys(("n", "nH", "nh", "NH"), -9),
        **dict.fromkeys(("u", "uH", "uh", "µ", "µH", "µh", "UH"), -6),
        **dict.fromkeys(("m", "mH", "mh", "MH"), -3),
        "H": 0,
    },
}
UNITS = frozenset().union(*_CLEAR_UNITS.values())
"""Units that a value in clear may have, as printed."""


def _in_clear(word: str, kind: Kind) -> Iterator[Clue]:
    match = _CLEAR.fullmatch(word)
    if match is None or not (match[1] or match[3]):
        return
    whole, point, part, unit = match.groups(default="")
    units = _CLEAR_UNITS[kind.dimension]
    code = read_letter_code(word, dimension=kind.dimension)
    letter = ""
    if unit not in units and unit[:-1] in units and unit[-1] in "JKMFG":
        unit, letter = unit[:-1], unit[-1]
    if unit in units and code is None and (value := _number(whole, part, units[unit])):
        yield Clue("with its unit", "in clear", value, letter)
    elif unit in ("", *"JKMFGDCZ") and (point or _even(whole, kind)):
        yield from _without_unit(whole, bool(point), part, unit, kind)


def _even(whole: str, kind: Kind) -> bool:
    """Whether an integer is one that parts are marked with in clear."""
    if kind is Kind.CAPACITOR and len(whole) == 1:
        return whole != "0"
    return whole[0] != "0" and coarsest_series(float(whole)) == "E24"


def _without_unit(whole: str, point: bool, part: str, letter: str, kind: Kind) -> Iterator[Clue]:
    """A bare number: nobody prints one that is no E24 value, unless a point shows that it is in clear.

    The letter behind is a tolerance; after three digits those are a code, which `values` reads.
    """
    code = len(whole) > 2 and not point and kind is not Kind.ELECTROLYTIC
    if letter and (kind is Kind.RESISTOR or code):
        return
    exponent, unit = {
        Kind.RESISTOR: (0, "Ω"),
        Kind.CAPACITOR: (-6, "µF") if point else (-12, "pF"),
        Kind.ELECTROLYTIC: (-6, "µF"),
        Kind.INDUCTOR: (-6, "µH"),
    }[kind]
    value = _number(whole, part, exponent)
    if not value:
        return
    doubts: tuple[Doubt, ...] = ()
    if kind in (Kind.RESISTOR, Kind.INDUCTOR):
        doubts = (Doubt(1, "a bare number in clear is rare on such parts"),)
    elif kind is Kind.ELECTROLYTIC and letter:
        doubts = (Doubt(1, "such parts seldom print a tolerance letter onto the number"),)
    elif kind is Kind.CAPACITOR and not point and len(whole) > 2:
        doubts = (Doubt(1, "three digits and more are a code as a rule"),)
    number = f"{whole or 0}.{part}" if point else whole
    yield Clue(f"{number} {unit}", "in clear", value, letter, doubts=doubts)
    if kind is Kind.CAPACITOR and point and whole.strip("0"):
        mostly = Doubt(1, "a number with a point is mostly of microfarads")
        yield Clue(f"{number} pF", "in clear", _number(whole, part, -12), letter, doubts=(mostly,))
