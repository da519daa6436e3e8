"""The JSON of a sweep: valid, documented key by key, and the same figures as the study."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from json_document import Document, read_json
from sweeps import SWEEPS, swept

from flyback.report.sweep_data import to_json
from flyback.studies.sweep import Sweep

DOCUMENT = Document("json_sweep.md")


def data(found: Sweep) -> dict[str, Any]:
    return read_json(to_json(found))


@pytest.mark.parametrize("name", SWEEPS)
def test_every_key_is_documented_and_there(name: str) -> None:
    read = data(swept(name))
    assert DOCUMENT.undocumented(read) == []
    assert DOCUMENT.wrong_nulls(read) == []


def test_every_documented_object_is_met() -> None:
    met = {path for name in SWEEPS for path, _ in DOCUMENT.objects(data(swept(name)))}
    assert set(DOCUMENT.tables) == met


def test_one_axis() -> None:
    found = swept("one crossing")
    read = data(found)
    assert (read["format"], read["format_version"]) == ("flyback sweep", 1)
    (axis,) = read["axes"]
    assert (axis["name"], axis["key"], axis["unit"], axis["now"]) == ("R6", "R6.resistance", "Ω", 2.2)
    assert axis["values"] == found.axes[0].values.tolist()
    assert read["lowest_W"] == found.lowest.tolist()
    assert read["binding"][0] == "bulk valley"
    assert read["binding"][-1] == "current limit"
    (crossing,) = read["crossings"]
    assert (crossing["at"], crossing["after"]) == (found.crossings[0].at, "current limit")
    assert read["line"]["mains_V"] == 90.0
    duty = next(one for one in read["ceilings"] if one["name"] == "duty limit")
    assert set(duty["power_W"]) == {None}  # no limit at these lines


def test_two_axes() -> None:
    found = swept("a map")
    read = data(found)
    assert (len(read["lowest_W"]), len(read["lowest_W"][0])) == (21, 21)
    assert read["low_95_W"][3][5] == found.low[3, 5]
    assert read["binding"][0][0] == found.name_of(int(found.binding[0, 0]))
    assert read["line"] is None
    assert read["frequency_Hz"] == 50.0
    assert read["crossings"] is None
    assert {claim["ranges"] for claim in read["claims"]} == {None}


def test_nothing_infinite_or_missing_gets_through() -> None:
    found = swept("turns")
    lowest = np.where(np.arange(found.lowest.size) == 0, np.nan, np.inf)
    binding = np.full(found.binding.shape, -1)
    read = data(replace(found, lowest=lowest, binding=binding))
    assert set(read["lowest_W"]) == {None}
    assert set(read["binding"]) == {""}
