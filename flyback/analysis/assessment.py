"""The whole answer before any claim is judged: ladders at every line, with bands and working.

`assess` makes three passes over the same physics: a recorded nominal one, the Monte Carlo blocks, and the
corner search. The demands of the claims are counted along in the second.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Rung, rung_named, rungs, starting_points
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.inputs import nominal_numbers, plain
from flyback.analysis.leverage import Lead, leads, started
from flyback.analysis.limits import LIMIT_RUNGS, Ceiling, Start, limit_at_mean
from flyback.analysis.sampling import Counted, sample
from flyback.analysis.subharmonic import power_share
from flyback.analysis.tolerance import Array, Share, Tally
from flyback.board.model import Origin
from flyback.equations.formula import Real, Recorder, recording

BULK_STEP = 0.01
"""Relative change of the bulk capacitance that shows how much a ceiling leans on it."""


@dataclass(frozen=True, slots=True)
class Band:
    """One quantity with its spread: nominal, the middle 95 % of the samples, the extreme corners."""

    nominal: Real
    low: float
    high: float
    corner_low: float
    corner_high: float


@dataclass(frozen=True, slots=True)
class Step:
    """One rung at one line.

    Attributes:
        parts: the parts that set it, as a report names them.
        mean_power: power at the mean bulk voltage instead of the valley [W], for the current limit.
        bulk_share: relative gain of the ceiling over that of a slightly larger bulk capacitance.
        subharmonics: 1 where the pulse repeats; below 1, how far alternating pulses may lower it.
    """

    rung: Rung
    parts: str
    ceiling: Ceiling
    band: Band
    mean_power: Real | None
    bulk_share: float
    subharmonics: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a demand fares at one line.

    Attributes:
        needed: power at the sockets the demand amounts to [W].
        reach, both: samples that reach it; that reach and hold it.
        best_case: the most generous corner of the lowest ceiling over the demand (1 = just reached).
        guess_range: the same ratio over the limits of the guessed values alone, if there are any.
    """

    demand: Demand
    needed: Real
    reach: Share
    both: Share
    best_case: float
    guess_range: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Column:
    """Everything at one line and output voltage, lowest ceiling first.

    Attributes:
        V_o: rail voltage [V].
        V_socket: what amps at the sockets are reckoned at [V].
    """

    line: Line
    V_o: Real
    V_socket: Real
    steps: tuple[Step, ...]
    lowest: Band
    outcomes: tuple[Outcome, ...]

    @property
    def binding(self) -> Step:
        return self.steps[0]

    def outcome(self, demand: Demand) -> Outcome:
        return next(outcome for outcome in self.outcomes if outcome.demand == demand)


@dataclass(frozen=True, slots=True)
class Assessment:
    """Ladders of one output voltage at every line.

    Attributes:
        voltage: output voltage the demands print [V].
        lacking: rungs that could not be computed, with the file keys they need.
        unsettled: samples whose bulk valley did not settle.
        recorder: the working of the nominal pass.
        leads: what could be measured, and what it would tell about the demands at the worst line.
    """

    voltage: float
    columns: tuple[Column, ...]
    lacking: Mapping[str, tuple[str, ...]]
    samples: int
    unsettled: int
    recorder: Recorder
    leads: tuple[Lead, ...] = ()

    @property
    def worst(self) -> Column:
        return min(self.columns, key=lambda column: float(column.lowest.nominal))


# a search may pass through impossible values; what comes out is checked to be finite, in words
@np.errstate(all="ignore")
def assess(
    circuit: Circuit,
    lines: Sequence[Line],
    demands: Sequence[Demand],
    *,
    voltage: float,
    samples: int = tolerance.SAMPLES,
    seed: int = tolerance.SEED,
) -> Assessment:
    """Ladders with bands at every line, for demands at one output voltage.

    Args:
        lines: from `inputs.mains_line` or `inputs.dc_line`.
        demands: what claims ask for; all at ``voltage``.
        voltage: printed output voltage [V].
        samples: Monte Carlo samples.

    Raises:
        NumericalError: where a result is not finite.
    """
    case = Case(circuit, voltage, tuple(demands))
    with recording() as recorder:
        supply = circuit.supply(nominal_numbers(circuit))
        needed = case.needed(case.rail(supply))
        nominal = [case.ladder(supply, line) for line in lines]
        means = [limit_at_mean(circuit, supply, rows, case.rail(supply)) for rows in nominal]
    starts = [starting_points(supply, line, rows) for line, rows in zip(lines, nominal, strict=True)]
    leverage = started(case, [plain(line) for line in lines], nominal)
    counted = sample(case, lines, nominal, starts, samples=samples, seed=seed, leverage=leverage)
    columns = tuple(
        _Columnist(case, supply, line, rows, start, tallied).column(needed, mean)
        for line, rows, start, tallied, mean in zip(lines, nominal, starts, counted, means, strict=True)
    )
    lacking = {rung.name: rung.lacking(circuit, lines[0]) for rung in rungs(circuit, lines[0])}
    return Assessment(
        voltage=case.voltage,
        columns=columns,
        lacking={name: keys for name, keys in lacking.items() if keys},
        samples=samples,
        unsettled=sum(tallied.unsettled for tallied in counted),
        recorder=recorder,
        leads=leads(leverage),
    )


