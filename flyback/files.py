"""Writing files without ever overwriting one."""

from __future__ import annotations

import os
from itertools import count
from pathlib import Path

from flyback.errors import Problem, RequestError


def next_free(path: str | os.PathLike[str]) -> Path:
    """The path itself, or if that name is taken the next free one: report.html, report-2.html, ..."""
    wanted = Path(path)
    # A link that leads nowhere does not "exist", but its name is taken.
    if not os.path.lexists(wanted):
        return wanted
    numbered = (wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}") for number in count(2))
    return next(candidate for candidate in numbered if not os.path.lexists(candidate))


def write_new(path: str | os.PathLike[str], content: str | bytes) -> Path:
    """Write a file under a free name and return the name taken; text is written as UTF-8.

    The name is claimed and opened in one step, so that two programs never write to the same file.
    Raises RequestError if the path is a directory or cannot be written.
    """
    wanted = Path(path)
    # os.path, because the methods of Path raise for a name that is too long.
    if os.path.isdir(wanted):
        raise _refusal(wanted, "is a directory.", "Name a file in it.")
    if not os.path.isdir(wanted.parent):
        raise _refusal(
            wanted, f"cannot be written: there is no directory {wanted.parent}.", "Make it first."
        )
    while True:
        candidate = next_free(wanted)
        try:
            with candidate.open("xb") as file:
                file.write(content.encode("utf-8") if isinstance(content, str) else content)
        except FileExistsError:
            continue  # another program was quicker
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else str(error)
            raise _refusal(candidate, f"cannot be written: {reason}.", "Choose another place.") from error
        return candidate


def _refusal(path: Path, what: str, hint: str) -> RequestError:
    return RequestError(
        Problem(f"{path} {what}", given=str(path), expected="a path that can be written", hint=hint)
    )
