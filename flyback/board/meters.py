"""Reading what the load tests were read with: accuracies as the meters' manuals print them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from types import MappingProxyType

from flyback.board.model import Accuracy, Meters, WallMeter
from flyback.board.roles import Field
from flyback.board.tables import Table
from flyback.board.values import within
from flyback.errors import Problem, QuantityError
from flyback.units import Quantity, parse, shown, tidy

METERS: Mapping[str, Field] = MappingProxyType(
    {
        field.key: field
        for field in (
            Field("voltage", "voltage", "accuracy of the volts: of the reading + fixed", "1 % + 20 mV"),
            Field("current", "current", "accuracy of the amps", "2 % + 10 mA"),
            Field("wall_power", "power", "accuracy of the watts at the wall", "1 % + 0.2 W"),
            Field(
                "cable_resistance",
                "resistance",
                "load cable, both ways, contacts included",
                "180 mohm ± 10 %",
                zero_allowed=True,
            ),
            Field(
                "meter_resistance",
                "resistance",
                "the USB meter in the path; 0 ohm where there is none",
                "50 mohm ± 20 %",
                zero_allowed=True,
            ),
            Field(
                "wall_meter",
                "choice",
                "what the wattmeter is",
                "true power",
                choices=tuple(WallMeter),
            ),
        )
    }
)
"""Keys of the table [meters]: the loader and the template of ``flyback new`` are made from them."""

MOST_SHARE = 0.5
MOST_FLOOR: Mapping[str, str] = MappingProxyType({"voltage": "5 V", "current": "5 A", "power": "100 W"})
"""An accuracy beyond these is no meter's (our choice)."""

_RESISTANCE_LIMITS = ("0.1 mohm", "10 ohm")
_PLUS = re.compile(r"(?<![eE])\+")


def read_meters(table: Table) -> Meters:
    """Read the table [meters]; what is unfit is reported and left out, "unknown" as if not written."""
    table.report_unknown_keys(tuple(METERS), "[meters]")
    kind = "" if _unknown(table, "wall_meter") else table.choice("wall_meter", METERS["wall_meter"].choices)
    return Meters(
        voltage=_read_accuracy(table, "voltage"),
        current=_read_accuracy(table, "current"),
        wall_power=_read_accuracy(table, "wall_power"),
        cable_resistance=_read_resistance(table, "cable_resistance"),
        meter_resistance=_read_resistance(table, "meter_resistance"),
        wall_meter=WallMeter(kind) if kind else None,
    )


def _unknown(table: Table, key: str) -> bool:
    text = table.content.get(key)
    return isinstance(text, str) and text.strip().casefold() == "unknown"


def _read_accuracy(table: Table, key: str) -> Accuracy | None:
    if key not in table or _unknown(table, key):
        return None
    text = table.text(key)
    if not text and table.content[key] != "":
        return None  # reported as no text, or none on one line
    try:
        return accuracy(text, dimension=METERS[key].dimension, example=METERS[key].example)
    except QuantityError as error:
        table.add(error, key)
        return None


def _read_resistance(table: Table, key: str) -> Quantity | None:
    if _unknown(table, key):
        return None
    quantity = table.quantity(key, "resistance")
    if quantity is None or not within(
        table, key, quantity, _RESISTANCE_LIMITS, what=key, zero_allowed=True
    ):
        return None
    return quantity


# --- accuracies -----------------------------------------------------------------------------------


def accuracy(text: str, *, dimension: str, example: str = "1 % + 20 mV") -> Accuracy:
    """Read an accuracy: a percentage of the reading, a fixed amount, or their sum.

    Raises QuantityError with one Problem.

    >>> read = accuracy("1 % + 20 mV", dimension="voltage")
    >>> read.share, read.floor
    (0.01, 0.02)
    """

    def refusal(what: str, hint: str) -> QuantityError:
        expected = f"percent of the reading + a fixed amount, such as {example}"
        return QuantityError(
            Problem(f"{shown(text)} {what}.", given=shown(text)[1:-1], expected=expected, hint=hint)
        )

    tidied = tidy(text).replace("+/-", "±").replace("+-", "±")
    terms = [term.strip().removeprefix("±").strip() for term in _PLUS.split(tidied)]
    _refuse_other_ways(tidied, refusal)
    if not all(terms):
        raise refusal("is not an accuracy", f"Write for example {example}.")
    if len(terms) > 2:
        raise refusal("has more than two terms", f"Write for example {example}.")
    found: dict[str, float] = {}
    for term in terms:
        kind = "ratio" if term.endswith("%") else dimension
        quantity = parse(term, dimension=kind)
        if not quantity.exact:
            raise refusal("holds a range or a tolerance", f"Write for example {example}.")
        if kind in found:
            hint = (
                "A percentage of the full range is a fixed amount: 0.5 % of 10 A is 50 mA."
                if kind == "ratio"
                else f"Add them up, and write for example {example}."
            )
            raise refusal(f"has two {'percentages' if kind == 'ratio' else 'fixed amounts'}", hint)
        found[kind] = quantity.nominal
    share, floor = found.get("ratio", 0.0), found.get(dimension, 0.0)
    if share == floor == 0:
        raise refusal("says that the meter is exact", "Leave it out if it is not known.")
    most = MOST_FLOOR[dimension]
    if share > MOST_SHARE or floor > parse(most, dimension=dimension).nominal:
        raise refusal(f"is more than any meter's (50 % + {most})", "Check the unit.")
    return Accuracy(share, floor, text)


def _refuse_other_ways(text: str, refusal: Callable[[str, str], QuantityError]) -> None:
    """Refuse the ways in which manuals write what is meant here, each with its translation."""
    words = text.casefold()
    if re.search(r"dig|dgt|count|lsd", words):
        raise refusal(
            "counts digits of a display",
            "Write them out: 2 digits of a display that shows 0.01 V are 20 mV.",
        )
    if re.search(r"range|scale|\bfs\b|f\.s\.", words):
        raise refusal(
            "is a share of the range",
            "Write it as a fixed amount: 0.5 % of a range of 10 A is 50 mA.",
        )
    if re.search(r"reading|rdg|\bof\b", words):
        raise refusal("has words beside its figures", "A percentage is of the reading: write 1 % alone.")
