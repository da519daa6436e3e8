"""What a board customarily has and the trace does not: mostly not looked for, rarely not there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from flyback.board.model import Board
from flyback.studies.slips import Grade
from flyback.units import format_quantity

DISCHARGED_ABOVE = 100e-9
"""X capacitance that may be left without a discharge path [F] (IEC 60950-1 clause 2.1.1.7, from memory)."""

ON_THE_RAIL = ("bleeder", "indicator LED", "lower divider resistor")
"""Roles that take a small current from the rail for ever."""

CLAMPS = ("clamp suppressor", "clamp resistor", "clamp capacitor", "clamp diode")


@dataclass(frozen=True, slots=True)
class Missing:
    """Something that was not traced.

    Attributes:
        why: why it is looked for; innocent: what its absence mostly means; check: what to look at,
            unpowered.
    """

    name: str
    grade: Grade
    why: str
    innocent: str
    check: str


def missing(board: Board) -> Iterator[Missing]:
    """What was not traced; no more than worth a look unless a standard asks for it."""
    yield from _discharge(board)
    if not board.playing("fuse") and not board.playing("series resistor"):
        yield Missing(
            "fuse",
            Grade.WORTH,
            "something must open the mains when the bridge or the switch shorts",
            "it was not written down; a fusible resistor or a narrow track may stand in for it",
            "follow the track from a mains pin to the rectifier and see what lies in it",
        )
    if not any(board.playing(role) for role in CLAMPS):
        yield Missing(
            "clamp across the primary",
            Grade.WORTH,
            "the leakage must go somewhere at each turn-off",
            "it was not written down; very small supplies leave it to the switch",
            "look beside the primary for a diode with a resistor and capacitor, or a suppressor",
        )
    if not any(board.playing(role) for role in ON_THE_RAIL):
        yield Missing(
            "bleeder, or anything else that takes a current from the rail",
            Grade.WORTH,
            "without load the voltage may creep up, and the output capacitors stay charged",
            "it was not written down; a divider or an LED does this work",
            "ohms across the output, unplugged and empty: the reading settles at what is there",
        )
    elif board.control == "primary-side constant current" and not board.playing("bleeder"):
        yield Missing(
            "bleeder",
            Grade.WORTH,
            "regulated from the primary side, the output creeps up without a preload",
            "the LED or the controller's shortest pulse takes care of it",
            "look for a resistor across the output capacitors",
        )


def _discharge(board: Board) -> Iterator[Missing]:
    capacitors = board.playing("X capacitor")
    if not capacitors or board.playing("discharge resistor"):
        return
    known = [value.nominal for part in capacitors if (value := part.known("capacitance"))]
    names = " and ".join(part.designator for part in capacitors)
    total = sum(known)
    demanded = total > DISCHARGED_ABOVE
    size = f" ({format_quantity(total, 'capacitance')})" if known else ""
    yield Missing(
        f"discharge path of {names}{size}",
        Grade.SUSPECT if demanded else Grade.WORTH,
        "the pins must be below 60 V two seconds after unplugging (IEC 62368-1 clause 5.5.2.2; look it up)"
        if demanded
        else "the pins of the plug stay charged after unplugging",
        "the resistors were not written down, or the IC discharges it",
        "ohms across the mains pins, unplugged and discharged: some megohms or less",
    )
