"""The printed report: it fits, loses no figure, says the same without colour, and takes no orders."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from typing import Any

import paper
import pytest
from paper import flat
from worked import (
    FOUR_PORTS,
    NAMES,
    SAMPLES,
    TRIED,
    UNKNOWN_BULK,
    UNKNOWN_CORE,
    UNKNOWN_FREQUENCY,
    UNKNOWN_RECTIFIER,
    UNKNOWN_SENSE,
    Change,
    board,
    sense_resistors,
)

from flyback.analysis.tolerance import Share
from flyback.board.model import Label, OutputClaim
from flyback.errors import BoardFileError
from flyback.report.text import label_line, show
from flyback.verdict.check import Check, check

ESCAPE = "\x1b"
ANSI = re.compile(r"\x1b\[[0-9;]*m")

NAME = 'name = "Bedside charger, four ports"'
READING = 'readings = [{ port = "1", voltage = "5.06 V", current = "1.0 A" }]'


def ports(*rows: str) -> Change:
    return FOUR_PORTS, f"output = [{', '.join(rows)}]"


def port(name: str) -> str:
    return f'{{ port = "{name}", voltage = "5 V", current = "2 A" }}'


FOUR_READINGS = ", ".join(
    f'{{ port = "USB-A {number}", voltage = "5.06 V", current = "0.5 A" }}' for number in range(1, 5)
)

CASES: dict[str, tuple[str, tuple[Change, ...], dict[str, Any]]] = {
    **{name: (name, (), {}) for name in NAMES},
    "one mains": ("bedside_charger", (), {"mains": 230.0}),
    "five mains": ("wall_charger", (), {"mains": (90.0, 115.0, 127.0, 230.0, 264.0)}),
    "eight mains": (
        "bedside_charger",
        (),
        {"mains": (90.0, 100.0, 115.0, 120.5, 127.0, 230.0, 240.0, 264.0)},
    ),
    "long mains": ("bedside_charger", (), {"mains": (100.125, 115.125, 120.125, 127.125, 230.125)}),
    "tried on 127 V": ("wall_charger", ((TRIED, 'tried_on = "127 V 60 Hz"'),), {}),
    "bench supply": ("bedside_charger", (), {"dc": 150.0}),
    "load too large": ("travel_cube", (), {"load": 0.9}),
    "load too large on five": (
        "travel_cube",
        (),
        {"load": 0.9, "mains": (90.0, 115.0, 127.0, 230.0, 264.0)},
    ),
    "two voltages": (
        "bedside_charger",
        (ports(port("C"), '{ port = "C", voltage = "4.25 V", current = "2 A" }'),),
        {},
    ),
    "long port": (
        "bedside_charger",
        (ports(port("The socket on the left-hand side, the one beside the blue light"), port("B" * 60)),),
        {},
    ),
    "wide port": (
        "bedside_charger",
        (ports(port("左侧靠近蓝色指示灯的那个通用串行总线插口"), port("右")),),
        {},
    ),
    "markup": (
        "bedside_charger",
        (
            ports(port("[red]x[/red]"), port("[/]")),
            (NAME, 'name = "[bold]Bed[/bold] :smile: [/] [link=x]"'),
        ),
        {},
    ),
    "long name": ("bedside_charger", ((NAME, f'name = "{"Found beside the bed, and " * 8}"'),), {}),
    "long word": ("bedside_charger", ((NAME, f'name = "{"B" * 200}"'),), {}),
    "wide name": ("bedside_charger", ((NAME, 'name = "床头充电器 四个端口的那个"'),), {}),
    "many parts": ("bedside_charger", (sense_resistors(4),), {}),
    "four readings": (
        "bedside_charger",
        (
            (READING, f'readings = [{FOUR_READINGS}]\nnote = "All four ports,\\nthe case {"warm, " * 20}"'),
            ('note = "wall power stuck"', f'note = "{"stuck " * 20}"'),
        ),
        {},
    ),
    "wall power alone": ("bedside_charger", ((f"{READING}\n", ""),), {}),
    "unknown sense": ("wall_charger", (UNKNOWN_SENSE,), {}),
    "unknown bulk": ("wall_charger", (UNKNOWN_BULK,), {}),
    "no limit known": ("wall_charger", (UNKNOWN_SENSE, UNKNOWN_CORE, UNKNOWN_RECTIFIER), {}),
    "nothing known": ("wall_charger", (UNKNOWN_FREQUENCY, UNKNOWN_RECTIFIER), {}),
    "milliamps": ("travel_cube", (('value = "2.2 uF"', 'value = "0.68 uF"'),), {}),
    "not a flyback": ("bedside_charger", (('topology = "flyback"', 'topology = "half bridge"'),), {}),
}


@cache
def result(case: str) -> Check:
    name, changes, options = CASES[case]
    return check(board(name, *changes), samples=SAMPLES, **options)


def shown(checked: Check) -> str:
    return paper.printed(show, checked)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")


def sections(text: str) -> list[str]:
    return text.split("\n\n")


def table(text: str, head: str) -> list[str]:
    """Rows of every table whose head starts with the given words, without the heads."""
    return [row for part in sections(text) if part.startswith(head) for row in part.splitlines()[1:]]


@pytest.mark.parametrize("case", CASES)
class TestEveryReport:
    """What holds for every report."""

    def test_fits(self, case: str) -> None:
        assert paper.misfits(shown(result(case))) == []

    def test_plain_when_piped(self, case: str) -> None:
        text = shown(result(case))
        assert ESCAPE not in text
        assert text.endswith("\n")

    def test_nothing_is_cut_short(self, case: str) -> None:
        assert "…" not in shown(result(case))

    def test_cautions_are_always_there(self, case: str) -> None:
        assert paper.cautioned(shown(result(case)))

    @pytest.mark.usefixtures("terminal")
    def test_a_terminal_shows_the_same_in_colour(self, case: str, monkeypatch: pytest.MonkeyPatch) -> None:
        coloured = shown(result(case))
        monkeypatch.delenv("FORCE_COLOR")
        assert ESCAPE in coloured
        bare = [line.rstrip() for line in ANSI.sub("", coloured).splitlines()]
        assert bare == shown(result(case)).splitlines()

    def test_every_verdict_is_on_the_first_screen(self, case: str) -> None:
        checked = result(case)
        verdicts = next(part for part in sections(shown(checked))[1:] if part.startswith("  "))
        for judgement in checked.judgements:
            assert str(judgement.word) in verdicts
            if len(judgement.text) < 28:
                assert re.search(
                    rf"^  {re.escape(judgement.text)}  +{judgement.word}\b", verdicts, re.MULTILINE
                )

    def test_sections_are_there_if_they_have_content(self, case: str) -> None:
        checked = result(case)
        text = shown(checked)
        ladders = [column.steps for assessment in checked.assessments for column in assessment.columns]
        contents = {
            "Judged at ": any(judgement.column for judgement in checked.claims),
            "Why  ": bool(checked.why),
            "What stops it": any(ladders),
            "What the tolerances do at ": any(
                step.band.corner_low < float("inf")
                for assessment in checked.assessments
                for step in assessment.worst.steps
            ),
            "At a load of ": bool(checked.points),
            "Small currents of the rail": bool(checked.indicators),
            "Load test, as written down": bool(checked.board.load_tests),
            "Noticed": checked.judged and bool(checked.notices),
            f"Assumed ({len(checked.assumed)})": bool(checked.assumed),
            f"Not checked ({len(checked.not_checked)})": bool(checked.not_checked),
            f"Left out ({len(checked.left_out)})": bool(checked.left_out),
            "Cautions": True,
        }
        heads = [part.partition("\n")[0] for part in sections(text)]
        places = []
        for head, expected in contents.items():
            found = [index for index, line in enumerate(heads) if line.startswith(head)]
            assert bool(found) is expected, head
            places += found[:1]
        assert places == sorted(places)
        assert not re.search(r"\((0)\)$", text, re.MULTILINE)

    def test_no_figure_of_the_ladder_is_lost(self, case: str) -> None:
        checked = result(case)
        for assessment in checked.assessments:
            head = "What stops it, first"
            if len(checked.assessments) > 1:
                head = f"What stops it first, at {assessment.voltage:g} V"
            rows = table(shown(checked), head)
            for step in assessment.worst.steps:
                name = step.rung.name
                printed = [
                    figure
                    for row in rows
                    if (match := re.match(rf"  {name} .* {step.rung.question}  (.*)", row))
                    for figure in match[1].split()
                ]
                powers = [
                    float(other.ceiling.power)
                    for column in assessment.columns
                    for other in column.steps
                    if other.rung.name == name
                ]
                assert len(printed) == len(powers) == len(assessment.columns)
                for figure, power in zip(printed, powers, strict=True):
                    if figure == "-":
                        assert power == float("inf")
                    else:
                        half_a_digit = 10.0 ** -len(figure.partition(".")[2]) / 2
                        assert float(figure) == pytest.approx(power, abs=1.01 * half_a_digit)

    def test_every_figure_of_the_ladder_has_its_unit_named(self, case: str) -> None:
        text = shown(result(case))
        parts = sections(text)
        for index, part in enumerate(parts):
            if part.startswith("What stops it") and not parts[index + 1].startswith("What stops it"):
                assert "Watts at the sockets" in flat(parts[index + 1])
        rows = [row for row in table(text, "What the tolerances do") if row.startswith("  ")]
        assert all(row.endswith(" W") for row in rows)

    def test_every_cell_of_an_operating_point_has_its_unit(self, case: str) -> None:
        checked = result(case)
        cells = [re.split(r"  +", row.strip())[1:] for row in table(shown(checked), "At a load of")]
        for row in cells:
            for cell in row:
                assert re.fullmatch(r"-|contin\.|discont\.|[0-9.]+ ([mµk]?[VAWT]|k?Hz|%)", cell), cell
        assert sum(map(len, cells)) % max(len(checked.points), 1) == 0

    def test_a_band_holds_its_nominal_in_one_unit(self, case: str) -> None:
        number = r"([0-9.]+)"
        found = re.findall(
            rf"{number} (\S+) \({number} to {number}(?: (\S+))?\) on ", flat(shown(result(case)))
        )
        for nominal, unit, low, high, other in found:
            assert other != unit  # said once
            if not other:
                assert float(low) <= float(nominal) <= float(high)


# --- what the cases were made for -----------------------------------------------------------------


def test_every_case_is_what_it_says() -> None:
    def columns(case: str) -> int:
        return len(result(case).assessments[0].columns)

    assert [columns(case) for case in ("five mains", "tried on 127 V", "eight mains")] == [5, 5, 8]
    assert len(result("two voltages").assessments) == 2
    assert not result("not a flyback").judged
    assert float(result("milliamps").claims[0].column.lowest.nominal) / 5.0 < 0.1
    assert result("nothing known").claims[0].column is None
    assert result("no limit known").claims[0].column.lowest.nominal == float("inf")


def test_five_mains_stand_beside_each_other() -> None:
    text = shown(result("five mains"))
    for head in ("What stops it", "At a load of"):
        (line,) = (line for line in text.splitlines() if line.startswith(head))
        assert re.search(r"90 V +115 V +127 V +230 V +264 V$", line)


def test_milliamps_are_said() -> None:
    assert re.search(r"impossible  [0-9.]+ mA \([0-9.]+ to [0-9.]+\) on 90 V", shown(result("milliamps")))


def test_no_known_limit_is_said() -> None:
    assert "no known limit on 90 V" in shown(result("no limit known"))


def test_a_long_port_name_leaves_the_figures_whole() -> None:
    text = shown(result("long port"))
    assert text.count(" on 90 V,") == 3
    assert re.search(r"^  2 A from The socket on the +likely ", text, re.MULTILINE)
    assert re.search(r"^  left-hand side, the one beside +2\.70 A on 230 V$", text, re.MULTILINE)
    assert text.count("B" * 30) == 4  # 60 in the label's line and in the claim, broken at 30 there


def test_markup_is_text() -> None:
    text = shown(result("markup"))
    assert text.startswith("[bold]Bed[/bold] :smile: [/] [link=x]")
    assert "2 A from [red]x[/red]  " in text
    assert "2 A from [/]  " in text


@pytest.mark.usefixtures("terminal")
def test_markup_is_text_on_a_terminal_too() -> None:
    text = ANSI.sub("", shown(result("markup")))
    assert text.startswith("[bold]Bed[/bold] :smile: [/] [link=x]")
    assert "2 A from [red]x[/red]  " in text


@pytest.mark.parametrize(
    "change",
    [
        (NAME, r'name = "Bed\u001b[31mside"'),
        (NAME, r'name = "Bed\nside"'),
        (NAME, r'name = "Bed\u0007side"'),
        (NAME, r'name = "Bed\u009b31mside"'),
        ports(port(r"\u001b]0;title\u0007")),
        (READING, READING.replace('"1"', r'"\u001b[2J"')),
        ('note = "wall power stuck"', r'note = "\u001b[31mstuck"'),
        ('note = "wall power stuck"', r'note = "stuck\rfree"'),
        ('control = "fixed-frequency peak current"', r'control = "\u001b[31m"'),
    ],
)
def test_control_characters_get_no_further_than_the_loader(change: Change) -> None:
    with pytest.raises(BoardFileError) as caught:
        board("bedside_charger", change)
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]", str(caught.value))


def test_the_line_it_was_tried_on_stands_beside_the_worst() -> None:
    assert re.search(
        r"impossible .* on 90 V, [0-9.]+ W on 230 V$", shown(result("bedside_charger")), re.MULTILINE
    )
    assert re.search(
        r"very likely .* on 90 V, [0-9.]+ A on 127 V$", shown(result("tried on 127 V")), re.MULTILINE
    )
    assert " on 90 V, " not in shown(result("bench supply"))


def test_the_point_of_judgement_is_named() -> None:
    judged_at = "Judged at 90 V 50 Hz, the worst point of 100-240 V widened by 10 %."
    assert judged_at in flat(shown(result("bedside_charger")))
    assert "Judged at 230 V 50 Hz. " in flat(shown(result("one mains")))
    assert "Judged at 150 V dc. " in flat(shown(result("bench supply")))
    assert "Judged at 90 V 50 Hz, the worst of 5 " in flat(shown(result("five mains")))
    assert "95 % of 500 samples" in flat(shown(result("bedside_charger")))


def test_the_bulk_is_named_where_the_ladder_leans_on_it() -> None:
    assert "On 90 V and 115 V the lowest of them lean on the bulk" in flat(shown(result("travel_cube")))
    assert "lean on the bulk" not in shown(result("strip_adapter"))


def test_a_load_the_bulk_cannot_feed_is_said() -> None:
    assert "the bulk cannot feed this load" in shown(result("load too large"))
    assert "cannot feed" not in shown(result("bedside_charger"))


def test_a_load_test_stands_as_it_was_written_down() -> None:
    rows = table(shown(result("bedside_charger")), "Load test")
    assert re.fullmatch(r"  port 1: 5\.060 V 1\.000 A +230 V +6\.4 W", rows[0])
    assert rows[-1].endswith("16.6 W  wall power stuck")
    four = table(shown(result("four readings")), "Load test")
    assert sum("5.060 V 0.500 A" in row for row in four) == 4


# Half a sample in 16384 is 0.003 %. At one half: 1.96 x 0.5/sqrt(16384) = 0.77 %, so 49.2 to 50.8.
@pytest.mark.parametrize(
    ("count", "words"),
    [
        (0, "met by no sample"),
        (1, "met by <0.1 % of samples"),
        (8192, "met by 50.0 % of samples (49.2 to 50.8)"),
        (16383, "met by >99.9 % of samples"),
        (16384, "met by all samples"),
    ],
)
def test_shares_in_words(count: int, words: str) -> None:
    checked = result("wall_charger")
    (claim,) = checked.claims
    assert claim.outcome is not None
    counted = replace(claim, outcome=replace(claim.outcome, both=Share(count, 16384)))
    assert words in flat(shown(replace(checked, claims=(counted,))))


@pytest.mark.parametrize(
    ("label", "line"),
    [
        (
            Label((100.0, 240.0), (50.0, 60.0), (OutputClaim(5.0, 2.0, ports=4),), power=24.0),
            "24 W, 4 x 5 V 2 A, 100-240 V 50/60 Hz",
        ),
        (Label((230.0, 230.0), (50.0,), (OutputClaim(12.0, 1.5),)), "12 V 1.5 A, 230 V 50 Hz"),
        (Label((100.0, 240.0), (), (OutputClaim(5.0, 1.0),)), "5 V 1 A, 100-240 V"),
        (
            Label(
                None,
                (),
                (OutputClaim(5.0, 3.0, port="C"), OutputClaim(9.0, 2.0, port="C")),
                total_current=3.0,
            ),
            "C 5 V 3 A, C 9 V 2 A, 3 A in total",
        ),
        (Label(None, (50.0,), (), power=6.5), "6.5 W"),
    ],
)
def test_the_label_in_one_line(label: Label, line: str) -> None:
    assert label_line(label) == line
