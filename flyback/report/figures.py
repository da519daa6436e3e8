"""The drawings: each takes what an analysis found and marks its key values; none computes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import cycle, groupby, pairwise
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from flyback.analysis.waveforms.run import Array, Traces
from flyback.report.drawing import (
    CURVES,
    FOOT,
    GREY,
    INK,
    MAINS_SIDE,
    OUTPUT_SIDE,
    Points,
    Words,
    place,
    save,
    scale,
    stack,
    style,
)
from flyback.report.wave_text import FIDELITIES, conditions
from flyback.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from flyback.analysis.envelope import Curve, Envelope
    from flyback.analysis.waveforms.scene import Scene

__all__ = ["envelope", "save", "waveforms"]

# --- waveforms ------------------------------------------------------------------------------------

MOST_PULSES = 60
"""Pulses up to which each is drawn; more are drawn as the band from lowest to highest."""

MOST_BINS = 360
"""Bins of a band: about two dots of a telephone's screen each."""

VALUES = 1.02
"""Margin at the right, in which the key values stand [in]."""

LABEL_HEIGHT = 0.29
"""Height of a key value of two lines in the margin [in]."""


STILL = 0.01
"""Share of its height below which a change of the bulk is too small to have a crest and a valley."""


@dataclass(frozen=True, slots=True)
class _Mark:
    """A key value: written in the margin at the level it has, with a line from where it is reached.

    Attributes:
        t: instant at which the level is reached [s]; None for a span from low to high.
    """

    low: float
    high: float
    text: str
    t: float | None = None


@dataclass(frozen=True, slots=True)
class _Panel:
    """One waveform.

    Attributes:
        least: least height of the axis, in the panel's unit: what hardly moves shall look so.
        from_zero: the axis begins at zero or below.
        slow: does not follow the pulses, so that a line shows it however many they are.
    """

    title: str
    values: Array
    colour: str
    marks: tuple[_Mark, ...]
    height: float = 1.02
    least: float = 0.0
    from_zero: bool = True
    slow: bool = False


def waveforms(scene: Scene) -> Figure:
    """Currents and voltages on one time axis, with their key values beside them.

    Raises:
        ValueError: the run has no traces.
    """
    traces = scene.run.traces
    if traces is None or not np.ptp(traces.t) > 0.0:
        raise ValueError("a run without traces has no waveforms to draw")
    span = float(traces.t[-1] - traces.t[0])
    pulses = scene.run.figures.f_s * span
    bins = min(MOST_BINS, int(pulses)) if pulses > MOST_PULSES else None
    panels = list(_panels(scene, traces, mains=bins is not None))
    factor, unit = _time_unit(span)
    t = (traces.t - traces.t[0]) * factor
    words = f"Simulated ({FIDELITIES[scene.fidelity]}), {conditions(scene)}."
    if bins is not None:
        words += " Bands reach from the lowest to the highest value of each moment."
    if not scene.run.finished:
        words += " Partial result: the run ended early."
    if not scene.settled:
        words += " Not settled."
    with style():
        figure, axes = stack(scene.board_name, words, [panel.height for panel in panels], right=VALUES)
        for panel, ax in zip(panels, axes, strict=True):
            _draw(ax, panel, t, bins)
            _write_marks(ax, panel, [_shifted(mark, traces.t[0], factor) for mark in panel.marks], t[-1])
            for at in _steps(scene, traces):
                ax.axvline((at - traces.t[0]) * factor, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)))
            ax.tick_params(labelbottom=ax is axes[-1])
        began = float(traces.t[0])
        since = "" if began == 0.0 else f" since {format_quantity(began, 'time', digits=4)}"
        axes[-1].set_xlabel(f"time{since} [{unit}]")
    return figure


def _time_unit(span: float) -> tuple[float, str]:
    """Factor from seconds and unit that suit a span [s]."""
    return next(
        (1 / size, unit)
        for size, unit in ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"))
        if span >= size or unit == "µs"
    )


