"""Load tests as evidence: corrected to the sockets, with error bars, doubtful ones named, beside the parts.

A reading is never dropped or mended here. What cannot be right, or cannot be used, is said in words, with
the error of a meter or of a note that would explain it best.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case
from flyback.analysis.held import needs
from flyback.analysis.limits import lacking, stop_voltage
from flyback.board.model import Board, LoadTest, Value
from flyback.errors import Problem, RequestError
from flyback.reference import rows
from flyback.studies.bands import SAMPLES, Wanted, current_bands
from flyback.studies.corrections import COVERAGE, Bench, Corrected, correct
from flyback.studies.doubts import NoLoad, doubts, no_load_readings
from flyback.studies.observed import Observed
from flyback.units import format_quantity

IN_REGULATION = 0.03
"""A reading this little below the voltage without load counts as regulated (our choice): so much may be
lost between the rail's sense point and a socket."""

SAME_MAINS = 0.1
"""Mains within this share of the one the supply was tried on have its frequency (our choice)."""


class Place(StrEnum):
    """Where a reading lies beside the band of currents that the traced parts allow at its voltage."""

    INSIDE = "inside"
    REGULATED = "in regulation: nothing more was asked for"
    BELOW = "below, though the voltage has given way"
    ABOVE = "above"
    NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True)
class Detail:
    """What one load test says.

    Attributes:
        corrected: with k = 1 uncertainties; the error bars below are k = 2.
        eta: efficiency from the wall to the sockets, or None; ``notices`` say why.
        band: current the traced parts allow at V_o and this line, middle 95 % of samples [A], or None.
        taken: what was not written down and how it was taken, in words.
        notices: what is doubtful, in sentences.
    """

    test: LoadTest
    observed: Observed
    corrected: Corrected
    band: tuple[float, float] | None = None
    place: Place = Place.NOT_COMPARED
    taken: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()

    @property
    def P_o(self) -> float:
        """Power at the sockets [W]; U_P_o is its error bar."""
        return self.corrected.P_o

    @property
    def U_P_o(self) -> float:
        return COVERAGE * self.corrected.u_P

    @property
    def eta(self) -> float | None:
        return self.corrected.eta

    @property
    def U_eta(self) -> float:
        return COVERAGE * self.corrected.u_eta

    @property
    def assumed(self) -> tuple[Value, ...]:
        """Values of the handbook that stand for what is not said of the meters."""
        return self.corrected.assumed


@dataclass(frozen=True, slots=True)
class Readings:
    """All load tests of a board.

    Attributes:
        details: in the order of the file, then of the logs.
        at_rail: False where the sockets are not the rail, so that the readings say nothing about it.
        general: notices that are not of one load test.
    """

    details: tuple[Detail, ...]
    at_rail: bool
    general: tuple[str, ...]

    @property
    def points(self) -> tuple[Observed, ...]:
        """The readings as studies of the rail use them."""
        return tuple(detail.observed for detail in self.details) if self.at_rail else ()

    @property
    def assumed(self) -> tuple[Value, ...]:
        """Values of the handbook that any of them rests on."""
        return tuple({value.key: value for detail in self.details for value in detail.assumed}.values())

    @property
    def taken(self) -> tuple[str, ...]:
        """What was not written down and how it was taken, each with the tests it concerns."""
        return _gathered((detail.observed.where, detail.taken) for detail in self.details)

    @property
    def notices(self) -> tuple[str, ...]:
        """Everything doubtful, each with the tests it concerns."""
        own = _gathered((detail.observed.where, detail.notices) for detail in self.details)
        return (*self.general, *own)


def observe(
    board: Board,
    circuit: Circuit | None,
    extra_tests: Sequence[LoadTest] = (),
    *,
    samples: int = SAMPLES,
    seed: int = tolerance.SEED,
) -> Readings:
    """Correct every load test, name doubtful ones and compare each with what the traced parts allow.

    Args:
        circuit: the traced board; None where it is not a flyback: then nothing is compared.
        extra_tests: load tests of a meter log.
        samples: Monte Carlo samples of a band.
    """
    bench = Bench.of(board.meters)
    named = [*_named(board.load_tests), *_named(extra_tests)]
    empty = [where for where, test in named if not test.readings]
    details = [_detail(board, bench, where, test) for where, test in named if test.readings]
    no_load = no_load_readings(board, [(detail.test, detail.corrected) for detail in details], bench)
    details = [
        replace(detail, notices=tuple(doubts(board, detail.test, detail.corrected, bench, no_load)))
        for detail in details
    ]
    general = []
    if empty:
        general.append(
            f"{_listed(empty)}: nothing was read at a port, so it says nothing about the output."
        )
    at_rail = circuit is None or not circuit.second_converter
    if circuit is not None and not at_rail:
        general.append(
            "The sockets stand behind a second converter, so the readings are not those of the rail: "
            "none is compared with the traced parts."
        )
    elif circuit is not None and details:
        details, lack = _compared(circuit, details, no_load, samples=samples, seed=seed)
        general += lack
    return Readings(tuple(details), at_rail, tuple(general))


