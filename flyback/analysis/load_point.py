"""The cycle at a given load and line, with its own bulk valley, ripple and flux."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.operating_point import Delivery, OperatingPoint, Pulse, deliver, point_at_load
from flyback.equations import output, switch, transformer
from flyback.equations.formula import Real


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One operating point; SI units, glossary symbols; None where a value it needs is unknown.

    Attributes:
        V_mean: bulk voltage averaged over a charging period; equal to V_valley on a bench supply.
        D: duty cycle.
        V_ripple: output ripple at the switching frequency, without ringing.
    """

    line: Line
    V_o: Real
    I_o: Real
    V_valley: Real
    V_mean: Real
    pulse: Pulse
    delivery: Delivery
    D: Real
    V_ripple: Real | None
    B_pk: Real | None

    @property
    def continuous(self) -> bool:
        """True where the current does not fall to zero between pulses."""
        return bool(self.pulse.I_v > 0)


def load_point(circuit: Circuit, supply: Supply, line: Line, *, V_o: Real, I_o: Real) -> LoadPoint | None:
    """The operating point at a load, whether or not the current limit allows it.

    Returns:
        The point, or None where the bulk cannot feed the load at this line, or where the load is so
        light that charging the drain capacitance alone would bring more.

    Raises:
        ValueError: where a value it needs is unknown; the text says which.
    """

    needed = None if line.V_ac is None else bulk.missing(circuit)
    if needed:
        raise ValueError(f"needs {needed}")

    def follow(V_dc: Real) -> Pulse:
        return point_at_load(circuit, supply, V_dc=V_dc, V_o=V_o, I_o=I_o).pulse

    # a search may pass through impossible values; whether it settled is checked below
    with np.errstate(all="ignore"):
        loaded = bulk.solve(supply, line, follow)
        delivery = deliver(circuit, supply, loaded.load, V_o=V_o)
    if not np.all(np.asarray(loaded.gap) < bulk.SETTLED) or not np.isclose(delivery.I_o, I_o, rtol=1e-6):
        return None
    return describe(
        supply, line, loaded.V_valley, loaded.V_mean, OperatingPoint(loaded.load, delivery), V_o
    )


def describe(
    supply: Supply, line: Line, V_valley: Real, V_mean: Real, point: OperatingPoint, V_o: Real
) -> LoadPoint:
    """Add duty cycle, ripple and flux to an operating point."""
    s, done, delivery = supply, point.pulse, point.delivery
    V_ripple = B_pk = None
    if s.C_o is not None:
        t_top = output.ripple_crest_time(
            I_s_pk=delivery.I_s_pk,
            I_s_end=delivery.I_s_end,
            I_o=delivery.I_o,
            t_dem=done.t_dem,
            R_esr=s.R_esr,
            C_o=s.C_o,
        )
        V_ripple = output.output_ripple(
            I_s_pk=delivery.I_s_pk,
            I_s_end=delivery.I_s_end,
            I_o=delivery.I_o,
            t_dem=done.t_dem,
            t_top=t_top,
            R_esr=s.R_esr,
            C_o=s.C_o,
        )
    if s.A_e is not None:
        B_pk = transformer.flux_density(L_p=s.L_p, I_pk=done.I_pk, N_p=s.N_p, A_e=s.A_e)
    return LoadPoint(
        line=line,
        V_o=V_o,
        I_o=delivery.I_o,
        V_valley=V_valley,
        V_mean=V_mean,
        pulse=done,
        delivery=delivery,
        D=switch.duty_cycle(t_on=done.t_on, f_s=done.f_s),
        V_ripple=V_ripple,
        B_pk=B_pk,
    )