def _steps(scene: Scene, traces: Traces) -> list[float]:
    """Instants within the traces at which the load jumps [s]."""
    times = scene.load.times
    jumps = [at for at, following in pairwise(times) if at == following]
    return [at for at in jumps if traces.t[0] < at < traces.t[-1]]


def _panels(scene: Scene, traces: Traces, *, mains: bool) -> Iterator[_Panel]:
    if mains and np.any(traces.i_line):
        peak = _mains_peak(scene, traces)
        yield _Panel("Mains current [A]", traces.i_line, MAINS_SIDE, (peak,), 0.8, slow=True)
    yield _Panel(
        "Primary current [A]", traces.i_pri, MAINS_SIDE, (_highest(traces, "i_pri", r"$I_\mathrm{pk}$"),)
    )
    yield _Panel(
        "Secondary current [A]",
        traces.i_sec,
        OUTPUT_SIDE,
        (_highest(traces, "i_sec", r"$I_\mathrm{s,pk}$"),),
    )
    yield _Panel("Drain voltage [V]", traces.v_drain, MAINS_SIDE, (_highest(traces, "v_drain", "peak"),))
    marks, least = _bulk_marks(traces), 0.1 * float(traces.v_bulk.max())
    yield _Panel(
        "Bulk voltage [V]", traces.v_bulk, MAINS_SIDE, marks, 0.8, least, from_zero=False, slow=True
    )
    ripple = _ripple(scene, traces)
    yield _Panel("Output voltage [V]", traces.v_out, OUTPUT_SIDE, (ripple,), least=1e-3, from_zero=False)


def _highest(traces: Traces, name: str, words: str) -> _Mark:
    values = getattr(traces, name)
    dimension = "voltage" if name.startswith("v_") else "current"
    at = int(np.argmax(values))
    return _mark(words, float(values[at]), dimension, float(traces.t[at]))


def _mains_peak(scene: Scene, traces: Traces) -> _Mark:
    """The largest mains current of either half period.

    "cycle" draws its mean over each pulse, which an inrush exceeds: the figure of the run is written.
    """
    at = int(np.argmax(np.abs(traces.i_line)))
    peak = format_quantity(scene.run.figures.I_line, "current")
    level = float(traces.i_line[at])
    return _Mark(level, level, f"peak\n{peak}", float(traces.t[at]))


def _mark(words: str, level: float, dimension: str, t: float) -> _Mark:
    return _Mark(level, level, f"{words}\n{format_quantity(level, dimension)}", t)


def _bulk_marks(traces: Traces) -> tuple[_Mark, ...]:
    v, t = traces.v_bulk, traces.t
    low, high = int(np.argmin(v)), int(np.argmax(v))
    if v[high] - v[low] < STILL * v[high]:
        return (_mark("lowest", float(v[low]), "voltage", float(t[low])),)
    within = range(1, v.size - 1)  # at an end it may go on beyond
    valley = _mark("valley" if low in within else "lowest", float(v[low]), "voltage", float(t[low]))
    crest = _mark("crest" if high in within else "highest", float(v[high]), "voltage", float(t[high]))
    return valley, crest


def _ripple(scene: Scene, traces: Traces) -> _Mark:
    """The whole swing as a bracket; the ripple of a cycle beside it where that is less."""
    low, high = float(traces.v_out.min()), float(traces.v_out.max())
    ripple = scene.run.figures.V_ripple
    swing = format_quantity(high - low, "voltage")
    if not np.isfinite(ripple):
        return _Mark(low, high, f"swing {swing}")
    if abs(high - low - ripple) < 0.02 * ripple:
        return _Mark(low, high, f"ripple {swing}\npeak to peak")
    return _Mark(low, high, f"swing {swing}\nripple {format_quantity(ripple, 'voltage')}")


def _shifted(mark: _Mark, began: float, factor: float) -> _Mark:
    t = None if mark.t is None else (mark.t - began) * factor
    return _Mark(mark.low, mark.high, mark.text, t)