def rank_efficiencies(details: Sequence[Detail]) -> tuple[Detail, ...]:
    """Details by their efficiency, best first.

    Raises:
        RequestError: an efficiency is missing, or error bars overlap: then there is no order to tell.
    """
    problems = [
        Problem(
            f"{detail.observed.where} has no efficiency.",
            hint="It needs volts and amps at the sockets and watts at the wall.",
        )
        for detail in details
        if detail.eta is None
    ]
    known = [(detail.eta, detail) for detail in details if detail.eta is not None]
    ranked = sorted(known, key=lambda pair: -pair[0])
    # bars that are clear of their neighbours' are clear of all
    for (eta_1, first), (eta_2, second) in pairwise(ranked):
        if eta_1 - first.U_eta <= eta_2 + second.U_eta:
            problems.append(
                Problem(
                    f"{first.observed.where}, {_percent(eta_1, first.U_eta)}, and {second.observed.where}, "
                    f"{_percent(eta_2, second.U_eta)}, are not ranked: their error bars overlap.",
                    hint="Better meters, or a heavier load, would tell them apart.",
                )
            )
    if problems:
        raise RequestError(tuple(problems))
    return tuple(detail for _, detail in ranked)


def _percent(eta: float, U: float) -> str:
    return f"{100 * eta:.1f} ± {100 * U:.1f} %"


# --- one load test --------------------------------------------------------------------------------


def _named(tests: Sequence[LoadTest]) -> list[tuple[str, LoadTest]]:
    """Load tests with what a report calls them."""
    return [(_name(number, test), test) for number, test in enumerate(tests, start=1)]


def _name(number: int, test: LoadTest) -> str:
    name = f"{test.source} test {number}" if test.source else f"load test {number}"
    return name if test.line is None else f"{name} (line {test.line})"


def _detail(board: Board, bench: Bench, where: str, test: LoadTest) -> Detail:
    found = correct(test, bench)
    line, taken = _line(board, test)
    if test.read_at is None:
        taken = (*taken, "the volts are taken as read at the socket, since nothing else is said")
    observed = Observed(
        line=line,
        V_o=found.V_o,
        I_o=found.I_o,
        u_V=found.u_V,
        u_I=found.u_I,
        P_wall=found.P_wall,
        u_P=found.u_wall,
        where=where,
        minutes=test.minutes,
    )
    return Detail(test, observed, found, taken=taken)


def _line(board: Board, test: LoadTest) -> tuple[Line | None, tuple[str, ...]]:
    """What fed the supply, and in words what of it was not noted with the test."""
    taken = []
    tried = board.tried_on
    V_ac = test.mains
    if V_ac is None and tried is not None:
        V_ac = tried[0]
        taken.append(f"the mains is taken as the {V_ac:g} V that the supply was tried on")
    if V_ac is None:
        return None, ()
    if test.frequency is not None:
        return Line(V_ac=V_ac, f_line=test.frequency), tuple(taken)
    if tried is not None and abs(V_ac / tried[0] - 1) <= SAME_MAINS:
        f_line, why = tried[1], "that the supply was tried on"
    elif len(board.label.frequencies) == 1:
        f_line, why = board.label.frequencies[0], "that the label prints"
    else:
        f_line, why = _customary_frequency(V_ac), f"that is customary at {V_ac:g} V"
    taken.append(f"the mains frequency is taken as the {f_line:g} Hz {why}")
    return Line(V_ac=V_ac, f_line=f_line), tuple(taken)


def _customary_frequency(V_ac: float) -> float:
    row = min(rows("mains_voltages"), key=lambda row: abs(row["voltage_V"] - V_ac))
    return float(row["frequencies_Hz"][0])


# --- beside the traced parts ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rail:
    """What the traced board says about its output voltage.

    Attributes:
        V_set: the highest set voltage [V].
        V_set_of: set voltage for each printed one [V].
        V_stop: output voltage below which the controller stops [V]; 0 where that is not known.
    """

    V_set: float
    V_set_of: Mapping[float, float]
    V_stop: float

    @classmethod
    def of(cls, circuit: Circuit, details: Sequence[Detail]) -> _Rail:
        supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
        printed = {row.voltage for row in circuit.board.label.outputs}
        if not printed and supply.V_rail is not None:
            printed = {float(supply.V_rail)}
        if not printed:
            printed = {max(detail.observed.V_o for detail in details)}
        V_set_of = {V: float(Case(circuit, V, ()).rail(supply)) for V in printed}
        known = not lacking(circuit, ("V_stop", "N_aux"))
        return cls(
            V_set=max(V_set_of.values()),
            V_set_of=V_set_of,
            V_stop=float(stop_voltage(supply)) if known else 0.0,
        )

    def regulated(self, V_o: float, no_load: Sequence[NoLoad]) -> bool:
        """Whether a voltage is still the one that is held: as read without load, else as set."""
        V_set = min(self.V_set_of.values(), key=lambda V: abs(V - V_o))
        V_held = next((one.V_o for one in no_load if one.near(V_set)), V_set)
        return V_o >= (1 - IN_REGULATION) * V_held


