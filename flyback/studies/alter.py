"""What if: a board and the same board with changes, judged alike and put side by side.

Both are judged with the same seed, and draws are keyed by the name of a value: every part that was kept
deviates alike in both, sample by sample. What moves is then the change and not the sampling.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from flyback.analysis import tolerance
from flyback.analysis.assessment import Assessment, Column, Step
from flyback.analysis.ceilings import Question
from flyback.analysis.load_point import LoadPoint, describe
from flyback.analysis.operating_point import OperatingPoint
from flyback.analysis.trace import trace
from flyback.board.changes import Change, altered
from flyback.board.model import Board, Part, Value
from flyback.board.roles import ROLES
from flyback.errors import BoardFileError, RequestError
from flyback.studies.compared import Cell, ClaimAt, ClaimMove, First, Ladder, Modes, Reached, Row, Turn
from flyback.studies.evidence import weigh
from flyback.studies.kept import kept
from flyback.studies.worse import overloaded, worse_claims, worse_feeding, worse_ladders, worse_points
from flyback.verdict.check import Check, check
from flyback.verdict.words import Judgement

LOAD_FIGURES: tuple[tuple[str, str, Turn, Turn, Callable[[LoadPoint], object]], ...] = (
    ("valley of the bulk voltage", "voltage", Turn.BETTER, Turn.NEITHER, lambda p: p.V_valley),
    ("power from the bulk", "power", Turn.WORSE, Turn.NEITHER, lambda p: p.pulse.P_in),
    ("primary peak current", "current", Turn.WORSE, Turn.WORSE, lambda p: p.pulse.I_pk),
    ("primary rms current", "current", Turn.WORSE, Turn.WORSE, lambda p: p.pulse.I_p_rms),
    ("pulse rate", "frequency", Turn.NEITHER, Turn.NEITHER, lambda p: p.pulse.f_s),
    ("duty cycle", "ratio", Turn.NEITHER, Turn.NEITHER, lambda p: p.D),
    ("flux density", "flux density", Turn.WORSE, Turn.WORSE, lambda p: p.B_pk),
    ("secondary peak current", "current", Turn.WORSE, Turn.WORSE, lambda p: p.delivery.I_s_pk),
    ("capacitor ripple current", "current", Turn.WORSE, Turn.WORSE, lambda p: p.delivery.I_c_rms),
    ("output ripple peak to peak", "voltage", Turn.WORSE, Turn.WORSE, lambda p: p.V_ripple),
)
"""Figures of an operating point: name, dimension, and what a rise is worth at one load and at the limit.

