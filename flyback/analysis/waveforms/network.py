"""A piecewise-linear network in closed form: between two switching instants it is a sum of exponentials.

Diodes and switches are open, or a voltage drop with a resistance. For each combination of these (a
`Mode`) nodal analysis gives every voltage and current as a row on the state vector z, and dz/dt = M z.
With the eigenvectors of M the state, any row, its time integral and the integral of a product of two rows
are closed forms of the elapsed time; only the instants at which a diode or the controller switches are
searched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.waveforms.run import Array
from flyback.errors import NumericalError

GROUND = "0"
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Resistor:
    """Resistance between two nodes [ohm]."""

    name: str
    a: str
    b: str
    R: float


@dataclass(frozen=True, slots=True)
class Inductor:
    """Inductance [H]; its current from a to b is a state."""

    name: str
    a: str
    b: str
    L: float


@dataclass(frozen=True, slots=True)
class Store:
    """Capacitance [F] with a series resistance [ohm]; the voltage of the capacitance is a state."""

    name: str
    a: str
    b: str
    C: float
    R: float = 0.0


@dataclass(frozen=True, slots=True)
class Valve:
    """A diode or a switch: open, or a drop V [V] with a resistance R [ohm] from a to b.

    Attributes:
        driven: True for a switch, which the controller opens and closes; a diode follows the circuit.
    """

    name: str
    a: str
    b: str
    V: float
    R: float
    driven: bool = False


@dataclass(frozen=True, slots=True)
class Source:
    """A stiff voltage source: ``factor`` times the named entry of the state vector [V]."""

    name: str
    a: str
    b: str
    entry: str
    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Draw:
    """A current source from a to b whose current is the named entry of the state vector [A]."""

    name: str
    a: str
    b: str
    entry: str


@dataclass(frozen=True, slots=True)
class Coupling:
    """An ideal transformer: n times the secondary's voltage stands across the primary."""

    name: str
    a: str
    b: str
    c: str
    d: str
    n: float


Element = Resistor | Inductor | Store | Valve | Source | Draw | Coupling


@dataclass(frozen=True, slots=True)
class Given:
    """An entry of the state vector that no element has: constant, or turning with another one.

    Attributes:
        turns_with: name of the entry whose negative, times ``omega``, is this one's derivative.
    """

    name: str
    turns_with: str | None = None
    omega: float = 0.0


class Mode:
    """The network with one combination of open and closed valves.

    Attributes:
        rate: eigenvalues [1/s].
        shape: eigenvectors as columns; a state z is ``shape @ weights``.
        v, i: row of each element's voltage and current on the state vector.
    """

    __slots__ = ("M", "_inverse", "i", "pair", "rate", "shape", "v")

    def __init__(self, M: Array, v: dict[str, Array], i: dict[str, Array], own: int) -> None:
        self.M, self.v, self.i = M, v, i
        self.rate, self.shape = _eigen(M, own)
        self._inverse: Complex = np.asarray(np.linalg.inv(self.shape), dtype=np.complex128)
        self.pair: Complex = np.asarray(self.rate[:, None] + self.rate[None, :], dtype=np.complex128)

    def weights(self, z: Array) -> Complex:
        """Weight of each eigenvector in a state."""
        return self._inverse @ z

    def later(self, z: Array, weights: Complex, t: float) -> Array:
        """The state a time [s] after z, whose weights are known: only the change is rounded."""
        return np.asarray(z + (self.shape @ (weights * np.expm1(self.rate * t))).real)

    def integral(self, weights: Complex, t: float) -> Array:
        """Time integral of the state over a time [s]."""
        return np.asarray((self.shape @ (weights * _grown(self.rate, t))).real)

    def products(self, weights: Complex, t: float) -> Complex:
        """Integrals of all products of two eigenvectors' shares; add these up, then `product`."""
        return np.asarray(np.outer(weights, weights) * _grown(self.pair, t))

    def product(self, products: Complex, first: Array, second: Array) -> float:
        """Time integral of the product of two rows."""
        return float(((first @ self.shape) @ products @ (second @ self.shape)).real)


REFINEMENTS = 2
"""Newton steps on the eigenvectors: the library's error is that of the fastest rate, 1e7 times too much."""

