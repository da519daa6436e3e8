"""Every reading of what is printed on a part, the likeliest first, with what speaks against each.

`flyback.board.markings` reads a code strictly and refuses what is ambiguous; here all that a print may
mean is listed instead.

>>> [(str(one.kind), one.value) for one in decode("102").readings]
[('resistor', 1000.0), ('capacitor', 1e-09), ('inductor', 0.001)]
>>> [one.value for one in decode("brown black red red", kind=Kind.RESISTOR).readings]
[1000.0, 22.0]
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from flyback.board.decoding import colour_bands
from flyback.board.decoding.clues import CAPACITORS, Clue, Doubt, Kind, Reading, Standing
from flyback.board.decoding.colour_bands import Bands, colour_table
from flyback.board.decoding.conflict import Conflict, find_conflict
from flyback.board.decoding.measured import Fit, Measured, compare, read_measured
from flyback.board.decoding.prints import HOW, nearest_word, read_print, value_doubts
from flyback.errors import Problem, QuantityError, RequestError
from flyback.reference import rows
from flyback.units import format_quantity, shown, tidy

MOST_CHARACTERS = 80
"""A part has no room for more; six colours in words have not many fewer."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """All readings of a marking.

    Attributes:
        asked: the kind of part that was named, or None.
        readings: the likeliest first; ``fits`` has the fit of each, or is empty without a measurement.
        unread: words that no reading explains.
        notices: what else to look at.
        conflict: where the measurement does not fit the marking as it is usually read.
    """

    text: str
    asked: Kind | None
    readings: tuple[Reading, ...]
    fits: tuple[Fit, ...]
    unread: tuple[str, ...]
    notices: tuple[str, ...]
    measured: Measured | None
    conflict: Conflict | None

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Kinds of part with a reading that is not unlikely."""
        likely = {one.kind for one in self.readings if one.standing is not Standing.UNLIKELY}
        return tuple(kind for kind in Kind if kind in likely)

    @property
    def exit_code(self) -> int:
        """1 where no reading fits what was measured, else 0."""
        return int(self.conflict is not None and not self.conflict.settled)


def decode(text: str, *, kind: Kind | None = None, measured: str | None = None) -> Decoded:
    """List every reading of a marking.

    Args:
        kind: what the part is; a capacitor may be electrolytic too. By default any.
        measured: what a meter shows, such as "9.8k" or "98 nF ± 2 %".

    Raises:
        QuantityError: it is no marking or contradicts itself, or the measurement is no value.
        RequestError: the measurement is not of such a part.
    """
    tidied = tidy(text)
    _refuse_shape(tidied)
    kinds = _kinds(kind)
    meter = None
    if measured is not None:
        meter = read_measured(measured, dimensions=tuple(dict.fromkeys(one.dimension for one in kinds)))
    bands: list[str] = [word for word in re.split(r"[ ,;/|-]+", tidied) if word]
    if colour_bands.looks_like_bands(bands):
        found, unread = list(_read_bands(bands, kinds)), tuple[str, ...]()
    else:
        found, unread = read_print(tidied, kinds)
    ranked = _without_doubles(sorted(found, key=_rank))
    fits: list[Fit] = []
    conflict = None
    if meter is not None:
        ranked = _of_dimension(tidied, ranked, meter)
        usual = ranked[0]
        pairs = [(one, compare(meter, one.value, one.usual_tolerance)) for one in ranked]
        pairs.sort(key=lambda pair: (not pair[1].agrees, pair[0].weight, pair[1].apart))
        ranked, fits = [one for one, _ in pairs], [fit for _, fit in pairs]
        conflict = find_conflict(usual, ranked[0], meter)
    left = tuple(f"{word} is not read. {nearest_word(word, kinds) or ''}".strip() for word in unread)
    return Decoded(
        text=tidied,
        asked=kind,
        readings=tuple(ranked),
        fits=tuple(fits),
        unread=left,
        notices=tuple(_notices(ranked)),
        measured=meter,
        conflict=conflict,
    )


def _kinds(kind: Kind | None) -> tuple[Kind, ...]:
    if kind is None:
        return tuple(Kind)
    return CAPACITORS if kind is Kind.CAPACITOR else (kind,)


