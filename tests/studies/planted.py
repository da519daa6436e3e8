"""Designed boards with load tests, and the same boards written down or built with one fault.

A fault is planted in what the file says of markings and parts. Its slips are a list of its own, and its
load tests come from the switching simulation of the board as it really is, so that neither shares anything
with the study that looks for them.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import benches
import numpy as np
from designed_boards import E12, Design, capacitor_code, design, nearest, resistor_code

from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case
from flyback.analysis.trace import trace
from flyback.board.markings import read_capacitor, read_resistor
from flyback.board.model import Accuracy, Board, LoadReading, LoadTest, Meters, ReadAt
from flyback.errors import FlybackError

TESTED = 0.6
"""Share of boards with a load test; those whose fault shows nowhere else all have one."""

VOLTS, AMPS = 0.005, 0.015
METERS = Meters(voltage=Accuracy(VOLTS, 0.0, "0.5 %"), current=Accuracy(AMPS, 0.0, "1.5 %"))

PARALLEL = ("sense resistor", "bulk capacitor")
ELECTROLYTIC = ("bulk capacitor", "output capacitor")
ON_THE_OUTPUT = ("LED series resistor", "bleeder")
LOOK_ALIKE = ("68", "38", "56", "17", "08", "69", "06", "14", "27", "35", "39", "58", "89")


@dataclass(frozen=True)
class Planted:
    """A board file with one fault.

    Attributes:
        kind: what was done; names: the parts it was done to.
        sound: the board as it would have been without.
    """

    kind: str
    names: tuple[str, ...]
    board: Board
    sound: Board


def clean(seed: int) -> Board:
    """A sound board, with or without a load test."""
    made = design(seed)
    board = made.board()
    return _tested(board, board, seed) if _stream(seed).random() < TESTED else board


def unusual(seed: int) -> Board:
    """A sound board with one thing unusual on purpose: dim LED, heavy preload, bold label."""
    made, stream = design(seed), _stream(seed)
    roles = {part["role"]: part for part in made.parts.values()}
    choices = [role for role in ON_THE_OUTPUT if role in roles] + ["label"]
    choice = str(stream.choice(choices))
    if choice == "label":
        (row,) = made.document["label"]["output"]
        row["current"] = f"{2 * float(row['current'].removesuffix(' A')):g} A"
    else:
        ohms = read_resistor(roles[choice]["marking"]).value
        factor = 5 if choice == "LED series resistor" else 0.2
        roles[choice]["marking"] = resistor_code(nearest(factor * ohms, E12))
    return made.board()


def planted(seed: int) -> Planted:
    """A board with one fault."""
    stream = _stream(seed)
    made = design(seed)
    while True:
        kind = str(stream.choice(["misread", "misread", "misread", "exchanged", "open", "forgotten"]))
        found = _PLANT[kind](made, stream)
        if found is None:
            continue
        written, real, names = found
        try:
            board, sound = written.board(), made.board()
            if kind in ("open", "forgotten") or stream.random() < TESTED:
                board, sound = _tested(board, real.board(), seed), _tested(sound, sound, seed)
            trace(board)
        except (FlybackError, AssertionError):
            continue
        return Planted(kind, names, board, sound)


def _stream(seed: int) -> np.random.Generator:
    return np.random.default_rng([seed, 21])


def _tested(board: Board, real: Board, seed: int) -> Board:
    """A board with a load test of the real one, its parts drawn from their spreads, read with `METERS`."""
    circuit, stream = trace(real), np.random.default_rng([seed, 22])
    numbers = benches.drawn(circuit, seed)
    V = real.label.outputs[0].voltage
    V_set = float(Case(circuit, V, ()).rail(circuit.supply(numbers)))
    V_ac, f_line = real.tried_on or (230.0, 50.0)
    held = [V_set * share for share in (1.0, *benches.SAGGED)]
    most, *sagged = benches.simulated(circuit, numbers, V_set, held, Line(V_ac, f_line))
    loads = [(V_set, share * most) for share in benches.REGULATED]
    loads += list(zip(held[1:], sagged, strict=True))
    # half of a meter's error is a scale that is off, half is noise
    errors = stream.uniform(-0.5, 0.5, size=(len(loads) + 1, 2)) * [VOLTS, AMPS]
    tests = tuple(
        LoadTest(
            readings=(LoadReading("1", float(V_o * (1 + volts)), float(I_o * (1 + amps))),),
            wall_power=None,
            mains=V_ac,
            frequency=f_line,
            read_at=ReadAt.SOCKET,
        )
        for (V_o, I_o), (volts, amps) in zip(loads, errors[1:] + errors[0], strict=True)
    )
    return replace(board, load_tests=tests, meters=METERS)


# --- faults ---------------------------------------------------------------------------------------

_Found = tuple[Design, Design, tuple[str, ...]] | None
"""What is written down, what there really is, and the parts it is about."""


def _misread(made: Design, stream: np.random.Generator) -> _Found:
    """A code, or figures in clear, read with one slip; all that are alike are read alike."""
    coded = [name for name, part in made.parts.items() if "marking" in part or part["role"] in ELECTROLYTIC]
    name = str(stream.choice(coded))
    part = made.parts[name]
    key = "marking" if "marking" in part else "value"
    others = [other for other in _slips(part, stream) if other]
    if not others:
        return None
    written = copy.deepcopy(made)
    twins = [n for n, p in made.parts.items() if p["role"] == part["role"] and p[key] == part[key]]
    if part["role"] not in (*PARALLEL, "output capacitor"):
        twins = [name]
    for twin in twins:
        written.parts[twin][key] = others[0]
    return written, made, tuple(twins)


def _slips(part: dict[str, Any], stream: np.random.Generator) -> Iterator[str]:
    if part["role"] in ELECTROLYTIC:
        number = part["value"].removesuffix(" uF")
        if stream.random() < 0.6:
            yield f"{float(number) * stream.choice([10, 0.1]):g} uF"
        yield f"{_one_digit(number, stream)} uF"
        return
    code, farads = part["marking"], part["role"].endswith("capacitor")
    read = read_capacitor if farads else read_resistor
    value = read(code).value
    kind = stream.random()
    if kind < 0.45:
        other = value * stream.choice([10, 0.1])
        yield capacitor_code(other) if farads else resistor_code(other)
    elif kind < 0.6 and "R" in code:
        yield _readable(code.replace("R", "0"), read)
    elif kind < 0.7 and set(code) <= set("01689"):
        yield _readable(code[::-1].translate(str.maketrans("69", "96")), read)
    other = _readable(_one_digit(code, stream), read)
    if other != code:
        yield other


def _one_digit(code: str, stream: np.random.Generator) -> str:
    places = [k for k, sign in enumerate(code) if any(sign in pair for pair in LOOK_ALIKE)]
    if not places:
        return code
    k = int(stream.choice(places))
    pair = str(stream.choice([pair for pair in LOOK_ALIKE if code[k] in pair]))
    return code[:k] + pair.replace(code[k], "") + code[k + 1 :]


def _readable(code: str, read: Any) -> str:
    try:
        return code if read(code).value > 0 else ""
    except FlybackError:
        return ""


def _exchanged(made: Design, stream: np.random.Generator) -> _Found:
    """Two like parts in each other's place: in the notes, or, where the supply still runs, on the board."""
    letter = "R" if stream.random() < 0.8 else "C"
    names = [
        name
        for name, part in made.parts.items()
        if name[0] == letter and part["role"] not in ELECTROLYTIC and "marking" in part
    ]
    near = [
        (a, b)
        for a in names
        for b in names
        if 0 < int(b[1:]) - int(a[1:]) <= 2 and made.parts[a]["marking"] != made.parts[b]["marking"]
    ]
    if not near:
        return None
    first, second = near[int(stream.integers(len(near)))]
    written = copy.deepcopy(made)
    a, b = written.parts[first], written.parts[second]
    for key in ("marking", "tolerance", "power_rating"):
        one, other = a.pop(key, None), b.pop(key, None)
        a |= {} if other is None else {key: other}
        b |= {} if one is None else {key: one}
    harmless = all(made.parts[name]["role"] in ON_THE_OUTPUT for name in (first, second))
    return written, written if harmless else made, (first, second)


def _group(made: Design, stream: np.random.Generator) -> list[str]:
    role = str(stream.choice(PARALLEL))
    return [name for name, part in made.parts.items() if part["role"] == role]


def _open(made: Design, stream: np.random.Generator) -> _Found:
    """One of a parallel group is open, and nobody sees it."""
    names = _group(made, stream)
    if len(names) < 2:
        return None
    real = copy.deepcopy(made)
    real.parts[names[0]]["state"] = "open"
    return made, real, tuple(names)


def _forgotten(made: Design, stream: np.random.Generator) -> _Found:
    """One of a parallel group was not written down."""
    names = _group(made, stream)
    if len(names) < 2:
        return None
    written = copy.deepcopy(made)
    del written.parts[names[-1]]
    return written, made, tuple(names[:-1])


_PLANT = {"misread": _misread, "exchanged": _exchanged, "open": _open, "forgotten": _forgotten}
