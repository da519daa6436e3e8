"""The printed what-if: the answer first, only what moved, everything inside the width."""

from __future__ import annotations

import io
from functools import cache

import pytest
from rich.cells import cell_len
from worked import SAMPLES, board

from flyback.board.edit import read_changes
from flyback.report.alter_text import TO_LEARN_FROM, show_altered
from flyback.report.pieces import WIDTH, console
from flyback.report.safety import CAUTIONS
from flyback.studies.alter import alter

PAIRS = [
    ("bedside_charger", "R7=2R2"),
    ("wall_charger", "R4=open"),
    ("wall_charger", "T1.primary_turns=90"),
    ("hall_charger", "R12<->R13"),
    ("travel_cube", "C1=4u7"),
    ("strip_adapter", "C1=22u"),
    ("wall_charger", "R3=2R4"),
]


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


@cache
def printed(name: str, *texts: str, mains: tuple[float, ...] | None = None, width: int = WIDTH) -> str:
    made = board(name)
    out = console(width)
    out.file = io.StringIO()
    show_altered(alter(made, read_changes(made, texts), mains=mains, samples=SAMPLES), out)
    text = out.file.getvalue()
    assert isinstance(text, str)
    return text


def table(text: str, head: str) -> list[str]:
    """The lines of one table without its head."""
    (block,) = (block for block in text.split("\n\n") if block.startswith(head))
    return block.splitlines()[1:]


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize(("name", "change"), PAIRS)
def test_everything_fits_and_cautions_are_there(name: str, change: str, width: int) -> None:
    text = printed(name, change, width=width)
    assert [line for line in text.splitlines() if cell_len(line) > width] == []
    flowing = " ".join(text.split())
    assert all(" ".join(words.split()) in flowing for words in (TO_LEARN_FROM, *CAUTIONS))
    assert "safe." not in flowing
    assert "nan" not in flowing


def test_the_answer_comes_first() -> None:
    heads = [block.split("  ")[0] for block in printed("wall_charger", "R4=open").split("\n\n")]
    expected = ["Wall charger", "Changed\n", "Claim", "", "Stops it first", "What got worse\n"]
    assert [head[: len(start)] for head, start in zip(heads, expected, strict=False)] == expected


def test_a_verdict_before_and_now() -> None:
    rows = table(printed("wall_charger", "R4=open"), "Claim")
    assert rows[0].split() == ["2", "A", "very", "likely", "impossible"]
    assert rows[1].split()[:4] == ["90", "V", "2.50", "A"]
    assert "0.695 A" in rows[1]
    assert rows[2].split()[-3:] == ["by", "no", "sample"]
    assert rows[3].split()[:2] == ["230", "V"], "the mains it was tried on"


def test_a_figure_takes_three_lines() -> None:
    rows = table(printed("wall_charger", "R4=open"), "Ceilings in W")
    assert rows[0].split() == ["current", "limit", "before", "12.6", "13.1", "14.6", "15.1"]
    assert rows[1].split()[:5] == ["R3", "now", "3.51", "3.68", "4.48"]
    assert rows[2].split()[:2] == ["-72", "%"], "3.51 of 12.6 W"


def test_only_what_moved_is_in_the_tables() -> None:
    text = printed("hall_charger", "R12<->R13")
    assert "Ceilings in W" not in text
    assert "At a load" not in text
    rows = table(text, "Small currents of the rail")
    assert len(rows) == 4
    flowing = " ".join(text.split())
    assert "What got worse nothing that is computed." in flowing
    assert "As before ceilings: all; at the load: all; at the limit: all." in flowing
    assert "constant-current loop R3, as before" in flowing


def test_nothing_moved() -> None:
    text = " ".join(printed("wall_charger", "R3=2R4").split())
    assert "No difference to anything that is checked: R3.resistance=2R4 ± 1 %." in text
    assert "Nothing moved. 2 A: very likely, as before." in text
    assert "What got worse" not in text


def test_conduction_that_changes() -> None:
    rows = table(printed("bedside_charger", "R7=2R2"), "At the limit that stops it")
    assert rows[-2].split() == ["conduction", "before", *["discont."] * 4]
    assert rows[-1].split() == ["now", "contin.", "contin.", "discont.", "discont."]


def test_many_mains_voltages_take_several_tables() -> None:
    text = printed("wall_charger", "R3=2R7", mains=(90.0, 115.0, 150.0, 230.0, 264.0))
    heads = [line.split()[-2:] for line in text.splitlines() if line.startswith("Ceilings in W")]
    assert heads == [["150", "V"], ["264", "V"]], "three beside each other, then two"


def test_what_else_changed_is_listed() -> None:
    text = " ".join(printed("bedside_charger", "R7=2R2").split())
    assert "Not checked any more - sense resistor power: needs R7.power_rating" in text
    assert "Assumed now - R7.resistance 2.09 to 2.31 Ω: tolerance not marked: the customary one" in text
    assert "Label 4 x 2 A contradicts the label's own 24 W" in text, "why it still leaves with 1"
    assert "Kept" not in text
    assert "No longer noticed" in printed("wall_charger", "R4=open")
    assert "Kept - The new C1 is taken to have the old one's voltage_rating 400 V." in " ".join(
        printed("travel_cube", "C1=4u7").split()
    )
