"""The map of a sweep of two things: what binds where, and how high the lowest ceiling is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.ticker import MaxNLocator

from flyback.analysis.tolerance import Array
from flyback.report.drawing import FOOT, GREY, INK, MAINS_SIDE, ROUND, Dash, Points, Words, place, stack
from flyback.report.sweep_scale import (
    ALONG,
    RIGHT,
    Shown,
    claims_together,
    from_the_middle,
    inside,
    subtitle,
)
from flyback.report.sweep_text import letter, limit_name, told

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from flyback.studies.sweep import Sweep

HEIGHT = 3.9
"""Height of the axes [in]."""

FILLS = ("#ffffff", "#dbe5ee", "#f4e0d2", "#c6d3cf", "#e6e1ee", "#c9c9c9", "#f0ead0", "#b9c4d4", "#ded0c6")
"""Fills of the regions; lines and words tell them apart too."""

LEVELS = 7
"""Most contour lines of the lowest ceiling."""

SPECK = 3
"""Cells below which a closed contour is not drawn."""

FINE = 160
"""Steps along an axis in which borders of regions are drawn."""

PLACES = 400
"""Places in a region at which its name may stand."""

KEY_ROW, KEY_COLUMNS = 0.21, 2
"""Height of a row of the key [in], and entries side by side."""


def draw_map(found: Sweep) -> Figure:
    """Regions with their names, contours of the lowest ceiling, and where each claim is met."""
    figure, lettered = _drawn(found, rows=0)
    if lettered:  # the axes keep their size, and so the words their places
        figure, lettered = _drawn(found, rows=-(-lettered // KEY_COLUMNS))
    return figure


def _drawn(found: Sweep, *, rows: int) -> tuple[Figure, int]:
    """The map with room for rows of a key, and how many regions are too small for their names."""
    across, up = (Shown.of(axis) for axis in found.axes)
    words = subtitle(
        found,
        "What binds first, and the lowest ceiling in W (thin lines). Bold: where a claim of the label is "
        "just met, nominal; dashed: by the lower end of the band. At",
    )
    figure, (ax,) = stack(found.board.name, words, [HEIGHT], right=RIGHT, foot=FOOT + KEY_ROW * rows)
    ax.set_title(up.label)
    across.put_on(ax.xaxis, ax, "x")
    up.put_on(ax.yaxis, ax, "y")
    ax.set_ylabel("")
    ax.grid(False)
    _fill(ax, found, across, up)
    clear: list[Points] = []
    labels: list[Words] = []
    for claimed, claim in claims_together(found):
        met = _contours(ax, across, up, found.lowest - claim.needed, [0.0], (INK, 2.0, "solid"))
        sure = _contours(ax, across, up, found.low - claim.needed, [0.0], (INK, 1.1, (0, (4, 2))))
        clear += [line for _, line in (*met, *sure)]
        for text, lines in ((claimed, met[:1]), (f"{claimed}, band", [] if met else sure[:1])):
            labels += [Words(text, from_the_middle(inside(line, ax))) for _, line in lines]
    thin = _contours(ax, across, up, found.lowest, _levels(found.lowest), (MAINS_SIDE, 0.7, "solid"))
    clear += [line for _, line in thin]
    labels += [Words(f"{level:g}", from_the_middle(inside(line, ax)), MAINS_SIDE) for level, line in thin]
    clear += list(_now_on_map(across, up, ax, labels))
    names = {kind: _name_region(ax, found, kind, across, up, clear) for kind in _kinds(found)}
    clear += [outline for outline, _ in names.values()]
    place(ax, [label for label in labels if len(label.near)], clear)
    for written in ax.texts:
        fill = _fill_at(found, across, up, written.get_position())
        written.set_path_effects([withStroke(linewidth=2.0, foreground=fill)])
    lettered = [kind for kind, (_, whole) in names.items() if not whole]
    if rows:
        handles = [Patch(facecolor=_fill_of(found, kind), edgecolor=GREY) for kind in lettered]
        told_of = [f"{letter(found, kind)}  {limit_name(found.ceilings[kind])}" for kind in lettered]
        figure.legend(handles, told_of, loc="lower left", bbox_to_anchor=(0.05, 0.0), ncols=KEY_COLUMNS)
    return figure, len(lettered)


def _kinds(found: Sweep) -> list[int]:
    """Index of every ceiling that binds somewhere."""
    return [k for k in range(len(found.ceilings)) if np.any(found.binding == k)]


def _fill_of(found: Sweep, kind: int) -> str:
    return FILLS[_kinds(found).index(kind) % len(FILLS)]


def _fill_at(found: Sweep, across: Shown, up: Shown, at: tuple[float, float]) -> str:
    i, j = (int(np.argmin(np.abs(shown.values - x))) for shown, x in zip((across, up), at, strict=True))
    kind = int(found.binding[i, j])
    return _fill_of(found, kind) if kind >= 0 else "white"


def _fill(ax: Axes, found: Sweep, across: Shown, up: Shown) -> None:
    """Fill the region in which each limit binds, and draw the borders between them.

    Between the steps a border is where two ceilings are equal; where nothing lies between the steps, the
    cells around them are filled.
    """
    if across.axis.stepped or up.axis.stepped:
        x, y = _edges(across), _edges(up)
        ax.set_xlim(x[0], x[-1])
        ax.set_ylim(y[0], y[-1])
        for kind in _kinds(found):
            own = np.where(np.equal(found.binding.T, kind), 1.0, np.nan)
            ax.pcolormesh(x, y, own, cmap=ListedColormap([_fill_of(found, kind)]), linewidth=0)
        for border in _borders(found, x, y):
            ax.plot(*border.T, color=GREY, linewidth=0.9)
        return
    x, y = (_uneven(shown, _finer(_even(shown))) for shown in (across, up))
    powers = [_finer(_finer(ceiling.power).T).T for ceiling in found.ceilings]
    for kind in _kinds(found):
        ahead = _ahead(powers, kind).T
        ax.contourf(x, y, ahead, levels=[0.0, 2.0], colors=[_fill_of(found, kind)])
        ax.contour(x, y, ahead, levels=[0.0], colors=GREY, linewidths=0.9)


def _finer(values: Array) -> Array:
    """Values with straight lines between them, in steps fine enough to be drawn; along the first axis."""
    times = max(1, -(-FINE // (len(values) - 1)))
    known = np.where(np.isposinf(values), np.finfo(np.float32).max, values)
    share = np.reshape(np.arange(times) / times, (1, times) + (1,) * (values.ndim - 1))
    between = known[:-1, np.newaxis] * (1 - share) + known[1:, np.newaxis] * share
    return np.concatenate([between.reshape(-1, *values.shape[1:]), known[-1:]])


def _ahead(powers: Sequence[Array], kind: int) -> Array:
    """How far a ceiling lies below all others, at most 1; 0 where it is level with the lowest of them."""
    others = np.min(np.delete(np.array(powers), kind, axis=0), axis=0, initial=np.inf)
    with np.errstate(invalid="ignore"):
        share = (others - powers[kind]) / (others + powers[kind])
    return np.where(np.isinf(others), 1.0, share)


def _edges(shown: Shown) -> Array:
    """Borders of the cells around the steps; a scale in proportion is halved in proportion."""
    x = np.log(shown.values) if shown.axis.geometric else shown.values
    inner = (x[1:] + x[:-1]) / 2
    edges = np.concatenate([[2 * x[0] - inner[0]], inner, [2 * x[-1] - inner[-1]]])
    return np.exp(edges) if shown.axis.geometric else edges


def _borders(found: Sweep, x: Array, y: Array) -> Iterator[Points]:
    """Sides of cells between which different limits bind."""
    binding = found.binding
    for i, j in np.argwhere(binding[1:] != binding[:-1]):
        yield np.array([[x[i + 1], y[j]], [x[i + 1], y[j + 1]]])
    for i, j in np.argwhere(binding[:, 1:] != binding[:, :-1]):
        yield np.array([[x[i], y[j + 1]], [x[i + 1], y[j + 1]]])


def _levels(lowest: Array) -> list[float]:
    known = lowest[np.isfinite(lowest)]
    if known.size == 0:
        return []
    ticks = MaxNLocator(nbins=LEVELS, steps=ROUND).tick_values(float(known.min()), float(known.max()))
    return [float(tick) for tick in ticks]


def _contours(
    ax: Axes,
    across: Shown,
    up: Shown,
    values: Array,
    levels: Sequence[float],
    look: tuple[str, float, Dash],
) -> list[tuple[float, Points]]:
    """Draw contour lines and return each with its level, the longest of a level first.

    Specks of a few cells, which pulses that may alternate leave in a band, are not drawn.
    """
    colour, width, dash = look
    known = values[np.isfinite(values)]
    levels = [level for level in levels if known.size and known.min() < level < known.max()]
    if not levels:
        return []
    field = np.ma.masked_invalid(values.T)
    lines = ax.contour(across.values, up.values, field, levels=levels)
    lines.remove()
    speck = SPECK * np.array([1 / (shown.values.size - 1) for shown in (across, up)])
    found = []
    for level, segments in zip(levels, lines.allsegs, strict=True):
        for line in sorted(segments, key=len, reverse=True):
            shares = ax.transAxes.inverted().transform(ax.transData.transform(line))
            if np.any(np.ptp(shares, axis=0) > speck):
                ax.plot(*line.T, color=colour, linewidth=width, linestyle=dash)
                found.append((level, line))
    return found


def _even(shown: Shown) -> Array:
    """The steps where they are even: themselves, or their logarithms."""
    return np.log(shown.values) if shown.axis.geometric else shown.values


def _uneven(shown: Shown, even: Array) -> Array:
    return np.exp(even) if shown.axis.geometric else even


def _now_on_map(across: Shown, up: Shown, ax: Axes, labels: list[Words]) -> Iterator[Points]:
    """The board as it stands: a point, or a line where only one of the axes has a value of the board."""
    ends = []
    for shown in (across, up):
        if shown.axis.now is None:
            ends.append(shown.values[[0, -1]])
        elif shown.axis.values[0] <= shown.axis.now <= shown.axis.values[-1]:
            ends.append(np.full(2, shown.axis.now * shown.factor))
        else:
            return
    known = [shown for shown in (across, up) if shown.axis.now is not None]
    line = np.column_stack([np.linspace(end[0], end[1], ALONG) for end in ends])
    if len(known) == 2:
        ax.plot(*line[0], "x", color=INK, markersize=7, markeredgewidth=1.6, zorder=5)
        labels.insert(0, Words("now", line[:1]))
    elif known:
        ax.plot(*line.T, color=INK, linewidth=0.8, linestyle=(0, (7, 2, 1.5, 2)))
        labels.append(Words(f"now {told(known[0].axis, float(known[0].axis.now or 0.0))}", line[1:-1]))
    else:
        return
    yield line


def _name_region(
    ax: Axes, found: Sweep, kind: int, across: Shown, up: Shown, clear: Sequence[Points]
) -> tuple[Points, bool]:
    """Write a region's name where it fits inside and covers the fewest lines, else its letter.

    Returns:
        The outline of what was written, and whether it was the name.
    """
    ceiling = found.ceilings[kind]
    places = ax.transData.transform(_deepest(found, kind, across, up))
    lines = np.concatenate([np.empty((0, 2)), *(ax.transData.transform(line) for line in clear)])
    text = ax.text(0, 0, "", ha="center", va="center", linespacing=1.1, parse_math=False)
    spellings = (
        (f"{ceiling.name}\n{ceiling.parts}".strip(), 0),
        (limit_name(ceiling), 90),
        (letter(found, kind), 0),
    )
    for words, turned in spellings:
        text.set(text=words, rotation=turned)
        box = text.get_window_extent()
        half = np.array([box.width, box.height]) / 2 + 3
        covered = [
            (np.count_nonzero(np.all(np.abs(lines - centre) < half, axis=1)), rank)
            for rank, centre in enumerate(places)
            if _holds(found, kind, ax, across, up, centre, half)
        ]
        if covered:
            break
    best = places[min(covered)[1]] if covered else places[0]
    text.set_position(tuple(ax.transData.inverted().transform(best)))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1], [1, 1]])
    return ax.transData.inverted().transform(best + corners * half), len(text.get_text()) > 1


def _deepest(found: Sweep, kind: int, across: Shown, up: Shown) -> Points:
    """Points of a region, those furthest from its border first."""
    from scipy.ndimage import distance_transform_edt

    inside = np.pad(found.binding == kind, 1)
    share = [1 / (scaled.values.size - 1) for scaled in (across, up)]
    depth = distance_transform_edt(inside, sampling=share)[1:-1, 1:-1]
    order = np.argsort(-depth, axis=None, kind="stable")
    i, j = np.unravel_index(order[depth.ravel()[order] > 0][:PLACES], depth.shape)
    return np.column_stack([across.values[i], up.values[j]])


def _holds(
    found: Sweep, kind: int, ax: Axes, across: Shown, up: Shown, centre: Points, half: Points
) -> bool:
    """Whether a box lies in the axes and in the region of a limit."""
    box = np.array([centre - half, centre + half])
    frame = ax.get_window_extent()
    if box[0, 0] < frame.x0 or box[0, 1] < frame.y0 or box[1, 0] > frame.x1 or box[1, 1] > frame.y1:
        return False
    (x0, y0), (x1, y1) = ax.transData.inverted().transform(box)
    rows = slice(np.searchsorted(across.values, x0, "right") - 1, np.searchsorted(across.values, x1) + 1)
    columns = slice(np.searchsorted(up.values, y0, "right") - 1, np.searchsorted(up.values, y1) + 1)
    rows, columns = (slice(max(run.start, 0), run.stop) for run in (rows, columns))
    return bool(np.all(found.binding[rows, columns] == kind))
