"""The cycle in time: a piecewise-linear switching simulation in two fidelities, and its steady state.

``cycle`` follows charge and energy pulse by pulse, without ringing: fast enough for mains periods, load
steps and start-up. ``full`` follows every state (leakage, drain capacitance, clamp, ESR) exactly between
its switching instants. Both see the same `Converter` and the same `Regulator`.
"""
