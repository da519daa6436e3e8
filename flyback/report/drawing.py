"""The one look of every drawing, how it is written to a file, and where its words find room.

Drawings are made without matplotlib's interactive side and leave its settings as they were.
"""

from __future__ import annotations

import io
import os
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib.style
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, ScalarFormatter
from matplotlib.transforms import Bbox
from numpy.typing import NDArray

from flyback.errors import Problem, RequestError
from flyback.files import write_new
from flyback.units import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis

Points = NDArray[np.float64]
"""Rows of x and y."""

SUFFIXES = (".svg", ".png")
"""Kinds of file a drawing can be written as."""

# --- the look -------------------------------------------------------------------------------------

INK, GREY, PALE = "#1a1a1a", "#5f5f5f", "#dcdcdc"

MAINS_SIDE, OUTPUT_SIDE = "#0b4a7d", "#a8480c"
"""Blue and burnt orange, which the colour-blind tell apart; they only repeat what words beside them say."""

Dash = str | tuple[int, tuple[float, ...]]

CURVES: tuple[tuple[str, Dash], ...] = (
    ("#0b4a7d", "solid"),
    ("#a8480c", (0, (6, 2))),
    ("#4c8078", (0, (1.5, 1.5))),
    ("#8a76b0", (0, (7, 2, 1.5, 2))),
    ("#1a1a1a", (0, (3, 1, 1, 1, 1, 1))),
)
"""Colour and dash of the curves of one drawing; in print the dash alone tells them apart."""

SMALL, PLAIN, LARGE = 8.0, 8.5, 10.5
"""Sizes of type [pt]; nothing is smaller, so that it can be read on a phone's width."""

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib, so that every machine draws the same
    "font.size": SMALL,
    "text.color": INK,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.labelsize": PLAIN,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.titlelocation": "left",
    "axes.titlesize": PLAIN,
    "axes.titlepad": 4.0,
    "grid.color": PALE,
    "grid.linewidth": 0.5,
    "lines.linewidth": 1.1,
    "lines.markersize": 4.0,
    "legend.frameon": False,
    "legend.fontsize": PLAIN,
    "legend.handlelength": 3.2,
    "savefig.dpi": 200,
    "svg.hashsalt": "flyback",
}
for _axis in ("xtick", "ytick"):
    STYLE |= {
        f"{_axis}.color": GREY,
        f"{_axis}.labelcolor": INK,
        f"{_axis}.labelsize": SMALL,
        f"{_axis}.major.size": 2.5,
        f"{_axis}.major.width": 0.6,
    }

ROUND = [1, 2, 5, 10]
"""Steps of a scale."""

WIDTH, LEFT, FOOT = 6.3, 0.58, 0.48
"""Width of a drawing, margins at the left and at the foot [in]."""

GAP = 0.30
"""Room above each axes, for its title [in]."""


@contextmanager
def style() -> Iterator[None]:
    """The look, from matplotlib's own defaults: the settings of a user do not leak in."""
    with matplotlib.style.context(["default", STYLE]):
        yield


def scale(axis: Axis, most: int) -> None:
    """Round steps, and numbers written out in full."""
    axis.set_major_locator(MaxNLocator(nbins=most, steps=ROUND))
    axis.set_major_formatter(ScalarFormatter(useOffset=False))


# --- a drawing and its file -----------------------------------------------------------------------


def stack(
    name: str, words: str, heights: Sequence[float], *, right: float, foot: float = FOOT
) -> tuple[Figure, list[Axes]]:
    """A drawing with a name, words below it, and axes below each other.

    Args:
        heights: of the axes [in].
        right, foot: margins [in].
    """
    lines = [(line, LARGE, "bold", 0.19) for line in textwrap.wrap(name, 56)]
    lines += [(line, PLAIN, "normal", 0.16) for line in textwrap.wrap(words, 94)]
    head = 0.14 + sum(line[-1] for line in lines)
    height = head + sum(GAP + axes for axes in heights) + foot
    figure = Figure(figsize=(WIDTH, height))
    figure.set_label(name)
    top = height - 0.10
    for text, size, weight, step in lines:
        place = 0.12 / WIDTH, top / height
        figure.text(*place, text, size=size, weight=weight, va="top", parse_math=False)
        top -= step
    axes, foot = [], height - head
    for inches in heights:
        foot -= GAP + inches
        wide = WIDTH - LEFT - right
        axes.append(figure.add_axes((LEFT / WIDTH, foot / height, wide / WIDTH, inches / height)))
    return figure, axes


