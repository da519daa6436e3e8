"""What it would take: limit after limit lifted, until a claim is very likely or no part lifts the next one.

The limits are taken in the order in which they bind; how one is lifted is in `flyback.studies.lifting`.
What lies beyond parts (the core, a bulk capacitor without room, what a controller does inside) ends it.
What the changes cost is read off the ladder of the altered board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from flyback.analysis.assessment import Column
from flyback.analysis.demand import Demand
from flyback.board.changes import SetValue, altered
from flyback.board.model import Board
from flyback.studies.beyond import Remains
from flyback.studies.fitting import Way
from flyback.studies.lifting import Bench, Found, Lift, State, enough, lifted
from flyback.studies.stress import Cost, costs, told
from flyback.studies.wanted import wanted
from flyback.verdict.check import Check
from flyback.verdict.words import Judgement, Word

MOST_LIFTS = 12
"""Limits lifted one after the other before it is given up."""

TEACHING = (
    "This shows how one limit follows another. It is for teaching and no instruction for a repair: do not "
    "modify a mains product and return it to service. Insulation, fuse, wiring and cooling were made for "
    "the power it has."
)

NOT_COUNTED = (
    "heat of case, transformer and switch; voltage and current ratings of the switch; fuse, mains "
    "rectifier, output cable and connector"
)
"""What a ladder does not know of, and a higher power leans on."""


class Ending(StrEnum):
    """How it ends."""

    ALREADY = "already met"
    MET = "met"
    NOT_MET = "not met"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Remedies:
    """What a claim would take; frozen data, SI units.

    Attributes:
        check: the board as it was traced.
        demand: the claim, or the figure that was asked for.
        needed: power at the sockets it amounts to [W].
        before, after: its judgement on the traced board, and with all changes.
        lifts: limits in the order in which they bound.
        changes: all changes together, one for each value.
        remains: the limit that no part lifts, or None.
        ladders: before and after, at every line where a limit bound; where the claim is worst if none did.
        costs: what the changes do to the stress of the parts.
        lacking: "rung: needs key" for what could not be computed on the altered board.
        notices: other things to know, in sentences.
        board: the altered board.
    """

    check: Check
    demand: Demand
    needed: float
    before: Judgement
    after: Judgement
    ending: Ending
    lifts: tuple[Lift, ...]
    changes: tuple[SetValue, ...]
    remains: Remains | None
    ladders: tuple[tuple[Column, Column], ...]
    costs: tuple[Cost, ...]
    lacking: tuple[str, ...]
    notices: tuple[str, ...]
    board: Board

    @property
    def resistors_alone(self) -> bool:
        """Whether nothing but the resistance of resistors is changed, with what their new places need."""
        return all(self.board.parts[change.designator].role.endswith("resistor") for change in self.changes)

    @property
    def exit_code(self) -> int:
        """0 where the claim is met or can be on paper, 1 where not, or where that cannot be told."""
        return int(self.ending not in (Ending.ALREADY, Ending.MET))


# a search may pass through impossible values; what comes out is checked to be finite, in words
@np.errstate(all="ignore")
def remedies(check: Check, *, claim: str | None = None) -> Remedies:
    """Lift limit after limit until a claim is very likely, or no part lifts the next one.

    Args:
        check: of the traced board; its lines, samples and seed are taken too.
        claim: a claim of the label by its words or a figure, as `flyback.studies.wanted.wanted` reads it.

    Raises:
        NotAFlybackError: the board is not judged.
        RequestError: the claim is neither one of the label nor a figure.
        NumericalError: a result is not finite.
    """
    demand = wanted(check, claim)
    lines = tuple(column.line for column in check.assessments[0].columns)
    bench = Bench(check.board, demand, lines, check.samples, check.seed)
    first = state = bench.judged(check.board)
    lifts: list[Lift] = []
    stopped: Remains | None = None
    while state.known and not state.met and len(lifts) < MOST_LIFTS:
        done = lifted(bench, state)
        if isinstance(done, Remains):
            stopped = done
            break
        lifts.append(done[0])
        state = done[1]
    if state.met and len(lifts) > 1:
        lifts, state = _settled(bench, lifts, state)
    return Remedies(
        check=check,
        demand=demand,
        needed=first.needed,
        before=first.judgement,
        after=state.judgement,
        ending=_ending(state, lifts),
        lifts=tuple(lifts),
        changes=_together(lifts),
        remains=stopped,
        ladders=_ladders(first, state, [*lifts, *([stopped] if stopped else [])]),
        costs=tuple(costs(first, state)) if lifts else (),
        lacking=tuple(
            f"{rung}: needs {', '.join(keys)}" for rung, keys in state.assessment.lacking.items()
        ),
        notices=tuple(told(check, first, state)),
        board=state.board,
    )


def _ending(state: State, lifts: Sequence[Lift]) -> Ending:
    if state.judgement.word is Word.CANNOT_TELL:
        return Ending.CANNOT_TELL
    if not state.met:
        return Ending.NOT_MET
    return Ending.MET if lifts else Ending.ALREADY


def _ladders(
    first: State, last: State, bound: Sequence[Lift | Remains]
) -> tuple[tuple[Column, Column], ...]:
    lines = {one.line for one in bound} or {first.assessment.worst.line}
    columns = zip(first.assessment.columns, last.assessment.columns, strict=True)
    return tuple(pair for pair in columns if pair[0].line in lines)


def _together(lifts: Sequence[Lift]) -> tuple[SetValue, ...]:
    """One change for each value: a later one of the same value takes the place of an earlier one."""
    made = {(change.designator, change.key): change for lift in lifts for change in lift.changes}
    return tuple(made.values())


def _settled(bench: Bench, lifts: Sequence[Lift], state: State) -> tuple[list[Lift], State]:
    """Take back what a change does too much once the later ones are in place."""
    settled = list(lifts)
    for index, lift in enumerate(lifts[:-1]):
        if any(later.needed.field == lift.needed.field for later in lifts[index + 1 :]):
            continue
        others = [other for place, other in enumerate(settled) if place != index]
        without = bench.judged(altered(bench.traced, _together(others)))
        less = _less(bench, without, lift)
        if less is not None and less[1].met and less[0].changes != lift.way.changes:
            settled[index], state = replace(lift, enough=less[0]), less[1]
    return settled, state


def _less(bench: Bench, without: State, lift: Lift) -> tuple[Way, State] | None:
    """What a limit takes on a board with all the other changes."""
    if without.met:
        return Way((), "nothing to change", lift.needed.now, ""), without
    pair = without.lowest(lift.step.rung.name)
    if pair is None:
        return None
    found = enough(bench, without, *pair, lift.needed.field)
    return (found.way, found.state) if isinstance(found, Found) else None