At the limit the valley falls and the power rises because more is given, which is neither.
"""

_SMALL_CURRENTS = ("indicator LED", "LED series resistor", "bleeder")
"""Roles that are read for the small currents of the rail and not for the circuit."""


@dataclass(frozen=True, slots=True)
class Made:
    """One thing that differs on the board: what stood under a key before and what stands there now.

    Attributes:
        key: "" for what the part itself is.
    """

    designator: str
    role: str
    key: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Altered:
    """A board before and after changes; frozen data, SI units.

    Attributes:
        idle: changes that make no difference to anything that is checked.
        kept: what was left as it was although it goes with what was changed, in sentences.
        claims: the claims of power; the label's own arithmetic is not the board's.
        at_load: the operating point at ``load`` on both boards.
        at_limit: the operating point at the lowest limit that stops the power.
        modes: continuous or discontinuous conduction at the load and at the limit.
        unfed: lines where the load could be fed before and cannot now.
        worse: what got worse, in sentences.
        readings: how the load tests of the file lie to the parts, before and after; None without any.
    """

    changes: tuple[Change, ...]
    made: tuple[Made, ...]
    idle: tuple[Change, ...]
    kept: tuple[str, ...]
    before: Check
    after: Check
    claims: tuple[ClaimMove, ...]
    ladders: tuple[Ladder, ...]
    at_load: tuple[Row, ...]
    at_limit: tuple[Row, ...]
    modes: tuple[Modes, ...]
    small: tuple[Row, ...]
    unfed: tuple[str, ...]
    worse: tuple[str, ...]
    readings: tuple[str, str] | None

    @property
    def load(self) -> float | None:
        return self.before.load

    @property
    def exit_code(self) -> int:
        """That of a check of the board after the changes."""
        return self.after.exit_code

    @property
    def rows(self) -> tuple[Row, ...]:
        ceilings = (row for ladder in self.ladders for row in ladder.rows)
        return (*ceilings, *self.at_load, *self.at_limit, *self.small)

    @property
    def moved(self) -> bool:
        """Whether anything moved at all."""
        claims = any(claim.moved for claim in self.claims)
        return claims or any(row.moved for row in self.rows) or any(mode.moved for mode in self.modes)

    @property
    def newly_assumed(self) -> tuple[Value, ...]:
        known = {value.key for value in self.before.assumed}
        return tuple(value for value in self.after.assumed if value.key not in known)


def alter(
    board: Board,
    changes: Sequence[Change],
    *,
    mains: Sequence[float] | float | None = None,
    frequency: float | None = None,
    dc: float | None = None,
    load: float | None = None,
    samples: int = tolerance.SAMPLES,
    seed: int = tolerance.SEED,
) -> Altered:
    """Judge a board and the same board with changes, and compare everything.

    Args:
        changes: from `flyback.board.edit.read_changes`.
        mains, frequency, dc, samples, seed: as for `flyback.verdict.check.check`.
        load: output current of the operating points [A]; by default the one that a check of the board
            before the changes shows.

    Raises:
        RequestError: an argument makes no sense, or the changes make a board that cannot be a circuit.
        BoardFileError: the board cannot be a circuit before them.
        NumericalError: a result is not finite.
    """
    changed = altered(board, changes)
    before = check(board, mains=mains, frequency=frequency, dc=dc, load=load, samples=samples, seed=seed)
    same_load = load if before.load is None else before.load
    try:
        after = check(
            changed, mains=mains, frequency=frequency, dc=dc, load=same_load, samples=samples, seed=seed
        )
    except BoardFileError as error:
        raise RequestError(error.problems, f"{board.name}, with these changes") from error
    loads, limits = _points(before, after), _limit_points(before, after)
    claims = tuple(_claims(before, after))
    ladders = tuple(_ladder(*pair) for pair in zip(before.assessments, after.assessments, strict=True))
    at_load = tuple(_load_rows(loads, at_limit=False))
    at_limit = tuple(_load_rows(limits, at_limit=True))
    unfed = tuple(name for name, (first, then) in loads.items() if first and not then)
    return Altered(
        changes=tuple(changes),
        made=tuple(_made(board, changed)),
        idle=tuple(_idle(board, changes)) if before.judged else (),
        kept=tuple(kept(board, changes)),
        before=before,
        after=after,
        claims=claims,
        ladders=ladders,
        at_load=at_load,
        at_limit=at_limit,
        modes=(_modes("load", loads), _modes("limit", limits)),
        small=tuple(_small_rows(before, after)),
        unfed=unfed,
        worse=(
            *worse_claims(claims),
            *worse_feeding(unfed, before.load),
            *worse_ladders(ladders),
            *worse_points(at_load, at_limit, before.load),
            *overloaded(before.indicators, after.indicators),
        ),
        readings=_readings(before, after) if board.load_tests and before.judged else None,
    )


def _readings(before: Check, after: Check) -> tuple[str, str]:
    first, then = (weigh(found, ask=()).agreement for found in (before, after))
    return first, then


# --- what was changed -----------------------------------------------------------------------------


def _made(before: Board, after: Board) -> Iterator[Made]:
    for designator, old in before.parts.items():
        new = after.parts[designator]
        role = ROLES[old.role]
        main = role.value_field or ""
        for key in dict.fromkeys(("", *role.fields)):
            if key == main and key:
                continue
            texts = tuple(_itself(part, main) if not key else _told(part, key) for part in (old, new))
            if texts[0] != texts[1]:
                yield Made(designator, old.role, key, *texts)


def _itself(part: Part, main: str) -> str:
    """What a part is: its main value, or that it is not there."""
    return (_told(part, main) if main else str(part.state)) if part.fitted else str(part.state)


def _told(part: Part, key: str) -> str:
    value = part.values.get(key)
    if isinstance(value, Value):
        return value.text
    return part.words.get(key, "not given") if value is None else "unknown"


def _idle(board: Board, changes: Sequence[Change]) -> Iterator[Change]:
    as_it_is = _read_by_a_check(board)
    for change in changes:
        try:
            same = _read_by_a_check(altered(board, [change])) == as_it_is
        except BoardFileError:
            same = False  # it takes the other changes to make a circuit of it
        if same:
            yield change


def _read_by_a_check(board: Board) -> tuple[object, ...]:
    """Everything of a board that a figure of a check may come from."""
    circuit = trace(board)
    small = [
        (part.designator, _numbers(part.values), part.words)
        for role in _SMALL_CURRENTS
        for part in board.playing(role)
    ]
    return _numbers(circuit.values), circuit.keys, circuit.parts, small


def _numbers(values: Mapping[str, object]) -> dict[str, object]:
    return {
        key: (value.low, value.nominal, value.high, value.shape)
        for key, value in values.items()
        if isinstance(value, Value)
    }


# --- claims and ladders ---------------------------------------------------------------------------


def _claims(before: Check, after: Check) -> Iterator[ClaimMove]:
    now = {judgement.text: judgement for judgement in after.claims}
    for old in before.claims:
        if new := now.get(old.text):
            in_amps = any(j.outcome and j.outcome.demand.current is not None for j in (old, new))
            reached = [
                _reached(found, judgement, in_amps) for found, judgement in ((before, old), (after, new))
            ]
            names = dict.fromkeys((*reached[0], *reached[1]))
            lines = tuple(ClaimAt(name, reached[0].get(name), reached[1].get(name)) for name in names)
            yield ClaimMove(old.text, "current" if in_amps else "power", old, new, lines)


def _reached(found: Check, judgement: Judgement, in_amps: bool) -> dict[str, Reached]:
    """What a claim gets at every line of its assessment, in the claim's own unit."""
    if judgement.outcome is None:
        return {}
    assessment = next(a for a in found.assessments if judgement.column in a.columns)
    reached = {}
    for column in assessment.columns:
        unit = float(column.V_socket) if in_amps else 1.0
        lowest, outcome = column.lowest, column.outcome(judgement.outcome.demand)
        nominal, low, high = (float(x) / unit for x in (lowest.nominal, lowest.low, lowest.high))
        reached[column.line.name] = Reached(nominal, low, high, outcome.both)
    return reached