def _compared(
    circuit: Circuit,
    details: Sequence[Detail],
    no_load: Sequence[NoLoad],
    *,
    samples: int,
    seed: int,
) -> tuple[list[Detail], list[str]]:
    """Details with their bands, and why there are none."""
    lines = [detail.observed.line for detail in details if detail.observed.line is not None]
    lack = needs(circuit, lines[0]) if lines else ()
    if lack:
        return list(details), [f"Not compared with the traced parts: needs {', '.join(lack)}."]
    rail = _Rail.of(circuit, details)
    wanted = [one for detail in details for one in _wanted(detail, rail)]
    low, high = current_bands(circuit, wanted, V_set=rail.V_set, samples=samples, seed=seed)
    ends = iter(zip(low.tolist(), high.tolist(), strict=True))
    placed = []
    for detail in details:
        bands = [next(ends) for _ in _wanted(detail, rail)]
        placed.append(_placed(detail, bands or None, rail, no_load, circuit))
    return placed, []


def _wanted(detail: Detail, rail: _Rail) -> list[Wanted]:
    """The reading's voltage and both ends of its error bar."""
    seen = detail.observed
    if seen.line is None or seen.V_o < rail.V_stop:
        return []
    V_ac, f_line = float(seen.line.V_ac or 0), float(seen.line.f_line or 0)
    U_V = COVERAGE * seen.u_V
    return [Wanted(max(V_o, 0.0), V_ac, f_line) for V_o in (seen.V_o, seen.V_o - U_V, seen.V_o + U_V)]


def _placed(
    detail: Detail,
    bands: Sequence[tuple[float, float]] | None,
    rail: _Rail,
    no_load: Sequence[NoLoad],
    circuit: Circuit,
) -> Detail:
    """A reading beside its band; its error bar must reach outside the band altogether to be outside."""
    seen = detail.observed
    if bands is None:
        if seen.line is None:
            why = "no mains voltage is noted, so it is not compared with the traced parts."
        else:
            stop = format_quantity(rail.V_stop, "voltage")
            why = (
                f"below {stop} the controller loses its supply, stops and starts again: the mean current "
                "is then not predicted."
            )
        return replace(detail, notices=(*detail.notices, why))
    band = bands[0]
    low, high = min(low for low, _ in bands), max(high for _, high in bands)
    if not low <= high:
        why = "the traced parts give no finite current there, so it is not compared."
        return replace(detail, notices=(*detail.notices, why))
    U_I = COVERAGE * seen.u_I
    # the rail is no lower than the highest of its sockets
    highest = max(detail.corrected.V_sockets)
    place = Place.INSIDE
    if seen.I_o - U_I > high:
        place = Place.ABOVE
    elif rail.regulated(highest + COVERAGE * seen.u_V, no_load):
        place = Place.REGULATED
    elif seen.I_o + U_I < low:
        place = Place.BELOW
    return replace(detail, band=band, place=place, notices=(*detail.notices, *_about_place(place, circuit)))


def _about_place(place: Place, circuit: Circuit) -> Iterable[str]:
    limit = circuit.parts.get("R_s") or circuit.parts.get("I_limit") or "the current limit"
    if place is Place.ABOVE:
        yield (
            f"more current than the traced parts allow there (95 %): re-read {limit} and the turns, or "
            "doubt the current meter."
        )
    elif place is Place.BELOW:
        yield (
            "less current than the traced parts allow there (95 %), though the voltage has given way: "
            "either the load took no more and the volts were lost on the way to where they were read, or "
            f"{limit} or another part holds the current lower than traced."
        )


# --- words ----------------------------------------------------------------------------------------


def _gathered(said: Iterable[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
    """Each sentence once, behind the names of those it is said of."""
    names: dict[str, list[str]] = {}
    for where, sentences in said:
        for sentence in sentences:
            names.setdefault(sentence, []).append(where)
    return tuple(f"{_listed(places)}: {sentence}" for sentence, places in names.items())


def _listed(names: Sequence[str]) -> str:
    shown = list(names[:3])
    if len(names) > 3:
        shown.append(f"{len(names) - 3} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