def _draw(ax: Axes, panel: _Panel, t: Array, bins: int | None) -> None:
    ax.set_title(panel.title)
    if bins is None or panel.slow:
        ax.plot(t, panel.values, color=panel.colour)
    else:
        edges = np.linspace(t[0], t[-1], bins + 1)
        at = np.concatenate([edges[:1], (edges[1:] + edges[:-1]) / 2, edges[-1:]])
        low_end, high_end = (np.pad(end, 1, mode="edge") for end in _extremes(t, panel.values, edges))
        ax.fill_between(at, low_end, high_end, color=panel.colour, alpha=0.22, linewidth=0)
        for end in (low_end, high_end):
            ax.plot(at, end, color=panel.colour, linewidth=0.8)
    low, high = float(panel.values.min()), float(panel.values.max())
    if panel.from_zero:
        low = min(low, 0.0)
    slack = max(panel.least - (high - low), 0.0) / 2
    room = 0.07 * max(high - low, panel.least, 1e-12)
    ax.set_ylim(low - slack - room, high + slack + room)
    ax.set_xlim(t[0], t[-1])
    scale(ax.xaxis, 10)
    scale(ax.yaxis, 6)


def _extremes(t: Array, values: Array, edges: Array) -> tuple[Array, Array]:
    """Lowest and highest value of a waveform of straight lines between each two edges."""
    at_edges = np.interp(edges, t, values)
    low = np.minimum(at_edges[:-1], at_edges[1:])
    high = np.maximum(at_edges[:-1], at_edges[1:])
    into = np.clip(np.searchsorted(edges, t, side="right") - 1, 0, edges.size - 2)
    np.minimum.at(low, into, values)
    np.maximum.at(high, into, values)
    return low, high


def _write_marks(ax: Axes, panel: _Panel, marks: Sequence[_Mark], end: float) -> None:
    """Key values in the right margin, kept apart from each other."""
    low, high = ax.get_ylim()
    inch = (high - low) / panel.height
    marks = sorted(marks, key=lambda mark: mark.low + mark.high)
    wanted = [(mark.low + mark.high) / 2 for mark in marks]
    beside = ax.get_yaxis_transform()
    for mark, level, at in zip(marks, wanted, _apart(wanted, LABEL_HEIGHT * inch, low, high), strict=True):
        if mark.t is None:
            ax.plot(
                [1.012] * 2,
                [mark.low, mark.high],
                transform=beside,
                color=INK,
                linewidth=0.8,
                marker="_",
                clip_on=False,
            )
        else:
            ax.plot([mark.t, end], [level] * 2, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)), zorder=1)
            ax.plot(
                mark.t, level, "o", markerfacecolor="white", color=panel.colour, clip_on=False, zorder=5
            )
            ax.plot([1.0, 1.02], [level, at], transform=beside, color=GREY, linewidth=0.6, clip_on=False)
        ax.text(1.03, at, mark.text, transform=beside, va="center", linespacing=1.15)


