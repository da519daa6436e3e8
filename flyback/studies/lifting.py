"""One limit at a time: a board judged for a claim, and the least change that lifts the limit that binds.

A limit counts as lifted where the low end of its 95 % band reaches the claim. The nominal value that takes
is solved for (`flyback.studies.needed`), taken to the next number that parts are made in
(`flyback.studies.fitting`), put into the board and judged again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf, isfinite
from types import MappingProxyType

from flyback.analysis.assessment import Assessment, Column, Step, assess
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case, Demand
from flyback.analysis.inputs import plain
from flyback.analysis.trace import trace
from flyback.board.changes import SetValue, altered
from flyback.board.model import Board
from flyback.errors import NumericalError
from flyback.studies.beyond import Remains, no_room, remains
from flyback.studies.fitting import ROOM, VOLUME, Way, ways
from flyback.studies.needed import Method, Needed, Nominal, needed
from flyback.verdict.judge import BULK_DECIDES, judge
from flyback.verdict.words import Judgement, Word, word_for

TRIES = 6
"""Times a value is taken further because the low end of the band did not reach the claim."""

GROWTH = 1.1
"""Step of a search on the samples, where a limit is there for some of them and not nominally."""

FURTHER = 1.005
"""A little beyond what the last try fell short by."""


# --- a board, judged for the claim ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class State:
    """A board, judged for one claim."""

    board: Board
    circuit: Circuit
    assessment: Assessment
    judgement: Judgement

    @property
    def known(self) -> bool:
        """True where any limit could be computed."""
        return any(column.steps for column in self.assessment.columns)

    @property
    def needed(self) -> float:
        """Power at the sockets that the claim amounts to [W]."""
        return float(self.assessment.columns[0].outcomes[0].needed)

    @property
    def met(self) -> bool:
        """Whether the known limits make the claim very likely; missing values are another matter."""
        outcome = self.judgement.outcome
        return outcome is not None and word_for(outcome.both.value) is Word.VERY_LIKELY

    @property
    def steps(self) -> list[tuple[Column, Step]]:
        return [(column, step) for column in self.assessment.columns for step in column.steps]

    @property
    def binding(self) -> tuple[Column, Step]:
        """The lowest limit whose band does not reach the claim; the one nearest to it where all do."""
        below = [pair for pair in self.steps if low(pair[1]) < self.needed]
        if below:
            return min(below, key=lambda pair: (float(pair[1].ceiling.power), low(pair[1])))
        return min(self.steps, key=lambda pair: low(pair[1]))

    def lowest(self, rung: str) -> tuple[Column, Step] | None:
        """Where the band of one rung is lowest; None where it is not known."""
        same = [pair for pair in self.steps if pair[1].rung.name == rung]
        return min(same, key=lambda pair: low(pair[1]), default=None)


def low(step: Step) -> float:
    """Low end of a ceiling's band as the samples have it, which is what a claim is counted on [W].

    Pulses that may alternate widen the band that is shown; no sample counts them.
    """
    return step.band.low / step.subharmonics


@dataclass(frozen=True, slots=True)
class Bench:
    """Judges boards for one claim, at the same lines and with the same draws.

    Attributes:
        traced: the board before any change.
    """

    traced: Board
    demand: Demand
    lines: tuple[Line, ...]
    samples: int
    seed: int

    def judged(self, board: Board) -> State:
        """A board, judged for the claim."""
        circuit = trace(board)
        assessment = assess(
            circuit,
            self.lines,
            [self.demand],
            voltage=self.demand.voltage,
            samples=self.samples,
            seed=self.seed,
        )
        return State(board, circuit, assessment, judge(circuit, self.demand, assessment))

    def nominal(self, state: State, line: Line) -> Nominal:
        """The nominal ladder of a board at one line."""
        return Nominal(Case(state.circuit, self.demand.voltage, (self.demand,)), plain(line))


# --- one limit ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lift:
    """One limit, lifted.

    Attributes:
        step, line: the limit as it bound, and where.
        parts: the parts that are changed.
        way: what is changed; others: other ways to the same value.
        enough: what is enough once all other changes are in place, where that is less; a way without
            changes where nothing is needed any more.
        after: the limit with the change, where it is lowest then.
        remark: what else to know of the change, or "".
    """

    step: Step
    line: Line
    parts: str
    needed: Needed
    way: Way
    others: tuple[Way, ...]
    enough: Way | None
    after: Step
    remark: str

    @property
    def changes(self) -> tuple[SetValue, ...]:
        """What is changed in the end."""
        return (self.enough or self.way).changes


def lifted(bench: Bench, state: State) -> tuple[Lift, State] | Remains:
    """The limit that binds, lifted, with the board as it is then; or why no part lifts it."""
    column, step = state.binding
    nominal = bench.nominal(state, column.line)
    too_large: TooLarge | None = None
    for field, roomy in _fields(state.circuit, column, step):
        found = enough(bench, state, column, step, field, roomy=roomy)
        if isinstance(found, TooLarge):
            too_large = found
        elif found is not None:
            return _lift(state, column, step, found), found.state
    if too_large is not None and step.rung.name in _BY_BULK:
        return no_room(state.circuit, step, column.line, too_large.needed, too_large.growth)
    return remains(nominal, step, _aim(state, step))


def _lift(state: State, column: Column, step: Step, found: Found) -> Lift:
    pair = found.state.lowest(step.rung.name)
    assert pair is not None
    return Lift(
        step=step,
        line=column.line,
        parts=state.circuit.parts[found.needed.field],
        needed=found.needed,
        way=found.way,
        others=found.others,
        enough=None,
        after=pair[1],
        remark=_remark(step, found),
    )


def _remark(step: Step, found: Found) -> str:
    if found.needed.field != "C_bulk":
        return ""
    why = "" if step.rung.name == "bulk valley" else "from a higher valley less current carries the power"
    cost = f"about {found.way.growth:.1f} times the volume ({VOLUME})" if found.way.growth > 1 else ""
    return "; ".join(filter(None, (why, cost)))


_OWN: Mapping[str, str] = MappingProxyType(
    {
        "bulk valley": "C_bulk",
        "current limit": "R_s",
        "constant-current loop": "R_s",
        "overload timer": "R_s",
        "base drive": "R_b",
        "rectifier current": "I_rectifier",
        "capacitor ripple": "ripple_rating",
        "sense resistor power": "sense_rating",
    }
)
"""The field of the supply that a part of the board sets, by the rung it lifts; the others have none."""

_BY_BULK = frozenset(
    {"bulk valley", "current limit", "constant-current loop", "overload timer", "base drive"}
)
"""Rungs that a bulk capacitor with more room would have lifted, where nothing else does."""


def _fields(circuit: Circuit, column: Column, step: Step) -> Iterator[tuple[str, bool]]:
    """What to change, in this order; True for a value that is enough only with the largest bulk."""
    own = _OWN.get(step.rung.name)
    if own is not None and own not in circuit.keys:
        own = None
    draws = step.rung.question is Question.REACH and step.rung.loads_bulk
    bulk = draws and column.line.V_ac is not None and "C_bulk" in circuit.keys
    fields = [] if own is None else [(own, False)]
    if bulk and own != "C_bulk":
        fields.insert(0 if step.bulk_share > BULK_DECIDES else len(fields), ("C_bulk", False))
        fields += [] if own is None else [(own, True)]
    yield from fields


@dataclass(frozen=True, slots=True)
class Found:
    """A change that is enough, and the board with it."""

    needed: Needed
    way: Way
    others: tuple[Way, ...]
    state: State


@dataclass(frozen=True, slots=True)
class TooLarge:
    """A bulk capacitance that has no room."""

    needed: Needed
    growth: float


def enough(
    bench: Bench, state: State, column: Column, step: Step, field: str, *, roomy: bool = False
) -> Found | TooLarge | None:
    """The least change of a field with which the low end of a limit's band reaches the claim at every line.

    A change that makes the claim very likely altogether is enough too.

    Args:
        column, step: the limit where it binds.
        field: as in `flyback.studies.fitting.ways`.
        roomy: look for the value that would be enough with the largest bulk capacitor there is room for.

    Returns:
        None where no value does it.
    """
    aim = _aim(state, step)
    nominal = bench.nominal(state, column.line)
    base = nominal.scaled("C_bulk", ROOM) if roomy else nominal
    for attempt in range(1, TRIES + 1):
        need = _needed(base, step, field, aim, attempt)
        options = () if need is None else ways(state.board, field, need.value, bench.traced)
        fitting = [way for way in options if field != "C_bulk" or way.growth <= ROOM]
        if need is None or not fitting:
            return None
        way, *others = fitting
        try:
            after = bench.judged(altered(state.board, way.changes))
        except NumericalError:
            return None
        pair = after.lowest(step.rung.name)
        reached = 0.0 if pair is None else low(pair[1])
        if reached >= state.needed or after.met or (roomy and reached > GROWTH * low(step)):
            return Found(need, way, tuple(others), after)
        if len(fitting) < len(options):
            return TooLarge(need, max(way.growth for way in options))
        if roomy or reached <= 0:
            return None
        aim *= FURTHER * state.needed / reached
    return None


def _aim(state: State, step: Step) -> float:
    """Nominal ceiling at which the low end of a band that grows in proportion would reach the claim."""
    share = float(step.ceiling.power) / low(step) if low(step) > 0 else inf
    return max(state.needed, low(step) * FURTHER) * (share if isfinite(share) else 1.0)


def _needed(nominal: Nominal, step: Step, field: str, aim: float, attempt: int) -> Needed | None:
    """What a field must be; step by step for a limit that only some samples have."""
    if isfinite(float(step.ceiling.power)):
        return needed(nominal, step.rung.name, field, aim)
    now = nominal.present(field)
    if now is None:
        return None
    factor = GROWTH**-attempt if field.startswith("R_") else GROWTH**attempt
    return Needed(field, now, factor * now, aim, Method.NUMERICAL)
