"""Mutated boards: whatever the figures, an answer or words, never a traceback, a warning or a NaN."""

import random
import re
from pathlib import Path

import pytest
from paper import printed

from flyback.board.file import loads
from flyback.errors import FlybackError
from flyback.report.data import to_json
from flyback.report.text import show
from flyback.verdict.check import check

BOARDS = sorted((Path(__file__).parent.parent / "worked_examples").glob("*.toml"))
FIGURE = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)(?= ?(?:[kmunµp]?(?:ohm|F|H|V|A|W|Hz|s)\b|mm²|%))")


def mutated(text: str, rng: random.Random) -> str:
    """Some lines with figures up to thirty times off, called unknown, or taken out."""
    lines = text.split("\n")
    for _ in range(rng.randint(1, 4)):
        index, kind = rng.randrange(len(lines)), rng.random()
        if kind < 0.7:
            lines[index] = FIGURE.sub(
                lambda found: f"{float(found.group(1)) * 10 ** rng.uniform(-1.5, 1.5):.4g}", lines[index]
            )
        elif kind < 0.85:
            lines[index] = re.sub(r'= "[^"]*"', '= "unknown"', lines[index])
        else:
            lines[index] = ""
    return "\n".join(lines)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("path", BOARDS, ids=lambda path: path.stem)
def test_an_answer_or_words(path: Path, seed: int) -> None:
    rng = random.Random(f"{path.stem} {seed}")
    text = mutated(path.read_text(encoding="utf-8"), rng)
    options = rng.choice([{}, {"mains": 230.0}, {"dc": 150.0}, {"load": rng.uniform(0.01, 3.0)}])
    try:
        result = check(loads(text), samples=100, **options)
    except FlybackError:
        return
    assert "nan" not in printed(show, result)
    assert to_json(result), "and no NaN, which it refuses"
