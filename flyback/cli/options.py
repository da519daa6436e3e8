"""What several commands share: arguments and options, read in the words of a bench, and exit codes."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from flyback.errors import FlybackError

if TYPE_CHECKING:
    from flyback.analysis.waveforms.load_text import Asked


class QuantityType(click.ParamType[float]):
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


class LoadType(click.ParamType["Asked"]):
    """A load that may change, such as 2A, 10W or 1A..2A."""

    name = "load"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Asked:
        from flyback.analysis.waveforms.load_text import read_load

        try:
            return read_load(value)
        except FlybackError as error:
            self.fail(str(error), param, ctx)


class NewFile(click.ParamType[Path]):
    """A file to write; refused before the work where its kind or place cannot be."""

    name = "file"

    def __init__(self, suffixes: tuple[str, ...]) -> None:
        self.suffixes = suffixes

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        path = Path(value)
        if path.suffix.lower() not in self.suffixes:
            known = " or ".join(filter(None, (", ".join(self.suffixes[:-1]), self.suffixes[-1])))
            self.fail(f'the name "{value}" must end in {known}.', param, ctx)
        if not os.path.isdir(path.parent):
            self.fail(f"there is no directory {path.parent}. Make it first.", param, ctx)
        return path


BOARD = click.argument("board", type=click.Path(), metavar="BOARD")
MAINS = click.option(
    "--mains",
    type=QuantityType("voltage"),
    multiple=True,
    metavar="VOLTS",
    help="Judge at this mains voltage, such as 230V; may be repeated. "
    "Without it: the label's range, widened by 10 %.",
)
FREQUENCY = click.option(
    "--frequency", type=QuantityType("frequency"), metavar="HERTZ", help="Mains frequency, such as 50Hz."
)
DC = click.option(
    "--dc",
    type=QuantityType("voltage"),
    metavar="VOLTS",
    help="Feed the bulk from a bench supply, such as 150V.",
)
SAMPLES = click.option(
    "--samples", type=int, default=16384, show_default=True, help="Samples of the tolerances."
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
OUTPUT = click.option(
    "-o",
    "output",
    type=NewFile((".svg", ".png", ".csv")),
    metavar="FILE",
    help="Also write a drawing (.svg, .png) or the numbers (.csv); never over a file.",
)

EXIT_CODES = """\b
Exit codes:
  0  no claim fails
  1  a claim is impossible, very unlikely, unlikely or contradicts the label
  2  the input cannot be used
"""


def wrote(written: Path, wanted: object) -> str:
    """What a command says of a file it wrote, and of the one it kept."""
    note = "" if str(written) == str(wanted) else f" ({wanted} exists and is kept)"
    return f"Wrote {written}{note}."
