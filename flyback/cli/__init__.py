"""The command line. Commands import what they need when they run, so that help stays light."""

from __future__ import annotations

import codecs
import io
import os
import sys
from typing import Any

import click

from flyback import __version__
from flyback.cli import changing, judging, noting, simulating
from flyback.cli.options import EXIT_CODES
from flyback.errors import FlybackError

_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


class _Commands(click.Group):
    """The commands; Ctrl-C ends any of them with words."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("flyback: stopped with Ctrl-C.", err=True)
            ctx.exit(130)


@click.group(cls=_Commands, context_settings=_CONTEXT, epilog=EXIT_CODES)
@click.version_option(__version__, prog_name="flyback", message="%(prog)s %(version)s")
def main() -> None:
    """Is the label of a small mains flyback supply physically possible?

    Write down what was traced from the board (flyback new), then let it be
    judged (flyback check). An open mains adapter can kill: trace it unplugged.
    """
    # one BLAS thread: nothing here is a matrix, and starting threads costs more than it gives
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


for _command in (
    judging.check,
    judging.evidence,
    judging.next_,
    judging.suspects,
    simulating.waveforms,
    simulating.envelope,
    changing.alter,
    changing.sweep,
    changing.remedies,
    noting.decode,
    noting.new,
):
    main.add_command(_command)


_PLAIN = {"→": "->", "Ω": "ohm", "µ": "u", "°": "deg ", "±": "+-", "²": "2", "×": "x"}
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