def _refuse_shape(text: str) -> None:
    what = None
    if not text:
        what = "the marking is empty."
    elif len(text) > MOST_CHARACTERS:
        what = (
            f"{shown(text)} is {len(text)} characters long; a part has room for {MOST_CHARACTERS} at most."
        )
    elif not text.isprintable():
        what = f"{shown(text)} holds characters that cannot be printed."
    if what is not None:
        raise QuantityError(Problem(what, given=shown(text)[1:-1], expected="a marking", hint=HOW))


# --- ranking --------------------------------------------------------------------------------------


def _rank(reading: Reading) -> tuple[int, int, int]:
    systems = [row["name"] for row in rows("marking_systems")]
    return reading.weight, list(Kind).index(reading.kind), systems.index(reading.clue.system)


def _without_doubles(ranked: Iterable[Reading]) -> list[Reading]:
    """Without readings that say what a better one says, be it of another sort of capacitor."""
    kept: dict[tuple[object, ...], Reading] = {}
    for one in ranked:
        clue = one.clue
        key = (one.kind.dimension, f"{one.value:.9g}", one.tolerance, clue.voltage, clue.power)
        kept.setdefault(key, one)
    return list(kept.values())


def _of_dimension(text: str, ranked: Sequence[Reading], meter: Measured) -> list[Reading]:
    chosen = [one for one in ranked if one.kind.dimension == meter.dimension]
    if chosen:
        return chosen
    value, kind = format_quantity(meter.value, meter.dimension), ranked[0].kind
    raise RequestError(
        Problem(
            f"{shown(text)} marks {kind.a_noun}, on which {value} is not measured.",
            given=meter.text,
            expected=f"a measured {kind.dimension}",
            hint="Look what the part is, and at the unit of the measurement.",
        )
    )


def _notices(ranked: Sequence[Reading]) -> Iterator[str]:
    systems = {one.clue.system for one in ranked}
    if "colour bands" in systems and len({one.code for one in ranked}) > 1:
        yield "Bands can be read from both ends: the last one stands a little apart from the others."
    clear = any(one.kind is Kind.ELECTROLYTIC and one.clue.system == "in clear" for one in ranked)
    if clear and any(one.clue.system in ("3-digit code", "4-digit code") for one in ranked):
        yield "Electrolytic capacitors print microfarads in clear: look for the unit first."
    if ranked[0].value == 0.0:
        yield "A link reads as good as nothing: short the probes first to see what the leads have."


# --- colour bands ---------------------------------------------------------------------------------


def _read_bands(words: Sequence[str], kinds: Sequence[Kind]) -> Iterator[Reading]:
    colours = colour_bands.read_colours(words)
    wanted = [kind for kind in kinds if kind not in CAPACITORS]
    if not wanted:
        hint = "Read a capacitor's print instead: bands on it went out of use."
        raise QuantityError(
            Problem(
                "colour bands are read on resistors and inductors only.", given=" ".join(colours), hint=hint
            )
        )
    for bands in colour_bands.read_bands(colours):
        for kind in wanted:
            if kind is Kind.RESISTOR or len(bands.digits) == 2:
                yield _of_bands(bands, kind)


def _of_bands(bands: Bands, kind: Kind) -> Reading:
    name = "zero-ohm link" if bands.value == 0.0 else "colour bands"
    value = float(f"{bands.digits}e{bands.exponent - 6}") if kind is Kind.INDUCTOR else bands.value
    tolerance = None if bands.tolerance is None else (-bands.tolerance, bands.tolerance)
    clue = Clue(_band_words(bands, kind), name, value, tolerance=tolerance, drift=bands.drift)
    reading = Reading(kind, " ".join(bands.colours), value, tolerance, clue)
    doubts = list(value_doubts(reading))
    if bands.digits[0] == "0" and bands.value:
        doubts.append(Doubt(2, "no value begins with black"))
    if words := colour_bands.doubtful_tolerance(bands):
        doubts.append(Doubt(1, words))
    return Reading(kind, reading.code, value, tolerance, clue, tuple(doubts))


def _band_words(bands: Bands, kind: Kind) -> str:
    if bands.value == 0.0:
        return "one black band"
    times = 10.0 ** colour_table()[bands.colours[len(bands.digits)]]["multiplier"]
    unit = ", in µH" if kind is Kind.INDUCTOR else ""
    return f"from {bands.colours[0]} on: {bands.digits} x {times:g}{unit}"
