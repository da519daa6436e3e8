"""A map of 100 x 100 points with bands, beside the same number of samples of one board.

Not part of the tests: run with `--benchmark-only -s`. Seconds are only printed.
"""

import resource
import time

import numpy as np
import pytest

import flyback
from flyback.analysis.ceilings import starting_points
from flyback.analysis.demand import Case
from flyback.analysis.grid import bands, nominal
from flyback.analysis.inputs import mains_line, plain
from flyback.analysis.sampling import sample
from flyback.analysis.trace import trace
from flyback.studies.sweep import SAMPLES, sweep

STEPS = 100
MAP = ["R6=0.5ohm..2ohm", "mains=90V..264V"]


@np.errstate(all="ignore")
def test_a_map_of_ten_thousand_points(benchmark):
    board = flyback.load("worked_examples/bedside_charger.toml")
    circuit = trace(board)
    case, line = Case(circuit, 5.0, ()), plain(mains_line(230.0, 50.0))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    ladder = case.ladder(supply, line)
    starts = starting_points(supply, line, ladder)
    samples = STEPS**2 * SAMPLES[2]

    began = time.perf_counter()
    sample(case, [line], [ladder], [starts], samples=samples, seed=1)
    one_board = time.perf_counter() - began
    began = time.perf_counter()
    flyback.check(board, mains=230.0, samples=SAMPLES[2])
    one_check = time.perf_counter() - began
    began = time.perf_counter()
    benchmark.pedantic(sweep, args=(board, MAP), kwargs={"steps": STEPS}, rounds=1, iterations=1)
    took = time.perf_counter() - began
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n{STEPS} x {STEPS} points, {SAMPLES[2]} samples each: {took:.1f} s, at most {most:.0f} MiB; "
        f"as many samples of one board {one_board:.1f} s; "
        f"as many checks of {SAMPLES[2]} samples {one_check * STEPS**2:.0f} s"
    )


@pytest.mark.parametrize("steps", [25, 50, 100])
def test_the_nominal_pass(benchmark, steps):
    board = flyback.load("worked_examples/bedside_charger.toml")
    from flyback.studies.sweep_axes import read_axes
    from flyback.studies.sweep_grid import Swept

    axes = read_axes(board, MAP, steps=steps)
    swept = Swept.of(board, Case(trace(board), 5.0, ()), axes)
    line = mains_line(90.0, 50.0)
    points = swept.points(line, [axis.values for axis in axes])
    middle = benchmark.pedantic(nominal, args=(points,), rounds=3, iterations=1)
    began = time.perf_counter()
    bands(points, middle, samples=SAMPLES[2])
    print(f"\n{steps} x {steps}: bands {1e6 * (time.perf_counter() - began) / steps**2:.0f} us a point")
