"""All that a word printed on a part can say: a value, a rating, or a value with a rating behind it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import product

from flyback.board.decoding.clues import CAPACITORS, Clue, Doubt, Kind, Source, figure_source
from flyback.board.decoding.printed_values import UNITS, values
from flyback.reference import merged, rows

_PAIRS = {code: volts for code, volts in merged("voltage_codes", "volts").items() if len(code) == 2}
_LONE = {code: volts for code, volts in merged("voltage_codes", "volts").items() if len(code) == 1}
_RATED = frozenset(_PAIRS.values())
_LETTERS = frozenset(
    {*merged("tolerance_letters", "percent"), *merged("tolerance_letters", "lower_and_upper_percent")}
)

_VOLTS = re.compile(r"([0-9]{1,4}(?:[.,][0-9]{1,2})?)([kK]?)(?:WV|VDC|VAC|V[~=-]?)", re.IGNORECASE)
_WITH_VOLTS = re.compile(
    r"(.*[A-Za-zµΩ])([0-9]{1,4}(?:[.,][0-9]{1,2})?[kK]?V(?:DC|AC|[~=-])?)", re.IGNORECASE
)
_WITH_BARE_VOLTS = re.compile(r"(.*[0-9][JKM])([0-9]{2,4})")
_WITH_CODE_BEFORE = re.compile(r"([0-3][A-Z])([1-9][0-9]{2}[A-Z]?)")
_WITH_CODE_BEHIND = re.compile(r"([1-9][0-9]{2}[A-Z])([0-3][A-Z])")
_WITH_LONE_LETTER = re.compile(r"(?:([A-Z])([0-9]{2,3})|([0-9]{2,4})([A-Z]))")
_WATTS = re.compile(r"([0-9]{1,2}(?:\.[0-9])?|1/[248])W(.*)", re.IGNORECASE)
_PERCENT = re.compile(r"(?:±|\+/-|\+-)?([0-9]{1,2}(?:[.,][0-9]{1,3})?)%")
_UNEQUAL = re.compile(r"(?:-([0-9]{1,2})[/ ]?\+([0-9]{1,3})|\+([0-9]{1,3})[/ ]?-([0-9]{1,2}))%")
_DEGREES = re.compile(r"([0-9]{2,3})(°|º|deg)?C", re.IGNORECASE)
_HOT = frozenset((85, 100, 105, 110, 125, 130, 150))
_DIELECTRIC = re.compile("([A-Z])([0-9])([A-Z])")


def clues(word: str, kind: Kind) -> tuple[Clue, ...]:
    """Every way to read a word on a part of a kind, one for each set of figures.

    >>> [(clue.value, clue.voltage, clue.letter) for clue in clues("2A104J", Kind.CAPACITOR)]
    [(1e-07, 100.0, 'J')]
    """
    return (*values(word, kind), *_with_rating(word, kind), *_ratings(word, kind))


# --- a value with a rating ------------------------------------------------------------------------


def _with_rating(word: str, kind: Kind) -> Iterator[Clue]:
    if kind is Kind.RESISTOR and (match := _WATTS.fullmatch(word)) and match[2]:
        yield from _joined(match[2], kind, _watts(match[1]))
    if kind not in CAPACITORS:
        return
    if match := _WITH_VOLTS.fullmatch(word):
        yield from _joined(match[1], kind, _volts(match[2]))
    elif (match := _WITH_CODE_BEFORE.fullmatch(word)) and match[1] in _PAIRS:
        yield from _joined(match[2], kind, _volts_of(match[1], _PAIRS))
    elif (match := _WITH_CODE_BEHIND.fullmatch(word)) and match[2] in _PAIRS:
        yield from _joined(match[1], kind, _volts_of(match[2], _PAIRS))
    elif (match := _WITH_BARE_VOLTS.fullmatch(word)) and float(match[2]) in _RATED:
        yield from _joined(match[1], kind, Clue(f"{match[2]} V", voltage=float(match[2])))
    if kind is Kind.ELECTROLYTIC and (match := _WITH_LONE_LETTER.fullmatch(word)):
        before, number_behind, number, behind = match.groups(default="")
        # 16V is a voltage
        if (letter := before + behind) in _LONE and behind != "V":
            yield from _joined(number_behind + number, kind, _volts_of(letter, _LONE))


def _joined(word: str, kind: Kind, rating: Clue) -> Iterator[Clue]:
    """The values of a word, each with a rating that was printed onto it."""
    for clue in values(word, kind):
        yield replace(
            rating,
            system=clue.system,
            value=clue.value,
            letter=clue.letter,
            sources=(*clue.sources, *rating.sources),
            words="; ".join(filter(None, (clue.words, rating.words))),
            doubts=(*clue.doubts, *rating.doubts),
        )


# --- ratings --------------------------------------------------------------------------------------


def _ratings(word: str, kind: Kind) -> Iterator[Clue]:
    if word in _LETTERS:
        yield Clue("", letter=word)
    if match := _PERCENT.fullmatch(word):
        share = float(match[1].replace(",", ".")) / 100
        yield Clue("", tolerance=(-share, share))
    elif match := _UNEQUAL.fullmatch(word):
        low, high = match[1] or match[4], match[2] or match[3]
        yield Clue("", tolerance=(-float(low) / 100, float(high) / 100))
    if kind is Kind.RESISTOR and (match := _WATTS.fullmatch(word)) and not match[2]:
        yield _watts(match[1])
    if kind in CAPACITORS:
        yield from _of_capacitor(word, kind)


def _of_capacitor(word: str, kind: Kind) -> Iterator[Clue]:
    if _VOLTS.fullmatch(word):
        yield _volts(word)
    elif word in _PAIRS:
        yield _volts_of(word, _PAIRS)
    elif word in _LONE and kind is Kind.ELECTROLYTIC:
        yield _volts_of(word, _LONE)
    elif word.isdecimal() and float(word) in _RATED:
        yield _bare_volts(word)
    if kind is Kind.ELECTROLYTIC and word in ("85", "105", "125"):
        doubt = Doubt(1, f"{word} is taken for degrees without a sign")
        yield Clue(f"up to {word} °C", temperature=int(word) + 273.15, doubts=(doubt,))
    if (match := _DEGREES.fullmatch(word)) and (match[2] or int(match[1]) in _HOT):
        yield Clue(f"up to {match[1]} °C", temperature=int(match[1]) + 273.15)
    if kind is Kind.CAPACITOR:
        yield from _named(word.upper())


def _volts(word: str) -> Clue:
    match = _VOLTS.fullmatch(word)
    assert match is not None  # every caller has matched it
    return Clue("", voltage=float(match[1].replace(",", ".")) * (1000 if match[2] else 1))


def _volts_of(code: str, table: dict[str, float]) -> Clue:
    sources = figure_source(f"voltage code {code}", "voltage_codes", "volts", code)
    return Clue(f"{code} is {table[code]:g} V", voltage=float(table[code]), sources=sources)


def _bare_volts(word: str) -> Clue:
    doubt = Doubt(1, f"{word} is taken for volts without a V")
    return Clue("", voltage=float(word), doubts=(doubt,))


def _watts(number: str) -> Clue:
    over, _, under = number.partition("/")
    return Clue("", power=float(over) / float(under or 1))


def _named(word: str) -> Iterator[Clue]:
    """A class of ceramic, or of capacitors on the mains."""
    named = (*rows("stable_dielectrics"), *rows("safety_classes"))
    row = next((row for row in named if word in row["names"]), None)
    meaning = None if row is None else row["meaning"]
    if row is None:
        (row,), meaning = rows("dielectric_codes"), _dielectric(word)
    if meaning is not None:
        yield Clue("", remark=f"{word}: {meaning}", sources=(Source(word, row["source"], row["basis"]),))


@cache
def known_words() -> tuple[str, ...]:
    """Words other than figures that are read on capacitors, the commonest first."""
    signs = (merged("dielectric_codes", key) for key in ("lowest_degC", "highest_degC", "change_percent"))
    common = ("X7R", "X5R", "Y5V", "Z5U", "Y5P")
    named = (
        name for row in (*rows("stable_dielectrics"), *rows("safety_classes")) for name in row["names"]
    )
    return (*common, *named, *("".join(code) for code in product(*signs)))


def _dielectric(word: str) -> str | None:
    match = _DIELECTRIC.fullmatch(word)
    if match is None:
        return None
    coldest, hottest, change = (
        merged("dielectric_codes", key).get(sign)
        for key, sign in zip(("lowest_degC", "highest_degC", "change_percent"), match.groups(), strict=True)
    )
    if coldest is None or hottest is None or change is None:
        return None
    low, high = change
    drift = f"± {high:g} %" if high == -low else f"{low:g}/+{high:g} %"
    return f"{drift} from {coldest} to {hottest} °C"


# --- words of a marking ---------------------------------------------------------------------------

_NUMBER = re.compile(r"[±+-]?[0-9]*[.,]?[0-9]+(?:[/ ]?[+-][0-9]+)?")
_BEHIND_NUMBERS = UNITS | {"V", "VDC", "VAC", "WV", "kV", "KV", "W", "%", "°C"}


def words_of(text: str) -> list[str]:
    """The words of a print, with the unit of a number drawn to it.

    >>> words_of("100 uF / 16 V"), words_of("0R22 1/2W +/- 5 %"), words_of("104Z -20/+80 %")
    (['100uF', '16V'], ['0R22', '1/2W', '±5%'], ['104Z', '-20/+80%'])
    """
    signed = re.sub(r"(?:±|\+/-|\+-) ?", "±", text)
    words: list[str] = []
    for word in re.sub(r"/(?![248]W|[+-])|[;|]", " ", signed).split():
        if words and word in _BEHIND_NUMBERS and _NUMBER.fullmatch(words[-1]):
            words[-1] += word
        else:
            words.append(word)
    return words
