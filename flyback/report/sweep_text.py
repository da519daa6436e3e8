"""What the terminal shows of a sweep: a short table, what binds where, where each claim is met."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from string import ascii_lowercase
from typing import TYPE_CHECKING

import numpy as np

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.sweep_grid import ranges_between
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.studies.sweep import CeilingOver, Sweep
    from flyback.studies.sweep_axes import Axis
    from flyback.studies.sweep_grid import Range

ROWS, COLUMNS = 13, 6
"""Most rows and columns of a table, evenly taken from a finer sweep."""

_FEWEST = 0.6
"""Share of them that is still enough where it makes every step of the table the same."""


def show_sweep(found: Sweep, out: Console) -> None:
    """Print a sweep."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Sweep) -> Iterator[RenderableType]:
    yield pieces.title(found.board.name, "sweep")
    yield pieces.paragraphs([*(f"{swept(axis)}." for axis in found.axes), *_fed(found)])
    yield _table(found) if len(found.axes) == 1 else _map(found)
    samples = pieces.count(found.samples)
    note = "Lowest ceiling at the sockets, at the bulk's valley."
    if len(found.axes) == 2:
        note = "Watts of the lowest ceiling, nominal, at the sockets, at the bulk's valley."
    if len(found.axes) == 1:
        note += f" Band: 95 % of {samples} samples of the tolerances."
        steps, shown = found.axes[0].values.size, len(_some(found.axes[0], ROWS))
        if shown < steps:
            note += f" {shown} of {steps} steps shown, evenly taken."
    yield pieces.note(note)
    yield pieces.entry("What binds", binding_words(found))
    for claim in found.claims:
        yield pieces.entry(claim.text, "\n".join(claim_words(found, claim.text)))
    if found.notes:
        yield pieces.listed("Notes", found.notes)
    if found.assumed:
        assumed = [pieces.assumption(value) for value in found.assumed]
        yield pieces.listed(f"Assumed ({len(assumed)})", assumed)
    if found.not_checked:
        yield pieces.listed(f"Not checked ({len(found.not_checked)})", found.not_checked)
    if found.left_out:
        items = [*found.left_out, "not given, so the figures above are a little high"]
        yield pieces.listed(f"Left out ({len(found.left_out)})", ["; ".join(items)])
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


# --- words that the drawing shares ----------------------------------------------------------------


def swept(axis: Axis) -> str:
    """What is swept, how far and how finely.

    "R6, sense resistor: 0.500 to 2.00 Ω in 61 steps, 2.20 Ω on this board"
    """
    whole = span(axis, float(axis.values[0]), float(axis.values[-1]))
    if axis.series:
        how = f", the {axis.values.size} values of {axis.series}"
    elif axis.stepped:
        how = f", {axis.values.size} whole numbers"
    else:
        how = f" in {axis.values.size} steps"
        how += ", equal in proportion" if axis.geometric else ""
    now = "" if axis.now is None else f"; {told(axis, axis.now)} on this board"
    what = f"{axis.name}, {axis.meaning}" if axis.key else axis.meaning
    return f"{what}: {whole}{how}{now}"


def told(axis: Axis, number: float) -> str:
    """A value of an axis, in digits enough to tell its steps apart; mains as it is printed, "90 V"."""
    digits = _digits(axis)
    return format_quantity(number, axis.dimension, digits=digits) if axis.key else f"{number:.{digits}g} V"


def span(axis: Axis, low: float, high: float) -> str:
    """Two values of an axis with one unit."""
    if axis.key:
        return format_range(low, high, axis.dimension, digits=_digits(axis))
    return f"{told(axis, low).removesuffix(' V')} to {told(axis, high)}"


def _digits(axis: Axis) -> int:
    """Digits that tell the rows of a table apart."""
    first, last = float(axis.values[0]), float(axis.values[-1])
    return min(max(3, 1 + math.ceil(math.log10(ROWS * last / (last - first)))), 9)


def fed_by(found: Sweep) -> str:
    """What feeds the board: "90 V 50 Hz", or the frequency alone where the mains is swept."""
    line = found.line
    if line.V_ac is None and line.V_fixed is None:
        return f"{float(line.f_line or 0):g} Hz"
    return line.full_name