def _ladder(before: Assessment, after: Assessment) -> Ladder:
    pairs = list(zip(before.columns, after.columns, strict=True))
    by_name = [
        ({s.rung.name: s for s in old.steps}, {s.rung.name: s for s in new.steps}) for old, new in pairs
    ]
    names = dict.fromkeys(step.rung.name for column in (after.worst, before.worst) for step in column.steps)
    rows = []
    for name in names:
        cells = tuple(
            Cell(old.line.name, _power(first.get(name)), _power(then.get(name)))
            for (old, _), (first, then) in zip(pairs, by_name, strict=True)
        )
        first, then = by_name[0]
        parts = tuple(steps[name].parts if name in steps else "" for steps in (first, then))
        rows.append(Row(name, "power", Turn.BETTER, cells, (parts[0], parts[1])))
    firsts = tuple(First(old.line.name, _binding(old), _binding(new)) for old, new in pairs)
    return Ladder(before.voltage, tuple(rows), firsts)


def _power(step: Step | None) -> float | None:
    return None if step is None else float(step.ceiling.power)


def _binding(column: Column) -> Step | None:
    return column.binding if column.steps else None


# --- operating points -----------------------------------------------------------------------------

_Points = dict[str, tuple[LoadPoint | None, LoadPoint | None]]
"""By name of the line, before and after."""


def _points(before: Check, after: Check) -> _Points:
    return _side_by_side(*({p.line.name: p for p in found.points if p} for found in (before, after)))


def _limit_points(before: Check, after: Check) -> _Points:
    return _side_by_side(*(dict(_at_limit(found)) for found in (before, after)))


def _side_by_side(before: Mapping[str, LoadPoint], after: Mapping[str, LoadPoint]) -> _Points:
    return {name: (before.get(name), after.get(name)) for name in dict.fromkeys((*before, *after))}


def _at_limit(found: Check) -> Iterator[tuple[str, LoadPoint]]:
    """The cycle at the lowest ceiling that stops the power, on every line that has one."""
    if found.circuit is None:
        return
    numbers = {key: value.nominal for key, value in found.circuit.values.items()}
    supply = found.circuit.supply(numbers)
    for column in found.assessments[0].columns:
        for step in column.steps:
            loaded, delivered = step.ceiling.loaded, step.ceiling.delivered
            if step.rung.question is Question.REACH and loaded is not None and delivered is not None:
                point = OperatingPoint(loaded.load, delivered)
                yield (
                    column.line.name,
                    describe(supply, column.line, loaded.V_valley, loaded.V_mean, point, column.V_o),
                )
                break


def _load_rows(points: _Points, *, at_limit: bool) -> Iterator[Row]:
    for name, dimension, at_load, limited, get in LOAD_FIGURES:
        cells = tuple(Cell(line, _of(old, get), _of(new, get)) for line, (old, new) in points.items())
        if any((cell.before, cell.after) != (None, None) for cell in cells):
            yield Row(name, dimension, limited if at_limit else at_load, cells)


def _of(point: LoadPoint | None, get: Callable[[LoadPoint], object]) -> float | None:
    value = None if point is None else get(point)
    return None if value is None else float(value)  # type: ignore[arg-type]


def _modes(at: str, points: _Points) -> Modes:
    cells = tuple((line, _mode(old), _mode(new)) for line, (old, new) in points.items())
    return Modes(at, cells)


def _mode(point: LoadPoint | None) -> str:
    if point is None:
        return "none"
    return "continuous" if point.continuous else "discontinuous"


def _small_rows(before: Check, after: Check) -> Iterator[Row]:
    first, then = ({entry.name: entry for entry in found.indicators} for found in (before, after))
    for name in dict.fromkeys((*first, *then)):
        old, new = first.get(name), then.get(name)
        currents = (None if entry is None else float(entry.current) for entry in (old, new))
        powers = (None if entry is None else float(entry.power) for entry in (old, new))
        yield Row(name, "current", Turn.NEITHER, (Cell("", *currents),))
        yield Row(f"{name}, in its resistor", "power", Turn.NEITHER, (Cell("", *powers),))