def _apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Rising positions near the wanted ones, a gap from each other, from low to high where they fit."""
    placed: list[float] = []
    for position in wanted:
        placed.append(max([position, *(before + gap for before in placed[-1:])]))
    ceiling = high
    for index in reversed(range(len(placed))):
        placed[index] = min(placed[index], ceiling)
        ceiling = placed[index] - gap
    return placed


# --- what the output can give ---------------------------------------------------------------------

HEIGHT = 3.3
"""Height of the axes [in]."""

LEGEND_ROW, LEGEND_COLUMNS = 0.19, 3
"""Height of a row of the legend [in], and entries side by side."""

ALONG = (0.5, 0.35, 0.65, 0.2, 0.8)
"""Where along its stretch of a curve the name of a region may stand, best first."""

MARKERS = {"full": ("o", 5.0), "cycle": ("s", 4.5)}
"""Marker and size of simulated points."""


def envelope(env: Envelope) -> Figure:
    """Output voltage over output current at each line, and what sets the current where."""
    words = "What the output can give. Shaded: 95 % of the tolerances' samples. Dots: another limit begins."
    fidelities = [
        name for name in MARKERS if any(p.fidelity == name for c in env.curves for p in c.simulated)
    ]
    entries = len(env.curves) + len(fidelities) + bool(env.claims)
    rows = -(-entries // LEGEND_COLUMNS)
    with style():
        figure, (ax,) = stack(
            env.board_name, words, [HEIGHT], right=0.2, foot=FOOT + LEGEND_ROW * (rows + 0.3)
        )
        ax.set_title("Output voltage [V]")
        ax.set_xlabel("output current [A]")
        for curve, (colour, dash) in zip(env.curves, cycle(CURVES), strict=False):
            ax.fill_betweenx(curve.V_o, curve.low, curve.high, color=colour, alpha=0.14, linewidth=0)
            ax.plot(curve.I_o, curve.V_o, color=colour, linestyle=dash, label=curve.line.full_name)
            starts = [stretch.start for _, stretch in _regions(curve)[1:]]
            ax.plot(curve.I_o[starts], curve.V_o[starts], "o", color=colour, markersize=3.2)
            for point in curve.simulated:
                marker, size = MARKERS[point.fidelity]
                ax.plot(
                    point.I_o,
                    point.V_o,
                    marker,
                    mfc="white",
                    color=colour,
                    markersize=size,
                    zorder=4,
                    clip_on=False,
                )
        for name in fidelities:
            marker, size = MARKERS[name]
            ax.plot([], [], marker, mfc="white", color=INK, markersize=size, label=f"simulated, {name}")
        if env.claims:
            at = np.array([claim[:2] for claim in env.claims])
            ax.plot(*at.T, "x", color=INK, markersize=7, markeredgewidth=1.6, zorder=5, label="label")
        _frame(ax, env)
        claims = [Words(words, np.array([[I_o, V_o]])) for I_o, V_o, words in env.claims]
        place(ax, [*claims, *_region_names(env)], list(_drawn(env)))
        figure.legend(loc="lower left", bbox_to_anchor=(0.05, 0.0), ncols=LEGEND_COLUMNS, columnspacing=1.6)
    return figure


def _regions(curve: Curve) -> list[tuple[str, slice]]:
    """Stretches of a curve on which one limit decides; each begins where the one before ends."""
    stretches, start = [], 0
    for name, members in groupby(curve.region):
        stop = start + len(list(members))
        stretches.append((name, slice(max(start - 1, 0), stop)))
        start = stop
    return stretches


def _frame(ax: Axes, env: Envelope) -> None:
    I_o, V_o = np.max(np.concatenate(list(_drawn(env))), axis=0)
    ax.set_xlim(0.0, 1.15 * max(I_o, *(float(curve.high.max()) for curve in env.curves), 1e-3))
    ax.set_ylim(0.0, 1.12 * V_o)
    scale(ax.xaxis, 8)
    scale(ax.yaxis, 8)


def _drawn(env: Envelope) -> Iterator[Points]:
    """Every curve, and every point that stands alone."""
    for curve in env.curves:
        yield np.column_stack([curve.I_o, curve.V_o])
        for point in curve.simulated:
            yield np.array([[point.I_o, point.V_o]])
    for I_o, V_o, _ in env.claims:
        yield np.array([[I_o, V_o]])


def _region_names(env: Envelope) -> Iterator[Words]:
    """Each region's name once, along any of its stretches; the longest is liked best."""
    whole = np.array([max(np.max(getattr(curve, name)) for curve in env.curves) for name in ("I_o", "V_o")])
    stretches: dict[str, list[tuple[float, Points]]] = {}
    for curve in env.curves:
        for name, stretch in _regions(curve):
            points = np.column_stack([curve.I_o[stretch], curve.V_o[stretch]])
            along = np.append(0.0, np.cumsum(np.hypot(*(np.diff(points, axis=0) / whole).T)))
            at = along[-1] * np.array(ALONG)
            near = np.column_stack([np.interp(at, along, column) for column in points.T])
            stretches.setdefault(name, []).append((float(along[-1]), near))
    for name, found in stretches.items():
        found.sort(key=lambda stretch: -stretch[0])
        yield Words(name, np.concatenate([near for _, near in found]), GREY)
