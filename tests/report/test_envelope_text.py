"""The printed volts and amps: they fit, and no stretch of a curve goes unsaid."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import paper
import pytest
import waves

from flyback.analysis.envelope import Envelope
from flyback.report.envelope_text import show_envelope

ONE = waves.curve(230.0, 13.6, 3.9)
NOTHING = replace(
    ONE,
    V_o=np.array([5.0]),
    I_o=np.zeros(1),
    low=np.zeros(1),
    high=np.zeros(1),
    region=("fold-back",),
    simulated=(),
)
CASES: dict[str, Callable[[], Envelope]] = {
    "three lines": waves.envelope,
    "no claims, no notes": lambda: waves.envelope(ONE, claims=(), notes=()),
    "nothing comes": lambda: waves.envelope(NOTHING),
    "milliamps": lambda: waves.envelope(waves.curve(115.0, 0.31, 0.12)),
    "long region": lambda: waves.envelope(
        replace(ONE, region=("current limit, continuous conduction",) * len(ONE.region))
    ),
    "long name": lambda: waves.envelope(board_name="Found beside the bed, and " * 8),
    "markup": lambda: waves.envelope(board_name="[bold]Bed[/bold] [/]", notes=("[red]x[/red]",)),
}


def printed(env: Envelope) -> str:
    return paper.printed(show_envelope, env)


def table(text: str, line: str) -> list[str]:
    (part,) = (part for part in text.split("\n\n") if part.startswith(line))
    return part.splitlines()[1:]


@pytest.mark.parametrize("case", CASES)
class TestEveryText:
    """What holds for every text."""

    def test_fits(self, case: str) -> None:
        assert paper.misfits(printed(CASES[case]())) == []

    def test_cautions_are_always_there(self, case: str) -> None:
        assert paper.cautioned(printed(CASES[case]()))

    def test_every_region_is_named(self, case: str) -> None:
        env = CASES[case]()
        text = " ".join(printed(env).split())
        assert all(name in text for curve in env.curves for name in curve.region)


def test_figures_of_a_line() -> None:
    rows = table(printed(waves.envelope(replace(ONE, simulated=()))), "230 V 50 Hz")
    # curve(): 13.6 W at 5.05 V is 2.693 A, of which 12 % are 0.323 A
    assert re.fullmatch(r" +5\.05 V +0 A +0 W +regulated", rows[0])
    assert re.fullmatch(r" +5\.05 V +2\.69 A +2\.37 to 3\.02 A +13\.6 W", rows[1])
    # 0.4 + 0.6/3 of 3.9 A
    assert re.fullmatch(r" +1\.00 V +2\.34 A +2\.06 to 2\.62 A +2\.34 W", rows[-1])


def test_simulated_points_stand_beside_their_rows() -> None:
    """Where a curve is simulated, those rows are printed, the first, and where another limit begins."""
    text = printed(waves.envelope(ONE))
    head, *rows = next(part for part in text.split("\n\n") if part.startswith("230 V 50 Hz")).splitlines()
    assert re.search(r"nominal +simulated +band", head)
    assert re.fullmatch(r" +5\.05 V +2\.69 A +2\.72 A +2\.37 to 3\.02 A +13\.6 W.*", rows[1])
    volts = [re.match(r" +([0-9.]+) V", row) for row in rows]
    printed_volts = {round(float(found[1]), 2) for found in volts if found}
    assert {round(point.V_o, 2) for point in ONE.simulated} <= printed_volts


def test_a_stretch_is_named_where_it_begins() -> None:
    rows = table(printed(waves.envelope(replace(ONE, simulated=()))), "230 V 50 Hz")
    named = [re.split(r"  +", row.strip())[-1] for row in rows]
    named = [words for words in named if not re.search(r"[0-9] W$", words)]
    assert named == ["regulated", "constant power", "constant current", "current limit"]


def test_what_a_simulated_point_says() -> None:
    point = replace(ONE.simulated[0], region="subharmonic")
    text = " ".join(printed(waves.envelope(replace(ONE, simulated=(point,)))).split())
    assert "; subharmonic" in text
    assert "Simulated: full: leakage, drain capacitance and ESR followed." in text


def test_the_label_and_the_band_are_explained() -> None:
    text = " ".join(printed(waves.envelope()).split())
    assert "Label 2 A (2.00 A at 5.00 V); 12 W in total (2.40 A at 5.00 V)" in text
    assert "Band: 95 % of 4096 samples of the tolerances." in text
    assert "Notes - Currents are means" in text


def test_markup_is_text() -> None:
    text = printed(CASES["markup"]())
    assert text.startswith("[bold]Bed[/bold] [/]")
    assert "[red]x[/red]" in text
