"""How well a set of numbers explains the readings of a load test.

A reading in regulation says only that at least its current can be had; one whose voltage has sagged says
that exactly this current can be had at that voltage. A power at the wall adds the input power. Besides
the meters' uncertainties the model has its own, as factors that all readings of a board share.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.held import Held, averaged, hold, needs, with_fixed_clamp
from flyback.analysis.inputs import plain
from flyback.analysis.limits import lacking, stop_voltage
from flyback.analysis.load_point import load_point
from flyback.analysis.operating_point import point_at_load
from flyback.analysis.tolerance import Array
from flyback.equations import mains
from flyback.equations.formula import Real
from flyback.errors import NumericalError, Problem, RequestError
from flyback.studies.observed import Observed
from flyback.studies.scores import Prior, log_normal_cdf

MODEL = 0.025
"""Standard uncertainty of the closed form's current, and of its input power, at the limit: one factor each
for all of a board.

Against the switching simulation into a held output, 300 points of the five worked examples and samples of
them at 100 to 264 V and 1 to 0.75 of the set voltage: a mean of 0.3 % too much, 1.0 % from board to board,
at most 1 % between the lines of one board, nowhere beyond 2.3 %. The loss in the output capacitors' ESR and
what the board's own LED and bleeder take come on top, 0.2 to 2 % of the current; the rest stands for what
the simulation leaves out too, such as the core's loss (common practice, no source).
"""

SHAPE = 0.004
"""Standard uncertainty from reading to reading on top: the same points along one curve differ by this."""

ELSEWHERE = 0.005
"""Standard uncertainty on top at lines where nothing was read."""

IN_COMMON = 0.5
"""Variance that all readings have in common on top of their own, in units of their meters' (our choice).

A meter's error is a scale that is off as well as digits and noise, and specifications do not tell them
apart. With this, readings may scatter as widely as their uncertainties, and yet the mean of many is not
taken for much better than the meter.
"""

WALL, WALL_SPREAD = 1.05, 0.05
"""Power at the wall over what is counted, and its standard uncertainty, as one factor for all of a board.

Core loss, the controller's supply and the windings' ac resistance are left out and can only add: 0 to
10 % of the input (common practice, no source). Hence a wall power says little that a current does not.
"""

WALL_SHAPE = 0.015
"""Standard uncertainty from reading to reading on top: that share is not the same at every load (common
practice, no source)."""

LEAST_LOAD = 0.25
"""Share of the input power at the limit below which a wall power is not used: losses that do not shrink
with the load, which are left out, are then no small part of it."""

POWER_FACTOR = 0.55
"""Power factor behind a mains rectifier with a bulk capacitor; from memory, 0.5 to 0.65."""

REGULATION = 0.03
"""Share by which the output may fall in regulation (common practice, no source).

A reading in doubt counts as in regulation, which says less and stays true.
"""

NEAR = 3.0
"""Standard uncertainties within which a reading still counts as at the set voltage."""

ROWS = 1024
"""Samples judged at a time, so that an array of them stays in the processor's cache."""

FACTOR, OTHER_LINES = "closed form against simulation", "closed form at other lines"
"""Names of the model's own errors among the unknowns."""

STEP = 0.005
"""Relative step of the output voltage that shows how steeply the current falls with it."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading that is used.

    Attributes:
        line: what fed it, in plain numbers.
        sags: True where it says exactly this current, False where it says at least.
        sigma: standard uncertainty of its current, with that of its voltage and the curve's shape [A].
        u_meter: the part of it that is the meters' [A].
        V_dc: mean bulk voltage of the nominal board under it [V].
        u_wall: standard uncertainty of its wall power [W]; None where that is not used.
    """

    observed: Observed
    line: Line
    sags: bool
    sigma: float
    u_meter: float
    V_dc: float
    u_wall: float | None

    @property
    def current(self) -> float:
        return self.observed.I_o

    @property
    def P_wall(self) -> float:
        return self.observed.P_wall or 0.0


@dataclass(frozen=True, slots=True)
class Predicted:
    """What samples give for every reading: a row a sample, a column a reading.

    Attributes:
        I_o: largest current at the reading's voltage [A].
        P_wall: input power at the reading's load, before what is left out [W]; NaN where not used.
    """

    I_o: Array
    P_wall: Array


