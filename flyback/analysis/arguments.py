"""What a caller may ask for, refused in words where it makes no sense."""

from __future__ import annotations

from collections.abc import Sequence

from flyback.errors import Problem, RequestError


def refuse_arguments(
    *,
    mains: Sequence[float] | float | None,
    frequency: float | None,
    dc: float | None,
    load: float | None = None,
    samples: int | None = None,
) -> None:
    """Refuse arguments that make no sense, every one of them at once.

    Raises:
        RequestError: what was given and what is expected.
    """
    problems = []
    if mains is not None and not isinstance(mains, (int, float)) and not mains:
        problems.append(Problem("no voltage is given;", field="mains", hint="give one, or leave it out."))
    given = [] if mains is None else ([mains] if isinstance(mains, (int, float)) else list(mains))
    wanted: list[tuple[str, float | None, float, float, str]] = [
        *(("mains", V, 40, 500, "V") for V in given),
        ("frequency", frequency, 40, 500, "Hz"),
        ("dc", dc, 20, 800, "V"),
        ("load", load, 1e-6, 100, "A"),
        ("samples", samples, 100, 100_000_000, ""),
    ]
    for name, value, low, high, unit in wanted:
        if value is not None and not low <= value <= high:
            expected = f"{_written(low)} to {_written(high)} {unit}".strip()
            message = f"{_written(value)} {unit}".strip() + f" cannot be used; expected {expected}."
            problems.append(Problem(message, field=name, given=_written(value), expected=expected))
    if dc is not None and (given or frequency is not None):
        problems.append(
            Problem("a bench supply (dc) and mains exclude each other;", field="dc", hint="give one.")
        )
    if problems:
        raise RequestError(tuple(problems))


def _written(number: float) -> str:
    return f"{number:.7f}".rstrip("0").rstrip(".")
