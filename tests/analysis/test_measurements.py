"""Every quantity that a study may rank has a measurement, with its accuracy, source and cautions."""

from __future__ import annotations

from dataclasses import replace

import pytest
from boards import DEMOS, FAMILIES, board, demo

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case
from flyback.analysis.knowable import Kind, Knowable, knowables
from flyback.analysis.measurements import (
    BENCH,
    LIVE,
    MEASUREMENTS,
    TRANSFORMER,
    UNHEARD_OF,
    UNPLUGGED,
    Access,
    Measurement,
    measurement_at,
    measurement_of,
    needs_transformer,
)
from flyback.analysis.trace import trace
from flyback.board.model import Board
from flyback.board.roles import ROLES

BASES = {"seen", "from memory", "common practice", "computed"}


def faults(measurement: Measurement) -> list[str]:
    """What is wrong with a row; empty for a sound one."""
    found = []
    if measurement.basis not in BASES or not measurement.source:
        found.append("no source or basis")
    if measurement.basis == "from memory" and "from memory" not in measurement.source:
        found.append("does not say that it is from memory")
    if (measurement.basis == "common practice") != (measurement.source == "common practice, no source"):
        found.append("a common practice, and nothing else, has no source")
    if measurement.accuracy is not None and not 0 < measurement.accuracy < 0.5:
        found.append("accuracy is no small share")
    if measurement.unpowered and measurement.live:
        found.append("unplugged and live")
    if measurement.unpowered and measurement.accuracy is not None and UNPLUGGED not in measurement.caution:
        found.append("does not say to unplug it")
    if measurement.live and "isolation transformer" not in measurement.caution:
        found.append("live without a word on isolation")
    if not measurement.caution or not measurement.how:
        found.append("says nothing")
    return found


@pytest.mark.parametrize("key", MEASUREMENTS, ids=" ".join)
def test_a_row_is_sound(key: tuple[str, str]) -> None:
    assert faults(MEASUREMENTS[key]) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"basis": "rumour", "source": "rumour"},
        {"source": "a sheet"},
        {"basis": "common practice"},
        {"accuracy": 0.0},
        {"live": True, "caution": f"{UNPLUGGED} {LIVE}"},
        {"caution": "Careful."},
        {"live": True, "unpowered": False},
        {"how": ""},
    ],
)
def test_an_unsound_row_is_found(changes: dict[str, object]) -> None:
    sound = MEASUREMENTS["transformer", "primary_inductance"]
    assert faults(sound) == []
    assert len(faults(replace(sound, **changes))) == 1  # type: ignore[arg-type]


def rowless(made: Board) -> list[str]:
    """Keys of the file that a ceiling may rest on and that nobody says how to read, spread or not."""
    found = []
    for key in trace(made).values:
        designator, _, field = key.partition(".")
        part = made.parts.get(designator)
        of_file = part is not None and field in ROLES[part.role].fields
        if part is not None and of_file and (part.role, field) not in MEASUREMENTS:
            found.append(key)
    return found


@pytest.mark.parametrize("name", DEMOS)
def test_every_value_of_a_demo_board_has_a_row(name: str) -> None:
    assert rowless(demo(name)) == []


@pytest.mark.parametrize("family", FAMILIES)
def test_every_value_of_a_family_has_a_row(family: str) -> None:
    assert rowless(board(family)) == []


def test_a_value_without_a_row_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    fewer = {key: row for key, row in MEASUREMENTS.items() if key != ("switching IC", "delay")}
    monkeypatch.setattr(f"{__name__}.MEASUREMENTS", fewer)
    assert rowless(board()) == ["U1.delay"]


def test_every_row_is_of_a_key_of_the_file_or_at_the_output() -> None:
    keys = {(role.name, key) for role in ROLES.values() for key in role.fields}
    at_output = {("rail", "voltage"), ("clamp", "clamp voltage over reflected voltage")}
    at_output |= {("output", "voltage, hardly loaded"), *(("output", str(kind)) for kind in list(Kind)[2:])}
    assert set(MEASUREMENTS) - keys == at_output


@pytest.mark.parametrize(
    ("key", "access"),
    [
        (("transformer", "primary_inductance"), Access.UNPLUGGED),
        (("output", Kind.KNEE), Access.OUTSIDE),
        (("switching IC", "frequency"), Access.OUTSIDE),
        (("switching IC", "limit_voltage"), Access.LIVE),
        (("output capacitor", "ripple_rating"), Access.SHEET),
    ],
)
def test_how_near_to_a_danger_it_goes(key: tuple[str, str], access: Access) -> None:
    assert MEASUREMENTS[key].access is access


@pytest.mark.parametrize(
    ("line", "access", "transformer"),
    [
        (Line(90.0, 50.0), Access.OUTSIDE, True),
        (Line(115.0, 60.0), Access.OUTSIDE, False),
        (Line(230.0, 50.0), Access.OUTSIDE, False),
        (Line(V_fixed=150.0), Access.LIVE, False),
    ],
)
def test_cautions_of_the_line_are_added(line: Line, access: Access, transformer: bool) -> None:
    knee = Knowable(Kind.KNEE, "output", str(Kind.KNEE), "output", "", "current", 1)
    lines = [Line(264.0, 50.0), line]
    found = measurement_at(knee, lines)
    assert (found.access, needs_transformer(knee, lines)) == (access, transformer)
    assert (TRANSFORMER in found.caution) is transformer
    assert (found.caution == BENCH) is (line.V_fixed is not None)


def unheard_of(made: Board) -> list[str]:
    case = Case(trace(made), 5.0, ())
    supply = case.circuit.supply({key: value.nominal for key, value in case.circuit.values.items()})
    lines = [Line(90.0, 50.0), Line(230.0, 50.0)]
    found = knowables(case, lines, [case.ladder(supply, line) for line in lines], 0)
    return [knowable.name for knowable in found if measurement_of(knowable) is UNHEARD_OF]


@pytest.mark.parametrize("name", DEMOS)
def test_every_reading_of_a_demo_board_has_a_measurement(name: str) -> None:
    assert unheard_of(demo(name)) == []


@pytest.mark.parametrize("family", FAMILIES)
def test_every_reading_of_a_family_has_a_measurement(family: str) -> None:
    assert unheard_of(board(family, D4=None)) == []
