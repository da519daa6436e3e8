"""Colour bands of resistors and inductors, written as words or letters and read from both ends.

>>> [(bands.value, bands.tolerance) for bands in read_bands(read_colours(["br", "bk", "rd", "gd"]))]
[(1000.0, 0.05)]
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any

from flyback.errors import Problem, QuantityError
from flyback.reference import rows
from flyback.units import shown

MOST_BANDS = 6
_HOW = "Write the bands in order, such as brown black red gold or br bk rd gd."
_EXPECTED = "3 to 6 colours, or one black band"


@dataclass(frozen=True, slots=True)
class Bands:
    """Colour bands as read from one end.

    Attributes:
        colours: the bands in the order in which they were read.
        digits: the significant digits, as a number of two or three.
        exponent: power of ten they are multiplied with.
        tolerance: half-width as a fraction.
        drift: temperature coefficient [1/K], or None where no band tells.
        turned: True where they were read from the end that was written last.
    """

    colours: tuple[str, ...]
    digits: str
    exponent: int
    tolerance: float | None
    drift: float | None
    turned: bool

    @property
    def value(self) -> float:
        """In ohm on a resistor, in microhenry on an inductor."""
        return float(f"{self.digits}e{self.exponent}")

    @property
    def tolerance_colour(self) -> str:
        return self.colours[len(self.digits) + 1] if len(self.colours) > len(self.digits) + 1 else "none"


@cache
def colour_table() -> Mapping[str, Mapping[str, Any]]:
    """What each colour means, by its name."""
    return {colour["name"]: colour for row in rows("colour_bands") for colour in row["colours"]}


@cache
def _abbreviations() -> Mapping[str, str]:
    return {short: name for row in rows("colour_names") for short, name in row["names"].items()}


def meant(word: str) -> tuple[str, ...]:
    """The colours a word may mean: one, none, or several where it is too short to tell.

    >>> meant("Brown"), meant("bl"), meant("gd"), meant("mauve")
    (('brown',), ('black', 'blue'), ('gold',), ())
    """
    folded = word.casefold()
    if folded in colour_table():
        return (folded,)
    if folded in _abbreviations():
        return (_abbreviations()[folded],)
    # a lone n or none's other beginnings would be taken for any typing slip
    return tuple(name for name in colour_table() if name != "none" and name.startswith(folded))


def looks_like_bands(words: Sequence[str]) -> bool:
    """Whether words are meant as colours, be they spelt right or not."""
    if any(re.search("[0-9%]", word) for word in words):
        return False
    known = sum(1 for word in words if meant(word) and (len(word) > 1 or len(words) > 1))
    return known > 0 and 2 * known >= len(words)


def read_colours(words: Sequence[str]) -> tuple[str, ...]:
    """The names of colours written as words or letters.

    Raises QuantityError with every word that is no colour, or may be more than one.
    """
    problems: list[Problem] = []
    names: list[str] = []
    for word in words:
        colours = meant(word)
        if len(colours) == 1:
            names += colours
        elif colours:
            ways = " or ".join(f"{_shortest(name)} ({name})" for name in colours)
            problems.append(
                Problem(
                    f"{shown(word)} may be {_either(colours)}.",
                    given=word,
                    expected=_either(colours),
                    hint=f"Write {ways}.",
                )
            )
        else:
            folded = word.casefold()
            close = get_close_matches(folded, colour_table(), n=1) or get_close_matches(
                folded, _abbreviations(), n=1
            )
            hint = f"Did you mean {close[0]}?" if close else f"Colours are {', '.join(colour_table())}."
            problems.append(
                Problem(
                    f"{shown(word)} is no colour of a band.", given=word, expected="a colour", hint=hint
                )
            )
    if problems:
        raise QuantityError(tuple(problems))
    return tuple(names)


def read_bands(colours: Sequence[str]) -> tuple[Bands, ...]:
    """Every reading of bands, from the end written first and then from the other.

    Raises QuantityError where neither end can be the first.

    >>> [bands.value for bands in read_bands(("brown", "black", "red", "red"))]
    [1000.0, 22.0]
    """
    bands = tuple(colours)
    if bands == ("black",):
        return (Bands(bands, "0", 0, None, None, False),)
    ends = [(bands, False), (bands[::-1], True)]
    if "none" in bands:
        # only the missing fourth band is written "none", and that tells which end it is
        ends = [(end[:-1], turned) for end, turned in ends if len(end) == 4 and end[-1] == "none"]
    if not ends or not 3 <= len(ends[0][0]) <= MOST_BANDS or "none" in ends[0][0]:
        raise _unfit(bands, _count_fault(bands), _HOW)
    found: list[Bands] = []
    faults: list[str] = []
    for end, turned in ends:
        if fault := _fault(end):
            faults.append(fault)
        elif all(end != other.colours for other in found):
            found.append(_read(end, turned))
    if not found:
        raise _unfit(bands, " and ".join(faults), "Look at the colours again: heat browns red and orange.")
    return tuple(found)


def _read(end: tuple[str, ...], turned: bool) -> Bands:
    table, count = colour_table(), 2 if len(end) <= 4 else 3
    last = end[count + 1] if len(end) > count + 1 else "none"
    ppm = table[end[5]]["ppm_per_K"] if len(end) == MOST_BANDS else None
    return Bands(
        colours=end,
        digits="".join(str(table[colour]["digit"]) for colour in end[:count]),
        exponent=table[end[count]]["multiplier"],
        tolerance=table[last]["tolerance_percent"] / 100,
        drift=None if ppm is None else float(f"{ppm}e-6"),
        turned=turned,
    )


def _fault(end: tuple[str, ...]) -> str | None:
    """Why bands cannot be read from an end."""
    count = 2 if len(end) <= 4 else 3
    meanings = [*["digit"] * count, "multiplier", "tolerance_percent", "ppm_per_K"]
    names = {
        "digit": "digit",
        "multiplier": "multiplier",
        "tolerance_percent": "tolerance",
        "ppm_per_K": "temperature coefficient",
    }
    for colour, meaning in zip(end, meanings, strict=False):
        if meaning not in colour_table()[colour]:
            return f"{colour} is no {names[meaning]} (read from {end[0]} on)"
    return None


def _count_fault(bands: tuple[str, ...]) -> str:
    if "none" in bands:
        return "none stands for a missing fourth band, the tolerance"
    return "1 band is no code" if len(bands) == 1 else f"{len(bands)} bands are no code"


def _unfit(bands: tuple[str, ...], fault: str, hint: str) -> QuantityError:
    text = " ".join(bands)
    return QuantityError(
        Problem(
            f"{shown(text)} cannot be read: {fault}.",
            given=shown(text)[1:-1],
            expected=_EXPECTED,
            hint=hint,
        )
    )


def _shortest(name: str) -> str:
    return next(short for short, colour in _abbreviations().items() if colour == name)


def _either(names: Sequence[str]) -> str:
    return " or ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def doubtful_tolerance(bands: Bands) -> str | None:
    """What speaks against the tolerance band of a reading, in words.

    >>> doubtful_tolerance(read_bands(("red", "red", "brown", "gold"))[0]) is None
    True
    """
    colour = colour_table()[bands.tolerance_colour]
    percent, older = colour["tolerance_percent"], colour.get("older_tolerance_percent")
    if older is not None:
        return f"{colour['name']} as a tolerance (± {percent:g} %, once ± {older:g} %) is rare"
    if len(bands.digits) == 2 and percent < 1:
        return f"± {percent:g} % with two digits is rare"
    if len(bands.digits) == 3 and percent > 2:
        return f"± {percent:g} % with three digits is rare"
    return None


_ALIKE = (
    ("black", "brown"),
    ("brown", "red"),
    ("red", "orange"),
    ("brown", "orange"),
    ("orange", "yellow"),
    ("orange", "gold"),
    ("yellow", "gold"),
    ("green", "blue"),
    ("blue", "violet"),
    ("violet", "grey"),
    ("black", "blue"),
    ("grey", "silver"),
    ("grey", "white"),
    ("white", "silver"),
)
"""Colours that heat, age and lamplight make alike (our choice)."""


def misread_bands(bands: Bands) -> Iterator[tuple[Bands, str]]:
    """Bands with one colour taken for another like it, and which one, digits and multiplier only.

    >>> bands = read_bands(("red", "red", "red", "gold"))[0]
    >>> [(other.value, words) for other, words in misread_bands(bands)][:2]
    [(1200.0, 'red taken for brown'), (3200.0, 'red taken for orange')]
    """
    for place in range(len(bands.digits) + 1):
        colour = bands.colours[place]
        for pair in _ALIKE:
            if colour not in pair:
                continue
            other = pair[1 - pair.index(colour)]
            changed = (*bands.colours[:place], other, *bands.colours[place + 1 :])
            if _fault(changed) is None:
                yield _read(changed, bands.turned), f"{colour} taken for {other}"
