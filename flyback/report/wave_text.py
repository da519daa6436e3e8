"""What the terminal shows of a simulation: key values, where the power goes, what it rests on."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from flyback.analysis.waveforms.load_text import load_words
from flyback.report import pieces
from flyback.report.safety import CAUTIONS
from flyback.units import format_quantity, format_range

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table

    from flyback.analysis.waveforms.run import Run
    from flyback.analysis.waveforms.scene import Scene

FIDELITIES = {
    "full": "full: leakage, drain capacitance and ESR followed",
    "cycle": "cycle: pulse by pulse, no ringing",
}
"""The two fidelities, as they are named wherever a result of them is shown."""

NAME = 30
"""Columns for the names of figures, so that those of all tables stand below each other."""

SEEN = 5e-4
"""Share of the energy below which a change of what is stored would not show in the digits printed."""

LEAST = 1e-6
"""Share of the energy below which a loss is nothing but rounding."""

NOTHING = 1e-8
"""Volts, amps, watts and seconds below which there is nothing but rounding."""

ROUNDING = 1e-6
"""Largest share of the energy that may be lost without a warning: far more than rounding leaves."""


def conditions(scene: Scene) -> str:
    """Load and feed in one line, such as "load 2.00 A on 230 V 50 Hz"."""
    return f"{load_words(scene.load)} on {scene.line.full_name}"


def show_waveforms(scene: Scene, out: Console) -> None:
    """Print the key values of a simulation."""
    pieces.show_blocks(_blocks(scene), out)


def _blocks(scene: Scene) -> Iterable[RenderableType]:
    from rich.console import Group
    from rich.text import Text

    run = scene.run
    yield Group(
        pieces.title(scene.board_name, conditions(scene)),
        Text(FIDELITIES[scene.fidelity]),
        Text(_measured(run)),
    )
    notices = list(dict.fromkeys((*run.notices, *scene.notices)))
    if not run.finished:
        words = f"The run had to end at {_number(run.state.t, 'time')}, before all that was asked for."
        yield pieces.entry("Partial result", " ".join([words, *run.notices[-1:]]))
    if not scene.settled:
        yield pieces.entry("Not settled", "The figures hold for this stretch of time, not for good.")
    yield Group(*_currents(run))
    yield _voltages(run)
    yield Group(*_power(scene))
    if notices:
        yield pieces.listed("Noticed", notices)
    if scene.assumed:
        yield pieces.listed(f"Assumed ({len(scene.assumed)})", scene.assumed)
    yield pieces.entry("Cautions", " ".join(CAUTIONS))


def _measured(run: Run) -> str:
    f = run.figures
    pulses = "1 pulse" if f.pulses == 1 else f"{pieces.count(f.pulses)} pulses"
    return f"Simulated: {pulses} in {_number(f.end - f.start, 'time')}, {_number(f.f_s, 'frequency')}"


def _currents(run: Run) -> Iterable[RenderableType]:
    f, traces = run.figures, run.traces
    primary, secondary = (math.nan, math.nan) if traces is None else (max(traces.i_pri), max(traces.i_sec))
    made = pieces.table((NAME, "left", True), *[(8, "right", True)] * 2, (0, "left", False))
    made.add_row(*pieces.heads("Currents", "peak", "rms"), "")
    if math.isfinite(f.I_line) and f.I_line > 0.0:
        _row(made, "mains", "current", f.I_line, f.I_line_rms)
    _row(made, "primary", "current", float(primary), f.I_p_rms)
    _row(made, "magnetising", "current", f.I_pk_max, None, _peaks(run))
    _row(made, "secondary", "current", float(secondary), f.I_s_rms)
    _row(made, "output capacitors", "current", None, f.I_c_rms)
    yield made
    if traces is not None and (shown := float(traces.t[-1] - traces.t[0])) < 0.5 * (f.end - f.start):
        yield pieces.note(
            f"Primary and secondary peak: within the waveforms, {_number(shown, 'time')} long."
        )


def _peaks(run: Run) -> str:
    """How far the peaks of the pulses lie apart, where the printed digits tell them apart."""
    low, high = run.figures.I_pk_min, run.figures.I_pk_max
    if not low < high or _number(low, "current") == _number(high, "current"):
        return ""
    return f"peaks {format_range(low, high, 'current')}"


def _voltages(run: Run) -> RenderableType:
    f = run.figures
    made = pieces.table((NAME, "left", True), *[(8, "right", True)] * 3)
    made.add_row(*pieces.heads("Voltages", "lowest", "mean", "highest"))
    _row(made, "bulk", "voltage", f.V_valley, f.V_mean, f.V_crest)
    _row(made, "drain", "voltage", None, None, f.V_ds)
    _row(made, "output", "voltage", None, f.V_o, None)
    _row(made, "output, highest less lowest", "voltage", None, None, f.V_swing)
    _row(made, "output ripple of a cycle", "voltage", None, None, f.V_ripple)
    return made


def _power(scene: Scene) -> Iterable[RenderableType]:
    """Every part's share of the power put in, in the order that power flows."""
    f, energy = scene.run.figures, scene.run.energy
    seconds = f.end - f.start
    # within a part of a mains period, what the mains gives says nothing about the supply
    from_bulk = scene.line.f_line is not None and seconds < 0.5 / float(scene.line.f_line)
    energy = energy.from_bulk if from_bulk else energy
    given = energy.source
    feed = "bulk" if from_bulk else "bench supply" if scene.line.V_ac is None else "mains"
    made = pieces.table((NAME, "left", True), (8, "right", True), (0, "right", True))
    made.add_row(*pieces.heads("Power", "", "of it"))

    def add(name: str, joules: float) -> None:
        share = joules / given if given > 0.0 else math.nan
        watts = joules / seconds if seconds > 0.0 else math.nan
        made.add_row(f"  {name}", _number(watts, "power"), _number(share, "ratio"))

    made.add_row(f"  from the {feed}", _number(given / seconds if seconds > 0.0 else math.nan, "power"))
    losing = {part: joules for part, joules in energy.losses.items() if not abs(joules) <= LEAST * given}
    for part, joules in losing.items():
        add(f"lost: {part}", joules)
    if abs(energy.stored) > SEEN * given:
        add("stored, more than at the start", energy.stored)
    add("to load, LED and bleeder" if scene.load.own else "to the load", energy.load)
    yield made
    reached = _number(f.eta, "ratio") if f.P_in > 0.0 else "-"
    yield pieces.note(
        f"The bulk gives {_number(f.P_in, 'power')}; {reached} of it reach the load, "
        f"{_number(f.V_o, 'voltage')} {_number(f.I_o, 'current')}. "
        f"{_found_again(scene.run.energy.residual)}"
    )
    if without := [part for part in energy.losses if part not in losing]:
        yield pieces.note(f"Nothing lost, or nothing known of it: {', '.join(without)}.")


def _found_again(residual: float) -> str:
    if not abs(residual) <= ROUNDING:
        return f"Warning: {abs(residual):.1e} of the energy is found nowhere; doubt every figure here."
    return f"All energy is found again, to {10.0 ** math.ceil(math.log10(max(abs(residual), 1e-16))):.0e}."


def _row(table: Table, name: str, dimension: str, *values: float | str | None) -> None:
    """A row of figures; None leaves its place empty, a text stands as it is."""
    cells = [
        value if isinstance(value, str) else "" if value is None else _number(value, dimension)
        for value in values
    ]
    table.add_row(f"  {name}", *cells)


def _number(value: float, dimension: str) -> str:
    if not math.isfinite(value):
        return "-"
    return format_quantity(0.0 if abs(value) < NOTHING else value, dimension)
