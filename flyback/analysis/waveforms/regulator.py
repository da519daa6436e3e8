"""The controller's slow side: which command the next pulse gets, and when the supply stops and restarts.

Both fidelities call it once a pulse, so that they cannot differ in what the controller does.
"""

from __future__ import annotations

from flyback.analysis.waveforms.converter import Control
from flyback.analysis.waveforms.run import State

FIRST_SHARE = 0.25
"""Share of the current limit with which a soft start begins; common practice, no source."""

ABOVE, BELOW = 1.05, -0.15
"""How far the integral part may go beyond the limit and below zero, as shares of the limit."""


LONGEST_ON = 200e-6
"""On time after which a controller without a clock gives up [s]; common practice, no source."""

SKIPPED_WAIT = 20e-6
"""Least wait of a controller without a clock when nothing is asked for [s]; common practice, no source."""


class Regulator:
    """Regulation, soft start, overload timer and loss of supply, pulse by pulse.

    Not a result: it is the engines' working memory, and `state` reads it out.
    """

    __slots__ = (
        "_control",
        "_counts_rate",
        "_highest",
        "_longest",
        "_lowest",
        "_plain",
        "_protected",
        "command",
        "limited_since",
        "notices",
        "resume_at",
        "started",
        "unsupplied_since",
    )

    def __init__(self, control: Control, state: State) -> None:
        self._control = control
        self._counts_rate = control.family == "primary-side constant current"
        # an integral part runs between these: command current, or pulse rate
        top = (control.f_max or HIGHEST_RATE) if self._counts_rate else control.I_limit
        self._highest, self._lowest = ABOVE * top, BELOW * top
        self._plain = not (control.k_line or control.t_soft or control.I_drive is not None)
        # a loop that only looks once a pulse must not catch up at once after a long one
        self._longest = LONGEST_STEP * control.gain / control.integral if control.integral else 0.0
        self._protected = control.t_overload is not None or control.V_stop is not None
        self.command = state.command
        self.started = state.started
        self.limited_since = state.limited_since
        self.unsupplied_since = state.unsupplied_since
        self.resume_at = state.resume_at
        self.notices: list[str] = []

    @property
    def regulates(self) -> bool:
        """True where a command current follows the output voltage."""
        c = self._control
        return not self._counts_rate and c.family != "on/off" and c.gain > 0

    def limit(self, t: float, v_bulk: float) -> float:
        """Largest command current at an instant [A]."""
        c = self._control
        if self._plain:
            return c.I_limit
        top = c.I_limit - c.k_line * v_bulk
        if c.I_drive is not None:
            top = min(top, c.I_drive + c.k_drive * v_bulk)
        since = t - self.started
        if since < c.t_soft:
            top *= FIRST_SHARE + (1.0 - FIRST_SHARE) * since / c.t_soft
        return max(top, 0.0)

    def skips(self, v_out: float, limit: float) -> bool:
        """True where the next pulse is left out: nothing is asked for."""
        c = self._control
        if self._counts_rate:
            return self.command + c.gain * (c.V_set - v_out) <= 0.0 and c.gain > 0
        if c.family == "on/off":
            return v_out >= c.V_set
        return c.gain > 0 and self.command + c.gain * (c.V_set - v_out) <= 0.0

    def asked(self, v_out: float, limit: float) -> float:
        """Command current at an output voltage [A], for the families that regulate with it."""
        c = self._control
        if not self.regulates:
            return limit
        return min(self.command + c.gain * (c.V_set - v_out), limit)

    def shortest_period(self, v_out: float) -> float:
        """Shortest period that the pulse rate limit and the voltage loop allow [s]."""
        c = self._control
        shortest = 0.0 if c.f_max is None else 1.0 / c.f_max
        if self._counts_rate and c.gain > 0:
            rate = self.command + c.gain * (c.V_set - v_out)
            shortest = max(shortest, 1.0 / max(rate, LOWEST_RATE))
        return shortest

    def advance(self, t: float, T: float, v_out: float, asked: float, limit: float) -> None:
        """Integrate the error over the past period and look after protection.

        Args:
            t: start of the next period [s].
            T: length of the past one [s].
            v_out: mean output voltage of it, at the capacitance [V].
            asked, limit: the command current it had and the largest it could have had [A].
        """
        c = self._control
        if c.integral:
            moved = self.command + c.integral * (c.V_set - v_out) * min(T, self._longest)
            self.command = min(max(moved, self._lowest), self._highest)
        if self._protected:
            self._protect(t, v_out, asked, limit)

    def _protect(self, t: float, v_out: float, asked: float, limit: float) -> None:
        c = self._control
        if c.t_overload is not None:
            threshold = limit if c.I_overload is None else min(c.I_overload, limit)
            if asked < threshold * (1.0 - 1e-9) or v_out >= c.V_set or t - self.started < c.t_soft:
                self.limited_since = None
            elif self.limited_since is None:
                self.limited_since = t
            elif t - self.limited_since > c.t_overload:
                self._stop(t, "the overload timer stopped it")
                return
        if c.V_stop is not None:
            if v_out >= c.V_stop:
                self.unsupplied_since = None
            elif self.unsupplied_since is None:
                self.unsupplied_since = t
            elif t - self.unsupplied_since > c.t_hold:
                self._stop(t, "the controller lost its supply and stopped")

    def _stop(self, t: float, words: str) -> None:
        self.resume_at = t + self._control.t_restart
        self.notices.append(f"{1e3 * t:.3g} ms: {words}; next start {1e3 * self.resume_at:.4g} ms")

    def resume(self, t: float) -> None:
        """Start again after a stop: from a small limit, with nothing remembered."""
        self.resume_at = self.limited_since = self.unsupplied_since = None
        self.started = t
        self.command = 0.0


LONGEST_STEP = 0.2
"""Largest step of the integral part in one period, as a share of the proportional part."""

HIGHEST_RATE = 300e3
"""Highest pulse rate of a voltage loop that has no stated one [Hz]; common practice, no source."""

LOWEST_RATE = 300.0
"""Lowest pulse rate a voltage loop asks for [Hz]; common practice, no source."""
