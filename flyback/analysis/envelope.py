"""The output's volts and amps, from no load to a short circuit, at several lines.

Down to the current that the pulses can still bring at the set voltage the output is regulated. Below it
every pulse is the largest there is, and what binds gives each stretch of the curve its name. Currents are
means over the mains period, as a meter reads them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from flyback.analysis import bulk, tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand
from flyback.analysis.held import (
    BASE_DRIVE_NEEDS,
    CORE_NEEDS,
    averaged,
    hold,
    needs,
    with_fixed_clamp,
)
from flyback.analysis.inputs import plain
from flyback.analysis.limits import lacking, stop_voltage
from flyback.analysis.regions import (
    BASE_DRIVE,
    FOLD_BACK,
    REGULATED,
    SATURATION,
    SHORTEST,
    TIMER,
    regions,
    repeats,
    runs_dry,
)
from flyback.analysis.tolerance import Array, Tally
from flyback.analysis.trace import trace
from flyback.board.model import Board, Value
from flyback.equations import ports, rectifier
from flyback.errors import NotAFlybackError, NumericalError, Problem, RequestError

POINTS = 33
"""Voltages at which a curve is computed."""

ROWS = 256
"""Samples judged at a time, so that an array of them stays in the processor's cache."""

SAMPLES = 4096
LEAST_SAMPLES = 100


@dataclass(frozen=True, slots=True)
class Point:
    """A simulated point: V_o [V], I_o [A], what held it there, and the fidelity that gave it."""

    V_o: float
    I_o: float
    region: str
    fidelity: str


@dataclass(frozen=True, slots=True)
class Curve:
    """The curve at one line, from no load to a short circuit or to where it ends.

    Attributes:
        V_o, I_o: output voltage of the rail [V], never rising, and the mean current there [A].
        low, high: the middle 95 % of the samples' currents at that voltage [A].
        region: what binds on the stretch that ends at the point. A region that is entered but not
            computed has one point, the last, on top of the one before.
        simulated: points of the switching simulation.
    """

    line: Line
    V_o: Array
    I_o: Array
    low: Array
    high: Array
    region: tuple[str, ...]
    simulated: tuple[Point, ...] = ()


@dataclass(frozen=True, slots=True)
class Envelope:
    """Curves of one board.

    Attributes:
        V_set: voltage the rail is regulated to [V].
        claims: what the label promises of this rail: I_o [A], V_o [V], the claim in words.
        notes: what the curves leave out or rest on, in sentences.
    """

    board_name: str
    V_set: float
    curves: tuple[Curve, ...]
    claims: tuple[tuple[float, float, str], ...]
    notes: tuple[str, ...]
    samples: int


Simulate = Callable[[Line, Array], tuple[Point, ...]]
"""Gives simulated points of a line, for output voltages [V]."""


# a search may pass through impossible values; what comes out is checked to be finite, in words
@np.errstate(all="ignore")
def envelope(
    board: Board,
    lines: Sequence[Line],
    demands: Sequence[Demand] = (),
    *,
    samples: int = SAMPLES,
    seed: int = tolerance.SEED,
    simulated: Simulate | None = None,
    progress: Callable[[float], None] | None = None,
) -> Envelope:
    """The output's volts and amps at every line, with bands.

    Args:
        demands: the label's claims; the first one's voltage tells which rail voltage is meant.
        samples: Monte Carlo samples of a band.
        progress: is told the share of the work that is done.

    Raises:
        NotAFlybackError: the board is declared to be something else.
        RequestError: a value that the curve needs is unknown; the text says which.
        NumericalError: a result is not finite.
    """
    if board.topology != "flyback":
        kind = "not a flyback" if board.topology == "other" else f"a {board.topology}, not a flyback"
        raise NotAFlybackError(f"{board.name} is {kind}: what its output gives is not computed.")
    if samples < LEAST_SAMPLES:
        raise RequestError(
            Problem(f"{samples} samples make no band; expected at least {LEAST_SAMPLES}.", field="samples")
        )
    circuit = trace(board)
    for line in lines:
        _refuse_unknown(circuit, needs(circuit, line))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    V_set = _set_voltage(circuit, supply, demands)
    nominal = [_nominal(circuit, supply, plain(line), V_set) for line in lines]
    bands = [_Bands.empty(one) for one in nominal]
    done = 0
    for numbers, count in _rows(circuit.values, samples, seed):
        drawn = with_fixed_clamp(circuit.supply(numbers), V_set=V_set)
        for one, band in zip(nominal, bands, strict=True):
            band.add(one, drawn, count)
        done += count
        if progress is not None:
            progress(done / samples)
    points = [() if simulated is None or not one.runs else simulated(one.line, one.V_o) for one in nominal]
    curves = tuple(
        _curve(line, one, band, found)
        for line, one, band, found in zip(lines, nominal, bands, points, strict=True)
    )
    return Envelope(
        board_name=board.name,
        V_set=V_set,
        curves=curves,
        claims=tuple(_claim(circuit, supply, V_set, demand) for demand in demands),
        notes=tuple(_notes(circuit, nominal, curves, demands, sum(band.unsettled for band in bands))),
        samples=samples,
    )


