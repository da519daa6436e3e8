"""Parts and readings weighed together: what the load tests say of the limit, of the parts and of the label.

The verdict of the traced parts says what boards like this one may deliver, the readings what this one did.
Both are put together (`flyback.studies.reconcile`) unless they contradict each other: then nothing follows
from parts that are not as traced, and only what was read by itself counts (`flyback.studies.as_read`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.demand import CLOSE
from flyback.analysis.held import needs
from flyback.analysis.inputs import plain
from flyback.board.model import LoadTest
from flyback.studies.as_read import AsRead, Showing, as_read
from flyback.studies.observed import Observed
from flyback.studies.readings import Detail, Readings, observe
from flyback.studies.reconcile import Chance, Reconciled, reconcile
from flyback.units import format_quantity
from flyback.verdict.check import Check
from flyback.verdict.words import FAILING, Judgement, Word, word_for

SAMPLES = 4096
"""Samples of the tolerances that are weighed; a quarter of them is enough for any word."""

MOST_POINTS = 48
"""Readings that are weighed; of a longer log as many are taken, evenly along its curve."""

DECIDED = 0.01
"""Chance of being wrong below which a claim counts as decided (our choice)."""

FIRMER = 0.8
"""Factor on that chance from which on readings have told something (our choice)."""

SAME_RAIL = 0.05
"""Share by which a socket may lie above the voltage that is held and still be held by it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """A claim of power, judged by the parts and by the readings too.

    Attributes:
        parts: the judgement of the parts alone.
        readings: what the readings show by themselves.
        chance: of reaching and holding it, from the parts and with the readings; None where they are not
            put together, or where the parts leave a limit unknown.
        word: the verdict of both; also: the neighbouring word where the sampling interval crosses a
            threshold, or None.
        reason: what carried it, in words.
    """

    parts: Judgement
    readings: AsRead
    chance: Chance | None
    word: Word
    also: Word | None
    reason: str

    @property
    def text(self) -> str:
        """The claim in words."""
        return self.parts.text


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything `flyback evidence` prints but the curves; frozen data, SI units.

    Attributes:
        check: the verdict of the parts alone.
        readings: every load test, corrected, beside the parts.
        weighed: those of them that were put together with the parts, and that curves are read from.
        reconciled: parts and readings together; None where they cannot be.
        verdicts: one for each claim of power.
        notices: why something was not done, in sentences.
    """

    check: Check
    readings: Readings
    weighed: Readings
    reconciled: Reconciled | None
    verdicts: tuple[Verdict, ...]
    notices: tuple[str, ...]

    @property
    def agreement(self) -> str:
        """How the load tests lie to the parts, in a few words."""
        if self.reconciled is None:
            return "cannot be put together with the parts"
        return "contradict the parts" if self.reconciled.contradiction else "agree with the parts"

    @property
    def exit_code(self) -> int:
        """1 if any claim fails, of the label's arithmetic or with the readings; else 0."""
        words = [verdict.word for verdict in self.verdicts] + [one.word for one in self.check.label]
        return int(any(word in FAILING for word in words))


def weigh(
    check: Check,
    extra_tests: Sequence[LoadTest] = (),
    *,
    samples: int = SAMPLES,
    ask: Sequence[str] | None = None,
) -> Evidence:
    """Put the load tests of a board beside its traced parts, and both to its label.

    Args:
        extra_tests: load tests of a meter's log.
        samples: samples of the tolerances; the check's seed is taken.
        ask: what values the readings imply, as `reconcile` takes it; asking nothing saves two thirds of
            the time.

    Raises:
        NumericalError: a result is not finite.
    """
    found = observe(check.board, check.circuit, extra_tests, samples=samples, seed=check.seed)
    weighed = thinned(found)
    reconciled, notices = _together(check, weighed, samples, ask)
    if len(weighed.details) < len(found.details):
        notices = (
            f"{len(weighed.details)} of the {len(found.details)} readings are weighed, taken evenly along "
            "the curve.",
            *notices,
        )
    return Evidence(
        check=check,
        readings=found,
        weighed=weighed,
        reconciled=reconciled,
        verdicts=tuple(_verdict(check, judgement, found.details, reconciled) for judgement in check.claims),
        notices=notices,
    )


# --- which readings -------------------------------------------------------------------------------


