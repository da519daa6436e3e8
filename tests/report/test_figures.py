"""The drawings: what they mark, that nothing covers anything, and how they are written."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import waves
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from waves import scene

from flyback.analysis.waveforms.load import Load
from flyback.errors import RequestError
from flyback.report import drawing, figures

LONG_NAME = "Found beside the bed, and " * 8

FIGURES: dict[str, Any] = {
    "two cycles": lambda: figures.waveforms(scene()),
    "mains period": lambda: figures.waveforms(scene(waves.mains_run())),
    "forty pulses": lambda: figures.waveforms(scene(waves.mains_run(seconds=0.6e-3), line=waves.BENCH)),
    "load step": lambda: figures.waveforms(scene(load=Load.step("current", 1.0, 2.0, at=0.040015))),
    "partial": lambda: figures.waveforms(scene(waves.mains_run(finished=False), settled=False)),
    "long name": lambda: figures.waveforms(scene(board_name=LONG_NAME)),
    "envelope": lambda: figures.envelope(waves.envelope()),
    "one line": lambda: figures.envelope(waves.envelope(waves.curve(230.0, 13.6, 3.9), claims=())),
    "five lines": lambda: figures.envelope(
        waves.envelope(
            *(waves.curve(90.0 + 40.0 * i, 9.0 + 1.5 * i, 2.6 + 0.4 * i) for i in range(5)),
            claims=waves.CLAIMS[:1],
        )
    ),
}


def texts(figure: Figure) -> list[Text]:
    """Every text that is drawn."""
    figure.draw_without_rendering()
    beyond = {
        tick.label1
        for ax in figure.axes
        for axis in (ax.xaxis, ax.yaxis)
        for tick in axis.get_major_ticks()
        if not min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
    }
    found = figure.findobj(lambda artist: isinstance(artist, Text) and artist not in beyond)
    return [text for text in found if isinstance(text, Text) and text.get_visible() and text.get_text()]


def words(figure: Figure) -> dict[str, Bbox]:
    """Every text that is drawn and the box it takes [dots]."""
    return {text.get_text(): text.get_window_extent() for text in texts(figure)}


def labels(figure: Figure) -> list[str]:
    """Every key value and name, without the numbers of the scales."""
    return [text for text in words(figure) if not re.fullmatch(r"[-−0-9.]+", text)]


def overlaps(figure: Figure) -> list[tuple[str, str]]:
    """Pairs of texts that share more than a dot."""
    boxes = [(text.get_text(), text.get_window_extent().padded(-1.0)) for text in texts(figure)]
    return [
        (first, second)
        for index, (first, box) in enumerate(boxes)
        for second, other in boxes[index + 1 :]
        if box.overlaps(other)
    ]


def crossed(figure: Figure) -> list[str]:
    """Texts inside the axes that a curve runs through."""
    found = []
    for ax in figure.axes:
        curves = [
            drawing._dotted(ax.transData.transform(line.get_xydata()), 1.0)
            for line in ax.get_lines()
            if line.get_transform() == ax.transData and len(line.get_xdata()) > 1
        ]
        for text in ax.texts:
            box = text.get_window_extent()
            if any(box.count_contains(curve) for curve in curves):
                found.append(text.get_text())
    return found


def marked(figure: Figure, title: str) -> dict[str, tuple[float, float]]:
    """Key values in the margin of a panel, and the points of their markers, from low to high."""
    (ax,) = (ax for ax in figure.axes if ax.get_title(loc="left") == title)
    points = [
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in ax.get_lines()
        if line.get_marker() == "o"
    ]
    return dict(zip((text.get_text() for text in ax.texts), points, strict=True))


# --- what holds for every drawing -----------------------------------------------------------------


@pytest.mark.parametrize("name", FIGURES)
class TestEveryDrawing:
    """What holds for every drawing."""

    def test_it_is_as_wide_as_a_page_and_its_words_can_be_read(self, name: str) -> None:
        figure = FIGURES[name]()
        assert figure.get_figwidth() == 6.3
        assert min(text.get_fontsize() for text in figure.findobj(Text) if text.get_text()) >= 8.0

    def test_words_stay_inside(self, name: str) -> None:
        figure = FIGURES[name]()
        inside = figure.bbox
        outside = [
            text
            for text, box in words(figure).items()
            if box.x0 < 0 or box.y0 < 0 or box.x1 > inside.x1 or box.y1 > inside.y1
        ]
        assert outside == []

    def test_no_words_on_words(self, name: str) -> None:
        assert overlaps(FIGURES[name]()) == []

    def test_no_words_on_a_curve(self, name: str) -> None:
        assert crossed(FIGURES[name]()) == []

    def test_units_are_named(self, name: str) -> None:
        for ax in FIGURES[name]().axes:
            assert re.search(r"\[(A|V)\]$", ax.get_title(loc="left"))
        assert re.search(r"\[(µs|ms|s|A)\]$", ax.get_xlabel())

    def test_the_same_drawing_gives_the_same_bytes(self, name: str, tmp_path: Path) -> None:
        first, second = (figures.save(FIGURES[name](), tmp_path / "drawing.svg") for _ in range(2))
        assert first != second
        assert first.read_bytes() == second.read_bytes()


def test_words_on_words_or_on_a_curve_are_found() -> None:
    figure = FIGURES["envelope"]()
    figure.axes[0].text(1.0, 5.0, "on the curve")
    figure.axes[0].text(1.02, 5.01, "on the words")
    assert crossed(figure) == ["on the curve", "on the words"]
    assert ("on the curve", "on the words") in overlaps(figure)


# --- waveforms ------------------------------------------------------------------------------------


def test_panels_share_one_time_axis() -> None:
    figure = figures.waveforms(scene())
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == [
        "Primary current [A]",
        "Secondary current [A]",
        "Drain voltage [V]",
        "Bulk voltage [V]",
        "Output voltage [V]",
    ]
    assert len({ax.get_xlim() for ax in figure.axes}) == 1
    assert len({(ax.get_position().x0, ax.get_position().x1) for ax in figure.axes}) == 1
    assert figure.axes[-1].get_xlabel() == "time since 40.00 ms [µs]"


def test_key_values_stand_beside_their_levels() -> None:
    figure = figures.waveforms(scene())
    # two_cycles draws a triangle up to 0.62 A, 15 turns to one, and a drain of 321 V + 150 V; its grid of
    # 3000 points a cycle may miss the corner by a 380th
    primary = marked(figure, "Primary current [A]")
    (label, (_, level)) = next(iter(primary.items()))
    assert label.startswith("$I_\\mathrm{pk}$\n0.6")
    assert level == pytest.approx(0.62, rel=1 / 380)
    secondary = marked(figure, "Secondary current [A]")
    assert next(iter(secondary)).startswith("$I_\\mathrm{s,pk}$\n9.0")
    assert list(marked(figure, "Drain voltage [V]")) == ["peak\n471 V"]


@pytest.mark.parametrize("name", ["Primary current [A]", "Drain voltage [V]", "Bulk voltage [V]"])
@pytest.mark.parametrize("start", [0.0, 40e-3])
def test_markers_lie_on_their_curves(name: str, start: float) -> None:
    run = waves.two_cycles(start)
    field = {"P": "i_pri", "D": "v_drain", "B": "v_bulk"}[name[0]]
    assert run.traces is not None
    t = (run.traces.t - start) * 1e6
    for x, y in marked(figures.waveforms(scene(run)), name).values():
        assert np.min(np.hypot(t - x, getattr(run.traces, field) - y)) < 1e-6


def test_the_valley_and_the_crest_of_the_bulk() -> None:
    # mains_run: from the crest of 100 V down to where the next half wave meets it, and on to the next crest
    found = marked(figures.waveforms(scene(waves.mains_run())), "Bulk voltage [V]")
    assert list(found) == ["valley\n100 V", "highest\n141 V"]
    assert found["highest\n141 V"] == (0.0, pytest.approx(100 * np.sqrt(2)))


def test_a_bulk_that_hardly_moves_looks_so() -> None:
    figure = figures.waveforms(scene())
    ax = next(ax for ax in figure.axes if ax.get_title(loc="left").startswith("Bulk"))
    low, high = ax.get_ylim()
    assert high - low > 0.1 * 320
    assert [text.get_text() for text in ax.texts] == ["lowest\n320 V"]


def test_ripple_and_swing() -> None:
    run = waves.two_cycles()
    apart = labels(figures.waveforms(scene(run)))
    assert "swing 0.271 V\nripple 0.247 V" in apart
    same = replace(run, figures=replace(run.figures, V_ripple=0.271))
    assert "ripple 0.271 V\npeak to peak" in labels(figures.waveforms(scene(same)))
    unknown = replace(run, figures=replace(run.figures, V_ripple=float("nan")))
    assert "swing 0.271 V" in labels(figures.waveforms(scene(unknown)))


@pytest.mark.parametrize(
    ("seconds", "words", "bands"),
    [(0.8e-3, "time [µs]", 0), (3e-3, "time [ms]", 4), (20e-3, "time [ms]", 4)],
)
def test_many_pulses_are_a_band(seconds: float, words: str, bands: int) -> None:
    figure = figures.waveforms(scene(waves.mains_run(seconds=seconds)))
    assert sum(bool(ax.collections) for ax in figure.axes) == bands
    assert figure.axes[-1].get_xlabel() == words
    assert ("Mains current [A]" in labels(figure)) == bool(bands)


def test_a_bench_supply_has_no_mains_current() -> None:
    run = waves.mains_run()
    assert run.traces is not None
    quiet = replace(run, traces=replace(run.traces, i_line=0.0 * run.traces.t))
    assert "Mains current [A]" not in labels(figures.waveforms(scene(quiet, line=waves.BENCH)))


def test_a_band_reaches_to_every_extreme() -> None:
    rng = np.random.default_rng(1)
    t = np.sort(rng.uniform(0.0, 1.0, 500))
    t[100:200:2] = t[101:201:2]  # steps
    values = rng.normal(size=500)
    edges = np.linspace(t[0], t[-1], 38)
    low, high = figures._extremes(t, values, edges)
    for index, (start, end) in enumerate(pairwise(edges)):
        inside = values[(t >= start) & (t <= end)]
        between = np.interp(np.linspace(start, end, 1000), t, values)
        assert low[index] <= min(inside.min(initial=np.inf), between.min()) + 1e-12
        assert high[index] >= max(inside.max(initial=-np.inf), between.max()) - 1e-12
        # and no further: an extreme lies on a point or on an edge
        ends = np.append(inside, np.interp([start, end], t, values))
        assert {low[index], high[index]} == {ends.min(), ends.max()}


def test_a_band_does_not_grow_with_its_pulses(tmp_path: Path) -> None:
    sizes = [
        figures.save(figures.waveforms(scene(waves.mains_run(seconds=seconds))), tmp_path / "a.svg")
        .stat()
        .st_size
        for seconds in (20e-3, 80e-3)
    ]
    assert sizes[1] < 2 * sizes[0]


def test_a_load_step_is_marked() -> None:
    def dashed(load: Load) -> list[float]:
        figure = figures.waveforms(scene(load=load))
        lines = [line for ax in figure.axes for line in ax.get_lines()]
        upright = [line for line in lines if list(line.get_ydata()) == [0, 1]]
        return [round(float(line.get_xdata()[0]), 9) for line in upright]

    assert dashed(Load.step("current", 1.0, 2.0, at=0.040015)) == [15.0] * 5
    assert dashed(Load.step("current", 1.0, 2.0, at=0.050)) == []
    assert dashed(Load.ramp("current", 1.0, 2.0, start=0.04, end=0.05)) == []


def test_the_head_says_what_was_simulated() -> None:
    said = " ".join(labels(figures.waveforms(scene())))
    assert (
        "Simulated (full: leakage, drain capacitance and ESR followed), load 2.00 A on 230 V 50 Hz." in said
    )
    assert "Partial" not in said
    assert "Not settled" not in said
    partial = " ".join(labels(FIGURES["partial"]()))
    assert "cycle: pulse by pulse, no ringing" in partial
    assert "Partial result: the run ended early." in partial
    assert "Not settled." in partial


def test_a_name_is_text_and_no_formula() -> None:
    for name in ("$5 charger", r"a_1 $\frac$ b$", "50 % & <b>"):
        assert name in labels(figures.waveforms(scene(board_name=name)))


def test_a_name_the_type_lacks_is_no_warning(tmp_path: Path) -> None:
    figure = figures.waveforms(scene(board_name="床头充电器"))
    assert figures.save(figure, tmp_path / "a.svg").exists()


def test_a_run_without_waveforms_is_refused() -> None:
    with pytest.raises(ValueError, match="no waveforms to draw"):
        figures.waveforms(scene(replace(waves.two_cycles(), traces=None)))


@pytest.mark.parametrize(
    ("wanted", "placed"),
    [
        ([5.0], [5.0]),
        ([2.0, 8.0], [2.0, 8.0]),
        ([5.0, 5.5], [5.0, 7.0]),
        ([9.0, 9.5], [8.0, 10.0]),
        ([0.0, 1.0, 9.5, 9.5], [0.0, 2.0, 8.0, 10.0]),
    ],
)
def test_key_values_keep_apart(wanted: list[float], placed: list[float]) -> None:
    assert figures._apart(wanted, 2.0, 0.0, 10.0) == pytest.approx(placed)


# --- what the output can give ---------------------------------------------------------------------


def test_every_region_is_named_once() -> None:
    named = [text.get_text() for text in FIGURES["five lines"]().axes[0].texts]
    regions = {"regulated", "constant power", "constant current", "current limit"}
    assert sorted(named) == sorted([*regions, "2 A"])


def test_a_dot_stands_where_another_limit_takes_over() -> None:
    ax = FIGURES["one line"]().axes[0]
    dots = next(line for line in ax.get_lines() if line.get_markersize() == 3.2)
    points = np.column_stack([dots.get_xdata(), dots.get_ydata()])
    # curve(): 13.6 W from 5.05 V on, 3.9 A from 13.6 W / 3.9 A = 3.49 V on, folding below 3 V
    assert points[0] == pytest.approx([13.6 / 5.05, 5.05])
    assert points[1][1] == pytest.approx(13.6 / 3.9, abs=0.1)
    assert points[2][1] == pytest.approx(3.0, abs=0.2)


def test_lines_are_told_apart_without_colour() -> None:
    dashes = [dash for _, dash in drawing.CURVES]
    assert len(set(dashes)) == len(dashes)
    legend = [text.get_text() for text in FIGURES["five lines"]().legends[0].get_texts()]
    assert legend[:2] == ["90 V 50 Hz", "130 V 50 Hz"]
    assert legend[-2:] == ["simulated, full", "label"]


def test_two_fidelities_have_two_markers() -> None:
    curve = waves.curve(230.0, 13.6, 3.9)
    points = (replace(curve.simulated[0], fidelity="cycle"), *curve.simulated[1:])
    figure = figures.envelope(waves.envelope(replace(curve, simulated=points), claims=()))
    handles = figure.legends[0].legend_handles
    markers = [handle.get_marker() for handle in handles if isinstance(handle, Line2D)]
    assert markers == ["None", "o", "s"]


def test_no_simulation_no_marker() -> None:
    figure = figures.envelope(
        waves.envelope(replace(waves.curve(230.0, 13.6, 3.9), simulated=()), claims=())
    )
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["230 V 50 Hz"]


# --- files ----------------------------------------------------------------------------------------


def test_nothing_is_written_over(tmp_path: Path) -> None:
    for suffix in drawing.SUFFIXES:
        wanted = tmp_path / f"drawing{suffix}"
        wanted.write_text("precious")
        figure = FIGURES["one line"]()
        assert figures.save(figure, wanted) == tmp_path / f"drawing-2{suffix}"
        assert figures.save(figure, str(wanted)) == tmp_path / f"drawing-3{suffix}"
        assert wanted.read_text() == "precious"


def test_the_kinds_of_file(tmp_path: Path) -> None:
    figure = FIGURES["one line"]()
    picture = figures.save(figure, tmp_path / "a.PNG").read_bytes()
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">I", picture[16:20]) == (1260,)  # 6.3 in, 200 dots each
    vector = figures.save(figure, tmp_path / "a.svg").read_text(encoding="utf-8")
    assert "<svg" in vector
    assert "<dc:title>Wall charger</dc:title>" in vector
    assert "<dc:date>" not in vector


@pytest.mark.parametrize("name", ["drawing.pdf", "drawing", "drawing.svg.gz", ""])
def test_other_kinds_are_refused(name: str, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"is not the name of a drawing\. Let it end in \.svg or \.png"):
        figures.save(FIGURES["one line"](), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


def test_settings_of_a_user_neither_leak_in_nor_change(tmp_path: Path) -> None:
    plain = figures.save(FIGURES["one line"](), tmp_path / "a.svg").read_bytes()
    with matplotlib.rc_context({"font.size": 20.0, "axes.facecolor": "black", "lines.linewidth": 9.0}):
        before = dict(matplotlib.rcParams)
        assert figures.save(FIGURES["one line"](), tmp_path / "a.svg").read_bytes() == plain
        assert dict(matplotlib.rcParams) == before


def test_nothing_interactive_is_loaded() -> None:
    script = "import sys, flyback.report.figures; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "False\n"
