"""What the terminal shows of suspicions: what may not be as traced, why, and what to look at unplugged."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.slips import Grade
from flyback.studies.suspect_words import FIRST, check, figure_told, headline, innocent, others, then
from flyback.studies.suspects import TOLD
from flyback.units import format_quantity

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.studies.figure import Figure
    from flyback.studies.suspects import Explanation, Finding, Suspicions
    from flyback.studies.untraced import Missing

NOTHING = "Nothing on this board looks swapped, misread or open."
REASONS = "Reasons to look again, not faults: a figure may be unusual on purpose."

MOST_FIGURES = 4
"""Figures that are shown with an explanation."""

INDENT = 3
"""Columns by which all of a finding stands below its head."""


def show_suspicions(found: Suspicions, out: Console) -> None:
    """Print what looks swapped, misread, open or left out."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Suspicions) -> Iterable[RenderableType]:
    yield pieces.title(found.board.name, "what may not be as traced")
    if found.findings:
        yield pieces.paragraphs([f"{REASONS} Before any of the checks: {_lower(FIRST)}"])
        for number, finding in enumerate(found.findings, 1):
            yield from _finding(number, finding, found)
    else:
        yield pieces.paragraphs([NOTHING])
    if found.odd:
        yield pieces.listed("Out of the ordinary, and no single slip explains it", [*_odd(found.odd)])
    if found.missing:
        yield pieces.listed("Not traced", [_missing(one) for one in found.missing])
    if found.notices:
        yield pieces.listed("Noticed", found.notices)
    yield pieces.entry("Looked at", _looked_at(found))
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


# --- a finding ------------------------------------------------------------------------------------


def _finding(number: int, finding: Finding, found: Suspicions) -> Iterable[RenderableType]:
    from rich.console import Group
    from rich.padding import Padding

    first = finding.explanations[0]
    told = pieces.table((0, "left", True), (0, "left", False))
    told.add_row("Innocent", f"{innocent(first)}.")
    told.add_row("Check", check(first, found.board))
    if further := others(first, found.board):
        told.add_row("Also", f"{further}.")
    for k, other in enumerate(finding.explanations[1:]):
        told.add_row("" if k else "Or", headline(other, found.board))
    head = pieces.title(f"{number}  {headline(first, found.board)}", finding.grade)
    yield Group(head, *(Padding(part, (0, 0, 0, INDENT)) for part in (_evidence(first), told)))


def _evidence(explanation: Explanation) -> RenderableType:
    made = pieces.table((0, "left", False), (0, "right", True), (0, "right", False), (0, "left", False))
    made.columns[2].max_width = 14
    made.add_row("", *pieces.heads("as traced", then(explanation.slip), "customary"))
    if explanation.told is not None and abs(explanation.of_test) >= TOLD:
        reading = explanation.told[0].reading
        volts, amps = (
            format_quantity(x, dimension)
            for x, dimension in ((reading.observed.V_o, "voltage"), (reading.current, "current"))
        )
        figures = (format_quantity(one.I_o, "current") for one in explanation.told)
        least = "" if reading.sags else "or more "
        made.add_row(f"current at {volts} on {reading.line.name}", *figures, f"{amps} {least}was read")
    for old, new in explanation.moved[:MOST_FIGURES]:
        value, range_ = figure_told(old)
        made.add_row(old.name, value, figure_told(new)[0], range_)
    return made


def _odd(figures: Sequence[Figure]) -> Iterator[str]:
    for one in figures:
        value, range_ = figure_told(one)
        parts = ", ".join(one.parts)
        yield (
            f"{one.name}: {value}, customary {range_}. It comes from {parts}: re-read what is written down "
            f"of {'them' if len(one.parts) > 1 else 'it'}. Innocent: {one.row.innocent(one.value)}."
        )


def _missing(one: Missing) -> str:
    grade = "" if one.grade is Grade.WORTH else f" ({one.grade})"
    return f"{one.name}{grade}: {one.why}. Mostly {one.innocent}. Look: {one.check}."


def _looked_at(found: Suspicions) -> str:
    texts = [
        f"{len(found.figures)} figures beside their customary ranges (mostly common practice, no source)",
        f"{found.slips} boards one slip away",
    ]
    if found.tested:
        texts.append(f"{found.tested} readings of the load test")
    return f"{', '.join(texts[:-1])} and {texts[-1]}."


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]