def _fed(found: Sweep) -> Iterator[str]:
    where = "" if found.line_asked else ", the mains of the label at which this board can give least"
    yield f"At {fed_by(found)}{where}."
    if found.other_voltages:
        others = ", ".join(f"{voltage:g} V" for voltage in found.other_voltages)
        yield f"Claims at {found.voltage:g} V; the label also has {others} (--at)."


def limit_name(ceiling: CeilingOver) -> str:
    """A ceiling with the parts that set it: "current limit (R5 || R6)"."""
    return f"{ceiling.name} ({ceiling.parts})" if ceiling.parts else ceiling.name


def letter(found: Sweep, binding: int) -> str:
    """The letter of a ceiling that binds somewhere, in the order of the power's path."""
    kinds = [k for k in range(len(found.ceilings)) if np.any(found.binding == k)]
    return ascii_lowercase[kinds.index(binding)]


def binding_words(found: Sweep) -> str:
    """Which limit binds where, in a sentence."""
    names = {ceiling.name: limit_name(ceiling) for ceiling in found.ceilings}
    names[""] = "no known limit"
    if len(found.axes) == 2:
        return _shares(found, names)
    axis, stretches = found.axes[0], found.stretches
    if len(stretches) == 1:
        return f"{_capital(names[stretches[0][1]])} over the whole range."
    places = []
    for index, (stretch, name) in enumerate(stretches):
        first, last = (told(axis, x) for x in (stretch.low, stretch.high))
        if first == last:
            where = f"at {first}"
        elif index == 0:
            where = f"up to {last}"
        elif index == len(stretches) - 1:
            where = f"from {first} on"
        else:
            where = f"from {span(axis, stretch.low, stretch.high)}"
        places.append(f"{where}: {names[name]}")
    return _capital("; ".join(places)) + "."


def _shares(found: Sweep, names: dict[str, str]) -> str:
    kinds, counts = np.unique(found.binding, return_counts=True)
    order = np.argsort(-counts)
    if len(kinds) == 1:
        return f"{_capital(names[found.name_of(int(kinds[0]))])} everywhere."
    shares = [pieces.percent(counts[k] / found.binding.size) for k in order]
    limits = [names[found.name_of(int(kinds[k]))] for k in order]
    places = [f"at {share}: {limit}" for share, limit in zip(shares, limits, strict=True)]
    places[0] = places[0].replace(":", " of the points:", 1)
    return _capital("\n".join(places))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def claim_words(found: Sweep, text: str) -> Iterator[str]:
    """Where a claim is met, in words; one line for each of a few values of the second axis."""
    claim = next(claim for claim in found.claims if claim.text == text)
    if len(found.axes) == 1:
        axis = found.axes[0]
        where = _where(axis, claim.ranges)
        if not claim.ranges:
            yield f"met nowhere; {_most(found)}"
        elif claim.whole_band == claim.ranges:
            yield f"met {where}, with the whole band"
        else:
            yield f"met {where}; with the whole band {_where(axis, claim.whole_band)}"
        return
    axis, other = found.axes
    margin = found.lowest - claim.needed
    met: dict[str, list[str]] = {}
    for column in _some(other, COLUMNS):
        ranges = ranges_between(axis.values, margin[:, column], stepped=axis.stepped)
        words = f"with {axis.name} {_where(axis, ranges)}" if ranges else "nowhere"
        words = "everywhere" if _everywhere(axis, ranges) else words
        met.setdefault(words, []).append(told(other, float(other.values[column])))
    for words, columns in met.items():
        yield f"met {words}" if len(met) == 1 else f"at {', '.join(columns)}: {words}"


def _most(found: Sweep) -> str:
    axis = found.axes[0]
    if not np.any(np.isfinite(found.lowest)):
        return "nothing is known of it"
    best = int(np.argmax(np.where(np.isfinite(found.lowest), found.lowest, -np.inf)))
    power = format_quantity(float(found.lowest[best]), "power")
    return f"at most {power}, at {told(axis, float(axis.values[best]))}"


