"""The JSON of a marking: valid, documented key by key, and the same figures as the readings."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from json_document import Document, read_json

from flyback.board.decoding.decode import Decoded, decode
from flyback.report.decode_data import to_json

DOCUMENT = Document("json_decode.md")

CALLS: dict[str, tuple[str, str | None]] = {
    "plain": ("102", None),
    "fitting": ("103", "9.8k"),
    "settled": ("100", "98"),
    "slips": ("101", "9.8k"),
    "link": ("0", "5"),
    "exact": ("0", "0 ± 0 ohm"),
    "words": ("2A104K X7R FOO 105°C", None),
    "bands": ("brown black black red brown red", None),
    "power": ("5W 0R22 J", "0.23 ± 0.01 ohm"),
}


@cache
def found(name: str) -> Decoded:
    text, measured = CALLS[name]
    return decode(text, measured=measured)


def data(name: str) -> dict[str, Any]:
    return read_json(to_json(found(name)))


@pytest.mark.parametrize("name", CALLS)
def test_every_key_is_documented_and_there(name: str) -> None:
    assert DOCUMENT.undocumented(data(name)) == []
    assert DOCUMENT.wrong_nulls(data(name)) == []


def test_every_documented_object_is_met() -> None:
    met = {path for name in CALLS for path, _ in DOCUMENT.objects(data(name))}
    assert set(DOCUMENT.tables) == met


def test_an_undocumented_key_would_be_found() -> None:
    read = data("plain")
    read["readings"][0]["colour"] = "blue"
    assert DOCUMENT.undocumented(read) == ["readings[] has colour"]


@pytest.mark.parametrize("name", CALLS)
def test_the_figures_are_those_of_the_readings(name: str) -> None:
    decoded, read = found(name), data(name)
    assert [one["value"] for one in read["readings"]] == [one.value for one in decoded.readings]
    assert [one["standing"] for one in read["readings"]] == [str(one.standing) for one in decoded.readings]
    assert [one["rated_V"] for one in read["readings"]] == [one.clue.voltage for one in decoded.readings]
    assert read["exit_code"] == decoded.exit_code
    assert (read["conflict"] is None) == (decoded.conflict is None)


def test_units_stand_beside_values() -> None:
    assert {one["part"]: one["unit"] for one in data("plain")["readings"]} == {
        "resistor": "Ω",
        "capacitor": "F",
        "inductor": "H",
    }
    assert data("bands")["readings"][0]["drift_per_K"] == pytest.approx(50e-6)
    assert data("power")["readings"][0]["rated_W"] == 5
    assert data("words")["readings"][0]["highest_K"] == pytest.approx(378.15)
    assert data("slips")["conflict"]["slips"][0] == {
        "code": "103",
        "value": 10e3,
        "words": "a digit taken for another",
    }
    assert data("link")["readings"][0]["fit"]["factor"] is None
