"""A board in time, and what its output can give."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from flyback.cli.options import (
    BOARD,
    DC,
    FREQUENCY,
    OUTPUT,
    LoadType,
    QuantityType,
    wrote,
)

if TYPE_CHECKING:
    from flyback.analysis.envelope import Envelope
    from flyback.analysis.waveforms.load_text import Asked
    from flyback.analysis.waveforms.scene import Scene

SIMULATION_CODES = """\b
Exit codes:
  0    it ran to its end
  1    it had to end early: a partial result, with the reason
  2    the input cannot be used
  130  stopped with Ctrl-C
"""


@click.command(epilog=SIMULATION_CODES)
@BOARD
@click.option(
    "--load",
    type=LoadType(),
    metavar="LOAD",
    help="Such as 2A, 10W or 2.5ohm; 1A..2A changes slowly, 1A,2A jumps in the middle. "
    "Without it: all that the label claims.",
)
@click.option("--mains", type=QuantityType("voltage"), metavar="VOLTS", help="Mains voltage, such as 230V.")
@FREQUENCY
@DC
@click.option(
    "--span",
    type=QuantityType("time"),
    metavar="TIME",
    help="How long, such as 20ms. Without it: two switching cycles.",
)
@click.option(
    "--fidelity",
    type=click.Choice(["cycle", "full"]),
    help="cycle: pulse by pulse, no ringing, fast. full: leakage, drain capacitance and ESR followed.",
)
@click.option("--start", is_flag=True, help="From zero, switched on at a crest of the mains.")
@OUTPUT
def waveforms(
    board: str,
    load: Asked | None,
    mains: float | None,
    frequency: float | None,
    dc: float | None,
    span: float | None,
    fidelity: str | None,
    start: bool,
    output: Path | None,
) -> None:
    """Simulate a board in time: currents, voltages and losses."""
    from flyback.analysis.waveforms.scene import scene
    from flyback.board.file import load as load_board
    from flyback.report.pieces import console
    from flyback.report.progress import bar
    from flyback.report.wave_text import show_waveforms

    traced = load_board(board)
    with bar("simulating") as tell:
        found = scene(
            traced,
            load=load,
            mains=mains,
            frequency=frequency,
            dc=dc,
            span=span,
            fidelity=fidelity,
            start=start,
            progress=tell,
        )
    written = None if output is None else _save(found, output)
    show_waveforms(found, console())
    if written is not None:
        click.echo(wrote(written, output))
    sys.exit(0 if found.run.finished else 1)


def _save(found: Envelope | Scene, output: Path) -> Path:
    """Rows where the name ends in .csv, else a drawing."""
    from flyback.analysis.envelope import Envelope

    if output.suffix.lower() == ".csv":
        from flyback.files import write_new
        from flyback.report.columns import envelope_csv, traces_csv

        rows = envelope_csv(found) if isinstance(found, Envelope) else traces_csv(found)
        return write_new(output, rows)
    from flyback.report import figures

    drawn = figures.envelope(found) if isinstance(found, Envelope) else figures.waveforms(found)
    return figures.save(drawn, output)


@click.command()
@BOARD
@click.option(
    "--mains",
    type=QuantityType("voltage"),
    multiple=True,
    metavar="VOLTS",
    help="At this mains voltage, such as 230V; may be repeated. "
    "Without it: the ends of the label's range, widened by 10 %, and its usual mains.",
)
@FREQUENCY
@DC
@click.option("--samples", type=int, default=4096, show_default=True, help="Samples of the tolerances.")
@click.option("--no-simulation", is_flag=True, help="Leave out the simulated points; faster.")
@OUTPUT
def envelope(
    board: str,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    samples: int,
    no_simulation: bool,
    output: Path | None,
) -> None:
    """Volts and amps the output can give.

    From no load to a short circuit, with what binds and simulated points beside it.
    """
    from flyback.board.file import load as load_board
    from flyback.report.envelope_text import show_envelope
    from flyback.report.pieces import console
    from flyback.report.progress import bar
    from flyback.verdict.output import volts_and_amps

    traced = load_board(board)
    with bar("computing") as tell:
        found = volts_and_amps(
            traced,
            mains=mains or None,
            frequency=frequency,
            dc=dc,
            samples=samples,
            simulate=not no_simulation,
            progress=tell,
        )
    written = None if output is None else _save(found, output)
    show_envelope(found, console())
    if written is not None:
        click.echo(wrote(written, output))
