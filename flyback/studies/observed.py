"""Load-test readings as the studies use them: at the rail, in SI units, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

from flyback.analysis.bulk import Line


@dataclass(frozen=True, slots=True)
class Observed:
    """One moment of a load test, corrected to the rail; uncertainties are standard ones (k = 1).

    Attributes:
        line: what fed it, or None where no mains voltage was noted.
        V_o: output voltage at the socket, drops of cable and meter added back [V]; u_V: its uncertainty.
        I_o: current of all ports together [A]; u_I: its uncertainty.
        P_wall: power at the wall [W], or None; u_P: its uncertainty.
        where: how a report names it ("load test 3"), with the line of the file it came from.
        minutes: how long it had been loaded so, or None.
    """

    line: Line | None
    V_o: float
    I_o: float
    u_V: float
    u_I: float
    P_wall: float | None = None
    u_P: float = 0.0
    where: str = ""
    minutes: float | None = None

    @property
    def P_o(self) -> float:
        """Output power [W]."""
        return self.V_o * self.I_o
