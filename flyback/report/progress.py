"""A bar for work that takes long: on a terminal only, and gone when the work is done."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Tell = Callable[[float], None]
"""Called with the share of the work that is done, from 0 to 1."""

PATIENCE = 1.0
"""Time before a bar appears [s]: what is done sooner needs none."""

STEP = 0.005
"""Share of the work between two movements of the bar."""


@contextmanager
def bar(what: str, *, clock: Callable[[], float] = time.monotonic) -> Iterator[Tell]:
    """A bar on standard error that appears after `PATIENCE`, where that is a terminal.

    Args:
        what: the work, in a word or two.
        clock: seconds that only ever grow.
    """
    if not sys.stderr.isatty():
        yield lambda share: None
        return
    from rich.console import Console
    from rich.progress import Progress

    began, moved = clock(), 0.0
    shown = Progress(console=Console(stderr=True), transient=True)
    task = shown.add_task(what, total=1.0)

    def tell(share: float) -> None:
        nonlocal moved
        if not shown.live.is_started:
            if clock() - began < PATIENCE:
                return
            shown.start()
        elif share - moved < STEP:
            return
        moved = share
        shown.update(task, completed=share)

    try:
        yield tell
    finally:
        shown.stop()
