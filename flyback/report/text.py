"""What the terminal shows: the answer first, then why, then what comes next. It computes nothing."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

from flyback.report import pieces
from flyback.report.pieces import GAP, WIDTH, console
from flyback.report.safety import CAUTIONS
from flyback.units import format_quantity
from flyback.verdict.judge import BULK_DECIDES
from flyback.verdict.label import amount
from flyback.verdict.words import Judgement, Word

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from flyback.analysis.assessment import Assessment, Column, Step
    from flyback.analysis.load_point import LoadPoint
    from flyback.analysis.tolerance import Share
    from flyback.board.model import Board, Label, LoadReading
    from flyback.studies.evidence import Evidence
    from flyback.studies.hints import Hints
    from flyback.verdict.check import Check

__all__ = ["WIDTH", "console", "label_line", "show"]

CLAIM_WIDTH = 30
"""Columns after which the text of a claim is broken, so that a long port name leaves room for figures."""

READING_WIDTH = 40
"""Columns up to which a reading of the load test stays on one line."""


def show(check: Check, out: Console, hints: Hints | None = None, evidence: Evidence | None = None) -> None:
    """Print a check.

    Args:
        hints: what to measure next.
        evidence: the load tests weighed with it.
    """
    pieces.show_blocks(_blocks(check, hints, evidence), out)


def _blocks(check: Check, hints: Hints | None, evidence: Evidence | None) -> Iterable[RenderableType]:
    from rich.text import Text

    yield pieces.title(check.board.name, f"label {label_line(check.board.label)}")
    yield _verdicts(check)
    if check.notices and not check.judged:
        yield pieces.paragraphs(check.notices)
    if check.judged:
        if judged_at := _judged_at(check):
            yield Text(judged_at)
        if check.why:
            yield pieces.entry("Why", "\n".join(check.why))
        if evidence is not None:
            from flyback.report.evidence_text import beside_check

            yield beside_check(evidence)
        if hints is not None:
            yield _next(hints)
        for assessment in check.assessments:
            if any(column.steps for column in assessment.columns):
                yield from _ladder(assessment, several=len(check.assessments) > 1)
                yield from _spread(assessment)
        if check.points:
            yield from _points(check)
        if check.indicators:
            yield _indicators(check)
    if check.board.load_tests:
        yield _load_tests(check.board)
    yield from _lists(check)
    yield pieces.listed("Cautions", CAUTIONS)


# --- the first screen -----------------------------------------------------------------------------


def label_line(label: Label) -> str:
    """The label in one line: "24 W, 4 x 5 V 2 A, 100-240 V 50/60 Hz"."""
    parts = [] if label.power is None else [amount(label.power, "W")]
    for row in label.outputs:
        count = f"{row.ports} x " if row.ports > 1 else ""
        port = f"{row.port} " if row.port else ""
        parts.append(f"{port}{count}{amount(row.voltage, 'V')} {amount(row.current, 'A')}")
    if label.total_current is not None:
        parts.append(f"{amount(label.total_current, 'A')} in total")
    if label.mains is not None:
        hertz = "/".join(f"{f:g}" for f in label.frequencies)
        parts.append(f"{_mains_range(label)} {hertz} Hz" if hertz else _mains_range(label))
    return ", ".join(parts)


def _mains_range(label: Label) -> str:
    low, high = label.mains or (0.0, 0.0)
    return f"{low:g} V" if low == high else f"{low:g}-{high:g} V"


def _verdicts(check: Check) -> RenderableType:
    from rich.cells import cell_len
    from rich.padding import Padding
    from rich.text import Text

    texts = max((cell_len(judgement.text) for judgement in check.judgements), default=0)
    words = max((len(judgement.word) for judgement in check.judgements), default=0)
    room = WIDTH - min(texts, CLAIM_WIDTH) - words - 3 * GAP
    table = pieces.table((0, "left", False), (0, "left", True), (0, "left", False))
    table.columns[0].max_width = GAP + CLAIM_WIDTH
    for judgement in check.judgements:
        text = Padding(Text(judgement.text), (0, 0, 0, GAP))
        word = Text(judgement.word, style=pieces.word_style(judgement.word))
        table.add_row(text, word, _figures(check, judgement, room))
    return table


def _figures(check: Check, judgement: Judgement, room: int) -> str:
    """What a claim gets: nominal and band at the worst line, nominal where it was tried.

    Args:
        room: columns left for a line; longer ones are broken where they read well.
    """
    column, outcome = judgement.column, judgement.outcome
    if column is None or outcome is None:
        return judgement.reason
    in_amps = outcome.demand.current is not None
    dimension = "current" if in_amps else "power"

    def figure(value: float, of: Column) -> float:
        return value / float(of.V_socket) if in_amps else value

    lowest = column.lowest
    nominal, low, high = (figure(float(x), column) for x in (lowest.nominal, lowest.low, lowest.high))
    if judgement.word is Word.CANNOT_TELL and judgement.unknown:
        known = f"no known limit on {column.line.name}"
        if math.isfinite(nominal):
            most = format_quantity(nominal, dimension)
            known = f"at most {most} on {column.line.name}, as far as known"
        return f"{known}\nneeds {', '.join(judgement.unknown)}"
    here = f"{_with_band(nominal, low, high, dimension)} on {column.line.name}"
    other = _other_column(check, judgement)
    if other is None:
        lines = [here]
    else:
        there = f"{_limit(figure(float(other.lowest.nominal), other), dimension)} on {other.line.name}"
        lines = [f"{here}, {there}"] if len(here) + len(there) + 2 <= room else [f"{here},", there]
    if judgement.word is not Word.IMPOSSIBLE:
        lines.append(f"met by {_samples(outcome.both)}")
    if judgement.also is not None:
        lines.append(f"perhaps {judgement.also}")
    if judgement.reason:
        lines.append(judgement.reason)
    return "\n".join(lines)


def _with_band(nominal: float, low: float, high: float, dimension: str) -> str:
    """Such as 11.4 W (9.54 to 13.4): the unit once, unless the band is written in another one."""
    text = _limit(nominal, dimension)
    if math.isinf(low):
        return text
    return f"{text} ({pieces.ends(text, low, high, dimension)})"


def _limit(value: float, dimension: str) -> str:
    return "no known limit" if math.isinf(value) else format_quantity(value, dimension)


def _samples(share: Share) -> str:
    if share.count in (0, share.samples):
        return "all samples" if share.count else "no sample"
    low, high = (100 * end for end in share.interval)
    return f"{pieces.percent(share.value)} of samples ({low:.1f} to {high:.1f})"


def _other_column(check: Check, judgement: Judgement) -> Column | None:
    """The line it was tried on, else the line where most can be had, if that is another one."""
    assessment = next(a for a in check.assessments if judgement.column in a.columns)
    tried = check.board.tried_on
    columns = assessment.columns
    if tried is not None:
        found = [
            column
            for column in columns
            if column.line.V_ac is not None and float(column.line.V_ac) == tried[0]
        ]
    else:
        found = sorted(columns, key=lambda column: float(column.lowest.nominal))[-1:]
    return found[0] if found and found[0] is not judgement.column else None


def _judged_at(check: Check) -> str:
    column = next((judgement.column for judgement in check.claims if judgement.column), None)
    if column is None:
        return ""
    where = f"Judged at {column.line.full_name}"
    if check.whole_range and check.board.label.mains is not None:
        where += f", the worst point of {_mains_range(check.board.label)} widened by 10 %"
    elif len(check.assessments[0].columns) > 1:
        where += f", the worst of {len(check.assessments[0].columns)} mains voltages"
    return f"{where}. In brackets: 95 % of {pieces.count(check.samples)} samples of the tolerances."


def _next(hints: Hints) -> RenderableType:
    """What to measure next, and what it does to the chance of a wrong verdict."""
    table = pieces.table((0, "left", False), (0, "left", True), (0, "right", True))
    table.add_row(*pieces.heads("What to measure next (flyback next says more)", "", "verdict wrong"))
    table.add_row(f'  now, for "{hints.claim}"', "", pieces.percent(hints.chance))
    for hint in hints.rows:
        table.add_row(f"  {hint.name}", hint.where, pieces.percent(hint.then))
    return table


# --- the ladder -----------------------------------------------------------------------------------


def _ladder(assessment: Assessment, *, several: bool) -> Iterable[RenderableType]:
    head = "What stops it, first to last"
    if several:
        head = f"What stops it first, at {amount(assessment.voltage, 'V')}"
    columns = assessment.columns
    for run in _side_by_side(columns, least=5, room=35):
        yield _rungs(head, assessment.worst.steps, columns[run])
    yield pieces.note("Watts at the sockets, at the bulk's valley. Reach: stops the power. Hold: a rating.")
    leaning = [column for column in columns if column.binding.bulk_share > BULK_DECIDES]
    if leaning:
        names = [column.line.name for column in leaning]
        places = " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
        yield pieces.note(
            f"On {places} the lowest of them lean on the bulk capacitor: a larger one would raise them."
        )


def _side_by_side(columns: Sequence[Column], *, least: int, room: int) -> Iterable[slice]:
    """Runs of lines whose figures fit beside each other."""
    first = used = 0
    for index, column in enumerate(columns):
        width = GAP + max(least, len(column.line.name))
        if index > first and used + width > room:
            yield slice(first, index)
            first, used = index, 0
        used += width
    yield slice(first, len(columns))


def _rungs(head: str, steps: Sequence[Step], columns: Sequence[Column]) -> RenderableType:
    table = pieces.table(
        (0, "left", True), (0, "left", False), (0, "left", True), *[(5, "right", True)] * len(columns)
    )
    table.add_row(*pieces.heads(head, "", ""), *_line_heads(columns))
    for step in steps:
        powers = [
            _watts(float(other.ceiling.power))
            for column in columns
            for other in column.steps
            if other.rung.name == step.rung.name
        ]
        table.add_row(f"  {step.rung.name}", step.parts, step.rung.question, *powers)
        if step.mean_power is not None:
            table.add_row("    at the mean bulk voltage", "", "", *_mean_powers(columns, step))
    return table


def _mean_powers(columns: Sequence[Column], step: Step) -> list[str]:
    """The current limit's power at the mean bulk voltage, on every line."""
    same = (other for column in columns for other in column.steps if other.rung.name == step.rung.name)
    return ["-" if other.mean_power is None else _watts(float(other.mean_power)) for other in same]


