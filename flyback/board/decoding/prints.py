"""What all the words printed on a part say together, on a part of each kind.

Where no way of reading explains every word, the ways that explain most are kept and the words left over
are told.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from flyback.board.decoding.clues import (
    CAPACITORS,
    Clue,
    Doubt,
    Kind,
    Reading,
    Standing,
    coarsest_series,
    figure_source,
    tolerance_words,
    usual_part,
)
from flyback.board.decoding.colour_bands import meant
from flyback.board.decoding.printed_words import clues, known_words, words_of
from flyback.board.markings import tolerance_of
from flyback.errors import Problem, QuantityError
from flyback.reference import merged, rows
from flyback.units import format_quantity, parse, shown

MOST_WORDS = 8
"""A part has no room for more."""

LEAST_VOLTS = 50
"""Rated voltage below which ceramic and film capacitors seldom print it (our choice) [V]."""

HOW = "Write what is printed, such as 4K7, 103, 01C, 104J, 2A104K, 100 16V or br bk rd gd."

_TURNED = str.maketrans("01689HINOSXZMW", "01986HINOSXZWM")
_LIKE_DIGITS = str.maketrans("OoQDIl|BSZG", "00001118526")
_LIKE_LETTERS = {"X": "K", "H": "K", "P": "R", "B": "R", "A": "R", "N": "M", "W": "M", "V": "U"}
_FIGURES = ("value", "tolerance", "voltage", "power", "temperature", "letter")
_MOST_WAYS = 64
_SAME = 1e-6


@dataclass(frozen=True, slots=True)
class Found:
    """A reading, with the words it leaves over."""

    reading: Reading
    unread: tuple[str, ...]


def read_print(text: str, kinds: Sequence[Kind]) -> tuple[list[Reading], tuple[str, ...]]:
    """Every reading of a print by the given kinds of part, unranked, and the words no reading explains.

    Raises QuantityError where there is none, or where the words contradict each other.

    >>> readings, unread = read_print("100 16V", [Kind.ELECTROLYTIC])
    >>> [(one.value, one.clue.voltage) for one in readings], unread
    ([(0.0001, 16.0)], ())
    """
    words = words_of(text)
    if len(words) > MOST_WORDS:
        raise _refusal(text, f"has {len(words)} words; a part has room for {MOST_WORDS}", HOW)
    found = [one for way in _ways(words) for one in _readings(way, kinds)]
    if not found:
        mended = _Way([word.translate(_LIKE_DIGITS) for word in words], _LETTER_FOR_DIGIT)
        found = [one for one in _readings(mended, kinds) if one.reading.standing is not Standing.UNLIKELY]
    if not found and (clash := _clash(words, kinds)):
        raise _contradiction(text, words, clash[1])
    if not found:
        raise _unreadable(text, words, kinds)
    least = min(len(one.unread) for one in found)
    if (clash := _clash(words, kinds)) and clash[0] < least:
        raise _contradiction(text, words, clash[1])
    kept = [one for one in found if len(one.unread) == least]
    return [one.reading for one in kept], kept[0].unread


@dataclass(frozen=True, slots=True)
class _Way:
    """Words as they are written, or as they may be meant."""

    words: Sequence[str]
    doubt: Doubt | None = None


_LETTER_FOR_DIGIT = Doubt(1, "a letter taken for the digit it looks like")


def _ways(words: Sequence[str]) -> Iterator[_Way]:
    yield _Way(words)
    # n, p and u are never meant as capitals
    capitals = [re.sub("[a-moq-tv-z]", lambda small: small[0].upper(), word) for word in words]
    if capitals != words:
        yield _Way(capitals, Doubt(1, "small letters taken for capitals"))
    if len(words) == 1 and (turned := turned_round(words[0])):
        yield _Way([turned], Doubt(2, f"only if {words[0]} was read upside down"))


def turned_round(word: str) -> str | None:
    """A word as it reads upside down, where that is another word.

    >>> turned_round("X89"), turned_round("103"), turned_round("101")
    ('68X', None, None)
    """
    if re.fullmatch("[01689HINOSXZMW]+", word) and (turned := word.translate(_TURNED)[::-1]) != word:
        return turned
    return None


def _readings(way: _Way, kinds: Sequence[Kind]) -> Iterator[Found]:
    for kind in kinds:
        ways, unread = _together(way.words, kind)
        for clue in ways:
            if (reading := _reading(" ".join(way.words), kind, clue)) is None:
                continue
            if way.doubt is not None:
                reading = replace(reading, doubts=(way.doubt, *reading.doubts))
            # what only stands on its head is a chip without other print
            if way.doubt is None or way.doubt.weight < 2 or kind not in CAPACITORS:
                yield Found(reading, unread)


def _together(words: Iterable[str], kind: Kind) -> tuple[list[Clue], tuple[str, ...]]:
    """Every way in which words agree, and the words that say nothing on such a part."""
    ways, unread = [Clue("")], []
    for word in words:
        options = clues(word, kind)
        if not options:
            unread.append(word)
            continue
        ways = [both for clue in ways for option in options if (both := _both(clue, option, word))]
        del ways[_MOST_WAYS:]
    return ways, tuple(unread)


def _both(one: Clue, other: Clue, word: str) -> Clue | None:
    """What words say together with the next one, or None where they contradict each other."""
    if word.isdecimal() and other.value is None and one.value is None:
        return None  # a bare number is a rating only behind a value
    for figure in _FIGURES:
        first, second = getattr(one, figure), getattr(other, figure)
        if first not in (None, "") and second not in (None, "") and not _same(first, second):
            return None
    filled = {key: getattr(other, key) for key in _FIGURES if getattr(one, key) in (None, "")}
    return replace(
        one,
        **filled,
        system=one.system or other.system,
        words="; ".join(filter(None, (one.words, other.words))),
        remark="; ".join(filter(None, (one.remark, other.remark))),
        sources=(*one.sources, *other.sources),
        doubts=(*one.doubts, *other.doubts),
    )


def _same(first: object, second: object) -> bool:
    if isinstance(first, float | int) and isinstance(second, float | int):
        return math.isclose(first, second, rel_tol=_SAME)
    return first == second


def _reading(code: str, kind: Kind, clue: Clue) -> Reading | None:
    """A reading with its tolerance and doubts; None where there is no value, or two tolerances."""
    value, tolerance = clue.value, clue.tolerance
    if value is None:
        return None
    if clue.letter:
        meant = tolerance_of(clue.letter, value=value, dimension=kind.dimension)
        if meant is None or (tolerance is not None and not all(map(math.isclose, meant, tolerance))):
            return None
        tolerance = meant
        key = next(
            key
            for key in ("percent", "lower_and_upper_percent")
            if clue.letter in merged("tolerance_letters", key)
        )
        clue = replace(
            clue,
            words=f"{clue.words}; {clue.letter} is {tolerance_words(meant)}",
            sources=(
                *clue.sources,
                *figure_source(f"tolerance letter {clue.letter}", "tolerance_letters", key, clue.letter),
            ),
        )
    reading = Reading(kind, code, value, tolerance, clue)
    return replace(reading, doubts=(*clue.doubts, *value_doubts(reading)))


def value_doubts(reading: Reading) -> Iterator[Doubt]:
    """What speaks against the figures of a reading: nobody makes such a part."""
    value, kind = reading.value, reading.kind
    if value == 0.0:
        return
    lowest, highest = (
        parse(usual_part(kind)[end], dimension=kind.dimension).nominal for end in ("lowest", "highest")
    )
    if not lowest * (1 - _SAME) <= value <= highest * (1 + _SAME):
        word, limit = ("less", lowest) if value < lowest else ("more", highest)
        yield Doubt(2, f"{word} than such parts usually have ({format_quantity(limit, kind.dimension)})")
    name = coarsest_series(value)
    # ceramic capacitors below 10 pF are made in whole and half picofarads
    if name is None and not _for_sensing(reading) and not (kind is Kind.CAPACITOR and value < 10e-12):
        yield Doubt(2, "a value of no E series")
    elif name in ("E96", "E192") and (kind is not Kind.RESISTOR or _two_digits(reading)):
        yield Doubt(1, f"no E24 value ({name} has it)")
    if kind is Kind.CAPACITOR and (reading.clue.voltage or LEAST_VOLTS) < LEAST_VOLTS:
        yield Doubt(1, f"below {LEAST_VOLTS} V it is mostly electrolytic ones that print their volts")
    if reading.tolerance is not None:
        yield from _tolerance_doubts(kind, *reading.tolerance)


def _tolerance_doubts(kind: Kind, low: float, high: float) -> Iterator[Doubt]:
    if kind is Kind.ELECTROLYTIC and high < 0.09:
        yield Doubt(1, "electrolytic capacitors are ± 10 % at best")
    if low <= -0.5:
        yield Doubt(2, "a tolerance as large as the value")
    if kind not in CAPACITORS and not _same(-low, high):
        yield Doubt(2, "limits that differ are those of capacitors")


def _two_digits(reading: Reading) -> bool:
    """Whether a code has room for two digits only."""
    bands = reading.clue.system == "colour bands" and len(reading.code.split()) <= 4
    return bands or reading.clue.system == "3-digit code"


def _for_sensing(reading: Reading) -> bool:
    mantissa = float(f"{reading.value:.6e}".partition("e")[0])
    senses = reading.kind is Kind.RESISTOR and reading.value < 1
    return senses and any(mantissa in row["mantissas"] for row in rows("sense_values"))


# --- refusing -------------------------------------------------------------------------------------


def _unreadable(text: str, words: Sequence[str], kinds: Sequence[Kind]) -> QuantityError:
    asked = "a part" if len(kinds) == len(Kind) else kinds[0].a_noun
    if any(not _together(words, kind)[1] for kind in kinds):
        return _refusal(
            text, "says a rating but no value", "Write the value too, such as 104 2A or 100 16V."
        )
    for other in _readings(_Way(words), [kind for kind in Kind if kind not in kinds]):
        if not other.unread:
            reading = other.reading
            value = format_quantity(reading.value, reading.kind.dimension)
            return _refusal(text, f"is no marking of {asked}", f"On {reading.kind.a_noun} it is {value}.")
    if any(len(word) > 2 and meant(word) for word in words):
        return _refusal(text, "mixes bands and print", "Write the bands alone, or the print alone.")
    strange = [word for word in words if not any(clues(word, kind) for kind in kinds)]
    hints = list(filter(None, (nearest_word(word, kinds) for word in strange)))
    what = f"is no marking of {asked}" if len(words) == len(strange) else "says no value"
    return _refusal(text, what, " ".join(hints) or HOW)


def _clash(words: Sequence[str], kinds: Sequence[Kind]) -> tuple[int, Kind] | None:
    """The kind on which most words say something, but not one thing; with the number of words left over."""
    clashes = []
    for kind in kinds:
        ways, unread = _together(words, kind)
        if not any(clue.value is None or _reading("", kind, clue) for clue in ways):
            clashes.append((len(unread), kind))
    return min(clashes, key=lambda clash: clash[0], default=None)


def _contradiction(text: str, words: Sequence[str], kind: Kind) -> QuantityError:
    said = "; ".join(f"{word} is {_gist(word, kind)}" for word in words if clues(word, kind))
    hint = "One part has one value: read it again, or decode two parts one after the other."
    return _refusal(text, f"contradicts itself on {kind.a_noun}: {said}", hint)


def _gist(word: str, kind: Kind) -> str:
    """The first thing a word says, with its unit."""
    clue = clues(word, kind)[0]
    figures = (
        (clue.value, kind.dimension),
        (clue.voltage, "voltage"),
        (clue.power, "power"),
        (clue.temperature, "temperature"),
    )
    for figure, dimension in figures:
        if figure is not None:
            return format_quantity(figure, dimension)
    return (
        tolerance_words(clue.tolerance) if clue.tolerance else clue.remark or f"a tolerance, {clue.letter}"
    )


def nearest_word(word: str, kinds: Sequence[Kind]) -> str | None:
    """What a word that says nothing may have been, or None."""
    for known in known_words():
        if len(known) == len(word) == 3 and sum(map(str.__ne__, known, word.upper())) == 1:
            return f"Is {shown(word)} perhaps {known}?"
    for place, sign in enumerate(word):
        if not sign.isalpha():
            continue
        for other in dict.fromkeys((_LIKE_LETTERS.get(sign.upper(), "R"), *"RKMnup")):
            mended = word[:place] + other + word[place + 1 :]
            if any(clue.value is not None for kind in kinds for clue in clues(mended, kind)):
                return f"Is {shown(word)} perhaps {mended}?"
    return None


def _refusal(text: str, what: str, hint: str) -> QuantityError:
    return QuantityError(
        Problem(f"{shown(text)} {what}.", given=shown(text)[1:-1], expected="a marking", hint=hint)
    )