def thinned(found: Readings) -> Readings:
    """At most `MOST_POINTS` readings, evenly along the curve of each line.

    Along any curve from no load to a short circuit amps over volts only rise, so that even steps of that
    angle are steps along the curve.
    """
    details = found.details
    if len(details) <= MOST_POINTS:
        return found
    amps, volts = (np.array([getattr(d.observed, name) for d in details]) for name in ("I_o", "V_o"))
    angle = np.arctan2(amps / (amps.max() or 1.0), volts / (volts.max() or 1.0))
    lines = [detail.observed.line for detail in details]
    kinds = list(dict.fromkeys(lines))[:MOST_POINTS]
    kept: set[int] = set()
    for line in kinds:
        own = np.flatnonzero([other == line for other in lines])
        wanted = np.linspace(angle[own].min(), angle[own].max(), MOST_POINTS // len(kinds))
        kept |= {int(own[np.abs(angle[own] - one).argmin()]) for one in wanted}
    return replace(found, details=tuple(details[k] for k in sorted(kept)))


def _together(
    check: Check, weighed: Readings, samples: int, ask: Sequence[str] | None
) -> tuple[Reconciled | None, tuple[str, ...]]:
    """Parts and readings put together, and which readings are left out."""
    circuit = check.circuit
    lines = {point.line for point in weighed.points if point.line is not None}
    # `observe` has said why nothing is compared
    if circuit is None or not lines or any(needs(circuit, line) for line in lines):
        return None, ()
    V_set, points, notices = _of_one_rail(check, weighed.points)
    demands = [one.outcome.demand for one in check.claims if one.outcome is not None]
    judged_at = dict.fromkeys(one.column.line for one in check.claims if one.column is not None)
    found = reconcile(
        circuit,
        points,
        V_set=V_set,
        demands=demands,
        lines=tuple(judged_at),
        ask=ask,
        samples=samples,
        seed=check.seed,
    )
    return found, notices if found is None else (*notices, *found.left_out)


def _of_one_rail(
    check: Check, points: Sequence[Observed]
) -> tuple[float, tuple[Observed, ...], tuple[str, ...]]:
    """The voltage that is held, the readings of it, and a word about the others.

    A reading belongs to the lowest voltage it is not above: one that has sagged from a higher one further
    than that still says the truth, for what the supply gives at its limit depends on where it is now.
    """
    held = sorted({float(assessment.worst.V_o) for assessment in check.assessments})
    groups: dict[float, list[Observed]] = {V: [] for V in held}
    for point in points:
        groups[next((V for V in held if point.V_o <= (1 + SAME_RAIL) * V), held[-1])].append(point)
    V_set = max(groups, key=lambda V: (len(groups[V]), V))
    used = groups.pop(V_set)
    notices = tuple(
        f"{count} of the readings, taken at {format_quantity(V, 'voltage')}, not weighed: those at "
        f"{format_quantity(V_set, 'voltage')} are."
        for V, some in groups.items()
        if (count := len(some))
    )
    # a rail that is held a little lower than printed is not one that sags
    most = max(point.V_o for point in used)
    return (min(V_set, most) if most >= (1 - CLOSE) * V_set else V_set), tuple(used), notices


# --- the verdict of both --------------------------------------------------------------------------


def _verdict(
    check: Check, judgement: Judgement, details: Sequence[Detail], reconciled: Reconciled | None
) -> Verdict:
    """A claim by parts and readings, and what carried it."""
    readings = _shown(check, judgement, details)
    chance = _chance(judgement, reconciled)
    word, also, reason = _weighed(judgement, readings, chance, reconciled)
    return Verdict(judgement, readings, chance, word, also, reason)


def _shown(check: Check, judgement: Judgement, details: Sequence[Detail]) -> AsRead:
    column, outcome = judgement.column, judgement.outcome
    if column is None or outcome is None:
        return AsRead(Showing.NOT_TRIED)
    V_socket = float(column.V_socket)
    return as_read(details, check.board.label, voltage=V_socket, current=float(outcome.needed) / V_socket)


def _chance(judgement: Judgement, reconciled: Reconciled | None) -> Chance | None:
    column, outcome = judgement.column, judgement.outcome
    if reconciled is None or reconciled.contradiction is not None or column is None or outcome is None:
        return None
    line = plain(column.line)
    return next(
        claim.both for claim in reconciled.claims if claim.demand == outcome.demand and claim.line == line
    )


def _weighed(
    judgement: Judgement, readings: AsRead, chance: Chance | None, reconciled: Reconciled | None
) -> tuple[Word, Word | None, str]:
    word = judgement.word
    if word is Word.IMPOSSIBLE and not (reconciled and reconciled.contradiction):
        return word, None, "the parts alone decide it"
    if readings.showing is Showing.SHORT:
        return Word.VERY_UNLIKELY, None, "the readings alone decide it, whatever the parts are"
    if reconciled is not None and reconciled.contradiction is not None:
        return Word.CANNOT_TELL, None, "parts and readings contradict each other"
    if chance is None:
        return word, judgement.also, "the parts alone; the readings could not be put together with them"
    if word is Word.CANNOT_TELL:
        return word, None, judgement.reason
    found = word_for(chance.after)
    others = [word_for(end) for end in chance.interval if word_for(end) is not found]
    return found, others[0] if others else None, _carried(judgement, chance)


def _carried(judgement: Judgement, chance: Chance) -> str:
    """Which of parts and readings made the verdict as sure as it is."""
    parts = judgement.outcome.both.value if judgement.outcome else chance.before
    doubt, left = (min(p, 1 - p) for p in (parts, chance.after))
    if doubt < DECIDED:
        return "the parts decide it, and the readings agree"
    if left < DECIDED:
        return "parts and readings together decide it"
    if left < doubt * FIRMER:
        return "the readings make it firmer"
    if doubt < left * FIRMER:
        return "the readings make it less sure"
    return "the readings say little about it"