@dataclass(frozen=True, slots=True)
class Judged:
    """How well samples explain the readings.

    Attributes:
        logs: logarithm of the likelihood, but for a constant.
        misfit: sum of squared deviations over their uncertainties: chi squared of `LoadTest.terms` numbers;
            of_currents: the same of the currents alone.
        factor: what each sample's currents are multiplied by, see `LoadTest`.
    """

    logs: Array
    misfit: Array
    of_currents: Array
    factor: Array


@dataclass(frozen=True, slots=True)
class LoadTest:
    """The used readings of a load test, on a circuit.

    The model's shared factors are integrated over, given the numbers of a sample and what its readings say
    exactly; otherwise samples would need to meet those readings in parts and factor at once, and hardly
    any would. A sample's score for the factor of the currents says where in what is left it lies.

    Attributes:
        V_set: output voltage the circuit regulates to [V].
        left_out: readings not used, and why, in sentences.
    """

    circuit: Circuit
    V_set: float
    readings: tuple[Reading, ...]
    left_out: tuple[str, ...]

    @property
    def terms(self) -> int:
        """Numbers that were read."""
        return len(self.readings) + sum(reading.u_wall is not None for reading in self.readings)

    def predicted(self, prior: Prior, scores: Array) -> Predicted:
        """What samples give for every reading."""
        groups = list(self._by_line())
        shape = (len(scores), len(self.readings))
        found = Predicted(np.empty(shape), np.full(shape, np.nan))
        for rows in blocks(len(scores)):
            drawn = self.supply(prior, scores[rows])
            for columns, line, V_o, start in groups:
                some = [self.readings[k] for k in columns]
                I_o, P_in = self._at_line(drawn, line, some, V_o, start, rows.stop - rows.start)
                found.I_o[rows, columns] = I_o
                found.P_wall[rows, columns] = _at_the_wall(drawn, line, P_in)
        return found

    def supply(self, prior: Prior, scores: Array) -> Supply:
        """The circuit's numbers for samples, each a column."""
        return with_fixed_clamp(self.circuit.supply(prior.numbers(scores)), V_set=self.V_set)

    def log_likelihood(self, prior: Prior, scores: Array) -> Array:
        """Logarithm of the likelihood of the readings, but for a constant."""
        return self.judged(prior, scores, self.predicted(prior, scores)).logs

    @property
    def scatter(self) -> Array:
        """Covariance of what the readings say exactly [A²]."""
        exact = [reading for reading in self.readings if reading.sags]
        return _scatter([reading.sigma for reading in exact], [reading.u_meter for reading in exact])

    def judged(self, prior: Prior, scores: Array, found: Predicted) -> Judged:
        """How well samples, and what they give, explain the readings."""
        sags = np.array([reading.sags for reading in self.readings])
        amps, sigma = (np.array([getattr(r, name) for r in self.readings]) for name in ("current", "sigma"))
        exact = _shared(
            found.I_o[:, sags], MODEL * found.I_o[np.newaxis, :, sags], amps[sags], self.scatter
        )
        error = exact.middle + exact.spread * scores[:, prior.columns[FACTOR]]
        spare = (found.I_o[:, ~sags] * (1 + MODEL * error[:, np.newaxis]) - amps[~sags]) / sigma[~sags]
        logs = exact.logs + log_normal_cdf(spare).sum(axis=1)
        misfit = of_currents = exact.misfit + (np.minimum(spare, 0.0) ** 2).sum(axis=1)
        known = [(k, reading, u) for k, reading in enumerate(self.readings) if (u := reading.u_wall)]
        if known:
            P_in = found.P_wall[:, [k for k, _, _ in known]]
            P_wall = np.array([reading.P_wall for _, reading, _ in known])
            scatter = _scatter([u for _, _, u in known], [reading.observed.u_P for _, reading, _ in known])
            limited = np.array([reading.sags for _, reading, _ in known])
            # at the limit the closed form errs in the power it takes too; below it the load says that
            shares = np.stack([WALL_SPREAD * P_in, np.where(limited, MODEL * WALL * P_in, 0.0)])
            wall = _shared(WALL * P_in, shares, P_wall, scatter)
            logs, misfit = logs + wall.logs, misfit + wall.misfit
        wrong = np.isnan(logs)
        return Judged(
            logs=np.where(wrong, -np.inf, logs),
            misfit=np.where(wrong, np.inf, misfit),
            of_currents=np.where(wrong, np.inf, of_currents),
            factor=1 + MODEL * error,
        )

    def _by_line(self) -> Iterator[tuple[list[int], Line, Array, Array]]:
        """Columns of the readings at one line, the line, their voltages, where to seek the valley."""
        lines = dict.fromkeys(reading.line for reading in self.readings)
        for line in lines:
            columns = [k for k, reading in enumerate(self.readings) if reading.line == line]
            V_o = np.array([self.readings[k].observed.V_o for k in columns])
            yield columns, line, V_o, valley_share(self.circuit, self.V_set, line, V_o)

    def _at_line(
        self, drawn: Supply, line: Line, some: Sequence[Reading], V_o: Array, start: Array, count: int
    ) -> tuple[Array, Array]:
        """Largest currents, and input powers at the loads of the readings; NaN where those are not used."""
        circuit, shape = self.circuit, (count, len(some))
        held = hold(circuit, drawn, line, V_o=V_o)
        I_o, V_mean = current(held, start, shape)
        if timed(circuit, line) and not all(reading.sags for reading in some):
            lasting, _ = current(hold(circuit, drawn, line, V_o=V_o, timed=True), start, shape)
            sags = np.array([reading.sags for reading in some])
            I_o = np.where(sags, I_o, np.minimum(I_o, lasting))
        P_in = np.full(shape, np.nan)
        for k, reading in enumerate(some):
            if reading.u_wall is not None and reading.sags:
                P_in[:, k] = np.broadcast_to(held.ended(V_mean).P_in, shape)[:, k]
            elif reading.u_wall is not None:
                seen = reading.observed
                point = point_at_load(circuit, drawn, V_dc=reading.V_dc, V_o=seen.V_o, I_o=seen.I_o)
                P_in[:, k] = np.broadcast_to(point.pulse.P_in, (count, 1))[:, 0]
        return I_o, P_in


