"""Sweeps to print and to draw: of the worked examples, with few samples."""

from __future__ import annotations

from functools import cache

from worked import board

from flyback.studies.sweep import Sweep, sweep

FEW = 100

SWEEPS: dict[str, tuple[str, tuple[str, ...], dict[str, object]]] = {
    "one crossing": ("bedside_charger", ("R6=0.5ohm..2.5ohm",), {}),
    "turns": ("wall_charger", ("T1.primary_turns=80..160",), {}),
    "a series": ("bedside_charger", ("C1=4u7..100u",), {"series": "E12"}),
    "the mains": ("hall_charger", ("mains=60V..264V",), {}),
    "self-oscillating": ("travel_cube", ("R3=1ohm..22ohm",), {}),
    "a bench supply": ("strip_adapter", ("R5=0.3ohm..1ohm",), {"dc": 150.0}),
    "a map": ("bedside_charger", ("R6=0.5ohm..2.5ohm", "mains=90V..264V"), {"steps": 21}),
    "a map in proportion": ("bedside_charger", ("C1=4u7..100u", "R7=0.5ohm..10ohm"), {"steps": 21}),
    "a map of steps": (
        *("bedside_charger", ("C1=4u7..100u", "T1.primary_turns=80..120")),
        {"series": "E12"},
    ),
    "two claims alike": ("strip_adapter", ("R5=0.3ohm..1ohm", "C1=10u..100u"), {"steps": 11}),
}
"""By name: a worked example, what is swept and how."""

ONE = [name for name, (_, texts, _) in SWEEPS.items() if len(texts) == 1]
MAPS = [name for name, (_, texts, _) in SWEEPS.items() if len(texts) == 2]


@cache
def swept(name: str) -> Sweep:
    made, texts, options = SWEEPS[name]
    return sweep(board(made), texts, samples=FEW, **options)  # type: ignore[arg-type]
