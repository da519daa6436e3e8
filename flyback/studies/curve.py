"""What a measured curve of output volts and amps says: which kind of limit, where it begins, how sure.

Every kind is fitted to all readings and its evidence weighed. Errors are taken as independent from reading
to reading; a scale error common to all moves the curve but bends nothing, and stating it with the rest only
makes the answer more careful.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from flyback.analysis.bulk import Line
from flyback.errors import Problem, RequestError
from flyback.studies.curve_fits import SURE, Fit, Measured, fits
from flyback.studies.curve_shapes import (
    ASKS_FOR_LESS,
    CONSTANT_CURRENT,
    CONSTANT_POWER,
    FOLD_BACK,
    KINDS,
    LINEAR_DROOP,
    SOFT_KNEE,
    Shape,
)
from flyback.studies.curve_words import (
    FIRST_READINGS,
    POWER_AT_END,
    POWER_AT_KNEE,
    Parameter,
    parameters,
    sentence,
    tells_apart,
)
from flyback.studies.observed import Observed
from flyback.studies.readings import Detail, Readings

CANNOT_TELL = "cannot tell"

ENOUGH_PROBABILITY = 0.75
"""Probability from which the likeliest kind is believed (our choice): with it, where a fifth of the volts
is gone, one circuit in fifty at most is taken for another kind (`tests/studies/test_curve_rates.py`)."""

SETTLED = 0.05
"""Probability of the second kind below which no further reading is asked for."""

ENOUGH_LOADS, ENOUGH_AT_LIMIT, ENOUGH_COLLAPSED = 3, 3, 2
"""Least loads of a curve, least readings at its knee or beyond, and least ones that collapsed, for an
answer (our choice)."""

MISFIT = 0.01
"""Chance of so bad a fit below which the stated uncertainties are not believed."""

SMALL_FALL = 0.02
"""Share of the volts that the straight part may lose without a word about cables."""

SAME_MAINS = 0.05
"""Mains voltages this near the lowest of them give one curve (our choice)."""

HIGH_LINE, SOFT_THERE = 180.0, 0.25
"""Mains voltage [V] from which a bulk seldom runs low, and how many times less likely a soft knee is there
beforehand: where 100 V must do too, it holds five times the energy (our choice)."""

_DIPS: Mapping[str, float] = {
    CONSTANT_POWER: 0.03,
    CONSTANT_CURRENT: 0.03,
    LINEAR_DROOP: 0.02,
    SOFT_KNEE: 0.9,
    FOLD_BACK: 0.1,
    ASKS_FOR_LESS: 0.02,
}
"""Chance that a scope shows dips at the mains frequency, level between them, under a heavy load (our
choice)."""

_RESTARTS: Mapping[str, float] = {kind: 0.8 if kind == FOLD_BACK else 0.02 for kind in KINDS}
"""Chance that the output is seen to come and go, or to stay down, under the heaviest load (our choice)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One kind of curve.

    Attributes:
        chi2: weighted squares by which the readings miss it.
        explained: what it would mean at the bench, in one sentence.
        shape: the curve itself; `curve_shapes.volts_at` gives its points.
    """

    kind: str
    probability: float
    parameters: tuple[Parameter, ...]
    chi2: float
    explained: str
    shape: Shape


@dataclass(frozen=True, slots=True)
class Knee:
    """Where regulation ends [A, V], with standard uncertainties."""

    I_o: float
    V_o: float
    u_I: float
    u_V: float


@dataclass(frozen=True, slots=True)
class CurveReading:
    """What a curve says.

    Attributes:
        candidates: every kind, the likeliest first; empty where the readings are too few.
        certain: whether the likeliest may be believed; `notices` say why not.
        knee: that of the likeliest kind; None where it has none.
        tells_apart: which further reading would tell the two likeliest apart.
    """

    candidates: tuple[Candidate, ...]
    certain: bool
    knee: Knee | None
    tells_apart: str
    notices: tuple[str, ...]

    @property
    def best(self) -> Candidate | None:
        """The likeliest kind, believed or not."""
        return self.candidates[0] if self.candidates else None

    @property
    def word(self) -> str:
        """The kind, or that it cannot be told."""
        return self.candidates[0].kind if self.certain else CANNOT_TELL


# --- the curves of a board ------------------------------------------------------------------------


def read_curves(found: Readings) -> tuple[tuple[Line | None, CurveReading], ...]:
    """The curve at each mains voltage, the lowest first; none where the sockets are not the rail."""
    details = found.details if found.at_rail else ()
    return tuple(
        (
            same[len(same) // 2].observed.line,
            read_curve(
                [detail.observed for detail in same],
                dips=_heaviest(same, "mains_dips"),
                restarts=_heaviest(same, "restarts"),
            ),
        )
        for same in _by_line(details)
    )


def _by_line(details: Iterable[Detail]) -> list[list[Detail]]:
    """Load tests of one mains voltage and frequency together, as far as a mains stays the same."""
    known = sorted(
        (detail for detail in details if detail.observed.line is not None),
        key=lambda detail: _mains(detail.observed.line),
    )
    groups: list[list[Detail]] = []
    for detail in known:
        if groups and _same(groups[-1][0].observed.line, detail.observed.line):
            groups[-1].append(detail)
        else:
            groups.append([detail])
    groups.sort(key=lambda group: _mains(group[0].observed.line)[1])
    unknown = [detail for detail in details if detail.observed.line is None]
    return [*groups, unknown] if unknown else groups


def _mains(line: Line | None) -> tuple[float, float]:
    """Frequency and volts; direct current has the frequency 0."""
    if line is None:
        return 0.0, 0.0
    return float(line.f_line or 0), float(line.V_ac or line.V_fixed or 0)


def _same(lower: Line | None, higher: Line | None) -> bool:
    (f_1, V_1), (f_2, V_2) = _mains(lower), _mains(higher)
    return f_1 == f_2 and V_2 <= (1 + SAME_MAINS) * V_1


def _heaviest(details: Sequence[Detail], key: str) -> bool | None:
    """Whether something was seen at any load; that it was not counts at the heaviest load only."""
    if any(getattr(detail.test, key) for detail in details):
        return True
    heaviest = max(details, key=lambda one: _siemens(one.observed))
    seen: bool | None = getattr(heaviest.test, key)
    return seen


def _siemens(point: Observed) -> float:
    """How heavy a load is; an output that is down says nothing of it: it was too heavy."""
    return point.I_o / point.V_o if point.V_o else math.inf


# --- one curve ------------------------------------------------------------------------------------


def read_curve(
    points: Sequence[Observed], *, dips: bool | None = None, restarts: bool | None = None
) -> CurveReading:
    """Tell what kind of limit a load test has met.

    Args:
        points: readings of one curve, in any order; a row that occurs twice counts once.
        dips: whether a scope showed dips at the mains frequency; None where nobody looked.
        restarts: whether the output was seen to come and go; None where nobody looked.

    Raises:
        RequestError: a number cannot be used, or the readings are of several mains voltages.
    """
    _refuse(points)
    rows = {(point.V_o, point.I_o, point.u_V, point.u_I): point for point in points}
    notices = []
    if len(rows) < len(points):
        notices.append("A reading that occurs twice counts once.")
    powered = any(point.V_o > 0 for point in points) and any(point.I_o > 0 for point in points)
    x = Measured.of(list(rows.values())) if powered else None
    loads = 0 if x is None else x.loads
    if x is None or loads < ENOUGH_LOADS:
        count = f"{loads} load" if loads == 1 else f"{loads} loads"
        notices.append(f"Too few: {count} that the meters keep apart; a kind shows from {ENOUGH_LOADS} on.")
        return CurveReading((), False, None, FIRST_READINGS, tuple(notices))
    found, widened = _believable(x)
    if widened > 1:
        notices.append(
            f"No kind fits within the stated uncertainties; they were taken {widened:.1f} times as large. "
            "Was everything read warm, at one set voltage and one mains voltage, with one cable?"
        )
    high_line = any(_mains(point.line)[1] >= HIGH_LINE for point in points)
    weights = np.array(
        [fit.log_evidence + _besides(fit.kind, dips, restarts, high_line=high_line) for fit in found]
    )
    chances = np.exp(weights - np.logaddexp.reduce(weights))
    order = np.argsort(-chances, kind="stable")
    first, second = (found[k] for k in order[:2])
    candidates = tuple(_candidate(found[k], float(chances[k]), widened, x) for k in order)
    doubts = tuple(_doubts(first, candidates, x, watched=restarts is True))
    if doubts or candidates[1].probability > SETTLED:
        next_reading = tells_apart(first, second, x, looked=dips is not None)
    else:
        next_reading = f"No further reading is needed to tell {first.kind} from the rest."
    return CurveReading(
        candidates=candidates,
        certain=not doubts,
        knee=_knee(first),
        tells_apart=next_reading,
        notices=(*notices, *doubts, *_remarks(first)),
    )


def _refuse(points: Sequence[Observed]) -> None:
    problems = []
    for index, point in enumerate(points):
        where = point.where or f"reading {index + 1}"
        numbers = (
            ("voltage", point.V_o),
            ("current", point.I_o),
            ("uncertainty of the voltage", point.u_V),
            ("uncertainty of the current", point.u_I),
        )
        problems += [
            Problem(f"the {name} is {value:g}; expected 0 or more.", field=where)
            for name, value in numbers
            if not (np.isfinite(value) and value >= 0)
        ]
    lines = sorted({point.line for point in points if point.line is not None}, key=_mains)
    if lines and not _same(lines[0], lines[-1]):
        names = ", ".join(line.full_name for line in lines)
        problems.append(
            Problem(
                f"the readings are of several lines ({names}), and each has its own curve.",
                hint="Read them one by one.",
            )
        )
    if problems:
        raise RequestError(tuple(problems))


def _believable(x: Measured) -> tuple[list[Fit], float]:
    """Fits of every kind; where none is believable with larger uncertainties, and how much larger."""
    from scipy.special import gammaincc

    found = fits(x)
    best = max(found, key=lambda fit: fit.log_evidence)
    free = x.V_o.size - best.collapsed - best.unknowns.size
    if free < 1 or gammaincc(free / 2, best.chi2 / 2) > MISFIT:
        return found, 1.0
    factor = float(np.sqrt(best.chi2 / free))
    return fits(x.widened(factor)), factor


def _besides(kind: str, dips: bool | None, restarts: bool | None, *, high_line: bool) -> float:
    """Logarithm of how well a kind fits what is known besides the meters."""
    chances = [
        chance if seen else 1 - chance
        for seen, chance in ((dips, _DIPS[kind]), (restarts, _RESTARTS[kind]))
        if seen is not None
    ]
    if high_line and kind == SOFT_KNEE:
        chances.append(SOFT_THERE)
    return float(np.sum(np.log(chances)))


def _candidate(fit: Fit, probability: float, widened: float, x: Measured) -> Candidate:
    return Candidate(
        kind=fit.kind,
        probability=probability,
        parameters=parameters(fit),
        chi2=fit.chi2 * widened**2,
        explained=sentence(fit, x),
        shape=fit.shape,
    )


def _knee(fit: Fit) -> Knee | None:
    if fit.shape.limit is None:
        return None
    _, _, I_o, V_o, *_ = parameters(fit)
    return Knee(I_o.value, V_o.value, I_o.u, V_o.u)


def _doubts(best: Fit, candidates: Sequence[Candidate], x: Measured, *, watched: bool) -> Iterator[str]:
    """Why the likeliest kind is not believed; a collapse that was watched needs no second one."""
    first, second = candidates[:2]
    if first.probability < ENOUGH_PROBABILITY:
        chances = [f"{one.kind} ({100 * one.probability:.0f} %)" for one in (first, second)]
        yield f"Cannot tell {' from '.join(chances)}{_either_way(first, second)}."
    if best.collapsed:
        if best.collapsed < ENOUGH_COLLAPSED and not watched:
            yield "Cannot tell: only one reading collapsed, which a bad contact does as well."
    elif best.shape.limit is not None and (count := best.at_limit(x)) < ENOUGH_AT_LIMIT:
        lie = "lies" if count == 1 else "lie"
        yield (
            f"Cannot tell: only {count} of the readings {lie} at the knee or beyond; a kind shows from "
            f"{ENOUGH_AT_LIMIT} on."
        )


def _either_way(first: Candidate, second: Candidate) -> str:
    """What is known whichever of two kinds it is."""
    if {first.kind, second.kind} != {CONSTANT_POWER, SOFT_KNEE}:
        return ""
    name = POWER_AT_KNEE if first.kind == CONSTANT_POWER else POWER_AT_END
    most = next(number for number in first.parameters if number.name == name)
    return f"; either way about {most.value:.1f} W is the most it gives"


def _remarks(best: Fit) -> Iterator[str]:
    limit = best.shape.limit
    V_0, R, *_ = parameters(best)
    I_o = best.most[1] if limit is None else limit.I_o
    if abs(R.value) < SURE * R.u or abs(R.value) * I_o < SMALL_FALL * V_0.value:
        return
    if R.value < 0:
        yield "The volts rise with the load, as where a supply makes up for its cable."
    elif limit is not None:
        yield f"Even before the knee {R.amount} of cable, connector or meter seem to be in the path."
