"""Ports and label arithmetic: volts x amps, sums, the second converter."""

from __future__ import annotations

from flyback.equations import maths
from flyback.equations.formula import Real, formula


@formula(symbol="P_label", source="definition of power", balance="volts x amps")
def label_power(*, V_label: Real, I_label: Real) -> Real:
    """Power that a printed voltage and current amount to."""
    return V_label * I_label


@formula(symbol="P_label", source="definition of power", balance="volts x amps x ports")
def label_power_of_ports(*, V_label: Real, I_label: Real, n_ports: Real) -> Real:
    """Power of several like ports loaded at once."""
    return V_label * I_label * n_ports


@formula(symbol="P_label", source="sum", balance="loaded at once, powers add")
def powers_together(*, P_1: Real, P_2: Real) -> Real:
    """Power of two sockets loaded at once."""
    return P_1 + P_2


@formula(symbol="I_label", source="sum", balance="loaded at once, currents add")
def currents_together(*, I_1: Real, I_2: Real) -> Real:
    """Current of two sockets loaded at once."""
    return I_1 + I_2


@formula(symbol="S_in", source="definition of apparent power", balance="mains volts x mains amps")
def label_input(*, V_ac: Real, I_label: Real) -> Real:
    """Apparent power that the printed input rating allows."""
    return V_ac * I_label


@formula(
    symbol="P_socket",
    source="definition of efficiency",
    balance="the second converter hands on its efficiency's share",
)
def socket_power(*, P_o: Real, eta_post: Real) -> Real:
    """Power at the sockets behind a second converter."""
    return P_o * eta_post


@formula(
    symbol="eta",
    source="definition of efficiency",
    balance="power at the sockets over power taken from the bulk",
)
def efficiency(*, P_socket: Real, P_in: Real) -> Real:
    """Efficiency from the bulk to the sockets."""
    return P_socket / P_in


@formula(
    symbol="P_in",
    source="our choice",
    balance="a pulse far above what the current limit allows would be no fair measure of losses",
)
def power_to_reckon_losses(*, P_bulk: Real, P_in: Real) -> Real:
    """What the bulk can give, but no more than twice what the current limit takes."""
    return maths.minimum(P_bulk, 2 * P_in)


@formula(
    symbol="P_socket",
    source="definition of efficiency",
    balance="the share of the bulk's power that arrives at this efficiency",
)
def socket_power_from_bulk(*, P_bulk: Real, eta: Real) -> Real:
    """Power at the sockets for a power taken from the bulk."""
    return P_bulk * eta


@formula(
    symbol="P_o",
    source="definition of efficiency",
    balance="the rail must also feed the second converter's loss",
)
def rail_power(*, P_socket: Real, eta_post: Real) -> Real:
    """Rail power that a power at the sockets needs."""
    return P_socket / eta_post
