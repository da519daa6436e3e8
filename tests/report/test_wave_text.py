"""The printed simulation: it fits, loses no figure, and says what it is worth."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import paper
import pytest
import waves
from paper import flat
from waves import scene

from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.scene import Scene
from flyback.report.wave_text import show_waveforms

LOST = replace(waves.energy(2 * waves.T), load=0.0)
DRAINED = waves.energy(2 * waves.T, source=0.0, stored=-12.82 * 2 * waves.T)
NOTHING = waves.figures(
    waves.two_cycles().traces,
    **dict.fromkeys(("I_pk", "I_pk_min", "I_pk_max", "P_line", "P_in", "P_o", "V_o", "f_s"), math.nan),
)

CASES: dict[str, Callable[[], Scene]] = {
    "two cycles": scene,
    "mains period": lambda: scene(waves.mains_run()),
    "bench supply": lambda: scene(waves.mains_run(), line=waves.BENCH),
    "partial": lambda: scene(
        waves.mains_run(finished=False, notices=("12.3 ms: the overload timer stopped it",)), settled=False
    ),
    "no traces": lambda: scene(replace(waves.two_cycles(), traces=None)),
    "nothing measured": lambda: scene(waves.two_cycles(figures=NOTHING)),
    "no time": lambda: scene(
        waves.two_cycles(figures=replace(waves.two_cycles().figures, start=1.0, end=1.0))
    ),
    "energy lost": lambda: scene(waves.two_cycles(energy=LOST)),
    "from the bulk": lambda: scene(waves.two_cycles(energy=DRAINED)),
    "load step": lambda: scene(load=Load.step("current", 1.0, 2.0, at=0.040015)),
    "held output": lambda: scene(load=Load.constant("voltage", 3.0)),
    "long name": lambda: scene(board_name="Found beside the bed, and " * 8),
    "wide name": lambda: scene(board_name="床头充电器 四个端口的那个" * 3),
    "markup": lambda: scene(board_name="[bold]Bed[/bold] :smile: [/]", notices=("[red]x[/red]",)),
    "long notices": lambda: scene(notices=("it " * 60, "x" * 100), assumed=("so " * 60,)),
}


def printed(what: Scene) -> str:
    return paper.printed(show_waveforms, what)


def row(text: str, name: str) -> list[str]:
    """Cells of the one row of that name."""
    (found,) = (line for line in text.splitlines() if re.match(rf"  {re.escape(name)}(  |$)", line))
    return re.split(r"  +", found.strip())[1:]


@pytest.mark.parametrize("case", CASES)
class TestEveryText:
    """What holds for every text."""

    def test_fits(self, case: str) -> None:
        assert paper.misfits(printed(CASES[case]())) == []

    def test_cautions_are_always_there(self, case: str) -> None:
        assert paper.cautioned(printed(CASES[case]()))

    def test_every_number_is_one(self, case: str) -> None:
        assert not re.search(r"\b(nan|inf)\b|…", printed(CASES[case]()))

    def test_the_fidelity_and_the_conditions_are_named(self, case: str) -> None:
        what = CASES[case]()
        head = flat(printed(what).split("\n\n")[0])
        assert f"{what.fidelity}: " in head
        assert f" on {what.line.full_name}" in head

    def test_a_terminal_shows_the_same_in_colour(self, case: str, monkeypatch: pytest.MonkeyPatch) -> None:
        plain = printed(CASES[case]())
        monkeypatch.setenv("FORCE_COLOR", "1")
        monkeypatch.setenv("TERM", "xterm-256color")
        coloured = printed(CASES[case]())
        assert "\x1b" in coloured
        bare = [line.rstrip() for line in re.sub(r"\x1b\[[0-9;]*m", "", coloured).splitlines()]
        assert bare == plain.splitlines()


def test_the_head() -> None:
    first, second, third, *_ = printed(scene()).splitlines()
    assert re.fullmatch(r"Wall charger +load 2\.00 A on 230 V 50 Hz", first)
    assert second == "full: leakage, drain capacitance and ESR followed"
    assert third == "Simulated: 2 pulses in 30.8 µs, 65.0 kHz"


def test_key_values() -> None:
    # as tests/waves.py draws them: 0.55 A and 0.15 A times the bulk's dip of 29.3 %, 15 turns to one
    text = printed(scene(waves.mains_run()))
    assert row(text, "mains") == ["0.685 A", "0.112 A"]
    assert row(text, "primary") == ["0.594 A", "0.127 A"]
    assert row(text, "magnetising") == ["0.621 A", "peaks 0.616 to 0.621 A"]
    assert row(text, "secondary") == ["8.91 A", "3.78 A"]
    assert row(text, "output capacitors")[:1] == ["3.21 A"]
    assert row(text, "bulk") == ["100 V", "124 V", "141 V"]
    assert row(text, "drain") == ["291 V"]
    assert row(text, "output ripple of a cycle") == ["0.247 V"]


def test_the_power_and_where_it_goes() -> None:
    text = printed(scene(waves.mains_run()))
    assert row(text, "from the mains") == ["12.8 W"]
    assert row(text, "lost: clamp") == ["0.680 W", "5.30 %"]
    assert row(text, "to the load") == ["10.1 W", "78.8 %"]
    # to half of the last printed digit of each of eight
    shares = [float(share) for share in re.findall(r"([0-9.]+) %$", text, re.MULTILINE)]
    assert len(shares) == 8
    assert sum(shares) == pytest.approx(100.0, abs=0.1)
    assert "All energy is found again, to 1e-1" in flat(text)
    assert "81.8 % of it reach the load" in flat(text)


def test_a_bench_supply_is_no_mains() -> None:
    text = printed(CASES["bench supply"]())
    assert row(text, "from the bench supply") == ["12.8 W"]
    assert "from the mains" not in text


def test_a_few_pulses_live_on_what_the_bulk_holds() -> None:
    text = printed(CASES["from the bulk"]())
    assert row(text, "from the bulk") == ["12.3 W"]
    assert "mains rectifier" not in text
    assert "stored" not in text
    # 10.1 W of 12.34 W
    assert row(text, "to the load") == ["10.1 W", "81.8 %"]


def test_from_the_bulk_on_energy_is_found_again_too() -> None:
    """Where the mains gives nothing, the bulk's 12.34 W are what comes in, and nothing else is stored."""
    from_bulk = DRAINED.from_bulk
    assert from_bulk.source == DRAINED.bulk
    assert from_bulk.stored == pytest.approx(0.0, abs=1e-9 * DRAINED.bulk)
    assert from_bulk.residual == pytest.approx(0.0, abs=1e-12)
    assert "bulk capacitor ESR" not in from_bulk.losses


