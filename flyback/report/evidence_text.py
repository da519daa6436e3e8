"""What the terminal shows of load tests: the verdict of parts and readings, then what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.corrections import with_bar
from flyback.studies.readings import Detail, Place
from flyback.units import format_quantity, format_range
from flyback.verdict.words import Word

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.analysis.bulk import Line
    from flyback.studies.curve import CurveReading
    from flyback.studies.evidence import Evidence, Verdict
    from flyback.studies.reconcile import Interval, Reconciled

MOST_ROWS = 40
"""Rows of a table; of a longer log some are shown, evenly taken, and how many there are is said."""

LEAST_CHANCE = 0.05
"""Chance below which a kind of curve is not shown."""

MOST_NOTICES = 12
"""Notices told one by one; of more, the count is told."""


Curves = Sequence[tuple["Line | None", "CurveReading"]]
"""What the curve of each line says."""


def show_evidence(found: Evidence, curves: Curves, out: Console) -> None:
    """Print load tests: the verdict with them, the readings, the curve, what they say of the parts."""
    pieces.show_blocks(_blocks(found, curves), out)


def _blocks(found: Evidence, curves: Curves) -> Iterable[RenderableType]:
    readings = found.readings
    count = len(readings.details)
    yield pieces.title(found.check.board.name, "1 load test" if count == 1 else f"{count} load tests")
    if found.verdicts:
        yield _verdicts(found.verdicts)
    if found.reconciled is not None and found.reconciled.contradiction is not None:
        yield pieces.entry("Contradiction", found.reconciled.contradiction.words)
    shown = _some(readings.details)
    yield _table(shown)
    words = "Error bars: k = 2. Parts allow: middle 95 % of the samples at that voltage and mains."
    if len(shown) < count:
        words += f" {len(shown)} of {count} shown, evenly taken."
    yield pieces.note(words)
    if counts := _places(readings.details):
        yield pieces.entry("Beside the parts", counts)
    for line, curve in curves:
        yield from _curve(line, curve)
    if found.reconciled is not None:
        yield from _together(found.reconciled)
    yield from _lists(found)


def _lists(found: Evidence) -> Iterable[RenderableType]:
    readings = found.readings
    if notices := (*found.notices, *readings.notices):
        yield pieces.listed("Noticed", _capped(notices))
    if readings.taken:
        yield pieces.listed("Taken", _capped(readings.taken))
    if readings.assumed:
        lent = [
            f"{value.key}: {format_quantity(value.nominal, value.dimension)} ({value.source})"
            for value in readings.assumed
        ]
        yield pieces.listed(f"Assumed ({len(lent)})", lent)
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


# --- the verdict ----------------------------------------------------------------------------------


def _verdicts(verdicts: Sequence[Verdict]) -> RenderableType:
    from rich.text import Text

    made = pieces.table((0, "left", False), (0, "left", False), (0, "left", False), (0, "left", False))
    made.columns[0].max_width, made.columns[2].max_width = 24, 26
    made.add_row(*pieces.heads("Claim", "parts alone", "readings alone", "both"))
    for one in verdicts:
        outcome = one.parts.outcome
        alone = one.parts.word.value
        if outcome is not None and one.parts.word is not Word.IMPOSSIBLE:
            alone = f"{alone}\n{pieces.percent(outcome.both.value)}"
        both = Text(one.word.value, style=pieces.word_style(one.word))
        if one.chance is not None and one.word not in (Word.IMPOSSIBLE, Word.CANNOT_TELL):
            both.append(f" {pieces.percent(one.chance.after)}", style="not bold default")
        if one.also is not None:
            both.append(f"\nperhaps {one.also.value}", style="not bold default")
        both.append(f"\n{one.reason}", style="not bold default")
        made.add_row(Text(one.text), alone, one.readings.words, both)
    return made


def beside_check(found: Evidence) -> RenderableType:
    """What load tests change of the verdict of a check, in a few lines."""
    lines = []
    if found.reconciled is not None and found.reconciled.contradiction is not None:
        lines.append(found.reconciled.contradiction.words)
    changed = [one for one in found.verdicts if one.word is not one.parts.word]
    lines += [f"{one.text}: {one.word.value}. {_sentence(one.reason)}" for one in changed]
    if not changed:
        lines.append("No verdict changes.")
    lines.append("flyback evidence tells more, flyback next what to measure next.")
    return pieces.entry("With the load tests", "\n".join(lines))


def _sentence(reason: str) -> str:
    return f"{reason[:1].upper()}{reason[1:]}."


# --- the curve ------------------------------------------------------------------------------------


def _curve(line: Line | None, curve: CurveReading) -> Iterable[RenderableType]:
    at = "" if line is None else f", {line.full_name}"
    made = pieces.table((0, "left", True), (0, "right", True), (0, "left", False))
    made.add_row(pieces.head(f"The curve{at}"), pieces.head(curve.word), "")
    for one in curve.candidates:
        if one.probability >= LEAST_CHANCE:
            made.add_row(f"  {one.kind}", pieces.percent(one.probability), one.explained)
    yield made
    if curve.tells_apart:
        yield pieces.note(curve.tells_apart)
    for notice in curve.notices:
        yield pieces.note(notice)


# --- parts and readings ---------------------------------------------------------------------------


def _together(found: Reconciled) -> Iterable[RenderableType]:
    made = pieces.table((0, "left", False), (0, "right", True), (0, "right", True))
    made.add_row(*pieces.heads("Parts and readings", "parts alone", "with readings"))
    for one in found.delivered:
        made.add_row(
            f"  power on {one.line.full_name}",
            _interval(one.before, "power"),
            _interval(one.after, "power"),
        )
    for moved in found.moved:
        before, after = (_interval(some, moved.value.dimension) for some in (moved.before, moved.after))
        made.add_row(f"  {moved.value.key}", before, after)
    if found.delivered or found.moved:
        yield made
        yield pieces.note(
            "Power at the set voltage, mean over the mains period. "
            f"In brackets: 95 % of {pieces.count(found.samples)} samples, worth {found.effective:.0f} with "
            f"the readings ({found.method}). Values that hardly move are not shown."
        )
    if found.implied:
        yield pieces.listed(
            "Implied, one value at a time with its own tolerance set aside",
            [f"{one.words}." for one in found.implied],
        )


def _interval(found: Interval, dimension: str) -> str:
    middle = format_quantity(found.median, dimension)
    return f"{middle} ({pieces.ends(middle, found.low, found.high, dimension)})"


# --- the readings ---------------------------------------------------------------------------------


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