@dataclass(frozen=True, slots=True)
class _Columnist:
    """Puts the three passes of one line together."""

    case: Case
    supply: Supply
    line: Line
    rows: Mapping[str, Ceiling]
    starts: Mapping[str, Start]
    counted: Counted

    def column(self, needed: Sequence[Real], mean_power: Real | None) -> Column:
        names = list(self.rows)
        ends = tolerance.corners(self.case.circuit.values, self._measure)
        guesses = self._guess_ends()
        shares = self._bulk_shares()
        steps = sorted(
            (
                self._step(rung_named(name), ends[index], mean_power, shares[name])
                for index, name in enumerate(names)
            ),
            key=lambda step: float(step.ceiling.power),
        )
        least = _band(lowest(self.rows), self.counted.lowest, ends[len(names)])
        first_demand = len(names) + 1
        outcomes = tuple(
            Outcome(
                demand,
                needed[index],
                *self.counted.shares(index),
                best_case=ends[first_demand + index][1],
                guess_range=guesses[first_demand + index] if guesses else None,
            )
            for index, demand in enumerate(self.case.demands)
        )
        V_o = self.case.rail(self.supply)
        alternating = steps[0].subharmonics if steps else 1.0
        nominal = steps[0].ceiling.power if steps else np.inf
        return Column(
            self.line,
            V_o,
            self.case.socket(V_o),
            tuple(steps),
            _widened(replace(least, nominal=nominal), alternating),
            outcomes,
        )

    def _step(
        self, rung: Rung, ends: tuple[float, float], mean_power: Real | None, bulk_share: float
    ) -> Step:
        ceiling = self.rows[rung.name]
        alternating = self._alternating(rung.name, ceiling)
        band = _band(ceiling.power, self.counted.rungs[rung.name], ends)
        return Step(
            rung=rung,
            parts=rung.parts(self.case.circuit),
            ceiling=ceiling,
            band=_widened(band, alternating),
            mean_power=mean_power if rung.name in LIMIT_RUNGS else None,
            bulk_share=bulk_share,
            subharmonics=alternating,
        )

    def _measure(self, numbers: Mapping[str, Array | float]) -> list[Real]:
        """Every ceiling, the lowest of them, and that over each demand."""
        supply = self.case.circuit.supply(numbers)
        rows = self.case.ladder(supply, plain(self.line), self.starts)
        least = lowest(rows)
        over = [least / need for need in self.case.needed(self.case.rail(supply))]
        return [*(rows[name].power for name in self.rows), least, *over]

    def _guess_ends(self) -> list[tuple[float, float]] | None:
        """Corners over the guessed values alone, everything else nominal."""
        guesses = {
            key: value
            if value.origin is Origin.GUESS
            else replace(value, low=value.nominal, high=value.nominal)
            for key, value in self.case.circuit.values.items()
        }
        if not any(value.spread for value in guesses.values()):
            return None
        return tolerance.corners(guesses, self._measure)

    def _bulk_shares(self) -> dict[str, float]:
        """Relative gain of each ceiling over that of the bulk capacitance, for a slightly larger bulk."""
        if self.line.V_ac is None or self.supply.C_bulk is None:
            return dict.fromkeys(self.rows, 0.0)
        numbers = {key: value.nominal for key, value in self.case.circuit.values.items()}
        larger = float(self.supply.C_bulk) * (1 + BULK_STEP)
        supply = replace(self.case.circuit.supply(numbers), C_bulk=larger)
        raised = self.case.ladder(supply, plain(self.line), self.starts)
        return {
            name: _gain(float(raised[name].power), float(ceiling.power))
            for name, ceiling in self.rows.items()
        }

    def _alternating(self, rung: str, ceiling: Ceiling) -> float:
        """How far alternating pulses may lower a ceiling (1 where the pulse repeats).

        Only the rungs whose pulses the controller's comparator ends, at a fixed frequency, can alternate.
        """
        circuit = self.case.circuit
        if ceiling.loaded is None or rung not in ("current limit", "overload timer"):
            return 1.0
        if circuit.free_running or circuit.constant_current:
            return 1.0
        return power_share(self.supply, ceiling.loaded.load)


def _band(nominal: Real, tally: Tally, ends: tuple[float, float]) -> Band:
    """Corners are never inside the sampled extremes."""
    low, high = tally.band()
    sampled_high = np.inf if tally.absent else tally.most
    return Band(nominal, low, high, min(ends[0], tally.least), max(ends[1], sampled_high))


def _widened(band: Band, share: float) -> Band:
    return replace(band, low=band.low * share, corner_low=band.corner_low * share)


def _gain(raised: float, power: float) -> float:
    if not np.isfinite(power) or not np.isfinite(raised) or power == 0:
        return 0.0
    return (raised / power - 1) / BULK_STEP
