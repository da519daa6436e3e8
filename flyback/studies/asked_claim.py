"""The claim that a text means, typed as loosely as people do."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from flyback.board.tables import nearest
from flyback.errors import Problem, RequestError
from flyback.units import shown, tidy
from flyback.verdict.check import Check
from flyback.verdict.words import Judgement

_PIECE = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+")

Pieces = Sequence[str]


def asked_claim(check: Check, text: str) -> Judgement:
    """The claim of power with those words, or with those that tell it from the others: "24W" will do.

    Raises:
        RequestError: no claim of power has them, or several have.
    """
    asked = _pieces(text)
    fits: tuple[Callable[[Pieces], bool], ...] = (
        lambda words: words == asked,
        lambda words: words[: len(asked)] == asked,
        lambda words: any(words[k : k + len(asked)] == asked for k in range(len(words))),
    )
    for fit in fits:
        found = [one for one in check.claims if asked and fit(_pieces(one.text))]
        if len(found) == 1:
            return found[0]
        if found:
            break
    raise _refused(check, text, found)


def _pieces(text: str) -> Pieces:
    """Numbers and words apart, whatever stands between them.

    >>> _pieces("24W in total") == _pieces("24.0 w IN  total")
    True
    """
    return [
        f"{float(piece.replace(',', '.')):g}" if piece[0].isdecimal() else piece.casefold()
        for piece in _PIECE.findall(tidy(text))
    ]


def _refused(check: Check, text: str, found: Sequence[Judgement]) -> RequestError:
    claims = [one.text for one in check.claims]
    listed = ", ".join(f'"{claim}"' for claim in claims)
    if found:
        message = f"{shown(text)} may be any of several claims."
        hint = f"Write one of {', '.join(shown(one.text) for one in found)}."
    elif any(_pieces(one.text) == _pieces(text) for one in check.label):
        message = f"the label's own figures decide {shown(text)}, which no measurement changes."
        hint = f"Measurements can settle {listed}."
    else:
        message = f"the label has no claim of power {shown(text)}."
        hint = nearest(text, claims) or f"It has {listed}."
    return RequestError(Problem(message, field="claim", given=text, expected=listed, hint=hint))
