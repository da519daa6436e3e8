"""What a change leaves as it was although on a real board it would hardly stay: said, never mended."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from flyback.board.changes import Change, SetValue, in_clear
from flyback.board.model import Board, Part, Value
from flyback.board.roles import ROLES


def kept(board: Board, changes: Sequence[Change]) -> Iterator[str]:
    """Sentences about keys that go with a changed one and were not changed along with it.

    Args:
        board: before the changes.
    """
    changed = {(c.designator, c.key) for c in changes if isinstance(c, SetValue)}
    for change in changes:
        if not isinstance(change, SetValue):
            continue
        part = board.parts[change.designator]
        if change.key == ROLES[part.role].value_field and part.fitted:
            others = [
                f"{key} {value.text}"
                for key, value in part.values.items()
                if isinstance(value, Value) and (part.designator, key) not in changed
            ]
            if others:
                yield f"The new {part.designator} is taken to have the old one's {' and '.join(others)}."
        if change.key == "primary_turns":
            yield from _inductances(part, change, changed)


def _inductances(part: Part, change: SetValue, changed: set[tuple[str, str]]) -> Iterator[str]:
    """Inductance of a winding goes with the square of its turns (textbook, from memory)."""
    turns = part.known("primary_turns")
    if turns is None:
        return
    squared = (change.value.nominal / turns.nominal) ** 2
    for key in ("primary_inductance", "leakage_inductance"):
        value = part.known(key)
        if value is not None and (part.designator, key) not in changed:
            there = in_clear(float(f"{value.nominal * squared:.3g}"), "inductance")
            yield (
                f"{part.designator}.{key} stays at {value.text}. On the same core and gap it goes with the "
                f'square of the turns: add "{part.designator}.{key}={there}" to see that.'
            )
