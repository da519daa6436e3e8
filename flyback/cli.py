"""The command line. Commands import what they need when they run, so that help stays light."""

from __future__ import annotations

import codecs
import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flyback import __version__
from flyback.errors import FlybackError

if TYPE_CHECKING:
    from flyback.analysis.envelope import Envelope
    from flyback.analysis.waveforms.load_text import Asked
    from flyback.analysis.waveforms.scene import Scene

_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}

EXIT_CODES = """\b
Exit codes:
  0  no claim fails
  1  a claim is impossible, very unlikely, unlikely or contradicts the label
  2  the input cannot be used
"""


SIMULATION_CODES = """\b
Exit codes:
  0    it ran to its end
  1    it had to end early: a partial result, with the reason
  2    the input cannot be used
  130  stopped with Ctrl-C
"""


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


class _Load(click.ParamType["Asked"]):
    """A load that may change, such as 2A, 10W or 1A..2A."""

    name = "load"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Asked:
        from flyback.analysis.waveforms.load_text import read_load

        try:
            return read_load(value)
        except FlybackError as error:
            self.fail(str(error), param, ctx)


class _NewFile(click.ParamType[Path]):
    """A file to write; refused before the work where its kind or place cannot be."""

    name = "file"

    def __init__(self, suffixes: tuple[str, ...]) -> None:
        self.suffixes = suffixes

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(value)
        if path.suffix.lower() not in self.suffixes:
            known = f"{', '.join(self.suffixes[:-1])} or {self.suffixes[-1]}"
            self.fail(f'the name "{value}" must end in {known}.', param, ctx)
        if not os.path.isdir(path.parent):
            self.fail(f"there is no directory {path.parent}. Make it first.", param, ctx)
        return path


_BOARD = click.argument("board", type=click.Path(), metavar="BOARD")
_FREQUENCY = click.option(
    "--frequency", type=_Quantity("frequency"), metavar="HERTZ", help="Mains frequency, such as 50Hz."
)
_DC = click.option(
    "--dc",
    type=_Quantity("voltage"),
    metavar="VOLTS",
    help="Feed the bulk from a bench supply, such as 150V.",
)
_OUTPUT = click.option(
    "-o",
    "output",
    type=_NewFile((".svg", ".png", ".csv")),
    metavar="FILE",
    help="Also write a drawing (.svg, .png) or the numbers (.csv); never over a file.",
)


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
@_FREQUENCY
@_DC
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


@main.command(epilog=SIMULATION_CODES)
@_BOARD
@click.option(
    "--load",
    type=_Load(),
    metavar="LOAD",
    help="Such as 2A, 10W or 2.5ohm; 1A..2A changes slowly, 1A,2A jumps in the middle. "
    "Without it: all that the label claims.",
)
@click.option("--mains", type=_Quantity("voltage"), metavar="VOLTS", help="Mains voltage, such as 230V.")
@_FREQUENCY
@_DC
@click.option(
    "--span",
    type=_Quantity("time"),
    metavar="TIME",
    help="How long, such as 20ms. Without it: two switching cycles.",
)
@click.option(
    "--fidelity",
    type=click.Choice(["cycle", "full"]),
    help="cycle: pulse by pulse, no ringing, fast. full: leakage, drain capacitance and ESR followed.",
)
@click.option("--start", is_flag=True, help="From zero, switched on at a crest of the mains.")
@_OUTPUT
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
    written = None if output is None else _save_waveforms(found, output)
    show_waveforms(found, console())
    if written is not None:
        click.echo(_wrote(written, output))
    sys.exit(0 if found.run.finished else 1)


def _save_waveforms(scene: Scene, output: Path) -> Path:
    if output.suffix.lower() == ".csv":
        from flyback.files import write_new
        from flyback.report.columns import traces_csv

        return write_new(output, traces_csv(scene))
    from flyback.report import figures

    return figures.save(figures.waveforms(scene), output)


@main.command()
@_BOARD
@click.option(
    "--mains",
    type=_Quantity("voltage"),
    multiple=True,
    metavar="VOLTS",
    help="At this mains voltage, such as 230V; may be repeated. "
    "Without it: the ends of the label's range, widened by 10 %, and its usual mains.",
)
@_FREQUENCY
@_DC
@click.option("--samples", type=int, default=4096, show_default=True, help="Samples of the tolerances.")
@click.option("--no-simulation", is_flag=True, help="Leave out the simulated points; faster.")
@_OUTPUT
def envelope(
    board: str,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    samples: int,
    no_simulation: bool,
    output: Path | None,
) -> None:
    """Volts and amps the output can give, from no load to a short circuit."""
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
    written = None if output is None else _save_envelope(found, output)
    show_envelope(found, console())
    if written is not None:
        click.echo(_wrote(written, output))


def _save_envelope(env: Envelope, output: Path) -> Path:
    if output.suffix.lower() == ".csv":
        from flyback.files import write_new
        from flyback.report.columns import envelope_csv

        return write_new(output, envelope_csv(env))
    from flyback.report import figures

    return figures.save(figures.envelope(env), output)


@main.command()
@_BOARD
@click.option(
    "--log",
    type=click.Path(),
    metavar="FILE",
    help="Also the log of a meter: a .csv whose first line names its columns.",
)
@click.option(
    "--mains", type=_Quantity("voltage"), metavar="VOLTS", help="Mains of the log's rows that name none."
)
@_FREQUENCY
@click.option(
    "--read-at",
    type=click.Choice(["socket", "meter", "end of cable"]),
    help="Where the log's volts were read. Without it: at the socket, which is said.",
)
@click.option("--samples", type=int, default=2048, show_default=True, help="Samples of the tolerances.")
def evidence(
    board: str,
    log: str | None,
    mains: float | None,
    frequency: float | None,
    read_at: str | None,
    samples: int,
) -> None:
    """Load tests beside the traced parts: corrected, with error bars."""
    from flyback.analysis.arguments import refuse_arguments
    from flyback.analysis.trace import trace
    from flyback.board.file import load as load_board
    from flyback.board.meter_log import read_log
    from flyback.board.model import ReadAt
    from flyback.errors import Problem, RequestError
    from flyback.report.evidence_text import show_evidence
    from flyback.report.pieces import console
    from flyback.studies.readings import observe

    refuse_arguments(mains=mains, frequency=frequency, dc=None, samples=samples)
    if log is None and (mains, frequency, read_at) != (None, None, None):
        raise RequestError(
            Problem("--mains, --frequency and --read-at are of a meter log;", hint="name it with --log.")
        )
    traced = load_board(board)
    place = None if read_at is None else ReadAt(read_at)
    logged = [] if log is None else read_log(log, mains=mains, frequency=frequency, read_at=place)
    if not traced.load_tests and not logged:
        raise RequestError(
            Problem(f"{board} has no load test;", hint="add a [[load_test]], or name a meter's --log.")
        )
    circuit = trace(traced) if traced.topology == "flyback" else None
    show_evidence(traced.name, observe(traced, circuit, logged, samples=samples), console())


@main.command()
@click.argument("file", type=click.Path(), metavar="FILE")
def new(file: str) -> None:
    """Write a commented board file to fill in.

    An existing file is never written over: the next free name is taken and said.
    """
    from flyback.board.template import write_template

    written = write_template(file)
    click.echo(f"{_wrote(written, file)} Fill it in, then: flyback check {written}")


def _wrote(written: Path, wanted: object) -> str:
    note = "" if str(written) == str(wanted) else f" ({wanted} exists and is kept)"
    return f"Wrote {written}{note}."


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
