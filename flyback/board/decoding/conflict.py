"""Where a measurement does not fit a marking: another reading, a slip of the eye, or the part itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flyback.board.decoding.clues import Kind, Reading, coarsest_series
from flyback.board.decoding.colour_bands import misread_bands, read_bands
from flyback.board.decoding.measured import Measured, compare
from flyback.board.markings import misreadings
from flyback.errors import QuantityError
from flyback.units import format_quantity

MOST_SLIPS = 3
"""Slips that are told; those of the eye come first."""

_IN_CIRCUIT = {
    (
        "resistance",
        False,
    ): "In circuit other parts lie in parallel and make a resistance read low: lift one end and "
    "measure again.",
    ("resistance", True): "Parts in parallel only make a resistance read low, so this one was misread, has "
    "drifted or is cracked; a charged capacitor may also upset the meter.",
    (
        "capacitance",
        False,
    ): "Parts in parallel do not make a capacitance read low, so this one was misread, has dried out "
    "or is cracked.",
    (
        "capacitance",
        True,
    ): "In circuit other capacitors lie in parallel and make it read high: lift one end and measure again.",
    (
        "inductance",
        False,
    ): "A shorted turn makes an inductance read low; so do windings and capacitors beside it in circuit.",
    (
        "inductance",
        True,
    ): "Windings and capacitors beside it in circuit upset an inductance: lift one end and measure again.",
}


@dataclass(frozen=True, slots=True)
class Slip:
    """A marking that one slip of the eye would turn into the one that was read, and that fits."""

    code: str
    value: float
    words: str


@dataclass(frozen=True, slots=True)
class Conflict:
    """A marking, as it is usually read, beside a measurement that does not fit it.

    Attributes:
        settled: True where another reading of the marking fits.
        words: what does not fit, and what does.
        slips: markings a slip away that fit, the likeliest first; none where a reading fits.
        advice: what the difference says of the part and the circuit; "" where a reading fits.
    """

    settled: bool
    words: str
    slips: tuple[Slip, ...]
    advice: str


def find_conflict(first: Reading, likeliest: Reading, measured: Measured) -> Conflict | None:
    """The conflict of the usual reading and a measurement, or None where they agree.

    Args:
        first: how the marking is usually read.
        likeliest: the best reading beside the measurement.
    """
    fit = compare(measured, first.value, first.usual_tolerance)
    if fit.agrees:
        return None
    shown, given = (format_quantity(value, measured.dimension) for value in (measured.value, first.value))
    words = f"{shown} was measured where {first.code} reads {given}: {how_far(fit.factor)}."
    if compare(measured, likeliest.value, likeliest.usual_tolerance).agrees:
        value = format_quantity(likeliest.value, measured.dimension)
        return Conflict(True, f"{words} Another reading of it, {value}, fits.", (), "")
    slips = tuple(_slips(first, measured))[:MOST_SLIPS]
    advice = _IN_CIRCUIT[measured.dimension, measured.value > first.value]
    return Conflict(False, f"{words} No reading of it fits.", slips, advice)


def how_far(factor: float) -> str:
    """How far a measurement lies from a marking.

    >>> how_far(0.98), how_far(1.25), how_far(98.0), how_far(0.01)
    ('2 % low', '25 % high', '98 times as much', '1 % of it')
    """
    if factor == float("inf"):
        return "where nothing should be"
    if 0.5 < factor < 2:
        return f"{100 * abs(factor - 1):.2g} % {'high' if factor > 1 else 'low'}"
    return f"{factor:.3g} times as much" if factor > 1 else f"{100 * factor:.2g} % of it"


def _slips(first: Reading, measured: Measured) -> Iterator[Slip]:
    for code, value, words in _one_slip_away(first, measured.dimension):
        made = coarsest_series(value) in (("E24", "E96") if first.kind is Kind.RESISTOR else ("E24",))
        if made and compare(measured, value, first.usual_tolerance).agrees:
            yield Slip(code, value, words)


def _one_slip_away(first: Reading, dimension: str) -> Iterator[tuple[str, float, str]]:
    if first.clue.system == "colour bands":
        bands = next(one for one in read_bands(first.code.split()))
        for other, words in misread_bands(bands):
            yield " ".join(other.colours), other.value * (1e-6 if dimension == "inductance" else 1), words
        return
    try:
        slips = misreadings(first.code, dimension=dimension) if dimension != "inductance" else ()
    except QuantityError:
        return
    for slip in slips:
        yield slip.marking.code, slip.marking.value, str(slip.slip)
