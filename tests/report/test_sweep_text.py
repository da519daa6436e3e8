"""The printed sweep: short, in words, inside the width, and with the figures of the study."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.cells import cell_len
from sweeps import MAPS, ONE, SWEEPS, swept
from worked import board

from flyback.report.pieces import WIDTH, console
from flyback.report.safety import CAUTIONS
from flyback.report.sweep_text import COLUMNS, ROWS, binding_words, claim_words, show_sweep, told
from flyback.report.sweep_text import swept as axis_words
from flyback.studies.sweep import Sweep, sweep
from flyback.studies.sweep_axes import read_axes


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


def printed(found: Sweep, width: int = WIDTH) -> str:
    out = console(width)
    out.file = io.StringIO()
    show_sweep(found, out)
    text = out.file.getvalue()
    assert isinstance(text, str)
    return text


def table(text: str) -> list[str]:
    """The lines of the table."""
    return text.split("\n\n")[2].splitlines()


@pytest.mark.parametrize("name", SWEEPS)
@pytest.mark.parametrize("width", [80, 100])
def test_it_stays_inside_the_width(name: str, width: int) -> None:
    text = printed(swept(name), width)
    assert max(cell_len(line) for line in text.splitlines()) <= width
    assert " ".join(text.split()).endswith(" ".join(CAUTIONS))
    assert "safe " not in text.replace("safety", "")
    assert "nan" not in text
    assert "inf " not in text


@pytest.mark.parametrize("name", ONE)
def test_the_table_is_short_and_has_the_figures(name: str) -> None:
    found = swept(name)
    (axis,) = found.axes
    head, *rows = table(printed(found))
    assert head.split() == [axis.name, "lowest", "band", "binds", "first"]
    assert len(rows) <= ROWS
    assert rows[0].strip().startswith(told(axis, float(axis.values[0])))
    assert rows[-1].strip().startswith(told(axis, float(axis.values[-1])))
    assert f"{found.lowest[0]:#.3g} W" in rows[0]
    assert found.ceilings[int(found.binding[-1])].name in rows[-1]


@pytest.mark.parametrize("name", MAPS)
def test_the_map_has_a_letter_for_each_limit(name: str) -> None:
    found = swept(name)
    head, *lines = table(printed(found))
    rows = [line for line in lines if not line.startswith("  a ")]
    axis, other = found.axes
    assert head.startswith(f"{axis.name} \\ {other.name}")
    assert head.endswith(told(other, float(other.values[-1])))
    kinds = [found.ceilings[k] for k in np.unique(found.binding)]
    for letter, ceiling in zip("abcdefgh", kinds, strict=False):
        assert f"  {letter}  {ceiling.name} ({ceiling.parts})" in lines
    figures = rows[0].split()[2:]
    assert len(figures) <= 2 * COLUMNS
    assert float(figures[0]) == pytest.approx(found.lowest[0, 0], rel=0.01)


def test_rows_are_even_steps_where_they_can_be() -> None:
    lines = table(printed(swept("one crossing")))[1:]
    ohms = [float(line.split()[0]) for line in lines]
    assert np.ptp(np.diff(ohms)) < 0.011  # three digits


def test_what_binds_is_a_sentence() -> None:
    one, turns = swept("one crossing"), swept("turns")
    at = f"{one.crossings[0].at:.3f}"
    assert (
        binding_words(one) == f"Up to {at} Ω: bulk valley (C1); from {at} Ω on: current limit (R5 || R6)."
    )
    assert binding_words(turns) == (
        "Up to 94 turns: saturation (T1); from 95 to 132 turns: current limit (R3 || R4); "
        "from 133 turns on: capacitor ripple (C5)."
    )
    assert binding_words(swept("the mains")) == "Constant-current loop (R3) over the whole range."


def test_what_binds_on_a_map_is_told_in_shares() -> None:
    words = binding_words(swept("a map")).splitlines()
    assert words[0].startswith("At ")
    assert words[0].endswith(" of the points: current limit (R5 || R6)")
    shares = [float(line.split()[1]) for line in words]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(100.0, abs=0.2)


def test_where_claims_are_met() -> None:
    found = swept("one crossing")
    (total,) = claim_words(found, "24 W in total")
    assert total == f"met nowhere; at most {found.lowest.max():.1f} W, at 0.500 Ω"
    (port,) = claim_words(found, "2 A from one port")
    assert port.startswith("met over the whole range; with the whole band ")
    (turns,) = claim_words(swept("turns"), "2 A")
    band = swept("turns").claims[0].whole_band[0]
    assert (
        turns == f"met from 84 turns on; with the whole band from {band.low:.0f} to {band.high:.0f} turns"
    )


def test_where_claims_are_met_on_a_map() -> None:
    found = swept("a map")
    lines = list(claim_words(found, "24 W in total"))
    assert lines[0] == "at 90 V: nowhere"
    assert lines[-1].startswith("at 264 V: with R6 up to 1.2")
    assert list(claim_words(found, "2 A from one port")) == ["met everywhere"]


def test_the_axis_in_words() -> None:
    words = [axis_words(swept(name).axes[0]) for name in ("one crossing", "turns", "a series", "the mains")]
    assert words == [
        "R6, sense resistor: 0.500 to 2.50 Ω in 61 steps; 2.20 Ω on this board",
        "T1.primary_turns, turns of the primary winding: 80 to 160 turns, 81 whole numbers; "
        "120 turns on this board",
        "C1, bulk capacitor: 4.70 to 100 µF, the 17 values of E12; 18.0 µF on this board",
        "mains voltage: 60 to 264 V in 61 steps",
    ]
    assert "equal in proportion" in axis_words(swept("a map in proportion").axes[0])


def test_steps_of_a_narrow_range_can_be_told_apart() -> None:
    (axis,) = read_axes(board("bedside_charger"), ["R6=1ohm..1.01ohm"], steps=ROWS)
    texts = [told(axis, float(number)) for number in axis.values]
    assert len(set(texts)) == ROWS
    assert texts[0] == "1.0000 Ω"


def test_what_feeds_it_is_said() -> None:
    assert "At 90 V 50 Hz, the mains of the label at which this board can give least." in printed(
        swept("one crossing")
    )
    assert "\nAt 150 V dc.\n" in printed(swept("a bench supply"))
    assert "\nAt 50 Hz.\n" in printed(swept("the mains"))


def test_other_output_voltages_are_said() -> None:
    found = replace(swept("one crossing"), other_voltages=(9.0, 12.0))
    assert "Claims at 5 V; the label also has 9 V, 12 V (--at)." in printed(found)


def test_points_without_a_result_or_a_limit() -> None:
    found = swept("turns")
    lowest, low, high = (np.array(x) for x in (found.lowest, found.low, found.high))
    binding = np.array(found.binding)
    lowest[0] = low[0] = high[0] = np.nan
    lowest[-1] = low[-1] = high[-1] = np.inf
    binding[[0, -1]] = -1
    rows = table(printed(replace(found, lowest=lowest, low=low, high=high, binding=binding)))
    assert rows[1].split() == ["80", "turns", "-", "-", "no", "result"]
    assert rows[-1].split() == ["160", "turns", "-", "-", "no", "known", "limit"]


def test_lists() -> None:
    text = printed(sweep(board("bedside_charger"), ["R7=1ohm..4ohm"], steps=3, samples=100))
    for head in ("Notes\n", "Assumed (2)\n", "Not checked (1)\n", "Left out (3)\n"):
        assert f"\n\n{head}" in text
    assert "R7.resistance has ± 5 % at every step" in text
