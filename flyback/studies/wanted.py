"""What is asked of a board: a claim of its label by its words, or a figure such as "24 W" or "12 V 2 A"."""

from __future__ import annotations

import re
from difflib import get_close_matches

from flyback.analysis.demand import Demand
from flyback.errors import NotAFlybackError, Problem, QuantityError, RequestError
from flyback.units import parse, shown, tidy
from flyback.verdict.check import Check
from flyback.verdict.words import SEVERITY

_FIGURE = re.compile(r"(?:(\d+) ?[x×] ?)?(?:([0-9.]+ ?[mk]?V)[ ,x×]*)?([0-9.]+ ?[mk]?[AW])")


def wanted(check: Check, claim: str | None) -> Demand:
    """The power to reach.

    Args:
        claim: a claim in the words of the check, watts, amps, or volts and amps; several sockets as
            "4 x 2 A". Amps and watts alone are at the voltage of the label's first claim. By default the
            claim with the worst verdict.

    Raises:
        NotAFlybackError: the board is not judged.
        RequestError: the text is neither.
    """
    if not check.judged:
        raise NotAFlybackError(f"{check.board.name}: not a flyback, so its power is not judged.")
    voltage = check.assessments[0].voltage
    of_label = {
        outcome.demand.name: outcome.demand
        for assessment in check.assessments
        for column in assessment.columns
        for outcome in column.outcomes
    }
    if claim is None:
        worst = min(check.claims, key=lambda judgement: SEVERITY.index(judgement.word))
        return of_label[worst.text]
    text = tidy(claim)
    if text in of_label:
        return of_label[text]
    demand = _figure(text, voltage)
    if demand is None:
        raise _refused(text, list(of_label))
    return demand


def _figure(text: str, voltage: float) -> Demand | None:
    match = _FIGURE.fullmatch(text)
    if match is None:
        return None
    count, volts, amount = int(match[1] or 1), match[2], match[3]
    in_watts = amount.endswith("W")
    try:
        V = voltage if volts is None else parse(volts, dimension="voltage").nominal
        value = count * parse(amount, dimension="power" if in_watts else "current").nominal
    except QuantityError:
        return None
    if not (value > 0 and V > 0):
        return None
    return Demand(text, V, power=value) if in_watts else Demand(text, V, current=value)


def _refused(text: str, claims: list[str]) -> RequestError:
    listed = ", ".join(f'"{claim}"' for claim in claims)
    near = get_close_matches(text, claims, n=1)
    return RequestError(
        Problem(
            f"{shown(text)} is neither a claim of the label nor a figure;",
            field="claim",
            given=text,
            expected=f'a claim of the label ({listed}), or a figure such as "24 W", "2.5 A" or "12 V 2 A"',
            hint=f'did you mean "{near[0]}"?' if near else f'the label claims {listed}; or write "24 W".',
        )
    )