@dataclass(frozen=True, slots=True)
class _Shared:
    """Readings with shared normal errors, integrated over; middle and spread are those of the first."""

    logs: Array
    misfit: Array
    middle: Array
    spread: Array


def _scatter(sigma: Sequence[float], meter: Sequence[float]) -> Array:
    """Covariance of readings, with what their meters' errors have in common."""
    return np.asarray(np.diag(np.square(sigma)) + IN_COMMON * np.outer(meter, meter))


# a sample that gives no number is found by its likelihood, not by a warning
@np.errstate(invalid="ignore")
def _shared(model: Array, shares: Array, read: Array, scatter: Array) -> _Shared:
    """Judge readings that should be model + the sum of shares x errors, the errors standard normal.

    Args:
        model: a row a sample, a column a reading; shares: the same for each error.
    """
    root = np.linalg.cholesky(scatter)
    off = np.linalg.solve(root, (read - model).T).T
    lean = np.stack([np.linalg.solve(root, share.T).T for share in shares])
    # completing the square in the errors
    precision = np.eye(len(shares)) + np.einsum("isr,jsr->sij", lean, lean)
    pull = np.einsum("isr,sr->si", lean, off)
    middle = np.linalg.solve(precision, pull[:, :, np.newaxis])[:, :, 0]
    misfit = (off**2).sum(axis=1) - (pull * middle).sum(axis=1)
    # the uncertainty of a current depends on the circuit: densities of two circuits need it
    logs = -(misfit + np.linalg.slogdet(precision)[1]) / 2 - float(np.log(np.diagonal(root)).sum())
    spread = np.linalg.inv(precision)[:, 0, 0] ** 0.5
    return _Shared(logs, misfit, middle[:, 0], spread)


def factor(prior: Prior, scores: Array) -> Array:
    """What the closed form's currents are multiplied by before anything is read."""
    return 1 + MODEL * scores[:, prior.columns[FACTOR]]


def blocks(count: int) -> Iterator[slice]:
    """Rows to judge at a time."""
    for first in range(0, count, ROWS):
        yield slice(first, min(first + ROWS, count))