def _watts(power: float) -> str:
    if power == float("inf"):
        return "-"
    if power >= 100:
        return f"{power:.0f}"
    return f"{power:.1f}" if power >= 10 else f"{power:.2f}"


def _spread(assessment: Assessment) -> Iterable[RenderableType]:
    column = assessment.worst
    steps = [step for step in column.steps if math.isfinite(step.band.corner_low)]
    if not steps:
        return
    table = pieces.table((0, "left", False), (8, "right", True), (0, "right", True), (0, "right", True))
    heads = (
        f"What the tolerances do at {column.line.full_name}",
        "nominal",
        "95 % band",
        "extreme corners",
    )
    table.add_row(*[pieces.head(text) for text in heads])
    for step in steps:
        band = step.band
        table.add_row(
            f"  {step.rung.name}",
            _watts(float(band.nominal)),
            _range(band.low, band.high),
            f"{_range(band.corner_low, band.corner_high)} W",
        )
    yield table


def _range(low: float, high: float) -> str:
    if math.isinf(low):
        return "-"
    if math.isinf(high):
        return f"{_watts(low)} or more"
    return f"{_watts(low)} to {_watts(high)}" if _watts(low) != _watts(high) else _watts(low)


# --- operating points and small currents ----------------------------------------------------------


def _points(check: Check) -> Iterable[RenderableType]:
    head = f"At a load of {format_quantity(check.load or 0.0, 'current')}"
    columns = check.assessments[0].columns
    for run in _side_by_side(columns, least=8, room=51):
        yield _point_rows(head, columns[run], check.points[run])
    if None in check.points:
        yield pieces.note(
            "-: the bulk cannot feed this load, or the least of pulses brings more than it takes."
        )


