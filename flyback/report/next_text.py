"""What the terminal shows of the measurements that would settle a verdict: answer, ranking, how."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flyback.analysis.knowable import Kind
from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.settle_words import Way
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.studies.settle import Next, Row

HEADING = "What to measure next"

MOST, NARROWING = 8, 3
"""Most readings that are ranked; most where nothing is left to settle, so that only the band can narrow."""

EXPLAINED = 3
"""Readings of which the measurement is described."""

READING = 27
"""Columns of a reading's name in the ranking, which leaves room for its figures."""

COARSE = 0.5
"""Accuracy from which on any meter will do."""


def show_next(found: Next, out: Console) -> None:
    """Print what to measure next."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Next) -> Iterable[RenderableType]:
    way = found.answer.way
    yield pieces.title(HEADING, found.check.board.name)
    yield pieces.paragraphs([_claim(found)])
    yield pieces.entry("What settles it", "\n".join(found.answer.words))
    if way is Way.NOTHING_LEFT:
        shown = found.worth_telling(NARROWING)
        if shown:
            yield _narrowing(shown)
            yield _legend(found, shown, ranked=False)
    elif way is Way.CONTRADICTION:
        yield from _how(found.rows[:EXPLAINED], expected=True)
    elif way is not Way.UNKNOWN_VALUE:
        shown = found.worth_telling(MOST)
        yield _ranking(found, shown)
        yield _legend(found, shown, ranked=True)
        if left := len(found.rows) - len(shown):
            yield pieces.note(f"{left} other readings save little or nothing, or are parts of these.")
        yield from _how(shown[:EXPLAINED])
    if found.notices:
        yield pieces.listed("Noticed", found.notices)
    yield pieces.listed("Cautions", CAUTIONS)


def _claim(found: Next) -> str:
    text = f'"{found.claim}" at {found.line.full_name}: {found.word}.'
    low, high = found.band
    if found.chance is None or found.answer.way is Way.UNKNOWN_VALUE:
        return text
    if math.isfinite(high):
        needed, band = format_quantity(found.needed, "power"), format_range(low, high, "power")
        text += f" It needs {needed}, and {band} can be had."
    if found.chance:
        call = "holds" if found.holds else "does not hold"
        text += f" To say that it {call} is wrong with a chance of {pieces.percent(found.chance)}."
    return text


# --- the ranking ----------------------------------------------------------------------------------


def _ranking(found: Next, rows: Sequence[Row]) -> RenderableType:
    made = pieces.table((0, "left", True), (0, "left", False), (0, "left", True), *[(0, "right", True)] * 5)
    made.columns[1].max_width = READING
    heads = ("Reading", "expected", "read\nto", "then\nwrong", "band\nless", "own\nshare", "full\nshare")
    made.add_row(*pieces.heads("", *heads))
    for number, row in enumerate(rows, 1):
        made.add_row(
            str(number),
            f"{row.name}, {row.access}",
            _reading(row),
            _accuracy(row.accuracy_needed),
            pieces.percent((found.chance or 0.0) - row.saves),
            *_shares(row),
        )
    return made


def _narrowing(rows: Sequence[Row]) -> RenderableType:
    from rich.padding import Padding

    made = pieces.table((0, "left", False), (0, "left", True), *[(0, "right", True)] * 3)
    heads = ("What would narrow the band", "expected", "band\nless", "own\nshare", "full\nshare")
    made.add_row(*pieces.heads(*heads))
    for row in rows:
        name = Padding(f"{row.name}, {row.access}", (0, 0, 0, pieces.GAP))
        made.add_row(name, _reading(row), *_shares(row))
    return made


def _legend(found: Next, rows: Sequence[Row], *, ranked: bool) -> RenderableType:
    from rich.text import Text

    middle = "what the load test leaves open" if found.weighed else "as traced"
    lines = [("expected", f"{middle}; below it the middle 95 %")]
    if ranked:
        lines += [
            ("read to", "accuracy (k = 2) that keeps half of what an exact reading saves"),
            ("then wrong", "chance of a wrong verdict after it, with an ordinary meter"),
        ]
    lines += [
        ("band less", "how much narrower the band of what can be had becomes"),
        ("own share", "of the variance of what can be had, explained by it alone"),
        ("full share", "with what acts only together with it too (-: not told apart)"),
    ]
    if any(row.kind in (Kind.KNEE, Kind.RATE, Kind.RIPPLE) for row in rows):
        lines.append(("knee", "the load at which the output voltage begins to sag"))
    made = pieces.table((pieces.GAP, "left", True), (0, "left", True), (0, "left", False))
    for name, meaning in lines:
        made.add_row("", Text(name, style="dim"), Text(meaning, style="dim"))
    return made


def _reading(row: Row) -> str:
    """The reading to expect, with its range below it, and the unit once."""
    expected = format_quantity(row.expected, row.dimension)
    return f"{expected}\n{pieces.ends(expected, row.low, row.high, row.dimension)}"


def _accuracy(needed: float | None) -> str:
    if needed is None:
        return "-"
    return f"{100 * needed:.2g} %" if needed < COARSE else "any"


def _shares(row: Row) -> list[str]:
    return [
        f"{100 * row.narrowing_share:.0f} %",
        _share(row.first),
        "-" if row.total is None else _share(row.total),
    ]


def _share(share: float) -> str:
    """A share, which an estimate may miss by a little beyond its bounds."""
    return f"{100 * min(max(share, 0.0), 1.0):.0f} %"


# --- how to take them -----------------------------------------------------------------------------


def _how(rows: Sequence[Row], *, expected: bool = False) -> Iterable[RenderableType]:
    """The measurements in words.

    Args:
        expected: name the readings to expect too, where no table does.
    """
    from rich.console import Group

    if not rows:
        return
    made = pieces.table((0, "left", True), (0, "left", False))
    for number, row in enumerate(rows, 1):
        value = f" ({format_range(row.low, row.high, row.dimension)} as traced)" if expected else ""
        made.add_row(str(number), f"{row.name}{value}: {_described(rows[: number - 1], row)}")
    yield Group(pieces.head("How"), made)


def _described(before: Sequence[Row], row: Row) -> str:
    """How a reading is taken, once for all of a kind."""
    for number, other in enumerate(before, 1):
        if other.kind is row.kind and other.how == row.how:
            without = (
                ", without a variable transformer" if other.transformer and not row.transformer else ""
            )
            return f"as {number}{without}."
    return f"{row.how}. {row.caution}"