def current(held: Held, start: Real, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Mean current of a held output, zero where the controller has stopped [A]; mean bulk voltage [V]."""
    mean = averaged(held, start=start)
    I_o = mean.I_o
    if not lacking(held.circuit, ("V_stop", "N_aux")):
        I_o = np.where(np.less(held.V_o, stop_voltage(held.supply)), 0.0, I_o)
    # what the formulas cannot follow gives nothing
    return np.nan_to_num(np.broadcast_to(I_o, shape)), np.broadcast_to(mean.V_mean, shape)


def valley_share(circuit: Circuit, V_set: float, line: Line, V_o: Array) -> Array:
    """The nominal valley over the crest, where the samples' search may start."""
    supply = nominal(circuit, V_set)
    mean = averaged(hold(circuit, supply, line, V_o=V_o))
    return np.broadcast_to(mean.V_valley / bulk.crest(supply, line), np.shape(V_o))


def nominal(circuit: Circuit, V_set: float) -> Supply:
    """The nominal board."""
    return with_fixed_clamp(
        circuit.supply({key: value.nominal for key, value in circuit.values.items()}), V_set=V_set
    )


def timed(circuit: Circuit, line: Line) -> bool:
    """True where an overload timer says what can be had for long."""
    has_timer = "V_overload" in circuit.keys and circuit.control != "self-oscillating"
    return has_timer and not needs(circuit, line, timed=True)


def _at_the_wall(supply: Supply, line: Line, P_in: Array) -> Array:
    """Add what the mains rectifier and a series resistor take [W]."""
    if line.V_ac is None:
        return P_in
    V_bridge = mains.bridge_drop(N_d=supply.N_d, V_d=supply.V_d)
    I_ac = P_in / (POWER_FACTOR * line.V_ac)
    return np.asarray(P_in * (1 + V_bridge / bulk.crest(supply, line)) + supply.R_series * I_ac**2)


# --- from what was observed -----------------------------------------------------------------------


def load_test(circuit: Circuit, points: Sequence[Observed], *, V_set: float) -> LoadTest:
    """Sort readings by what they say.

    Args:
        V_set: output voltage the circuit regulates to [V].

    Raises:
        RequestError: a value without which no current can be told is unknown.
    """
    supply = nominal(circuit, V_set)
    used, left_out = [], []
    stops = None if lacking(circuit, ("V_stop", "N_aux")) else float(stop_voltage(supply))
    for point in points:
        line = point.line or _tried_on(circuit)
        if line is None:
            left_out.append(f"{point.where or 'a reading'}: no mains voltage is noted.")
        elif stops is not None and point.V_o < stops:
            left_out.append(
                f"{point.where or 'a reading'}: below {stops:.2f} V the controller stops and starts again, "
                "and what it gives in the mean is not computed."
            )
        elif point.I_o <= 0 or point.V_o <= 0:
            left_out.append(f"{point.where or 'a reading'}: without volts or amps it says nothing.")
        else:
            refuse_unknown(circuit, line)
            try:
                used.append(_reading(circuit, supply, point, plain(line), V_set))
            except NumericalError as error:
                left_out.append(str(error))
    return LoadTest(circuit, V_set, tuple(used), tuple(left_out))


def refuse_unknown(circuit: Circuit, line: Line) -> None:
    """Say which values are needed and not known."""
    keys = needs(circuit, line)
    if keys:
        raise RequestError(
            Problem(
                f"what the readings say about the parts needs {', '.join(keys)};",
                hint="measure it, or read it off the part or its data sheet.",
            )
        )


def _tried_on(circuit: Circuit) -> Line | None:
    tried = circuit.board.tried_on
    return None if tried is None else Line(V_ac=tried[0], f_line=tried[1])


def _reading(circuit: Circuit, supply: Supply, point: Observed, line: Line, V_set: float) -> Reading:
    around = point.V_o * np.array([1 - STEP, 1.0, 1 + STEP])
    held = hold(circuit, supply, line, V_o=around)
    mean = averaged(held)
    if not np.all(np.isfinite(mean.I_o) & mean.settled):
        raise NumericalError(
            f"{point.where or 'a reading'}: what the nominal board gives there is not a finite number, or "
            "the bulk's valley does not settle; one of the values is out of the formulas' range."
        )
    low, _, high = np.broadcast_to(mean.I_o, around.shape)
    slope = (high - low) / (2 * STEP * point.V_o)
    u_meter = math.hypot(point.u_I, float(slope) * point.u_V)
    sigma = math.hypot(u_meter, SHAPE * point.I_o)
    sags = point.V_o < V_set - max(NEAR * point.u_V, REGULATION * V_set)
    V_dc = float(np.broadcast_to(mean.V_mean, around.shape)[1])
    most = float(np.broadcast_to(held.ended(mean.V_mean).P_in, around.shape)[1])
    u_wall = None
    if point.P_wall is not None and point.P_wall >= LEAST_LOAD * most:
        u_wall = math.hypot(point.u_P, WALL_SHAPE * point.P_wall)
        if not sags:
            loaded = load_point(circuit, supply, line, V_o=point.V_o, I_o=point.I_o)
            V_dc = V_dc if loaded is None else float(loaded.V_mean)
    return Reading(point, line, sags, sigma, u_meter, V_dc, u_wall)