def _everywhere(axis: Axis, ranges: Sequence[Range]) -> bool:
    ends = (float(axis.values[0]), float(axis.values[-1]))
    return len(ranges) == 1 and (ranges[0].low, ranges[0].high) == ends


def _where(axis: Axis, ranges: Sequence[Range]) -> str:
    """Ranges in words: "up to 1.02 Ω", "from 96 to 149 turns"."""
    if not ranges:
        return "nowhere"
    if _everywhere(axis, ranges):
        return "over the whole range"
    places = []
    for one in ranges:
        low, high = (told(axis, x) for x in (one.low, one.high))
        if low == high:
            places.append(f"at {low}")
        elif one.low == axis.values[0]:
            places.append(f"up to {high}")
        elif one.high == axis.values[-1]:
            places.append(f"from {low} on")
        else:
            places.append(f"from {span(axis, one.low, one.high)}")
    return " and ".join(places)


# --- tables ---------------------------------------------------------------------------------------


def _some(axis: Axis, most: int) -> list[int]:
    """Steps to print: all of a few, else evenly taken, the ends among them."""
    last = axis.values.size - 1
    if last < most:
        return list(range(last + 1))
    evenly = (count for count in range(most - 1, int(_FEWEST * most) - 1, -1) if last % count == 0)
    count = next(evenly, most - 1)
    return [round(last * k / count) for k in range(count + 1)]


def _table(found: Sweep) -> RenderableType:
    (axis,) = found.axes
    made = pieces.table(*[(0, "right", True)] * 3, (0, "left", True))
    made.add_row(*pieces.heads(axis.name, "lowest", "band", "binds first"))
    for index in _some(axis, ROWS):
        binding, lowest = int(found.binding[index]), float(found.lowest[index])
        name = "no known limit" if math.isinf(lowest) else "no result"
        if binding >= 0:
            name = f"{found.ceilings[binding].name} {found.ceilings[binding].parts}".strip()
        made.add_row(
            told(axis, float(axis.values[index])),
            format_quantity(lowest, "power") if math.isfinite(lowest) else "-",
            _band(float(found.low[index]), float(found.high[index])),
            name,
        )
    return made


def _map(found: Sweep) -> RenderableType:
    """The lowest ceiling over both axes; a letter says which it is."""
    from rich.console import Group

    axis, other = found.axes
    corner = f"{axis.name} \\ {other.name}"
    columns = _fitting(other, pieces.WIDTH - len(corner))
    kinds = [k for k in range(len(found.ceilings)) if np.any(found.binding == k)]
    letters = {k: letter(found, k) for k in kinds}
    made = pieces.table(*[(0, "right", True)] * (len(columns) + 1))
    heads = [told(other, float(other.values[k])) for k in columns]
    made.add_row(*pieces.heads(corner, *heads))
    for row in _some(axis, ROWS):
        cells = (
            f"{_watts(float(found.lowest[row, k]))} {letters.get(int(found.binding[row, k]), ' ')}"
            for k in columns
        )
        made.add_row(told(axis, float(axis.values[row])), *cells)
    key = [f"{letters[k]}  {limit_name(found.ceilings[k])}" for k in kinds]
    return Group(made, pieces.note("\n".join(key)))


def _fitting(axis: Axis, room: int) -> list[int]:
    """As many steps as have room for their values beside each other."""
    for most in range(COLUMNS, 2, -1):
        some = _some(axis, most)
        widths = (max(len(told(axis, float(axis.values[k]))), len("100 a")) + pieces.GAP for k in some)
        if sum(widths) <= room:
            return some
    return _some(axis, 2)


def _watts(power: float) -> str:
    """Watts without their unit, so that they fit beside each other."""
    if not math.isfinite(power):
        return "-"
    return f"{power:.0f}" if power >= 100 else f"{power:.1f}" if power >= 10 else f"{power:.2f}"


def _band(low: float, high: float) -> str:
    if not math.isfinite(low):
        return "-"
    if not math.isfinite(high):
        return f"{format_quantity(low, 'power')} or more"
    return format_range(low, high, "power")
