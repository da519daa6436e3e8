"""What every text on the terminal is made of: one width, borderless tables, heads, lists."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flyback.units import format_quantity, format_range
from flyback.verdict.words import FAILING, Word
from flyback.verdict.words import percent as percent

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table

    from flyback.board.model import Value

WIDTH = 80
"""Columns a text fits in; wider terminals do not widen it."""

GAP = 2
"""Columns between two columns of a table."""


def console(width: int = WIDTH) -> Console:
    """A console of the report's width: colours on a terminal, plain text when piped."""
    from rich.console import Console

    return Console(width=width, highlight=False, markup=False, emoji=False, soft_wrap=False)


def show_blocks(blocks: Iterable[RenderableType], out: Console) -> None:
    """Print blocks with a line between them; without the padding of tables where no terminal needs it."""
    from rich.console import Group
    from rich.text import Text

    parts = [part for block in blocks for part in (block, Text())]
    if out.is_terminal:
        out.print(Group(*parts))
        return
    with out.capture() as captured:
        out.print(Group(*parts))
    for line in captured.get().splitlines():
        out.file.write(line.rstrip() + "\n")


def title(name: str, beside: str) -> RenderableType:
    """A name with what stands at its right, below it where one line is too short."""
    from rich.cells import cell_len
    from rich.text import Text

    text = Text(name, style="bold")
    gap = WIDTH - cell_len(name) - cell_len(beside)
    text.append(" " * gap if gap >= GAP else "\n", style="not bold")
    text.append(beside, style="not bold")
    return text


def word_style(word: Word) -> str:
    """Colour of a verdict's word."""
    if word in FAILING:
        return "bold red"
    return "green" if word in (Word.LIKELY, Word.VERY_LIKELY, Word.CONSISTENT) else "yellow"


def ends(beside: str, low: float, high: float, dimension: str) -> str:
    """The ends of a band behind the value it is of: the unit once, unless theirs is another one.

    >>> ends("11.4 W", 9.54, 13.4, "power"), ends("0.95 W", 0.0005, 0.02, "power")
    ('9.54 to 13.4', '0.500 to 20.0 mW')
    >>> ends("11.4 W", 9.54, math.inf, "power")
    '9.54 W or more'
    """
    if math.isinf(high):
        return f"{format_quantity(low, dimension)} or more"
    text = format_range(low, high, dimension)
    bare, _, unit = text.rpartition(" ")
    return bare if beside.endswith(f" {unit}") else text


def assumption(value: Value) -> str:
    """A value that the handbook lent, with its range and where that comes from."""
    spread = format_range(value.low, value.high, value.dimension)
    basis = f" ({value.basis})" if value.basis and value.basis not in value.source else ""
    return f"{value.key} {spread}: {value.source}{basis}"


def count(number: int) -> str:
    """A number of things, in groups of three from ten thousand on.

    >>> count(4096), count(16384)
    ('4096', '16 384')
    """
    return f"{number:,}".replace(",", " ") if number >= 10_000 else str(number)


def table(*columns: tuple[int, str, bool]) -> Table:
    """A borderless table; columns are (least width, side, keep on one line)."""
    from rich.table import Table

    made = Table(box=None, show_header=False, pad_edge=False, padding=(0, GAP, 0, 0), width=None)
    for width, side, keep in columns:
        made.add_column(
            justify=side,  # type: ignore[arg-type]
            no_wrap=keep,
            min_width=width or None,
            overflow="fold",
        )
    return made


def head(text: str) -> RenderableType:
    from rich.text import Text

    return Text(text, style="bold")


def heads(*texts: str) -> list[RenderableType]:
    return [head(text) for text in texts]


def note(text: str) -> RenderableType:
    from rich.padding import Padding
    from rich.text import Text

    return Padding(Text(text, style="dim"), (0, 0, 0, GAP))


def entry(name: str, text: str) -> RenderableType:
    """A bold word with a paragraph beside it."""
    from rich.text import Text

    made = table((0, "left", True), (0, "left", False))
    made.add_row(Text(name, style="bold"), text)
    return made


def paragraphs(texts: Sequence[str]) -> RenderableType:
    from rich.text import Text

    return Text("\n".join(texts))


def listed(name: str, items: Sequence[str]) -> RenderableType:
    """A head with its items below it."""
    from rich.console import Group

    made = table((1, "left", True), (0, "left", False))
    for item in items:
        made.add_row("  -", item)
    return Group(head(name), made)
