"""Design check of small mains flyback supplies: traced parts in, verdict on the label out.

>>> import flyback
>>> board = flyback.load("worked_examples/wall_charger.toml")
>>> result = flyback.check(board)
>>> [(judged.text, judged.word.value) for judged in result.claims]
[('2 A', 'very likely')]
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flyback.analysis.envelope import Envelope
    from flyback.analysis.waveforms.scene import Scene
    from flyback.board.decoding.decode import Decoded
    from flyback.board.model import Board
    from flyback.studies.alter import Altered
    from flyback.studies.evidence import Evidence
    from flyback.studies.remedies import Remedies
    from flyback.studies.settle import Next
    from flyback.studies.suspects import Suspicions
    from flyback.studies.sweep import Sweep
    from flyback.verdict.check import Check

__all__ = [
    "__version__",
    "alter",
    "check",
    "decode",
    "envelope",
    "evidence",
    "load",
    "remedies",
    "settle",
    "suspects",
    "sweep",
    "waveforms",
]
__version__ = "0.1.0"


def load(path: str | os.PathLike[str]) -> Board:
    """Read a board file; see `flyback.board.file.load`."""
    from flyback.board import file

    return file.load(path)


def check(board: Board, **options: Any) -> Check:
    """Judge every claim of a board's label; see `flyback.verdict.check.check` for the options."""
    from flyback.verdict import check as checking

    return checking.check(board, **options)


def alter(board: Board, *changes: str, **options: Any) -> Altered:
    """Judge a board before and after changes; see `flyback.studies.alter.alter` for the options.

    Args:
        changes: as on the command line: "R6=1R0", "T1.primary_turns=90", "R7=open", "R8<->R9".
    """
    from flyback.board.edit import read_changes
    from flyback.studies import alter as altering

    return altering.alter(board, read_changes(board, changes), **options)


def settle(board: Board, *, claim: str | None = None, **options: Any) -> Next:
    """Rank what to measure next for a claim; see `flyback.verdict.check.check` for the options.

    Args:
        claim: as on the command line: "24W" or "2 A from one port"; by default the one in most doubt.
    """
    from flyback.studies import settle as settling
    from flyback.verdict import check as checking

    return settling.settle(checking.check(board, **options), claim=claim)


def evidence(board: Board, **options: Any) -> Evidence:
    """Weigh the load tests of a board; see `flyback.verdict.check.check` for the options."""
    from flyback.studies import evidence as weighing
    from flyback.verdict import check as checking

    return weighing.weigh(checking.check(board, **options))


def sweep(board: Board, *what: str, **options: Any) -> Sweep:
    """Ceilings against one value or two; see `flyback.studies.sweep.sweep` for the options.

    Args:
        what: as on the command line: "R6=0.5ohm..2ohm", "mains=90V..264V".
    """
    from flyback.studies import sweep as sweeping

    return sweeping.sweep(board, what, **options)


def remedies(board: Board, *, claim: str | None = None, **options: Any) -> Remedies:
    """What a claim would take; see `flyback.verdict.check.check` for the options.

    Args:
        claim: as on the command line: "24 W", "2.5 A", "12 V 2 A"; by default the one judged worst.
    """
    from flyback.studies import remedies as lifting
    from flyback.verdict import check as checking

    return lifting.remedies(checking.check(board, **options), claim=claim)


def suspects(board: Board) -> Suspicions:
    """What looks swapped, misread, open or left out; see `flyback.studies.suspects.look_for`."""
    from flyback.studies import suspects as looking

    return looking.look_for(board)


def decode(marking: str, **options: Any) -> Decoded:
    """Every reading of a part's marking; see `flyback.board.decoding.decode.decode` for the options."""
    from flyback.board.decoding import decode as decoding

    return decoding.decode(marking, **options)


def waveforms(board: Board, *, load: str | None = None, **options: Any) -> Scene:
    """Simulate a board in time; see `flyback.analysis.waveforms.scene.scene` for the options.

    Args:
        load: as on the command line: "2A", "10W", "2.5ohm", "1A..2A" or "1A,2A".
    """
    from flyback.analysis.waveforms import scene
    from flyback.analysis.waveforms.load_text import read_load

    return scene.scene(board, load=None if load is None else read_load(load), **options)


def envelope(board: Board, **options: Any) -> Envelope:
    """Volts and amps the output can give; see `flyback.verdict.output.volts_and_amps` for the options."""
    from flyback.verdict import output

    return output.volts_and_amps(board, **options)