def _point_rows(head: str, columns: Sequence[Column], points: Sequence[LoadPoint | None]) -> RenderableType:
    table = pieces.table((0, "left", True), *[(8, "right", True)] * len(points))
    table.add_row(pieces.head(head), *_line_heads(columns))
    for name, cell in _POINT_ROWS:
        cells = [cell(point) if point is not None else "-" for point in points]
        if any(cell != "" for cell in cells):
            table.add_row(f"  {name}", *cells)
    return table


def _quantity(dimension: str, get: Callable[[LoadPoint], object]) -> Callable[[LoadPoint], str]:
    def cell(point: LoadPoint) -> str:
        value = get(point)
        return "" if value is None else format_quantity(float(value), dimension)  # type: ignore[arg-type]

    return cell


_POINT_ROWS: tuple[tuple[str, Callable[[LoadPoint], str]], ...] = (
    ("bulk voltage, valley", _quantity("voltage", lambda p: p.V_valley)),
    ("bulk voltage, mean", _quantity("voltage", lambda p: p.V_mean)),
    ("power from the bulk", _quantity("power", lambda p: p.pulse.P_in)),
    ("power at the sockets", _quantity("power", lambda p: p.delivery.P_socket)),
    ("primary peak current", _quantity("current", lambda p: p.pulse.I_pk)),
    ("primary rms current", _quantity("current", lambda p: p.pulse.I_p_rms)),
    ("pulse rate", _quantity("frequency", lambda p: p.pulse.f_s)),
    ("duty cycle", _quantity("ratio", lambda p: p.D)),
    ("conduction", lambda p: "contin." if p.continuous else "discont."),
    ("flux density", _quantity("flux density", lambda p: p.B_pk)),
    ("secondary peak current", _quantity("current", lambda p: p.delivery.I_s_pk)),
    ("capacitor ripple current", _quantity("current", lambda p: p.delivery.I_c_rms)),
    ("output ripple, peak to peak", _quantity("voltage", lambda p: p.V_ripple)),
)


