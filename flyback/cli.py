"""The command line. Commands import what they need when they run, so that help stays light."""

from __future__ import annotations

import codecs
import io
import os
import sys
from typing import Any

import click

from flyback import __version__
from flyback.errors import FlybackError

_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}

EXIT_CODES = """\b
Exit codes:
  0  no claim fails
  1  a claim is impossible, very unlikely, unlikely or contradicts the label
  2  the input cannot be used
"""


@click.group(context_settings=_CONTEXT, epilog=EXIT_CODES)
@click.version_option(__version__, prog_name="flyback", message="%(prog)s %(version)s")
def main() -> None:
    """Is the label of a small mains flyback supply physically possible?

    Write down what was traced from the board (flyback new), then let it be
    judged (flyback check). An open mains adapter can kill: trace it unplugged.
    """
    # one BLAS thread: nothing here is a matrix, and starting threads costs more than it gives
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class _Quantity(click.ParamType[float]):
    """A quantity as it is written on a bench, such as 230V or 2 A."""

    def __init__(self, dimension: str) -> None:
        self.dimension = dimension
        self.name = dimension

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from flyback.units import parse

        if not isinstance(value, str):
            return float(value)
        try:
            quantity = parse(value, dimension=self.dimension)
        except FlybackError as error:
            self.fail(str(error), param, ctx)
        if not quantity.exact:
            self.fail(f'"{value}" is a range; one value is expected.', param, ctx)
        return quantity.nominal


_BOARD = click.argument("board", type=click.Path(), metavar="BOARD")


@main.command(epilog=EXIT_CODES)
@_BOARD
@click.option(
    "--mains",
    type=_Quantity("voltage"),
    multiple=True,
    metavar="VOLTS",
    help="Judge at this mains voltage, such as 230V; may be repeated. "
    "Without it: the label's range, widened by 10 %.",
)
@click.option(
    "--frequency", type=_Quantity("frequency"), metavar="HERTZ", help="Mains frequency, such as 50Hz."
)
@click.option(
    "--dc",
    type=_Quantity("voltage"),
    metavar="VOLTS",
    help="Feed the bulk from a bench supply, such as 150V.",
)
@click.option(
    "--load",
    type=_Quantity("current"),
    metavar="AMPS",
    help="Show the operating point at this output current.",
)
@click.option("--samples", type=int, default=16384, show_default=True, help="Samples of the tolerances.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def check(
    board: str,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    load: float | None,
    samples: int,
    as_json: bool,
) -> None:
    """Judge every claim of a board's label."""
    from flyback.board.file import load as load_board
    from flyback.verdict.check import check as judge_board

    result = judge_board(
        load_board(board),
        mains=mains or None,
        frequency=frequency,
        dc=dc,
        load=load,
        samples=samples,
    )
    if as_json:
        from flyback.report.data import to_json

        click.echo(to_json(result))
    else:
        from flyback.report.text import console, show

        show(result, console())
    sys.exit(result.exit_code)


@main.command()
@click.argument("file", type=click.Path(), metavar="FILE")
def new(file: str) -> None:
    """Write a commented board file to fill in.

    An existing file is never written over: the next free name is taken and said.
    """
    from flyback.board.template import write_template

    written = write_template(file)
    note = "" if str(written) == file else f" ({file} exists and is kept)"
    click.echo(f"Wrote {written}{note}. Fill it in, then: flyback check {written}")


_PLAIN = {"Ω": "ohm", "µ": "u", "°": "deg ", "±": "+-", "²": "2", "×": "x"}
"""How signs are spelt where a terminal or a file cannot take them, as a board file may spell them too."""


def _spelt(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(_PLAIN.get(sign, "?") for sign in signs), error.end


codecs.register_error("flyback.spelt", _spelt)


def run() -> None:
    """Entry point: errors in words on standard error, exit code 2, no traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="flyback.spelt")
    try:
        try:
            main(standalone_mode=True)
        finally:
            _flush()
    except FlybackError as error:
        click.echo(f"flyback: {error}", err=True)
        sys.exit(2)
    except OSError as error:
        click.echo(f"flyback: the output cannot be written: {error.strerror}.", err=True)
        sys.exit(2)


def _flush() -> None:
    """Write what is left, unless the reader of a pipe has gone."""
    if not isinstance(sys.stdout, io.TextIOWrapper):
        return
    try:
        sys.stdout.flush()
    except OSError as error:
        # Python would try once more on leaving
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(error, BrokenPipeError):
            raise