SAME = 1e-9
"""Difference of two rates, as a share of the larger, below which they are taken for one."""

ROUNDED = 1e-15
"""The same as a share of the fastest rate of all: what rounding leaves of a rate of zero."""

DRIFTS = 1e-6
"""Change without end [V/s, A/s] that counts: a closed form of exponentials has none."""


def _eigen(M: Array, own: int) -> tuple[Complex, Complex]:
    """Rates and eigenvectors of a matrix whose rates lie many decades apart.

    What is given is split off: a capacitor that nothing discharges has the rate of the constant 1, and of
    two such the library makes one eigenvector.

    Args:
        own: how many entries are elements'; what is given follows them.
    """
    rate, shape = _refined(M[:own, :own], *np.linalg.eig(M[:own, :own]))
    turning, given = np.linalg.eig(M[own:, own:])
    fastest = max(float(np.abs(rate).max(initial=0.0)), float(np.abs(turning).max()))
    driven = np.linalg.solve(shape, M[:own, own:] @ given)
    apart, near = _apart(rate, turning, fastest)
    if (near & (np.abs(driven) > np.maximum(SAME * np.abs(driven).max(axis=0), DRIFTS))).any():
        raise NumericalError("the circuit has a part that is charged without end")
    following = shape @ np.where(near, 0.0, driven / np.where(near, 1.0, apart))
    whole = np.block([[shape, following], [np.zeros((len(turning), own)), given]])
    return _refined(M, np.concatenate([rate, turning]), whole)


def _refined(M: Array, rate: Complex, shape: Complex) -> tuple[Complex, Complex]:
    rate, shape = rate.astype(np.complex128), shape.astype(np.complex128)
    for _ in range(REFINEMENTS):
        error = np.linalg.solve(shape, M @ shape - shape * rate)
        apart, near = _apart(rate, rate, float(np.abs(rate).max(initial=0.0)))
        rate = rate + np.diag(error)
        shape = shape + shape @ np.where(near, 0.0, error / np.where(near, 1.0, apart))
    return rate, shape


def _apart(rows: Complex, columns: Complex, fastest: float) -> tuple[Complex, NDArray[np.bool_]]:
    """How far each rate of the columns lies above each of the rows, and which are the same."""
    apart = columns[None, :] - rows[:, None]
    larger = np.maximum(np.abs(columns)[None, :], np.abs(rows)[:, None])
    return apart, np.abs(apart) <= SAME * larger + ROUNDED * fastest


def _grown(rate: Complex, t: float) -> Complex:
    """(exp(rate t) - 1) / rate, which is t where the rate is zero."""
    still = np.abs(rate) < 1e-6
    return np.where(still, t, np.expm1(rate * t) / np.where(still, 1.0, rate))