def ends_and_nominal(board: Board, lines: Sequence[Line]) -> tuple[Line, ...]:
    """Of many lines, those worth a curve: both ends and the mains the board was tried on, else 230 V."""
    if len(lines) <= 3:
        return tuple(lines)
    inner = {float(line.V_ac): line for line in lines[1:-1] if line.V_ac is not None}
    wanted = [230.0] if board.tried_on is None else [board.tried_on[0], 230.0]
    nominal = next((inner[V] for V in wanted if V in inner), lines[len(lines) // 2])
    return lines[0], nominal, lines[-1]


def _refuse_unknown(circuit: Circuit, keys: Sequence[str]) -> None:
    if keys:
        raise RequestError(
            Problem(
                f"the curve needs {', '.join(keys)};",
                hint="measure it, or read it off the part or its data sheet.",
            )
        )


def _set_voltage(circuit: Circuit, supply: Supply, demands: Sequence[Demand]) -> float:
    if demands:
        return float(Case(circuit, demands[0].voltage, ()).rail(supply))
    if supply.V_rail is None:
        raise RequestError(
            Problem(
                f"the curve needs {circuit.missing['V_rail']};",
                hint="measure the rail and write [rail] voltage, or add the label's output.",
            )
        )
    return float(supply.V_rail)


def _claim(circuit: Circuit, s: Supply, V_set: float, demand: Demand) -> tuple[float, float, str]:
    """A claim as current and voltage of the rail."""
    if not circuit.second_converter and demand.current is not None:
        return demand.current, demand.voltage, demand.name
    P_socket = demand.needed(demand.voltage)
    P_o = ports.rail_power(P_socket=P_socket, eta_post=s.eta_post)
    V_o = V_set if circuit.second_converter else demand.voltage
    return float(rectifier.current_at_power(P_o=P_o, V_o=V_o)), V_o, demand.name


# --- the nominal curve ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Nominal:
    """The nominal board at one line.

    Attributes:
        V_o: held voltages, the set one first [V]; V_mean: mean bulk voltage under each [V].
        dry: True where the bulk runs dry.
        start: share of the crest at which the bulk has its valley, for the samples to start from.
        I_timer: mean current above which the overload timer runs [A]; None without one.
        V_o_stop: output voltage below which the controller stops [V]; None where unknown.
        repeats: 1 where the pulses repeat; below 1, how far alternating pulses may lower the current.
        rough: True where the bulk is too small for the closed form, see `held.Mean`.
    """

    circuit: Circuit
    line: Line
    V_o: Array
    I_o: Array
    V_mean: Array
    dry: NDArray[np.bool_]
    start: Array
    region: tuple[str, ...]
    I_timer: Array | None
    V_o_stop: float | None
    repeats: Array
    rough: NDArray[np.bool_]

    @property
    def V_set(self) -> float:
        return float(self.V_o[0])

    @property
    def runs(self) -> bool:
        """False where the controller has no supply even at the set voltage."""
        return self.V_o_stop is None or self.V_o_stop < self.V_set

    @property
    def short_lived(self) -> bool:
        """True where more can be had at the set voltage than the overload timer allows for long."""
        return self.I_timer is not None and bool(self.I_timer[0] < self.I_o[0])


def _nominal(circuit: Circuit, supply: Supply, line: Line, V_set: float) -> _Nominal:
    V_o_stop = _stop_voltage(circuit, supply)
    V_o = np.linspace(V_set, min(V_o_stop or 0.0, V_set), POINTS)
    supply = with_fixed_clamp(supply, V_set=V_set)
    held = hold(circuit, supply, line, V_o=V_o)
    mean = averaged(held)
    I_timer = None
    if _timed(circuit, line):
        I_timer = averaged(hold(circuit, supply, line, V_o=V_o, timed=True)).I_o
    if not np.all(np.isfinite(mean.I_o) & np.isfinite(mean.V_mean) & mean.settled):
        raise NumericalError(
            f"the curve at {line.full_name}: the result is not a finite number, or the bulk's valley "
            "does not settle; one of the values it rests on is out of the formulas' range."
        )
    I_o = np.broadcast_to(mean.I_o, V_o.shape)
    V_valley = np.broadcast_to(mean.V_valley, V_o.shape)
    return _Nominal(
        circuit=circuit,
        line=line,
        V_o=V_o,
        I_o=I_o,
        V_mean=np.broadcast_to(mean.V_mean, V_o.shape),
        dry=runs_dry(held, mean),
        start=V_valley / bulk.crest(supply, line),
        region=regions(held, mean, I_timer),
        I_timer=I_timer,
        V_o_stop=V_o_stop,
        repeats=repeats(held, mean),
        rough=np.broadcast_to(mean.rough, V_o.shape),
    )


def _stop_voltage(circuit: Circuit, supply: Supply) -> float | None:
    if lacking(circuit, ("V_stop", "N_aux")):
        return None
    return float(stop_voltage(supply))


def _timed(circuit: Circuit, line: Line) -> bool:
    has_timer = "V_overload" in circuit.keys and circuit.control != "self-oscillating"
    return has_timer and not needs(circuit, line, timed=True)


# --- the bands ------------------------------------------------------------------------------------


@dataclass
class _Bands:
    """Histograms of one line: a tally for each held voltage, and one for the timer's current."""

    tallies: list[Tally]
    timer: Tally
    unsettled: int = 0

    @classmethod
    def empty(cls, nominal: _Nominal) -> _Bands:
        I_timer = 0.0 if nominal.I_timer is None else float(nominal.I_timer[0])
        return cls([Tally(float(I_o) or 1.0) for I_o in nominal.I_o], Tally(I_timer or 1.0))

    def add(self, nominal: _Nominal, drawn: Supply, count: int) -> None:
        """Judge some samples, whose numbers stand in columns."""
        if not nominal.runs:
            return
        circuit, line = nominal.circuit, nominal.line
        mean = averaged(hold(circuit, drawn, line, V_o=nominal.V_o), start=nominal.start)
        I_o = np.broadcast_to(mean.I_o, (count, nominal.V_o.size))
        if nominal.V_o_stop is not None:
            # a sample whose controller has already stopped gives nothing
            I_o = np.where(np.less(nominal.V_o, stop_voltage(drawn)), 0.0, I_o)
        for tally, column in zip(self.tallies, I_o.T, strict=True):
            tally.add(column, count)
        settled = np.broadcast_to(mean.settled, I_o.shape)
        self.unsettled += int(np.count_nonzero(~settled.all(axis=1)))
        if nominal.short_lived:
            timed = hold(circuit, drawn, line, V_o=nominal.V_o[:1], timed=True)
            I_timer = averaged(timed, start=nominal.start[:1]).I_o
            self.timer.add(np.broadcast_to(I_timer, (count, 1))[:, 0], count)

    def ends(self) -> tuple[Array, Array]:
        """Limits of the bands [A]."""
        low, high = np.array([tally.band() for tally in self.tallies]).T
        return low, high


def _rows(
    values: Mapping[str, Value], samples: int, seed: int
) -> Iterator[tuple[dict[str, Array | float], int]]:
    """The draws of `tolerance.blocks` in pieces, each sample in a row of its own."""
    for size, numbers in tolerance.blocks(values, samples, seed=seed):
        edges = [*range(0, size, ROWS), size]
        for first, last in pairwise(edges):
            yield (
                {
                    key: number[first:last, np.newaxis] if isinstance(number, np.ndarray) else number
                    for key, number in numbers.items()
                },
                last - first,
            )


def _curve(line: Line, nominal: _Nominal, bands: _Bands, points: tuple[Point, ...]) -> Curve:
    """Put the regulated stretch, the computed one and its end together."""
    if not nominal.runs:
        nothing = np.zeros(1)
        return Curve(line, nominal.V_o[:1], nothing, nothing, nothing, (FOLD_BACK,))
    low, high = bands.ends()
    low = low * nominal.repeats
    rows = [(nominal.V_set, 0.0, 0.0, 0.0, REGULATED)]
    first = REGULATED
    if nominal.short_lived and nominal.I_timer is not None:
        rows.append((nominal.V_set, nominal.I_timer[0], *bands.timer.band(), REGULATED))
        first = TIMER
    rows += list(zip(nominal.V_o, nominal.I_o, low, high, (first, *nominal.region[1:]), strict=True))
    if nominal.V_o_stop:
        rows.append((*rows[-1][:4], FOLD_BACK))
    V_o, I_o, low, high = (np.array([row[k] for row in rows], dtype=float) for k in range(4))
    return Curve(line, V_o, I_o, low, high, tuple(row[4] for row in rows), points)


# --- what goes with the curves --------------------------------------------------------------------


def _notes(
    circuit: Circuit,
    nominal: Sequence[_Nominal],
    curves: Sequence[Curve],
    demands: Sequence[Demand],
    unsettled: int,
) -> Iterator[str]:
    seen = {region for curve in curves for region in curve.region}
    yield (
        "Currents are means over the mains period, as a meter reads them; a claim is judged at the bulk's "
        "valley, where less can be had. Ratings are not looked at."
    )
    yield (
        "The band is what the parts' spreads do to the current at each voltage; "
        "the set voltage is held at its nominal value."
    )
    yield from _about_fold_back(circuit, nominal)
    yield from _about_timer(circuit, nominal, seen)
    alternating = [V_o for one in nominal for V_o in one.V_o[one.repeats < 1]]
    if alternating:
        yield (
            f"Above {min(alternating):.2f} V at low mains the pulses may alternate, which can lower the "
            "current; the band is widened for it."
        )
    if SHORTEST in seen:
        yield (
            "Where the shortest pulse is named, the delay alone makes the pulses longer than the output "
            "takes: the current runs up beyond what is shown, until losses or saturation hold it."
        )
    if any(curve.V_o[-1] == 0 for curve in curves):
        yield (
            "At a short circuit only the rectifier's drop and the secondary's resistances are left; "
            "the drop is taken as given, though it grows somewhat with the current."
        )
    for name, fields in ((SATURATION, CORE_NEEDS), (BASE_DRIVE, BASE_DRIVE_NEEDS)):
        keys = lacking(circuit, fields)
        if keys and (name == SATURATION or circuit.control == "self-oscillating"):
            yield f"Not counted: {name}, which needs {', '.join(keys)}."
    if circuit.second_converter:
        yield "The curve is that of the rail, before the second converter; claims are turned into its amps."
    elif len({demand.voltage for demand in demands}) > 1:
        yield "The label prints several output voltages; the curve is that of the first claim's."
    too_small = [one.line.name for one in nominal if one.rough.any()]
    if too_small:
        yield (
            f"At {', '.join(too_small)} the bulk is so small that it follows the mains down; where the "
            "output takes most, the curve is up to a quarter too low."
        )
    if unsettled:
        yield f"The bulk's valley did not settle in {unsettled} samples."


def _about_fold_back(circuit: Circuit, nominal: Sequence[_Nominal]) -> Iterator[str]:
    stop = next((one.V_o_stop for one in nominal), None)
    if circuit.control == "self-oscillating":
        return
    if stop is None:
        keys = ", ".join(lacking(circuit, ("V_stop", "N_aux")))
        yield f"Whether the controller loses its supply as the output falls is not known: needs {keys}."
    elif stop > 0:
        yield (
            f"Below {stop:.2f} V the controller loses its supply, stops and starts again: the mean current "
            "falls to the share of time in which it pulses, which is not known, so the curve ends there."
        )


def _about_timer(circuit: Circuit, nominal: Sequence[_Nominal], seen: set[str]) -> Iterator[str]:
    if TIMER in seen:
        least = min(float(one.I_timer[0]) for one in nominal if one.I_timer is not None)
        ics = circuit.board.playing("switching IC")
        time = ics[0].known("overload_time") if ics else None
        after = "" if time is None else f" after {1e3 * time.nominal:.3g} ms"
        yield f"Above {least:.2f} A the overload timer stops the controller{after}: none of it lasts."
    elif "V_overload" in circuit.keys and circuit.control != "self-oscillating":
        keys = [key for one in nominal for key in needs(circuit, one.line, timed=True)]
        if keys:
            yield f"Not counted: {TIMER}, which needs {', '.join(dict.fromkeys(keys))}."
