"""What if: changes to a board, one value through a range, what a claim would take."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from flyback.cli.options import (
    BOARD,
    DC,
    EXIT_CODES,
    FREQUENCY,
    JSON,
    MAINS,
    OUTPUT,
    SAMPLES,
    NewFile,
    QuantityType,
    wrote,
)

if TYPE_CHECKING:
    from flyback.studies.sweep import Sweep

REMEDY_CODES = """\b
Exit codes:
  0  the claim is met, or would be with the changes shown, on paper
  1  a limit remains that no part lifts, or a value it needs is unknown
  2  the input cannot be used
"""


@click.command(epilog=EXIT_CODES)
@BOARD
@click.argument("changes", nargs=-1, metavar="CHANGE...")
@MAINS
@FREQUENCY
@DC
@click.option(
    "--load",
    type=QuantityType("current"),
    metavar="AMPS",
    help="Compare the operating points at this output current.",
)
@SAMPLES
@JSON
@click.option(
    "-o",
    "output",
    type=NewFile((".toml",)),
    metavar="FILE",
    help="Also write the changed board, comments and layout kept; never over a file.",
)
def alter(
    board: str,
    changes: tuple[str, ...],
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    load: float | None,
    samples: int,
    as_json: bool,
    output: Path | None,
) -> None:
    """What if: a board before and after changes, side by side.

    \b
    R6=1R0               another component, or one on an empty footprint
    T1.primary_turns=90  another value of a key of the board file
    R7=open              a part that fails open; also "R7=not fitted"
    "R8<->R9"            two components exchanged (the shell needs the quotes)

    It is there to learn from. The exit code is that of the changed board.
    """
    from flyback.board.edit import read_changes, write_altered
    from flyback.board.file import load as load_board
    from flyback.studies.alter import alter as compare

    traced = load_board(board)
    read = read_changes(traced, changes)
    found = compare(
        traced, read, mains=mains or None, frequency=frequency, dc=dc, load=load, samples=samples
    )
    written = None if output is None else write_altered(board, read, output)
    if as_json:
        from flyback.report.alter_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.alter_text import show_altered
        from flyback.report.pieces import console

        show_altered(found, console())
    if written is not None:
        click.echo(wrote(written, output), err=as_json)
    sys.exit(found.exit_code)


@click.command()
@BOARD
@click.argument("what", metavar="WHAT")
@click.option("--against", metavar="WHAT", help="Sweep a second thing too, such as mains=90V..264V: a map.")
@click.option(
    "--steps", type=int, metavar="N", help="Steps of each; without it: 61 of one thing, 41 of two."
)
@click.option(
    "--series",
    metavar="NAME",
    help="Resistors and capacitors go through preferred values instead, such as E12 (IEC 60063).",
)
@click.option(
    "--mains",
    type=QuantityType("voltage"),
    metavar="VOLTS",
    help="At this mains voltage. Without it: where the label's range leaves least.",
)
@FREQUENCY
@DC
@click.option(
    "--at",
    type=QuantityType("voltage"),
    metavar="VOLTS",
    help="Output voltage, where the label prints several. Without it: that of the first claim.",
)
@click.option(
    "--samples",
    type=int,
    help="Samples of the tolerances at each point; without it: 4096, of two things 256.",
)
@OUTPUT
@JSON
def sweep(
    board: str,
    what: str,
    against: str | None,
    steps: int | None,
    series: str | None,
    mains: float | None,
    frequency: float | None,
    dc: float | None,
    at: float | None,
    samples: int | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Every ceiling against one value, or two.

    With which limit binds where.

    \b
    R6=0.5ohm..2ohm           a component, from one value to another
    T1.primary_turns=80..120  a key of the board file
    mains=90V..264V           the mains
    """
    from flyback.board.file import load as load_board
    from flyback.report.progress import bar
    from flyback.studies.sweep import sweep as go_through

    traced = load_board(board)
    with bar("computing") as tell:
        found = go_through(
            traced,
            [what] if against is None else [what, against],
            steps=steps,
            series=series,
            mains=mains,
            frequency=frequency,
            dc=dc,
            voltage=at,
            samples=samples,
            progress=tell,
        )
    written = None if output is None else _save_sweep(found, output)
    if as_json:
        from flyback.report.sweep_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.pieces import console
        from flyback.report.sweep_text import show_sweep

        show_sweep(found, console())
    if written is not None:
        click.echo(wrote(written, output), err=as_json)


def _save_sweep(found: Sweep, output: Path) -> Path:
    if output.suffix.lower() == ".csv":
        from flyback.files import write_new
        from flyback.report.columns import sweep_csv

        return write_new(output, sweep_csv(found))
    from flyback.report import drawing, sweep_figures

    return drawing.save(sweep_figures.sweep(found), output)


@click.command(epilog=REMEDY_CODES)
@BOARD
@click.option(
    "--claim",
    metavar="CLAIM",
    help='A claim of the label, "24 W", "2.5 A" or "12 V 2 A". Without it: the one judged worst.',
)
@MAINS
@FREQUENCY
@DC
@SAMPLES
@JSON
def remedies(
    board: str,
    claim: str | None,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    samples: int,
    as_json: bool,
) -> None:
    """What a claim would take, limit after limit.

    For teaching, not for repairs.
    """
    from flyback.board.file import load as load_board
    from flyback.studies.remedies import remedies as lift_limits
    from flyback.verdict.check import check as judge_board

    judged = judge_board(
        load_board(board), mains=mains or None, frequency=frequency, dc=dc, samples=samples
    )
    found = lift_limits(judged, claim=claim)
    if as_json:
        from flyback.report.remedies_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.pieces import console
        from flyback.report.remedies_text import show_remedies

        show_remedies(found, console())
    sys.exit(found.exit_code)
