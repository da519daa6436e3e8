"""The drawings of a sweep: every ceiling over one axis, or a map of what binds over two."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from flyback.analysis.ceilings import Question
from flyback.analysis.tolerance import Array
from flyback.report.drawing import (
    GREY,
    INK,
    MAINS_SIDE,
    OUTPUT_SIDE,
    PALE,
    Dash,
    Points,
    Words,
    place,
    scale,
    stack,
    style,
)
from flyback.report.sweep_map import draw_map
from flyback.report.sweep_scale import (
    ALONG,
    RIGHT,
    Shown,
    claims_together,
    from_the_middle,
    inside,
    subtitle,
)
from flyback.report.sweep_text import told

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from flyback.studies.sweep import CeilingOver, Sweep

STRIP, HEIGHT = 0.40, 3.3
"""Heights of the strip of what binds and of the ceilings below it [in]."""

LOOKS: dict[Question, tuple[str, Dash]] = {
    Question.REACH: (MAINS_SIDE, "solid"),
    Question.HOLD: (OUTPUT_SIDE, (0, (6, 2))),
}
"""Colour and dash of a ceiling's line."""

MOST_DOTS = 40
"""Steps up to which each is marked where nothing lies between them."""


def sweep(found: Sweep) -> Figure:
    """What a sweep of one thing or two found."""
    with style():
        return _over_one(found) if len(found.axes) == 1 else draw_map(found)


def _over_one(found: Sweep) -> Figure:
    shown = Shown.of(found.axes[0])
    words = subtitle(
        found,
        "Bold: the lowest ceiling, nominal, with the band of 95 % of the tolerances' samples. "
        "Solid: stops the power. Dashed: a rating. At",
    )
    figure, (strip, ax) = stack(found.board.name, words, [STRIP, HEIGHT], right=RIGHT)
    ax.set_title("Power at the sockets [W]")
    lines: list[Points] = []
    labels: list[Words] = []
    for ceiling in found.ceilings:
        colour, dash = LOOKS[ceiling.question]
        power = np.where(np.isfinite(ceiling.power), ceiling.power, np.nan)
        ax.plot(shown.values, power, color=colour, linestyle=dash, linewidth=0.8)
        lines.append(np.column_stack([shown.values, power]))
    ax.fill_between(shown.values, found.low, found.high, color=INK, alpha=0.12, linewidth=0)
    ax.plot(shown.values, _finite(found.lowest), color=INK, linewidth=2.2)
    if shown.axis.stepped and shown.values.size <= MOST_DOTS:
        ax.plot(shown.values, _finite(found.lowest), "o", color=INK, markersize=3.4)
    shown.put_on(ax.xaxis, ax, "x")
    ax.set_ylim(0.0, _top(found))
    scale(ax.yaxis, 8)
    for ceiling, line in zip(found.ceilings, lines, strict=True):
        near = from_the_middle(inside(line, ax))
        labels.append(Words(ceiling.name, near, LOOKS[ceiling.question][0]))
    for text, claim in claims_together(found):
        ax.plot(shown.values, claim.needed, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)))
        lines.append(np.column_stack([shown.values, claim.needed]))
        labels.append(Words(f"label: {text}", inside(lines[-1], ax)[::-1]))
    for crossing in found.crossings:
        lines.append(_upright(crossing.at * shown.factor, ax))
        ax.plot(*lines[-1].T, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)))
    now = shown.axis.now
    if now is not None and shown.axis.values[0] <= now <= shown.axis.values[-1]:
        lines.append(_upright(now * shown.factor, ax))
        ax.plot(*lines[-1].T, color=INK, linewidth=0.8)
        labels.append(Words(f"now {told(shown.axis, now)}", lines[-1][1:-1]))
    _fill_strip(strip, ax, found, shown)
    visible = [line for line in lines if np.isfinite(line).all(axis=1).any()]
    place(ax, [label for label in labels if len(label.near)], visible)
    return figure


def _upright(x: float, ax: Axes) -> Points:
    """A line from the foot of the axes to their top."""
    return np.column_stack([np.full(ALONG, x), np.linspace(*ax.get_ylim(), ALONG)])


def _finite(values: Array) -> Array:
    return np.where(np.isfinite(values), values, np.nan)


def _top(found: Sweep) -> float:
    """Height of the drawing: all of the band and the claims, and some room."""
    highest = [found.high, found.lowest, *(claim.needed for claim in found.claims)]
    whole = np.concatenate([x[np.isfinite(x)] for x in highest])
    return 1.12 * float(whole.max()) if whole.size and whole.max() > 0 else 1.0


def _fill_strip(strip: Axes, ax: Axes, found: Sweep, shown: Shown) -> None:
    """What binds along the axis, each stretch with its name where it is long enough for it."""
    strip.set_title("What binds first")
    strip.set_xscale(ax.get_xscale())
    strip.set_xlim(ax.get_xlim())
    strip.set_ylim(0.0, 1.0)
    strip.grid(False)
    strip.set_xticks([])
    strip.set_xticks([], minor=True)
    strip.set_yticks([])
    for spine in strip.spines.values():
        spine.set_visible(True)
    by_name = {ceiling.name: ceiling for ceiling in found.ceilings}
    stretches = found.stretches
    starts = [stretch.low * shown.factor for stretch, _ in stretches]
    ends = [*starts[1:], float(shown.values[-1])]
    for index, ((_, name), start, end) in enumerate(zip(stretches, starts, ends, strict=True)):
        strip.axvspan(start, end, facecolor=PALE if index % 2 else "white", linewidth=0)
        if index:
            strip.axvline(start, color=GREY, linewidth=0.7)
        _name_stretch(strip, start, end, by_name.get(name))


def _name_stretch(strip: Axes, start: float, end: float, ceiling: CeilingOver | None) -> None:
    """The name of what binds, with its parts below; the first spelling that fits."""
    if ceiling is None:
        return
    left, right = strip.transData.transform([(start, 0.5), (end, 0.5)])[:, 0]
    x = strip.transData.inverted().transform([((left + right) / 2, 0.0)])[0, 0]
    text = strip.text(x, 0.5, "", ha="center", va="center", parse_math=False, linespacing=1.1)
    for words in (
        f"{ceiling.name}\n{ceiling.parts}".strip(),
        "\n".join(ceiling.name.split(" ", 1)),
        ceiling.parts,
    ):
        text.set_text(words)
        if text.get_window_extent().width <= right - left - 4:
            return
    text.remove()
