"""At the bench: markings read, and a board file to fill in."""

from __future__ import annotations

import sys

import click

from flyback.cli.options import (
    JSON,
    wrote,
)

DECODE_CODES = """\b
Exit codes:
  0  it is read, and fits what was measured if that is given
  1  no reading fits what was measured
  2  the input cannot be used
"""


@click.command(epilog=DECODE_CODES)
@click.argument("marking", nargs=-1, required=True, metavar="MARKING...")
@click.option(
    "--as",
    "kind",
    type=click.Choice(["resistor", "capacitor", "electrolytic", "inductor"]),
    help="What the part is. Without it: any; a capacitor may be electrolytic too.",
)
@click.option(
    "--measured",
    metavar="VALUE",
    help='What a meter shows, such as 9.8k or "98 nF ± 2 %", with the meter\'s accuracy behind ±.',
)
@JSON
def decode(marking: tuple[str, ...], kind: str | None, measured: str | None, as_json: bool) -> None:
    """All readings of what is printed on a part.

    The likeliest first.

    \b
    102                   digits: 1.00 kΩ, 1.00 nF or 1.00 mH
    4K7  R47  2n2  01C    letter codes, EIA-96
    2A104J  104K 400V     volts and tolerance beside the value
    100 16V               microfarads in clear
    br bk rd gd           bands, by words or letters, from either end
    """
    from flyback.board.decoding.clues import Kind
    from flyback.board.decoding.decode import decode as read_marking

    asked = None if kind is None else Kind(kind)
    found = read_marking(" ".join(marking), kind=asked, measured=measured)
    if as_json:
        from flyback.report.decode_data import to_json

        click.echo(to_json(found))
    else:
        from flyback.report.decode_text import show_decoded
        from flyback.report.pieces import console

        show_decoded(found, console())
    sys.exit(found.exit_code)


@click.command()
@click.argument("file", type=click.Path(), metavar="FILE")
def new(file: str) -> None:
    """Write a commented board file to fill in.

    An existing file is never written over: the next free name is taken and said.
    """
    from flyback.board.template import write_template

    written = write_template(file)
    click.echo(f"{wrote(written, file)} Fill it in, then: flyback check {written}")
