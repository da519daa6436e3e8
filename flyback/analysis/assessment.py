"""The whole answer before any claim is judged: ladders at every line, with bands and working.

`assess` makes three passes over the same physics: a recorded nominal one, the Monte Carlo blocks, and
the corner search. A demand (a claim's power at its voltage) is counted along in the second pass.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from flyback.analysis import bulk, tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import RUNGS, Ceiling, Question, Rung, Start, ladder, rungs, starting_points
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.subharmonic import power_share
from flyback.analysis.tolerance import Array, Share, Tally
from flyback.board.model import Origin, Value
from flyback.equations import rectifier
from flyback.equations.formula import Input, Real, Recorder, Traced, recording


@dataclass(frozen=True, slots=True)
class Demand:
    """A power that a claim asks for, at one output voltage.

    Exactly one of ``current`` and ``power`` is set: amps are judged at the rail's own voltage.

    Attributes:
        voltage: output voltage the claim prints [V].
        current: wanted output current [A].
        power: wanted power at the sockets [W].
    """

    name: str
    voltage: float
    current: float | None = None
    power: float | None = None


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
        bulk_share: relative gain of the ceiling over that of a slightly larger bulk capacitance.
        subharmonics: 1 where the pulse repeats; below 1, how far alternating pulses may lower it.
    """

    rung: Rung
    parts: str
    ceiling: Ceiling
    band: Band
    bulk_share: float
    subharmonics: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a demand fares at one line.

    Attributes:
        needed: power at the sockets the demand amounts to [W].
        reach, both: samples that reach it; that reach and hold it.
        best_case: corner-wise most generous lowest ceiling over the demand (1 = just reached).
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

    ``V_socket`` is what amps at the sockets are reckoned at: the rail, or the printed voltage where a
    second converter makes it.
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
    """

    voltage: float
    columns: tuple[Column, ...]
    lacking: Mapping[str, tuple[str, ...]]
    samples: int
    unsettled: int
    recorder: Recorder

    @property
    def worst(self) -> Column:
        return min(self.columns, key=lambda column: float(column.lowest.nominal))


def nominal_numbers(circuit: Circuit) -> dict[str, Traced]:
    """Nominal values that remember where they come from, for a recorded pass."""
    return {key: traced(value) for key, value in circuit.values.items()}


def traced(value: Value) -> Traced:
    """A nominal value with its origin."""
    absent = value.key.startswith("absent.")
    return Traced(
        value.nominal,
        Input(
            key=value.key,
            origin="not counted" if absent else str(value.origin),
            text=value.text,
            dimension=value.dimension,
            note=value.note,
            source=value.source,
        ),
    )


def rail_voltage(circuit: Circuit, supply: Supply, voltage: float) -> Real:
    """Rail voltage at which a printed voltage is judged.

    The set or measured rail where it is within 15 % of the printed voltage or feeds a second
    converter; otherwise (a port with several voltages) the printed one.
    """
    rail = supply.V_rail
    if rail is not None and (second_converter(circuit) or abs(float(np.mean(rail)) / voltage - 1) <= 0.15):
        return rail
    return _printed(voltage)


def second_converter(circuit: Circuit) -> bool:
    """True where a second converter stands between the rail and the sockets."""
    return circuit.keys["eta_post"] != ("absent.eta_post",)


def socket_voltage(circuit: Circuit, V_o: Real, voltage: float) -> Real:
    """Voltage at the sockets: the rail itself, or the printed one behind a second converter [V]."""
    return _printed(voltage) if second_converter(circuit) else V_o


def _printed(voltage: float) -> Traced:
    return Traced(voltage, Input("label voltage", "label", f"{voltage:g} V", "voltage"))


def candidate_lines(voltages: Sequence[float], frequencies: Sequence[float]) -> list[Line]:
    """Mains lines as traced inputs, every voltage at every frequency."""
    return [mains_line(V, f) for V, f in product(voltages, frequencies)]


def mains_line(V_ac: float, f_line: float) -> Line:
    return Line(
        V_ac=Traced(V_ac, Input("mains voltage", "asked for", f"{V_ac:g} V", "voltage")),
        f_line=Traced(f_line, Input("mains frequency", "asked for", f"{f_line:g} Hz", "frequency")),
    )


def dc_line(V_fixed: float) -> Line:
    origin = Input("bench supply", "asked for", f"{V_fixed:g} V", "voltage")
    return Line(V_fixed=Traced(V_fixed, origin))


def _plain(line: Line) -> Line:
    return Line(*(None if x is None else float(x) for x in (line.V_ac, line.f_line, line.V_fixed)))


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
        lines: from `mains_line` or `dc_line`.
        demands: what claims ask for; all at ``voltage``.
        voltage: printed output voltage [V].
        samples: Monte Carlo samples.

    Raises:
        NumericalError: where a result is not finite.
    """
    with recording() as recorder:
        supply = circuit.supply(nominal_numbers(circuit))
        V_o = rail_voltage(circuit, supply, voltage)
        nominal = [ladder(circuit, supply, line, V_o=V_o) for line in lines]
        V_socket = socket_voltage(circuit, V_o, voltage)
        needed = [_needed(V_socket, demand) for demand in demands]
    starts = [starting_points(supply, line, rows) for line, rows in zip(lines, nominal, strict=True)]
    sampled = _sample(circuit, lines, demands, voltage, nominal, starts, samples, seed)
    columns = tuple(
        _column(circuit, supply, line, V_o, rows, needed, demands, tallies, start, voltage)
        for line, rows, tallies, start in zip(lines, nominal, sampled, starts, strict=True)
    )
    lacking = {
        rung.name: keys
        for rung in RUNGS
        for keys in [rung.lacking(circuit, lines[0])]
        if rung in rungs(circuit, lines[0]) and keys
    }
    return Assessment(
        voltage,
        columns,
        lacking,
        samples,
        sum(tallies.unsettled for tallies in sampled),
        recorder,
    )


