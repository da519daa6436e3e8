"""What the terminal shows of a marking: its readings, what a measurement says of them, how to tell them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from flyback.board.decoding.clues import Kind, Reading, Standing, tolerance_words, usual_part
from flyback.board.decoding.conflict import how_far
from flyback.board.decoding.measured import Fit, Measured, accuracy_words
from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.board.decoding.conflict import Conflict
    from flyback.board.decoding.decode import Decoded

_STYLES = {Standing.USUAL: "green", Standing.POSSIBLE: "yellow", Standing.UNLIKELY: "dim"}


def show_decoded(found: Decoded, out: Console) -> None:
    """Print the readings of a marking."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Decoded) -> Iterable[RenderableType]:
    count = len(found.readings)
    yield pieces.title(found.text, "1 reading" if count == 1 else f"{count} readings")
    if found.measured is not None:
        yield pieces.entry("Measured", _measured(found.measured))
    yield _table(found)
    if found.conflict is not None:
        yield pieces.entry("Conflict", "\n".join(_conflict(found.conflict)))
    if found.unread:
        yield pieces.listed("Not read", found.unread)
    if found.asked is None and len(found.kinds) > 1:
        looks = [f"{kind.described}: {usual_part(kind)['looks']}" for kind in found.kinds]
        yield pieces.listed("The print does not tell these parts apart; they look like this", looks)
    if found.notices:
        yield pieces.listed("Noticed", found.notices)
    yield pieces.listed("Sources", list(_sources(found)))
    yield pieces.entry("Cautions", " ".join(CAUTIONS[:2]))


# --- the readings ---------------------------------------------------------------------------------


def _table(found: Decoded) -> RenderableType:
    from rich.text import Text

    made = pieces.table((0, "right", True), (0, "left", True), (0, "left", True), *[(0, "left", False)] * 2)
    for number, one in enumerate(found.readings, 1):
        fit = found.fits[number - 1] if found.fits else None
        made.add_row(
            str(number),
            one.kind.value,
            Text("\n".join(_figures(one, fit)), style="bold" if _stands_out(found, number - 1) else ""),
            Text(_standing(one, fit), style=_STYLES[one.standing]),
            "\n".join(_how(one)),
        )
    return made


def value_words(one: Reading) -> str:
    """The value as a bench says it: electrolytic capacitors in microfarads throughout."""
    if one.kind is Kind.ELECTROLYTIC and one.value >= 999.5e-6:
        return f"{one.value * 1e6:.6g} µF"
    return format_quantity(one.value, one.kind.dimension)


def _stands_out(found: Decoded, index: int) -> bool:
    """Whether nothing speaks against a reading that does not speak against the first."""
    if found.fits:
        return found.fits[index].agrees
    return found.readings[index].weight == found.readings[0].weight


def _figures(one: Reading, fit: Fit | None) -> Iterable[str]:
    clue = one.clue
    yield value_words(one)
    if one.tolerance is not None:
        yield tolerance_words(one.tolerance)
    elif fit is not None and one.value:
        yield f"{tolerance_words(one.usual_tolerance)} assumed"
    if clue.voltage is not None:
        yield f"{clue.voltage:g} V"
    if clue.power is not None:
        yield f"{clue.power:g} W"
    if clue.temperature is not None:
        yield f"to {clue.temperature - 273.15:.0f} °C"
    if clue.drift is not None:
        yield f"{clue.drift * 1e6:.3g} ppm/K"


def _standing(one: Reading, fit: Fit | None) -> str:
    if fit is None:
        return str(one.standing)
    return "fits" if fit.agrees else f"does not fit:\n{how_far(fit.factor)}"


def _how(one: Reading) -> Iterable[str]:
    clue = one.clue
    yield f"{clue.system}: {clue.words}" if clue.words else clue.system
    if clue.remark:
        yield clue.remark
    for doubt in one.doubts:
        yield f"but: {doubt.words}"


# --- what is said of them -------------------------------------------------------------------------


def _measured(measured: Measured) -> str:
    low, high = measured.low, measured.high
    shown = format_quantity(measured.value, measured.dimension)
    lent = "; the meter's accuracy is assumed (common practice, no source)" if measured.lent else ""
    return f"{shown} {accuracy_words(measured)}: {format_range(low, high, measured.dimension)}{lent}."


def _conflict(conflict: Conflict) -> Iterable[str]:
    yield conflict.words
    for slip in conflict.slips:
        yield f"{slip.code} would fit: {slip.words}."
    if conflict.advice:
        yield conflict.advice


def _sources(found: Decoded) -> Iterable[str]:
    met = dict.fromkeys(source for one in found.readings for source in one.sources)
    for one in met:
        basis = "" if one.basis == "common practice" else f" ({one.basis})"
        yield f"{one.what}{';' if ':' in one.what else ':'} {one.source}{basis}."
