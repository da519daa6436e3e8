"""What the terminal shows of a what-if: the verdict before and now, what got worse, then every figure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.studies.compared import MOVED, told
from flyback.units import format_quantity, format_range
from flyback.verdict.words import FAILING, Judgement, Word

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.board.model import Value
    from flyback.studies.alter import Altered
    from flyback.studies.compared import First, Modes, Reached, Row

TO_LEARN_FROM = "A what-if is there to learn from. It is no instruction for a repair."

_LINES_BESIDE = 4
"""Mains voltages that fit beside each other; more go into another table."""

_SHORT_MODES = {"continuous": "contin.", "discontinuous": "discont.", "none": "-"}


def show_altered(found: Altered, out: Console) -> None:
    """Print a what-if."""
    pieces.show_blocks(_blocks(found), out)


def _blocks(found: Altered) -> Iterator[RenderableType]:
    check = found.before
    yield pieces.title(check.board.name, "what if")
    yield _changed(found)
    if found.idle:
        idle = ", ".join(str(change) for change in found.idle)
        yield pieces.note(f"No difference to anything that is checked: {idle}.")
    if found.kept:
        yield pieces.listed("Kept", found.kept)
    if not check.judged:
        yield pieces.paragraphs(check.notices)
    elif not found.moved:
        yield pieces.paragraphs([f"Nothing moved. {_verdicts_as_before(found)}"])
    else:
        yield from _answer(found)
        if found.readings is not None:
            yield pieces.entry("Load tests", _readings(*found.readings))
        yield from _figures(found)
    yield from _lists(found)
    yield pieces.entry("Cautions", " ".join((TO_LEARN_FROM, *CAUTIONS)))


def _answer(found: Altered) -> Iterator[RenderableType]:
    yield _claims(found)
    samples = pieces.count(found.before.samples)
    yield pieces.note(
        f"In brackets: 95 % of {samples} samples of the tolerances. Parts that were kept deviate alike "
        "before and now."
    )
    for ladder in found.ladders:
        if any(first.after for first in ladder.firsts):
            name = "Stops it first" if len(found.ladders) == 1 else f"First at {ladder.voltage:g} V"
            yield pieces.entry(name, "\n".join(_firsts(ladder.firsts)))
    if found.worse:
        yield pieces.listed("What got worse", found.worse)
    else:
        yield pieces.entry("What got worse", "nothing that is computed.")


def _readings(before: str, after: str) -> str:
    if before == after:
        return f"They {before}, as before."
    return f"Before they {before}; now they {after}."


def _figures(found: Altered) -> Iterator[RenderableType]:
    for ladder in found.ladders:
        head = "Ceilings in W, those that moved"
        if len(found.ladders) > 1:
            head = f"Ceilings in W at {ladder.voltage:g} V"
        yield from _tables(head, ladder.rows, (), plain_watts=True)
    amps = "" if found.load is None else format_quantity(found.load, "current")
    modes = {mode.at: mode for mode in found.modes}
    yield from _tables(f"At a load of {amps}", found.at_load, (modes["load"],))
    several = len(found.ladders) > 1
    head = f"At the limit at {found.ladders[0].voltage:g} V" if several else "At the limit that stops it"
    yield from _tables(head, found.at_limit, (modes["limit"],))
    if any(row.moved for row in found.small):
        yield _small(found.small)
    yield pieces.entry("As before", _unchanged(found))


# --- what was changed, and the verdict ------------------------------------------------------------


def _changed(found: Altered) -> RenderableType:
    table = pieces.table((0, "left", True), (0, "left", False), (0, "left", False))
    table.add_row(pieces.head("Changed"), "", "")
    for made in found.made:
        key = f"{made.designator}.{made.key}" if made.key else made.designator
        table.add_row(f"  {key}", made.role, f"{made.before} → {made.after}")
    return table


def _claims(found: Altered) -> RenderableType:
    from rich.text import Text

    table = pieces.table((0, "left", False), (0, "left", False), (0, "left", False))
    table.columns[0].max_width = 28
    table.add_row(*pieces.heads("Claim", "before", "now"))
    tried = found.before.board.tried_on
    for claim in found.claims:
        words = (_word(judged) for judged in (claim.before, claim.after))
        table.add_row(Text(f"  {claim.text}"), *words)
        shown = {judged.column.line.name for judged in (claim.before, claim.after) if judged.column}
        shown |= set() if tried is None else {f"{tried[0]:g} V"}
        for at in claim.lines:
            if at.line in shown:
                pairs = ((at.before, claim.before), (at.after, claim.after))
                cells = (_gets(reached, judged, claim.dimension) for reached, judged in pairs)
                table.add_row(f"    {at.line}", *cells)
    return table


def _word(judged: Judgement) -> RenderableType:
    from rich.text import Text

    text = Text(judged.word.value, style=pieces.word_style(judged.word))
    if judged.also is not None:
        text.append(f", perhaps {judged.also.value}", style="not bold default")
    if judged.word is Word.CANNOT_TELL and judged.unknown:
        text.append(f"\nneeds {', '.join(judged.unknown)}", style="not bold default")
    return text


def _gets(reached: Reached | None, judged: Judgement, dimension: str) -> str:
    """What a claim gets at one line, with its band and the samples that meet it."""
    if reached is None:
        return "unknown"
    if math.isinf(reached.nominal):
        return "no known limit"
    text = format_quantity(reached.nominal, dimension)
    if judged.word is Word.CANNOT_TELL and judged.unknown:
        return f"at most {text}, as far as known"
    if math.isfinite(reached.high):
        text += f" ({pieces.ends(text, reached.low, reached.high, dimension)})"
    count, samples = reached.met.count, reached.met.samples
    met = {0: "no sample", samples: "all samples"}.get(count, pieces.percent(reached.met.value))
    return f"{text}\nmet by {met}"


def _firsts(firsts: Sequence[First]) -> Iterator[str]:
    """One line for each pair of limits before and now, with the mains voltages where it is so."""
    groups: dict[tuple[str, str], list[str]] = {}
    for first in firsts:
        pair = tuple(
            "unknown" if step is None else f"{step.rung.name} {step.parts}".strip()
            for step in (first.before, first.after)
        )
        groups.setdefault((pair[0], pair[1]), []).append(first.line)
    for (old, new), lines in groups.items():
        where = ", ".join(lines)
        yield f"{where}: {new}, as before" if old == new else f"{where}: {old} → {new}"


def _verdicts_as_before(found: Altered) -> str:
    return "; ".join(f"{claim.text}: {claim.after.word.value}, as before" for claim in found.claims) + "."


# --- figures --------------------------------------------------------------------------------------


def _tables(
    head: str, rows: Sequence[Row], modes: Sequence[Modes], *, plain_watts: bool = False
) -> Iterator[RenderableType]:
    moved = [row for row in rows if row.moved]
    changed = [mode for mode in modes if mode.moved]
    lines = [cell.line for cell in rows[0].cells] if rows else []
    if moved or changed:
        tables = math.ceil(len(lines) / _LINES_BESIDE)
        size = math.ceil(len(lines) / tables)
        for start in range(0, len(lines), size):
            run = slice(start, start + size)
            yield _table(head, lines[run], moved, changed, run, plain_watts)


def _table(
    head: str,
    lines: Sequence[str],
    rows: Sequence[Row],
    modes: Sequence[Modes],
    run: slice,
    plain_watts: bool,
) -> RenderableType:
    table = pieces.table((0, "left", True), (0, "left", True), *[(6, "right", True)] * len(lines))
    table.add_row(*pieces.heads(head, "", *lines))
    for row in rows:
        cells = row.cells[run]
        before, now = (
            [_figure(value, row.dimension, plain_watts) for value in values]
            for values in ([cell.before for cell in cells], [cell.after for cell in cells])
        )
        changes = [told(cell.change) if cell.moved and cell.change is not None else "" for cell in cells]
        table.add_row(f"  {row.name}", "before", *before)
        table.add_row(f"    {row.parts[1] or row.parts[0]}" if any(row.parts) else "", "now", *now)
        if any(changes):
            table.add_row("", "", *changes)
    for mode in modes:
        table.add_row("  conduction", "before", *(_SHORT_MODES[old] for _, old, _ in mode.cells[run]))
        table.add_row("", "now", *(_SHORT_MODES[new] for _, _, new in mode.cells[run]))
    return table


def _figure(value: float | None, dimension: str, plain_watts: bool = False) -> str:
    if value is None:
        return "?"
    if math.isinf(value):
        return "-"
    text = format_quantity(value, dimension)
    if not plain_watts:
        return text
    return f"{value:.0f}" if value >= 100 else text.removesuffix(" W")


def _small(rows: Sequence[Row]) -> RenderableType:
    table = pieces.table((0, "left", True), (0, "right", True), (0, "right", True), (0, "right", True))
    table.add_row(*pieces.heads("Small currents of the rail", "before", "now", ""))
    for row in rows:
        (cell,) = row.cells
        if row.moved:
            change = "" if cell.change is None else told(cell.change)
            figures = (_figure(x, row.dimension) for x in (cell.before, cell.after))
            table.add_row(f"  {row.name}", *figures, change)
    return table


def _unchanged(found: Altered) -> str:
    """Everything that did not move, in one sentence."""
    groups = [
        ("ceilings", [row for ladder in found.ladders for row in ladder.rows]),
        ("at the load", found.at_load),
        ("at the limit", found.at_limit),
        ("small currents", found.small),
    ]
    told_of = []
    for name, rows in groups:
        still = list(dict.fromkeys(row.name for row in rows if not row.moved))
        if rows and len(still) == len({row.name for row in rows}):
            told_of.append(f"{name}: all")
        elif still:
            told_of.append(f"{name}: {', '.join(still)}")
    words = "; ".join(told_of) if told_of else "nothing"
    return f"{words}. (Moved by less than {100 * MOVED:g} %.)"


# --- what it rests on -----------------------------------------------------------------------------


def _lists(found: Altered) -> Iterator[RenderableType]:
    before, after = found.before, found.after
    for name, old, new in (
        ("Noticed now", before.notices, after.notices),
        ("No longer noticed", after.notices, before.notices),
        ("Not checked any more", before.not_checked, after.not_checked),
        ("Left out now", before.left_out, after.left_out),
    ):
        if fresh := [text for text in new if text not in old]:
            yield pieces.listed(name, fresh)
    if now := [text.partition(":")[0] for text in before.not_checked if text not in after.not_checked]:
        yield pieces.entry("Checked now", ", ".join(now))
    if found.newly_assumed:
        yield pieces.listed("Assumed now", [_assumption(value) for value in found.newly_assumed])
    failing = [judged for judged in after.label if judged.word in FAILING]
    if failing:
        yield pieces.entry(
            "Label", "; ".join(f"{judged.text} {judged.word.value} {judged.reason}" for judged in failing)
        )


def _assumption(value: Value) -> str:
    spread = format_range(value.low, value.high, value.dimension)
    return f"{value.key} {spread}: {value.note or value.source}"
