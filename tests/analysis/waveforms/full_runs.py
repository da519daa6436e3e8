"""What the tests of the fidelity "full" share: a run in one line, and what must hold of every run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from converters import PLAIN, on_bench, warm

from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.full import simulate
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Run, State

RESIDUAL = 1e-9
"""Energy found nowhere, as a share of what was put in; rounding alone gives 1e-11."""

ALWAYS = (-math.inf, math.inf)

SUPPLY = replace(on_bench(PLAIN), control=replace(PLAIN.control, gain=0.3, integral=400.0))
"""Fixed frequency on a bench supply, with a faster loop."""


def changed(c: Converter, **parts: Mapping[str, Any]) -> Converter:
    """A converter with fields of its parts changed: ``primary={"R_pri": 0.0}``."""
    return replace(c, **{name: replace(getattr(c, name), **new) for name, new in parts.items()})


def run(c: Converter, load: Load, *, span: float = 1e-3, state: State | None = None, **asked: Any) -> Run:
    return simulate(c, load, warm(c) if state is None else state, span=span, **asked)


def sound(found: Run) -> None:
    """Energy is kept, no loss is negative, and every figure is a number."""
    assert abs(found.energy.residual) < RESIDUAL
    assert min(found.energy.losses.values()) > -1e-12
    assert all(math.isfinite(getattr(found.figures, f.name)) for f in fields(found.figures))
