"""What the terminal shows of load tests: each reading corrected, with its error bar, beside the parts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.readings import Detail, Place, Readings
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

MOST_ROWS = 40
"""Rows of a table; of a longer log some are shown, evenly taken, and how many there are is said."""

MOST_NOTICES = 12
"""Notices told one by one; of more, the count is told."""


def show_evidence(board_name: str, found: Readings, out: Console) -> None:
    """Print load tests: volts and amps at the sockets, power, efficiency, what the parts allow."""
    pieces.show_blocks(_blocks(board_name, found), out)


def _blocks(board_name: str, found: Readings) -> Iterable[RenderableType]:
    count = len(found.details)
    yield pieces.title(board_name, "1 load test" if count == 1 else f"{count} load tests")
    shown = _some(found.details)
    yield _table(shown)
    words = "Error bars: k = 2. Parts allow: middle 95 % of the samples at that voltage and mains."
    if len(shown) < count:
        words += f" {len(shown)} of {count} shown, evenly taken."
    yield pieces.note(words)
    if counts := _places(found.details):
        yield pieces.entry("Beside the parts", counts)
    if found.notices:
        yield pieces.listed("Noticed", _capped(found.notices))
    if found.taken:
        yield pieces.listed("Taken", _capped(found.taken))
    if found.assumed:
        lent = [
            f"{value.key}: {format_quantity(value.nominal, value.dimension)} ({value.source})"
            for value in found.assumed
        ]
        yield pieces.listed(f"Assumed ({len(lent)})", lent)
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


def _table(details: Sequence[Detail]) -> RenderableType:
    made = pieces.table((0, "left", True), *[(0, "right", True)] * 5, (0, "left", False))
    made.add_row(*pieces.heads("Mains", "volts", "amps", "power", "efficiency", "parts allow", "reading"))
    for one in details:
        seen = one.observed
        made.add_row(
            "-" if seen.line is None else seen.line.name,
            format_quantity(seen.V_o, "voltage"),
            format_quantity(seen.I_o, "current"),
            with_bar(one.P_o, one.U_P_o, "W"),
            "-" if one.eta is None else with_bar(100 * one.eta, 100 * one.U_eta, "%"),
            "-" if one.band is None else format_range(*one.band, "current"),
            _SHORT[one.place],
        )
    return made


def with_bar(value: float, U: float, unit: str) -> str:
    """A value with its error bar, which has one digit (two below 2), and the value none beyond those.

    >>> with_bar(13.052, 0.53, "W"), with_bar(79.06, 9.8, "%"), with_bar(5.06, 0.0, "W")
    ('13.1 ± 0.5 W', '79 ± 10 %', '5.06 ± 0 W')
    """
    if U <= 0:
        return f"{value:.3g} ± 0 {unit}"
    size = math.floor(math.log10(U))
    if U / 10**size < 2:
        size -= 1
    decimals = max(-size, 0)
    return f"{value:.{decimals}f} ± {U:.{decimals}f} {unit}"


_SHORT = {
    Place.INSIDE: "inside",
    Place.REGULATED: "regulated",
    Place.BELOW: "below",
    Place.ABOVE: "above",
    Place.NOT_COMPARED: "-",
}


def _some(details: Sequence[Detail]) -> Sequence[Detail]:
    if len(details) <= MOST_ROWS:
        return details
    last = len(details) - 1
    return [details[round(last * k / (MOST_ROWS - 1))] for k in range(MOST_ROWS)]


def _places(details: Sequence[Detail]) -> str:
    """How many readings lie where."""
    sentences = {
        Place.REGULATED: "in regulation, nothing more was asked for",
        Place.INSIDE: "at the limit, as the parts allow",
        Place.BELOW: "gave way below what the parts allow",
        Place.ABOVE: "above what the parts allow",
    }
    counts = {place: sum(one.place is place for one in details) for place in sentences}
    return "; ".join(f"{count} {sentences[place]}" for place, count in counts.items() if count)


def _capped(texts: Sequence[str]) -> list[str]:
    if len(texts) <= MOST_NOTICES:
        return list(texts)
    return [*texts[:MOST_NOTICES], f"and {len(texts) - MOST_NOTICES} more like these."]