def test_what_is_stored_is_left_out_where_it_does_not_show() -> None:
    assert "stored" not in printed(scene())


def test_lost_energy_is_a_warning() -> None:
    text = flat(printed(CASES["energy lost"]()))
    assert "Warning: 7.9e-01 of the energy is found nowhere; doubt every figure here." in text
    assert "found again" not in text


def test_a_partial_result_says_why() -> None:
    text = flat(printed(CASES["partial"]()))
    assert re.search(
        r"Partial result The run had to end at 20\.0 ms, .* 12\.3 ms: the overload timer stopped it", text
    )
    assert "Not settled" in text
    assert "Partial" not in printed(scene())
    assert "Not settled" not in printed(scene())


def test_what_was_not_measured_is_a_dash() -> None:
    text = printed(CASES["nothing measured"]())
    assert row(text, "magnetising") == ["-"]
    assert row(text, "output") == ["-"]


def test_a_notice_of_both_is_said_once() -> None:
    text = printed(
        scene(waves.two_cycles(notices=("it stopped",)), notices=("it stopped", "no leakage given"))
    )
    assert text.count("it stopped") == 1
    assert "no leakage given" in text


def test_what_it_rests_on_is_counted() -> None:
    assert "Assumed (1)\n  -  winding capacitance 40 pF" in printed(scene())
    assert "Assumed" not in printed(scene(assumed=()))


def test_peaks_of_a_shorter_stretch_say_so() -> None:
    longer = replace(waves.two_cycles().figures, end=60e-3)
    text = printed(scene(waves.two_cycles(figures=longer)))
    assert "within the waveforms, 30.8 µs long" in text
    assert "within the waveforms" not in printed(scene())


def test_markup_is_text() -> None:
    text = printed(CASES["markup"]())
    assert text.startswith("[bold]Bed[/bold] :smile: [/]")
    assert "[red]x[/red]" in text
