"""The load over time."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import isfinite

KINDS = {"resistance": "ohm", "current": "A", "power": "W", "voltage": "V"}
"""What a load holds constant, with its SI unit; "voltage" is a stiff source at the output."""


LETS_GO = 1.0
"""Output voltage below which a constant current or power is let go [V]; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Load:
    """A load that may change with time: straight lines between given points, constant outside.

    Attributes:
        kind: a key of `KINDS`.
        times: rising instants [s]; two equal ones make a step.
        values: the value at each, in the unit of the kind.
        lets_go: output voltage below which a current or power is let go in proportion [V].
        own: what the board itself draws from its output (LED, bleeder), as a conductance [S]; on top.
    """

    kind: str
    times: tuple[float, ...]
    values: tuple[float, ...]
    lets_go: float = LETS_GO
    own: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f'a load is one of {", ".join(KINDS)}, not "{self.kind}"')
        if not self.times or len(self.times) != len(self.values) or list(self.times) != sorted(self.times):
            raise ValueError("a load needs rising times and one value for each")
        if not all(map(isfinite, (*self.times, *self.values))) or min(self.values) < 0.0:
            raise ValueError("times and values of a load are plain numbers, and no value is below zero")
        if self.kind == "resistance" and min(self.values) == 0.0:
            raise ValueError("a load of no resistance is a short circuit: give it the few milliohms it has")

    @classmethod
    def constant(cls, kind: str, value: float) -> Load:
        """The same value all the time."""
        return cls(kind, (0.0,), (value,))

    @classmethod
    def step(cls, kind: str, before: float, after: float, *, at: float) -> Load:
        """One value until an instant [s], another from then on."""
        return cls(kind, (at, at), (before, after))

    @classmethod
    def ramp(cls, kind: str, first: float, last: float, *, start: float, end: float) -> Load:
        """A straight line from one value to another between two instants [s]."""
        return cls(kind, (start, end), (first, last))

    @property
    def steady(self) -> bool:
        """True where the value never changes."""
        return len(set(self.values)) == 1

    def at(self, t: float) -> float:
        """The value at an instant [s]; at a step the later one."""
        if len(self.values) == 1:
            return self.values[0]
        after = bisect_right(self.times, t)
        if after == 0:
            return self.values[0]
        if after == len(self.times):
            return self.values[-1]
        t0, t1 = self.times[after - 1], self.times[after]
        share = (t - t0) / (t1 - t0)
        return self.values[after - 1] + share * (self.values[after] - self.values[after - 1])

    def current(self, t: float, v_out: float) -> float:
        """Current drawn at an output voltage [V], the board's own included [A].

        Zero for a load of kind "voltage", which takes what comes.

        A constant current or power is let go in proportion below ``lets_go``: no electronic load
        draws its current from an output that is not there.
        """
        value, own = self.at(t), v_out * self.own
        if self.kind == "resistance":
            return v_out / value + own
        if self.kind == "voltage":
            return 0.0
        held = min(v_out / self.lets_go, 1.0)
        if self.kind == "current":
            return value * held + own
        return value / max(v_out, self.lets_go) * held + own
