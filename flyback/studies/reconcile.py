"""Load-test readings and traced parts together: what each says about the other.

The spreads of the parts say what the board may deliver; the readings say what this one does. Samples of
the parts are conditioned on the readings, which narrows values and verdicts; where hardly any sample
explains the readings, parts and readings contradict each other, and a slip is looked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question, starting_points
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.held import hold
from flyback.analysis.inputs import plain
from flyback.analysis.tolerance import Array, wilson
from flyback.board.model import Value
from flyback.equations import rectifier
from flyback.studies.conditioning import ROUNDS, Conditioned, allowed_misfit, condition, quantiles
from flyback.studies.contradiction import SURPRISE, Contradiction, contradiction, odd_wall_powers, surprise
from flyback.studies.implied import Implied, at_odds, implied
from flyback.studies.likelihood import (
    ELSEWHERE,
    FACTOR,
    OTHER_LINES,
    Judged,
    LoadTest,
    Predicted,
    Reading,
    blocks,
    current,
    factor,
    load_test,
    refuse_unknown,
    valley_share,
)
from flyback.studies.observed import Observed
from flyback.studies.scores import Prior

MOVED = 0.15
"""Change of a value that is worth telling: of its median in units of half its band, or of the band's width
in units of it (our choice; the samples' own noise stays below a tenth)."""

BAND = (0.025, 0.5, 0.975)
"""Ends and middle of a 95 % band."""


@dataclass(frozen=True, slots=True)
class Interval:
    """Median and middle 95 % of weighted samples; SI units."""

    median: float
    low: float
    high: float

    @property
    def width(self) -> float:
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Moved:
    """A traced value that the readings moved or narrowed.

    Attributes:
        change: the larger of shift and narrowing, in the units of `MOVED`.
    """

    value: Value
    before: Interval
    after: Interval
    change: float


@dataclass(frozen=True, slots=True)
class Told:
    """A reading beside what the parts alone, and the parts with all readings, give at its voltage [A].

    Attributes:
        after: None where parts and readings contradict each other.
    """

    reading: Reading
    before: Interval
    after: Interval | None


@dataclass(frozen=True, slots=True)
class Delivered:
    """Power at the set voltage at one line, averaged over the mains period as meters read it [W]."""

    line: Line
    before: Interval
    after: Interval


@dataclass(frozen=True, slots=True)
class Chance:
    """Probability from the parts alone and with the readings; Wilson's interval of the latter at 95 %."""

    before: float
    after: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Claim:
    """A demand at one line; both: to reach it and to hold it."""

    demand: Demand
    line: Line
    reach: Chance
    both: Chance


@dataclass(frozen=True, slots=True)
class Reconciled:
    """Parts and readings together; SI units.

    Where they contradict each other nothing can be concluded from parts that are not as traced: then
    ``moved``, ``delivered`` and ``claims`` are empty, and no reading has an ``after``.

    Attributes:
        V_set: output voltage the rail is held at [V].
        samples: samples of the spreads.
        effective: effective number of those that carry the result; 0 where there is a contradiction.
        method: how they were found.
        p: share of the boards with these parts that would do as was read, see `contradiction.surprise`.
        misfit, terms: smallest chi squared of the samples, and of how many numbers.
        told: the readings that were used; left_out: why others were not, in sentences.
        moved: values that changed, those that changed most first.
        implied: values that the readings imply with their own spread set aside.
        delivered: at the lines of the readings and those asked for.
        claims: every demand at every line asked for. Both probabilities count the closed form's own
            uncertainty, so that ``before`` may lie a little off what `assess` counts without it.
    """

    V_set: float
    samples: int
    effective: float
    method: str
    p: float
    misfit: float
    terms: int
    told: tuple[Told, ...]
    left_out: tuple[str, ...]
    moved: tuple[Moved, ...]
    implied: tuple[Implied, ...]
    delivered: tuple[Delivered, ...]
    claims: tuple[Claim, ...]
    contradiction: Contradiction | None


# a search may pass through impossible values; samples that end there count as impossible
@np.errstate(all="ignore")
def reconcile(
    circuit: Circuit,
    points: Sequence[Observed],
    *,
    V_set: float,
    demands: Sequence[Demand] = (),
    lines: Sequence[Line] = (),
    ask: Sequence[str] | None = None,
    samples: int = tolerance.SAMPLES,
    seed: int = tolerance.SEED,
) -> Reconciled | None:
    """Put a load test and the spreads of the traced parts together.

    Args:
        V_set: output voltage the rail is regulated to [V].
        demands: what claims ask for, judged at every one of ``lines``.
        ask: what values the readings imply, of `implied.FIELDS`; by default the sense resistors and the
            least-known one. Nothing is asked with none of them, unless parts and readings contradict
            each other.
        samples: samples of the spreads, the same as `assess` draws.

    Returns:
        What each says about the other, or None where no reading can be used.

    Raises:
        RequestError: a value without which no current can be told is unknown.
    """
    test = load_test(circuit, points, V_set=V_set)
    if not test.readings:
        return None
    prior = Prior.of(circuit.values, (FACTOR, OTHER_LINES))
    first = prior.draw(samples, seed=seed)
    predicted = test.predicted(prior, first)
    p = surprise(test, predicted.I_o * factor(prior, first)[:, np.newaxis], seed=seed)
    found = condition(
        lambda scores: test.log_likelihood(prior, scores),
        first,
        seed=seed,
        # what no sample comes near is not worth searching for
        rounds=ROUNDS if p >= SURPRISE else 0,
        logs=test.judged(prior, first, predicted).logs,
    )
    sets = _Sets.of(test, prior, first, predicted, found)
    odd = odd_wall_powers(test, sets.judged, predicted.P_wall) if p >= SURPRISE else ""
    if odd:
        bare = [replace(point, P_wall=None) for point in points]
        others = reconcile(
            circuit, bare, V_set=V_set, demands=demands, lines=lines, ask=ask, samples=samples, seed=seed
        )
        return None if others is None else replace(others, left_out=(odd, *others.left_out))
    misfit = float(sets.judged.misfit.min())
    doubtful = p < SURPRISE or misfit > allowed_misfit(test.terms)
    asked = implied(test, ask or None if doubtful else ask, seed=seed)
    wrong = contradiction(test, p=p, misfit=misfit, at_odds=at_odds(test, asked), seed=seed)
    at = [plain(line) for line in lines]
    return Reconciled(
        V_set=V_set,
        samples=samples,
        effective=found.effective if wrong is None else 0.0,
        method=found.method,
        p=p,
        misfit=misfit,
        terms=test.terms,
        told=tuple(replace(one, after=None) if wrong else one for one in sets.told()),
        left_out=test.left_out,
        moved=() if wrong else sets.moved(),
        implied=asked,
        delivered=() if wrong else tuple(sets.delivered(line) for line in _all_lines(test, at)),
        claims=() if wrong else tuple(sets.all_claims(demands, at)),
        contradiction=wrong,
    )


def _all_lines(test: LoadTest, lines: Sequence[Line]) -> tuple[Line, ...]:
    return tuple(dict.fromkeys((*(reading.line for reading in test.readings), *lines)))


T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Sets:
    """The samples before and after, and what is read off both.

    Attributes:
        predicted: what they give for the readings, before and after.
        judged: how well those after explain the readings.
    """

    test: LoadTest
    prior: Prior
    first: Array
    found: Conditioned
    predicted: tuple[Predicted, Predicted]
    judged: Judged

    @classmethod
    def of(
        cls, test: LoadTest, prior: Prior, first: Array, predicted: Predicted, found: Conditioned
    ) -> _Sets:
        after = predicted if found.rounds == 0 else test.predicted(prior, found.scores)
        judged = test.judged(prior, found.scores, after)
        return cls(test, prior, first, found, (predicted, after), judged)

    def told(self) -> tuple[Told, ...]:
        before, after = (some.I_o for some in self.predicted)
        return tuple(
            Told(reading, *self._with_error(reading.line, before[:, k], after[:, k]))
            for k, reading in enumerate(self.test.readings)
        )

    def moved(self) -> tuple[Moved, ...]:
        """One value for each cause."""
        by_cause: dict[str, Value] = {}
        for value in self.prior.values.values():
            if value.spread:
                by_cause.setdefault(value.cause, value)
        numbers = self._on_both(self.prior.numbers)
        found = []
        for value in by_cause.values():
            before, after = self._intervals(*(np.asarray(some[value.key])[:, 0] for some in numbers))
            shift = abs(after.median - before.median) / (before.width / 2)
            found.append(Moved(value, before, after, max(shift, 1 - after.width / before.width)))
        found = [one for one in found if one.change > MOVED]
        return tuple(sorted(found, key=lambda one: -one.change))

    def delivered(self, line: Line) -> Delivered:
        test = self.test
        refuse_unknown(test.circuit, line)
        V_o = np.array([test.V_set])
        start = valley_share(test.circuit, test.V_set, line, V_o)

        def watts(scores: Array) -> Array:
            found = np.empty(len(scores))
            for rows in blocks(len(scores)):
                held = hold(test.circuit, test.supply(self.prior, scores[rows]), line, V_o=V_o)
                I_o, _ = current(held, start, (rows.stop - rows.start, 1))
                found[rows] = rectifier.output_power(V_o=test.V_set, I_o=I_o[:, 0])
            return found

        return Delivered(line, *self._with_error(line, *self._on_both(watts)))

    def all_claims(self, demands: Sequence[Demand], lines: Sequence[Line]) -> Iterator[Claim]:
        for voltage in dict.fromkeys(demand.voltage for demand in demands):
            wanted = tuple(demand for demand in demands if demand.voltage == voltage)
            for line in lines:
                yield from self._claims(Case(self.test.circuit, voltage, wanted), line)

    def _claims(self, case: Case, line: Line) -> list[Claim]:
        circuit = self.test.circuit
        supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
        starts = starting_points(supply, line, case.ladder(supply, line))
        count = len(case.demands)

        def ceilings(scores: Array) -> Array:
            """Lowest ceiling to reach, lowest to hold, and what each demand needs, in columns [W]."""
            found = np.empty((len(scores), 2 + count))
            for rows in blocks(len(scores)):
                drawn = circuit.supply(self.prior.numbers(scores[rows]))
                ladder = case.ladder(drawn, line, starts)
                watts = [lowest(ladder, Question.REACH), lowest(ladder, Question.HOLD)]
                for k, column in enumerate((*watts, *case.needed(case.rail(drawn)))):
                    found[rows, k] = np.broadcast_to(column, (rows.stop - rows.start, 1))[:, 0]
            return found

        reached = []
        for watts, error in zip(self._on_both(ceilings), self._errors(line), strict=True):
            reach = watts[:, 0] * error
            # ratings are not the closed form's to err in
            both = np.minimum(reach, watts[:, 1])
            reached.append([np.greater_equal(x[:, np.newaxis], watts[:, 2:]) for x in (reach, both)])
        (reach_1, both_1), (reach_2, both_2) = reached
        return [
            Claim(
                demand,
                line,
                reach=self._chance(reach_1[:, k], reach_2[:, k]),
                both=self._chance(both_1[:, k], both_2[:, k]),
            )
            for k, demand in enumerate(case.demands)
        ]

    def _on_both(self, compute: Callable[[Array], T]) -> tuple[T, T]:
        """Something of the samples before and after, computed once where those are the same."""
        before = compute(self.first)
        return before, before if self.found.rounds == 0 else compute(self.found.scores)

    def _errors(self, line: Line) -> tuple[Array, Array]:
        """What the closed form's currents and powers are multiplied by at a line, before and after."""
        before, after = factor(self.prior, self.first), self.judged.factor
        if any(reading.line == line for reading in self.test.readings):
            return before, after
        column = self.prior.columns[OTHER_LINES]
        return (
            before * (1 + ELSEWHERE * self.first[:, column]),
            after * (1 + ELSEWHERE * self.found.scores[:, column]),
        )

    def _with_error(self, line: Line, before: Array, after: Array) -> tuple[Interval, Interval]:
        errors = self._errors(line)
        return self._intervals(before * errors[0], after * errors[1])

    def _intervals(self, before: Array, after: Array) -> tuple[Interval, Interval]:
        even = np.full(len(before), 1 / len(before))
        return _interval(before, even), _interval(after, self.found.weights)

    def _chance(self, before: NDArray[np.bool_], after: NDArray[np.bool_]) -> Chance:
        share = min(float(self.found.weights @ after), 1.0)
        count = max(round(self.found.effective), 1)
        return Chance(float(before.mean()), share, wilson(round(share * count), count))


def _interval(values: Array, weights: Array) -> Interval:
    low, median, high = quantiles(values, weights, BAND)
    return Interval(median, low, high)
