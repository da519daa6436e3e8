"""The terminal output of suspicions: calm where there are none, and evidence where there are."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from functools import cache

import pytest
from boards import Changes, demo
from rich.cells import cell_len

from flyback.report.pieces import WIDTH, console
from flyback.report.safety import CAUTIONS
from flyback.report.suspects_text import NOTHING, REASONS, show_suspicions
from flyback.studies.suspects import look_for

CASES: dict[str, tuple[str, dict[str, Changes]]] = {
    "exchanged": ("hall_charger", {}),
    "open": ("cracked_charger", {}),
    "nothing": ("wall_charger", {}),
    "label too high": ("bedside_charger", {}),
    "two at once": ("wall_charger", {"R12": {"marking": "105"}, "R11": {"value": "976 ohm"}}),
    "odd": ("wall_charger", {"T1": {"primary_turns": 30}}),
    "undischarged": ("strip_adapter", {"R1": None, "R2": None, "CX1": {"value": "220 nF"}}),
    "forgotten": ("bedside_charger", {"R6": None}),
}


@cache
def printed(case: str, width: int = WIDTH) -> str:
    name, changes = CASES[case]
    out = console(width)
    out.file = io.StringIO()
    show_suspicions(look_for(demo(name, **changes)), out)
    text = out.file.getvalue()
    assert isinstance(text, str)
    return text


def flat(case: str) -> str:
    return " ".join(printed(case).split())


@pytest.fixture(autouse=True)
def _no_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("FORCE_COLOR", "NO_COLOR", "TTY_COMPATIBLE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


@pytest.mark.parametrize("width", [80, 100])
@pytest.mark.parametrize("case", CASES)
def test_everything_fits_and_cautions_are_there(case: str, width: int) -> None:
    text = printed(case, width)
    assert [line for line in text.splitlines() if cell_len(line) > width] == []
    assert all(" ".join(caution.split()) in " ".join(text.split()) for caution in CAUTIONS)


def test_a_finding_has_its_grade_evidence_innocent_reading_and_check() -> None:
    text = printed("exchanged")
    assert re.search(r"^1  R12 and R13 exchanged\? +suspect$", text, re.MULTILINE)
    assert re.search(r"LED current, D6 +141 µA +3\.10 mA +0\.50 to 20 mA", text)
    assert re.search(r"bleeder current, R13 +5\.00 mA +227 µA", text)
    assert re.search(r"Innocent +a deliberately dim LED; a deliberate preload\.", text)
    assert re.search(r"Check +Read R12 and R13 again under a lens", text)
    assert "Or R12 misread? 222 (2.20 kΩ)" in flat("exchanged")
    assert REASONS in flat("exchanged")


def test_the_load_test_is_evidence_too() -> None:
    assert re.search(r"current at 4\.12 V on 230 V +3\.55 A +1\.08 A +1\.05 A was read", printed("open"))
    assert re.search(r"^1  R3 or R4 open\? +strongly suspect$", printed("open"), re.MULTILINE)


@pytest.mark.parametrize("case", ["nothing", "label too high"])
def test_nothing_is_one_calm_sentence_and_what_was_looked_at(case: str) -> None:
    text = flat(case)
    assert NOTHING in text
    assert REASONS not in text
    assert re.search(r"Looked at \d+ figures beside their customary ranges", text)
    assert re.search(r"\d+ boards one slip away", text)
    assert ("5 readings of the load test" in text) == (case == "label too high")


def test_findings_are_numbered_surest_first() -> None:
    heads = re.findall(r"^(\d)  (R\d+) misread\?", printed("two at once"), re.MULTILINE)
    assert heads == [("1", "R11"), ("2", "R12")]


def test_what_no_slip_explains() -> None:
    text = flat("odd")
    assert "Out of the ordinary, and no single slip explains it" in text
    assert "reflected voltage: 20.6 V, customary 35 to 160 V. It comes from T1" in text
    assert "Innocent: a converter for a narrow or low mains range." in text


def test_what_was_not_traced() -> None:
    assert "- fuse: something must open the mains" in flat("nothing")
    assert "discharge path of CX1 (220 nF) (suspect)" in flat("undischarged")


def test_notices_are_shown() -> None:
    out = console()
    out.file = io.StringIO()
    show_suspicions(replace(look_for(demo("wall_charger")), notices=("Mind the gap.",)), out)
    assert "Mind the gap." in out.file.getvalue()