def _needed(V_socket: Real, demand: Demand) -> Real:
    """Power at the sockets a demand amounts to [W]."""
    if demand.power is not None:
        return Traced(demand.power, Input("claim", "label", f"{demand.power:g} W", "power"))
    amps = Traced(demand.current or 0.0, Input("claim", "label", f"{demand.current:g} A", "current"))
    return rectifier.output_power(V_o=V_socket, I_o=amps)


@dataclass
class _Sampled:
    tallies: dict[str, Tally]
    lowest: Tally
    reach: list[int]
    both: list[int]
    samples: int = 0
    unsettled: int = 0


def _sample(
    circuit: Circuit,
    lines: Sequence[Line],
    demands: Sequence[Demand],
    voltage: float,
    nominal: Sequence[Mapping[str, Ceiling]],
    starts: Sequence[Mapping[str, Start]],
    samples: int,
    seed: int,
) -> list[_Sampled]:
    gathered = [
        _Sampled(
            {name: Tally(_scale(ceiling.power)) for name, ceiling in rows.items()},
            Tally(_scale(_lowest(rows))),
            [0] * len(demands),
            [0] * len(demands),
        )
        for rows in nominal
    ]
    plain = [_plain(line) for line in lines]
    done = 0
    for numbers in tolerance.blocks(circuit.values, samples, seed=seed):
        size = min(tolerance.BLOCK, samples - done)
        done += size
        supply = circuit.supply(numbers)
        V_o = rail_voltage(circuit, supply, voltage)
        V_socket = socket_voltage(circuit, V_o, voltage)
        needs = [_needed(V_socket, demand) for demand in demands]
        for line, start, tallied in zip(plain, starts, gathered, strict=True):
            rows = ladder(circuit, supply, line, V_o=V_o, starts=start)
            _count(tallied, rows, needs, size)
    return gathered


def _count(tallied: _Sampled, rows: Mapping[str, Ceiling], needs: Sequence[Real], size: int) -> None:
    tallied.samples += size
    for name, ceiling in rows.items():
        tallied.tallies[name].add(ceiling.power, size)
        if ceiling.loaded is not None:
            gap = np.broadcast_to(ceiling.loaded.gap, (size,))
            tallied.unsettled += int(np.count_nonzero(gap >= bulk.SETTLED))
    reached, both = _lowest(rows, Question.REACH), _lowest(rows)
    tallied.lowest.add(both, size)
    for index, need in enumerate(needs):
        for counts, lowest in ((tallied.reach, reached), (tallied.both, both)):
            counts[index] += int(np.count_nonzero(np.broadcast_to(lowest >= need, (size,))))


_QUESTION = {rung.name: rung.question for rung in RUNGS}


def _lowest(rows: Mapping[str, Ceiling], question: Question | None = None) -> Real:
    """The lowest ceiling, element by element: of all rungs, or of those that answer one question."""
    lowest: Real = np.inf
    for name, ceiling in rows.items():
        if question is None or _QUESTION[name] is question:
            lowest = np.minimum(lowest, ceiling.power)
    return lowest


def _scale(power: Real) -> float:
    return float(power) if np.isfinite(power) and power > 0 else 1.0