def save(figure: Figure, path: str | os.PathLike[str]) -> Path:
    """Write a drawing under a free name, never over a file, and return the name taken.

    The same drawing gives the same bytes.

    Raises:
        RequestError: the name ends in none of `SUFFIXES`, or cannot be written.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in SUFFIXES:
        kinds = " or ".join(SUFFIXES)
        raise RequestError(
            Problem(
                f"{shown(str(path))} is not the name of a drawing.",
                given=str(path),
                expected=kinds,
                hint=f"Let it end in {kinds}.",
            )
        )
    metadata = {"Title": str(figure.get_label())}
    drawn = io.BytesIO()
    with style(), warnings.catch_warnings():
        # a sign of a board's name that the type lacks is drawn as a box
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(
            drawn, format=suffix[1:], metadata=metadata | ({"Date": None} if suffix == ".svg" else {})
        )
    return write_new(path, drawn.getvalue())


# --- room for words -------------------------------------------------------------------------------

SIDES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (1, 0), (-1, 0), (0, 1), (0, -1))
"""Where words may stand seen from their point: right and above is tried first."""

AWAY = 6.0
"""Distance between a point and its words [pt]."""


@dataclass(frozen=True, slots=True)
class Words:
    """Words that want to stand near one of several points; the first are liked best."""

    text: str
    near: Points
    colour: str = INK


def place(ax: Axes, words: Sequence[Words], keep_clear: Sequence[Points]) -> None:
    """Write words near their points, off the curves, off each other and inside the axes.

    Where no place is free, the one that covers least is taken.

    Args:
        keep_clear: lines that must not be covered, each through its points; one point is a line too.
    """
    figure = ax.get_figure(root=True)
    assert figure is not None
    pt = figure.dpi / 72
    inside = ax.get_window_extent()
    clear = np.concatenate([_dotted(ax.transData.transform(line), AWAY / 2 * pt) for line in keep_clear])
    taken: list[Bbox] = []
    for entry in words:
        text = ax.text(0, 0, entry.text, color=entry.colour, transform=None, parse_math=False)
        size = text.get_window_extent()
        best, least = size, np.inf
        for rank, point in enumerate(ax.transData.transform(entry.near)):
            for order, side in enumerate(SIDES):
                box = _beside(point, side, size.width, size.height, AWAY * pt)
                cost = _covered(box.padded(2 * pt), clear, taken, inside) + 0.01 * order + 0.02 * rank
                if cost < least:
                    best, least = box, cost
        taken.append(best)
        text.set_transform(ax.transData)
        text.set_position(tuple(ax.transData.inverted().transform((best.x0, best.y0))))


def _dotted(line: Points, apart: float) -> Points:
    """Points along a line, no further apart than that [dots]; unknown ones are left out."""
    line = line[np.isfinite(line).all(axis=1)]
    steps = np.ceil(np.hypot(*np.diff(line, axis=0).T) / apart).astype(int)
    place = np.append(0, np.cumsum(np.maximum(steps, 1)))
    return np.column_stack([np.interp(np.arange(place[-1] + 1), place, column) for column in line.T])


def _beside(point: Points, side: tuple[int, int], width: float, height: float, away: float) -> Bbox:
    """The box of a text that stands on one side of a point [dots]."""
    x = point[0] + side[0] * away - width * (1 - side[0]) / 2
    y = point[1] + side[1] * away - height * (1 - side[1]) / 2
    return Bbox.from_bounds(x, y, width, height)


def _covered(box: Bbox, clear: Points, taken: Sequence[Bbox], inside: Bbox) -> float:
    """How much a box covers: points of curves, and ten for each word or border it touches."""
    x, y = clear[:, 0], clear[:, 1]
    points = np.count_nonzero((x > box.x0) & (x < box.x1) & (y > box.y0) & (y < box.y1))
    out = not (inside.x0 <= box.x0 and box.x1 <= inside.x1 and inside.y0 <= box.y0 and box.y1 <= inside.y1)
    return float(points) + 10.0 * (box.count_overlaps(taken) + 5 * out)
