"""The worked examples, as they are or with lines of their files changed.

A change is a pair of texts, old and new; the old one must occur, so that a test cannot go on passing
because a worked example was reworded.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from flyback.board.file import loads
from flyback.board.model import Board
from flyback.verdict.check import Check, check

ROOT = Path(__file__).parents[1]
EXAMPLES = ROOT / "worked_examples"
NAMES = (
    *("bedside_charger", "cracked_charger", "hall_charger", "strip_adapter", "travel_cube"),
    "wall_charger",
)

SAMPLES = 500
"""Enough to see a verdict; the figures that tests read are nominal ones."""

Change = tuple[str, str]

UNKNOWN_SENSE = ('marking = "2R4"\ntolerance = "1 %"', 'resistance = "unknown"')
"""Both sense resistors of the wall charger."""

UNKNOWN_FREQUENCY = ('frequency = "65 kHz ±6 %"', 'frequency = "unknown"')
UNKNOWN_CORE = ('core_area = { value = "20.1 mm²", origin = "datasheet" }', 'core_area = "unknown"')
UNKNOWN_BULK = ('value = "10 uF"\ntolerance = "20 %"', 'capacitance = "unknown"')
UNKNOWN_RECTIFIER = (
    'current_rating = { value = "5 A", origin = "datasheet" }',
    'current_rating = "unknown"',
)
UNKNOWN_RIPPLE = ('ripple_rating = { value = "3.5 A", origin = "datasheet" }', 'ripple_rating = "unknown"')
"""Values of the wall charger that its owner might not know."""

TRIED = 'tried_on = "230 V 50 Hz"'
"""The mains of the wall charger and others."""

FOUR_PORTS = 'output = [{ ports = 4, voltage = "5 V", current = "2 A" }]'
"""The output row of the bedside charger."""


_EMPTY = '[parts.R7]\nrole = "sense resistor"\nstate = "not fitted"\nnote = "empty footprint beside R6"\n'


def sense_resistors(count: int) -> Change:
    """So many more of 2R2 instead of the bedside charger's empty footprint."""
    one = 'role = "sense resistor"\nmarking = "2R2"\ntolerance = "1 %"\n'
    return _EMPTY, "".join(f"[parts.R{80 + index}]\n{one}" for index in range(count))


def path(name: str) -> Path:
    return EXAMPLES / f"{name}.toml"


def text(name: str, *changes: Change) -> str:
    """The file of a worked example with its changes made."""
    written = path(name).read_text(encoding="utf-8")
    for old, new in changes:
        if old not in written:
            raise ValueError(f"{name}.toml does not say {old!r}")
        written = written.replace(old, new)
    return written


def board(name: str, *changes: Change) -> Board:
    return loads(text(name, *changes))


@cache
def checked(name: str, *changes: Change) -> Check:
    """A worked example judged over the mains range of its label."""
    return check(board(name, *changes), samples=SAMPLES)
