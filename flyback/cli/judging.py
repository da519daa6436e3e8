"""Judge a board: by its parts, by its load tests, and by what to measure next."""

from __future__ import annotations

import sys

import click

from flyback.cli.options import (
    BOARD,
    DC,
    EXIT_CODES,
    FREQUENCY,
    JSON,
    MAINS,
    SAMPLES,
    QuantityType,
)

SUSPECT_CODES = """\b
Exit codes:
  0  nothing is more than worth a look
  1  something is suspect
  2  the input cannot be used
"""


NEXT_CODES = """\b
Exit codes:
  0  nothing is left to settle, or it is said which measurement settles it
  1  no measurement as listed settles it, a value must be found first, or the
     parts and the load test contradict each other
  2  the input cannot be used
"""


@click.command(epilog=EXIT_CODES)
@BOARD
@MAINS
@FREQUENCY
@DC
@click.option(
    "--load",
    type=QuantityType("current"),
    metavar="AMPS",
    help="Show the operating point at this output current.",
)
@SAMPLES
@JSON
def check(
    board: str,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    load: float | None,
    samples: int,
    as_json: bool,
) -> None:
    """Judge every claim of a board's label.

    The verdict is that of the traced parts; below it stands what the load tests of the file change.
    """
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
    tested = None
    if result.board.load_tests:
        from flyback.studies.evidence import weigh

        tested = weigh(result, ask=())
    if as_json:
        from flyback.report.data import to_json

        click.echo(to_json(result, tested))
    else:
        from flyback.report.text import console, show
        from flyback.studies.hints import hints

        show(result, console(), hints(result), tested)
    sys.exit((tested or result).exit_code)


@click.command(epilog=SUSPECT_CODES)
@BOARD
@JSON
def suspects(board: str, as_json: bool) -> None:
    """What looks swapped, misread, open or missing.

    With what to check unplugged. Every exchange of two like parts, every one-step misreading of a
    code and every part that may be open or forgotten is tried: those that would make the board much
    more ordinary, or explain its load test, are told with their evidence and the innocent reading.
    """
    from flyback.board.file import load as load_board
    from flyback.studies.suspects import look_for

    found = look_for(load_board(board))
    if as_json:
        from flyback.report.suspects_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.pieces import console
        from flyback.report.suspects_text import show_suspicions

        show_suspicions(found, console())
    sys.exit(found.exit_code)


@click.command(epilog=EXIT_CODES)
@BOARD
@click.option(
    "--log",
    type=click.Path(),
    metavar="FILE",
    help="Also the log of a meter: a .csv whose first line names its columns.",
)
@click.option(
    "--mains", type=QuantityType("voltage"), metavar="VOLTS", help="Mains of the log's rows that name none."
)
@FREQUENCY
@click.option(
    "--read-at",
    type=click.Choice(["socket", "meter", "end of cable"]),
    help="Where the log's volts were read. Without it: at the socket, which is said.",
)
@click.option("--samples", type=int, default=4096, show_default=True, help="Samples of the tolerances.")
@JSON
def evidence(
    board: str,
    log: str | None,
    mains: float | None,
    frequency: float | None,
    read_at: str | None,
    samples: int,
    as_json: bool,
) -> None:
    """Load tests weighed together with the parts.

    What each says of the label: readings are corrected, with error bars, and put beside what the
    parts allow; their curve is read, and the verdict is given with and without them.
    """
    from flyback.analysis.arguments import refuse_arguments
    from flyback.board.file import load as load_board
    from flyback.board.meter_log import read_log
    from flyback.board.model import ReadAt
    from flyback.errors import Problem, RequestError
    from flyback.studies.curve import read_curves
    from flyback.studies.evidence import weigh
    from flyback.verdict.check import check as judge_board

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
    judged = judge_board(traced, mains=None if traced.label.mains else mains)
    found = weigh(judged, logged, samples=samples)
    curves = read_curves(found.weighed)
    if as_json:
        from flyback.report.evidence_data import to_json

        click.echo(to_json(found, curves))
    else:
        from flyback.report.evidence_text import show_evidence
        from flyback.report.pieces import console

        show_evidence(found, curves, console())
    sys.exit(found.exit_code)


@click.command("next", epilog=NEXT_CODES)
@BOARD
@click.option(
    "--claim",
    metavar="TEXT",
    help='The claim to settle, such as 24W or "2 A from one port". Without it: the one in most doubt.',
)
@MAINS
@FREQUENCY
@DC
@SAMPLES
@JSON
def next_(
    board: str,
    claim: str | None,
    mains: tuple[float, ...],
    frequency: float | None,
    dc: float | None,
    samples: int,
    as_json: bool,
) -> None:
    """What to measure next to settle a verdict.

    Every reading that could be taken is ranked by how far the chance of a wrong verdict falls with
    it, with the reading to expect, the accuracy it needs and whether it can be had unplugged. Load
    tests of the file are counted in.
    """
    from flyback.board.file import load as load_board
    from flyback.studies.settle import settle
    from flyback.verdict.check import check as judge_board

    judged = judge_board(
        load_board(board), mains=mains or None, frequency=frequency, dc=dc, samples=samples
    )
    found = settle(judged, claim=claim)
    if as_json:
        from flyback.report.next_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.next_text import show_next
        from flyback.report.pieces import console

        show_next(found, console())
    sys.exit(found.exit_code)