class Network:
    """Elements, the order of the state vector, and the modes met so far.

    Args:
        given: entries of the state vector that no element has; the first must be the constant 1.
    """

    def __init__(self, elements: Sequence[Element], given: Sequence[Given]) -> None:
        self.elements = tuple(elements)
        self._given = tuple(given)
        held = [e.name for e in elements if isinstance(e, Inductor | Store)]
        self.entries = (*held, *(g.name for g in given))
        self.at = {name: k for k, name in enumerate(self.entries)}
        self.valves = tuple(e for e in elements if isinstance(e, Valve))
        nodes = dict.fromkeys(n for e in elements for n in _nodes(e) if n != GROUND)
        self._node = {name: k for k, name in enumerate(nodes)}
        self._modes: dict[tuple[bool, ...], Mode] = {}

    def row(self, entry: str) -> Array:
        """The row that reads one entry of the state vector."""
        row = np.zeros(len(self.entries))
        row[self.at[entry]] = 1.0
        return row

    def mode(self, closed: tuple[bool, ...]) -> Mode:
        """The mode in which these valves are closed, in the order of ``valves``."""
        mode = self._modes.get(closed)
        if mode is None:
            mode = self._modes[closed] = self._solve(dict(zip(self.valves, closed, strict=True)))
        return mode

    def _solve(self, closed: dict[Valve, bool]) -> Mode:
        n, width = len(self._node), len(self.entries)
        extra = [e for e in self.elements if isinstance(e, Source | Coupling) or _stiff(e)]
        at = {e.name: n + k for k, e in enumerate(extra)}
        A = np.zeros((n + len(extra), n + len(extra)))
        B = np.zeros((n + len(extra), width))
        one = self.at[self._given[0].name]
        for e in self.elements:
            match e:
                case Resistor(_, a, b, R):
                    self._conduct(A, a, b, 1.0 / R)
                case Inductor(name, a, b) | Draw(_, a, b, name):
                    self._inject(B, a, b, self.at[name], 1.0)
                case Store(name, a, b, _, R) if R > 0:
                    self._conduct(A, a, b, 1.0 / R)
                    self._inject(B, a, b, self.at[name], -1.0 / R)
                case Store(name, a, b):
                    self._branch(A, a, b, at[name])
                    B[at[name], self.at[name]] = 1.0
                case Source(name, a, b, entry, factor):
                    self._branch(A, a, b, at[name])
                    B[at[name], self.at[entry]] = factor
                case Valve(_, a, b, V, R) if closed[e]:
                    self._conduct(A, a, b, 1.0 / R)
                    self._inject(B, a, b, one, -V / R)
                case Coupling(name, a, b, c, d, turns):
                    self._branch(A, a, b, at[name])
                    for node, sign in ((c, 1.0), (d, -1.0)):
                        if node != GROUND:
                            A[at[name], self._node[node]] -= turns * sign
                            A[self._node[node], at[name]] -= turns * sign
        try:
            X: Array = np.asarray(np.linalg.solve(A, B), dtype=np.float64)
        except np.linalg.LinAlgError as error:
            raise NumericalError("the circuit has a part that hangs in the air") from error
        return self._rows(X, at, closed)

    def _rows(self, X: Array, at: dict[str, int], closed: dict[Valve, bool]) -> Mode:
        v: dict[str, Array] = {}
        i: dict[str, Array] = {}
        M = np.zeros((len(self.entries), len(self.entries)))
        nothing = np.zeros(len(self.entries))
        for e in self.elements:
            across = v[e.name] = self._potential(X, e.a) - self._potential(X, e.b)
            match e:
                case Resistor(R=R):
                    i[e.name] = across / R
                case Inductor(L=L):
                    i[e.name] = self.row(e.name)
                    M[self.at[e.name]] = across / L
                case Store(C=C, R=R):
                    i[e.name] = (across - self.row(e.name)) / R if R > 0 else X[at[e.name]]
                    M[self.at[e.name]] = i[e.name] / C
                case Draw(entry=entry):
                    i[e.name] = self.row(entry)
                case Valve(V=V, R=R):
                    drop = V * self.row(self._given[0].name)
                    i[e.name] = (across - drop) / R if closed[e] else nothing
                case _:
                    i[e.name] = X[at[e.name]]
        for g in self._given:
            if g.turns_with is not None:
                M[self.at[g.name], self.at[g.turns_with]] = -g.omega
        return Mode(M, v, i, len(self.entries) - len(self._given))

    def _potential(self, X: Array, node: str) -> Array:
        return np.zeros(len(self.entries)) if node == GROUND else X[self._node[node]]

    def _conduct(self, A: Array, a: str, b: str, G: float) -> None:
        for node, sign in ((a, 1.0), (b, -1.0)):
            if node != GROUND:
                for other, back in ((a, 1.0), (b, -1.0)):
                    if other != GROUND:
                        A[self._node[node], self._node[other]] += sign * back * G

    def _inject(self, B: Array, a: str, b: str, entry: int, current: float) -> None:
        """A current from a to b through an element leaves a and enters b."""
        for node, sign in ((a, -1.0), (b, 1.0)):
            if node != GROUND:
                B[self._node[node], entry] += sign * current

    def _branch(self, A: Array, a: str, b: str, unknown: int) -> None:
        for node, sign in ((a, 1.0), (b, -1.0)):
            if node != GROUND:
                A[self._node[node], unknown] += sign
                A[unknown, self._node[node]] += sign


def _nodes(e: Element) -> tuple[str, ...]:
    return (e.a, e.b, e.c, e.d) if isinstance(e, Coupling) else (e.a, e.b)


def _stiff(e: Element) -> bool:
    return isinstance(e, Store) and e.R == 0