def _indicators(check: Check) -> RenderableType:
    table = pieces.table((0, "left", True), (0, "right", True), (0, "left", False))
    table.add_row(pieces.head("Small currents of the rail"), "", "")
    for entry in check.indicators:
        power = format_quantity(float(entry.power), "power")
        rating = "" if entry.rating is None else f" of {format_quantity(entry.rating, 'power')}"
        current = format_quantity(float(entry.current), "current")
        table.add_row(f"  {entry.name}", current, f"{power}{rating} in the resistor")
    return table


def _load_tests(board: Board) -> RenderableType:
    from rich.padding import Padding

    readings_of = (reading for row in board.load_tests for reading in row.readings)
    keep = all(len(_reading(reading)) <= READING_WIDTH for reading in readings_of)
    table = pieces.table((0, "left", keep), (0, "right", True), (0, "right", True), (0, "left", False))
    table.add_row(*pieces.heads("Load test, as written down", "mains", "at the wall", ""))
    for row in board.load_tests:
        readings = "\n".join(_reading(reading) for reading in row.readings)
        mains = "" if row.mains is None else f"{row.mains:g} V"
        wall = "" if row.wall_power is None else f"{row.wall_power:.4g} W"
        table.add_row(Padding(readings, (0, 0, 0, GAP)), mains, wall, row.note)
    return table


def _reading(reading: LoadReading) -> str:
    port = f"port {reading.port}: " if reading.port else ""
    return f"{port}{reading.voltage:.3f} V {reading.current:.3f} A"


# --- what it rests on -----------------------------------------------------------------------------


def _lists(check: Check) -> Iterable[RenderableType]:
    if check.judged and check.notices:
        yield pieces.listed("Noticed", check.notices)
    if check.assumed:
        yield pieces.listed(
            f"Assumed ({len(check.assumed)})", [pieces.assumption(value) for value in check.assumed]
        )
    if check.not_checked:
        yield pieces.listed(f"Not checked ({len(check.not_checked)})", check.not_checked)
    if check.left_out:
        items = [*check.left_out, "not given, so the figures above are a little high"]
        yield pieces.listed(f"Left out ({len(check.left_out)})", ["; ".join(items)])


def _line_heads(columns: Sequence[Column]) -> list[RenderableType]:
    return pieces.heads(*(column.line.name for column in columns))
