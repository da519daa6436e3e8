"""The drawings of sweeps: what they name and mark, that words can be read, and in how many dots."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Text
from sweeps import MAPS, ONE, SWEEPS, swept

from flyback.report import drawing, sweep_figures, sweep_map
from flyback.report.sweep_map import FILLS
from flyback.report.sweep_scale import Shown
from flyback.studies.sweep import Sweep


@cache
def drawn(name: str) -> Figure:
    return sweep_figures.sweep(swept(name))


def texts(figure: Figure) -> list[Text]:
    """Every text that is drawn, without the numbers of the scales."""
    figure.draw_without_rendering()
    ticks = {
        label
        for ax in figure.axes
        for axis in (ax.xaxis, ax.yaxis)
        for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks())
        for label in (tick.label1, tick.label2)
    }
    found = figure.findobj(lambda artist: isinstance(artist, Text) and artist not in ticks)
    return [one for one in found if isinstance(one, Text) and one.get_visible() and one.get_text()]


def words(figure: Figure) -> list[str]:
    return [one.get_text() for one in texts(figure)]


def lines_through(ax: Axes, text: Text) -> int:
    """Points of lines that lie under a text."""
    box = text.get_window_extent()
    curves = [
        drawing._dotted(ax.transData.transform(line.get_xydata()), 1.0)
        for line in ax.get_lines()
        if line.get_transform() == ax.transData and np.isfinite(line.get_xydata()).all(axis=1).sum() > 1
    ]
    return sum(int(box.count_contains(curve)) for curve in curves)


@pytest.mark.parametrize("name", SWEEPS)
class TestEveryDrawing:
    """What holds for every drawing."""

    def test_words_can_be_read_and_stay_inside(self, name: str) -> None:
        figure = drawn(name)
        assert figure.get_figwidth() == drawing.WIDTH
        for text in texts(figure):
            box = text.get_window_extent()
            assert text.get_fontsize() >= 8.0
            assert box.x0 >= 0
            assert box.y0 >= 0
            assert box.x1 <= figure.bbox.x1
            assert box.y1 <= figure.bbox.y1

    def test_no_words_on_words(self, name: str) -> None:
        boxes = [(one.get_text(), one.get_window_extent().padded(-1.0)) for one in texts(drawn(name))]
        on_each_other = [
            (first, second)
            for k, (first, box) in enumerate(boxes)
            for second, other in boxes[k + 1 :]
            if box.overlaps(other)
        ]
        assert on_each_other == []

    def test_units_are_named(self, name: str) -> None:
        *_, ax = drawn(name).axes
        assert re.search(r"\[(Ω|µF|turns|V|mH)\]$", ax.get_xlabel())
        assert re.search(r"\[(Ω|µF|turns|V|W)\]$", ax.get_title(loc="left"))

    def test_the_same_drawing_gives_the_same_bytes(self, name: str, tmp_path: Path) -> None:
        first, second = (
            drawing.save(sweep_figures.sweep(swept(name)), tmp_path / "drawing.svg") for _ in range(2)
        )
        assert first != second
        assert first.read_bytes() == second.read_bytes()


# --- one axis -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ONE)
def test_no_words_on_a_curve(name: str) -> None:
    *_, ax = drawn(name).axes
    assert [text.get_text() for text in ax.texts if lines_through(ax, text)] == []


def test_words_on_a_curve_are_found() -> None:
    figure = sweep_figures.sweep(swept("one crossing"))
    ax = figure.axes[-1]
    text = ax.text(
        1.5, float(np.interp(1.5, swept("one crossing").axes[0].values, swept("one crossing").lowest)), "on"
    )
    assert lines_through(ax, text) > 0


def test_every_ceiling_that_is_seen_has_its_name() -> None:
    found = swept("self-oscillating")
    *_, ax = drawn("self-oscillating").axes
    seen = {one.name for one in found.ceilings if np.nanmin(one.power) < ax.get_ylim()[1]}
    names = {text.get_text() for text in ax.texts}
    assert seen <= names
    assert "label: 1 A" in names
    assert "now 5.60 Ω" in names


def test_the_lowest_is_bold_and_has_its_band() -> None:
    found = swept("one crossing")
    *_, ax = drawn("one crossing").axes
    bold = max(ax.get_lines(), key=lambda line: line.get_linewidth())
    assert bold.get_ydata() == pytest.approx(found.lowest)
    (band,) = ax.collections
    corners = band.get_paths()[0].vertices
    assert corners[:, 1].min() == pytest.approx(found.low.min())
    assert corners[:, 1].max() == pytest.approx(found.high.max())


@pytest.mark.parametrize("name", ["one crossing", "turns", "a series"])
def test_the_strip_names_each_stretch(name: str) -> None:
    found = swept(name)
    strip, ax = drawn(name).axes
    assert strip.get_xlim() == ax.get_xlim()
    parts = {ceiling.name: ceiling.parts for ceiling in found.ceilings}
    assert [text.get_text() for text in strip.texts] == [
        f"{one}\n{parts[one]}" for _, one in found.stretches
    ]
    shown = Shown.of(found.axes[0])
    borders = [line.get_xdata()[0] for line in strip.get_lines()]
    assert borders == pytest.approx([crossing.at * shown.factor for crossing in found.crossings])
    for text, (left, right) in zip(
        strip.texts, pairwise([ax.get_xlim()[0], *borders, ax.get_xlim()[1]]), strict=True
    ):
        assert left < text.get_position()[0] < right


def test_a_stretch_without_room_has_no_name() -> None:
    found = swept("turns")
    first, second = found.crossings
    narrow = replace(found, crossings=(first, replace(second, at=first.at + 1.0)))
    strip, _ = sweep_figures.sweep(narrow).axes
    assert len(strip.texts) == 2


def test_a_limit_that_is_not_there_is_not_drawn() -> None:
    found = swept("one crossing")
    duty = next(ceiling for ceiling in found.ceilings if ceiling.name == "duty limit")
    assert np.isinf(duty.power).all()
    assert "duty limit" not in words(drawn("one crossing"))


def test_nothing_known_is_drawn_empty() -> None:
    found = swept("turns")
    nothing = np.full(found.lowest.shape, np.nan)
    empty = replace(
        found,
        lowest=nothing,
        low=nothing,
        high=nothing,
        binding=np.full(nothing.shape, -1),
        ceilings=tuple(replace(ceiling, power=nothing) for ceiling in found.ceilings),
        crossings=(),
    )
    assert "label: 2 A" in words(sweep_figures.sweep(empty))


def test_what_feeds_it_is_in_the_words_above() -> None:
    for name, fed in (
        ("one crossing", "At 90 V 50 Hz."),
        ("a bench supply", "At 150 V dc."),
        ("a map", "At 50 Hz."),
    ):
        assert fed in " ".join(words(drawn(name)))
    other = replace(swept("one crossing"), other_voltages=(9.0,))
    assert "output at 5 V" in " ".join(words(sweep_figures.sweep(other)))


# --- two axes -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", MAPS)
def test_every_region_has_its_name_or_a_letter_of_the_key(name: str) -> None:
    found = swept(name)
    told = words(drawn(name))
    for k in np.unique(found.binding):
        ceiling = found.ceilings[k]
        spellings = (f"{ceiling.name}\n{ceiling.parts}", f"{ceiling.name} ({ceiling.parts})")
        keyed = [one for one in told if re.fullmatch(rf"[a-z]  {re.escape(spellings[1])}", one)]
        assert any(one in spellings for one in told) or (len(keyed) == 1 and keyed[0][0] in told)


@pytest.mark.parametrize("name", MAPS)
def test_names_stand_inside_their_regions(name: str) -> None:
    found = swept(name)
    (ax,) = drawn(name).axes
    across, up = (Shown.of(axis) for axis in found.axes)
    for text in ax.texts:
        for k, ceiling in enumerate(found.ceilings):
            if text.get_text() in (f"{ceiling.name}\n{ceiling.parts}", f"{ceiling.name} ({ceiling.parts})"):
                box = ax.transData.inverted().transform(text.get_window_extent().corners())
                for x, y in box:
                    i, j = (int(np.argmin(np.abs(s.values - at))) for s, at in ((across, x), (up, y)))
                    assert found.binding[i, j] == k


def test_contours_lie_where_the_ceiling_has_their_watts() -> None:
    found = swept("a map")
    (ax,) = drawn("a map").axes
    across, up = (Shown.of(axis) for axis in found.axes)
    bold = [line for line in ax.get_lines() if line.get_linewidth() == 2.0]
    assert bold
    for line in bold:
        for x, y in line.get_xydata():
            assert interpolated(found, across, up, x, y) == pytest.approx(24.0, rel=0.01)


def interpolated(found: Sweep, across: Shown, up: Shown, x: float, y: float) -> float:
    along = [np.interp(y, up.values, row) for row in found.lowest]
    return float(np.interp(x, across.values, along))


def test_the_key_makes_room_for_itself() -> None:
    plain, keyed = (sweep_map._drawn(swept("a map"), rows=rows)[0] for rows in (0, 2))
    sizes = [figure.axes[0].get_position().height * figure.get_figheight() for figure in (plain, keyed)]
    assert sizes[0] == pytest.approx(sizes[1])
    assert keyed.get_figheight() - plain.get_figheight() == pytest.approx(2 * sweep_map.KEY_ROW)
    assert plain.legends == []


def test_the_board_as_it_stands_is_marked() -> None:
    (ax,) = drawn("a map of steps").axes
    (mark,) = (line for line in ax.get_lines() if line.get_marker() == "x")
    assert mark.get_xydata().tolist() == [[pytest.approx(18.0), 98.0]]
    assert "now" in words(drawn("a map of steps"))
    assert "now 2.20 Ω" in words(drawn("a map"))
    outside = swept("a map in proportion").axes[0]
    far = replace(swept("a map in proportion"), axes=(replace(outside, now=1.0), swept("a map").axes[1]))
    assert not [one for one in words(sweep_map.draw_map(far)) if one.startswith("now")]


def test_claims_that_ask_the_same_are_one() -> None:
    told = words(drawn("two claims alike"))
    assert "24 W in total, 2 A" in told or "24 W in total, 2 A, band" in told


def test_fills_can_be_told_apart_in_grey() -> None:
    def grey(colour: str) -> float:
        return float(np.dot(to_rgb(colour), (0.299, 0.587, 0.114)))

    first = sorted(grey(colour) for colour in FILLS[:4])
    # borders and names tell regions apart; the fills of the first four still differ by a shade
    assert min(b - a for a, b in pairwise(first)) > 0.005


def test_a_map_of_one_limit_alone() -> None:
    found = swept("a map")
    alone = replace(found, binding=np.full(found.binding.shape, 2), ceilings=found.ceilings[:3])
    high = tuple(replace(one, power=np.full(found.lowest.shape, np.inf)) for one in alone.ceilings[:2])
    figure = sweep_figures.sweep(replace(alone, ceilings=(*high, alone.ceilings[2])))
    assert "current limit\nR5 || R6" in words(figure)


def test_points_without_a_result_are_left_white() -> None:
    found = swept("a map")
    hole: dict[str, Any] = {
        key: np.where(np.arange(21) < 4, np.nan, getattr(found, key)) for key in ("lowest", "low", "high")
    }
    ceilings = tuple(
        replace(one, power=np.where(np.arange(21) < 4, np.nan, one.power)) for one in found.ceilings
    )
    binding = np.where(np.arange(21) < 4, -1, found.binding)
    figure = sweep_figures.sweep(replace(found, **hole, ceilings=ceilings, binding=binding))
    assert "current limit\nR5 || R6" in words(figure)