BULK_STEP = 0.01
"""Relative change of the bulk capacitance that shows how much a ceiling leans on it."""


def _column(
    circuit: Circuit,
    supply: Supply,
    line: Line,
    V_o: Real,
    rows: Mapping[str, Ceiling],
    needed: Sequence[Real],
    demands: Sequence[Demand],
    sampled: _Sampled,
    starts: Mapping[str, Start],
    voltage: float,
) -> Column:
    plain = _plain(line)
    names = list(rows)

    def measure(numbers: Mapping[str, Array | float]) -> list[Real]:
        varied = circuit.supply(numbers)
        rail = rail_voltage(circuit, varied, voltage)
        ceilings = ladder(circuit, varied, plain, V_o=rail, starts=starts)
        lowest = _lowest(ceilings)
        V_socket = socket_voltage(circuit, rail, voltage)
        over = [lowest / _needed(V_socket, demand) for demand in demands]
        return [*(ceilings[name].power for name in names), lowest, *over]

    ends = tolerance.corners(circuit.values, measure)
    guesses = {
        key: value
        if value.origin is Origin.GUESS
        else replace(value, low=value.nominal, high=value.nominal)
        for key, value in circuit.values.items()
    }
    guessed = any(value.spread for value in guesses.values())
    guess_ends = tolerance.corners(guesses, measure) if guessed else None
    shares = _bulk_shares(circuit, supply, plain, V_o, rows, starts)
    rung_of = {rung.name: rung for rung in RUNGS}
    steps = [
        Step(
            rung_of[name],
            rung_of[name].parts(circuit),
            rows[name],
            _widened(
                _band(rows[name].power, sampled.tallies[name], ends[index]),
                subharmonics := _power_share(circuit, supply, name, rows[name]),
            ),
            shares[name],
            subharmonics,
        )
        for index, name in enumerate(names)
    ]
    steps.sort(key=lambda step: float(step.ceiling.power))
    lowest = _band(steps[0].ceiling.power, sampled.lowest, ends[len(names)])
    outcomes = tuple(
        Outcome(
            demand,
            needed[index],
            Share(sampled.reach[index], sampled.samples),
            Share(sampled.both[index], sampled.samples),
            ends[len(names) + 1 + index][1],
            guess_ends[len(names) + 1 + index] if guess_ends else None,
        )
        for index, demand in enumerate(demands)
    )
    V_socket = socket_voltage(circuit, V_o, voltage)
    widened = _widened(lowest, steps[0].subharmonics)
    return Column(line, V_o, V_socket, tuple(steps), widened, outcomes)


def _band(nominal: Real, tally: Tally, ends: tuple[float, float]) -> Band:
    """Corners are never inside the sampled extremes."""
    low, high = tally.band()
    sampled_low = tally.least if np.isfinite(tally.least) else float("inf")
    sampled_high = float("inf") if tally.absent else tally.most
    return Band(nominal, low, high, min(ends[0], sampled_low), max(ends[1], sampled_high))


def _power_share(circuit: Circuit, supply: Supply, rung: str, ceiling: Ceiling) -> float:
    """How far alternating pulses may lower a ceiling (1 where the pulse repeats).

    Only the rungs whose pulses the controller's comparator ends can alternate.
    """
    if ceiling.loaded is None or rung not in ("current limit", "overload timer"):
        return 1.0
    if circuit.free_running or circuit.constant_current:
        return 1.0
    return power_share(supply, ceiling.loaded.load)


def _widened(band: Band, share: float) -> Band:
    return replace(band, low=band.low * share, corner_low=band.corner_low * share)


def _bulk_shares(
    circuit: Circuit,
    supply: Supply,
    line: Line,
    V_o: Real,
    rows: Mapping[str, Ceiling],
    starts: Mapping[str, Start],
) -> dict[str, float]:
    """Relative gain of each ceiling over that of the bulk capacitance, for a slightly larger bulk."""
    if line.V_ac is None or supply.C_bulk is None:
        return dict.fromkeys(rows, 0.0)
    plain = {key: value.nominal for key, value in circuit.values.items()}
    larger = replace(circuit.supply(plain), C_bulk=float(supply.C_bulk) * (1 + BULK_STEP))
    raised = ladder(circuit, larger, line, V_o=float(V_o), starts=starts)
    return {name: _gain(float(raised[name].power), float(ceiling.power)) for name, ceiling in rows.items()}


def _gain(raised: float, power: float) -> float:
    if not np.isfinite(power) or not np.isfinite(raised) or power == 0:
        return 0.0
    return (raised / power - 1) / BULK_STEP
