"""Run the step-by-step kernels.

A kernel is a function whose parameters are, by name: its inputs (numbers, and arrays with one value a tick), the output
arrays `o_NAME` that it fills, and last, with initial values as defaults, the state that it returns. It may call
functions of its own module. Kernels use only + - * / sqrt and comparisons on 64-bit floats, which IEEE 754 defines
exactly, so that compiled and interpreted runs give the same numbers."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping

import numpy as np

TICK_S = 0.01  # the control module's step
SECOND_TICKS = 100
# Reference for the hydraulic constants of a phaser; the viscosity is about that of 5W-30 at 90 degC.
REFERENCE_PRESSURE_KPA = 300.0
REFERENCE_VISCOSITY_MM2_S = 13.8

Block = dict[str, np.ndarray]


@functools.cache
def parameters(kernel: Callable) -> tuple[list[str], list[str], dict[str, float]]:
    """Names of a kernel's inputs and outputs, and its state with the initial values."""
    code, first = kernel.__code__, kernel.__defaults__ or ()
    names, carried = code.co_varnames[: code.co_argcount - len(first)], code.co_varnames[: code.co_argcount]
    outputs = [n for n in names if n.startswith("o_")]
    state = dict(zip(carried[-len(first) :], first, strict=True))
    return [n for n in names if n not in outputs], outputs, state


def first_state(*kernels: Callable) -> dict[str, float]:
    return {name: value for kernel in kernels for name, value in parameters(kernel)[2].items()}


def run_kernel(kernel: Callable, state: dict[str, float], known: Mapping[str, float | np.ndarray], count: int) -> Block:
    """Run a kernel over `count` ticks; `state` is changed in place. Returns the output arrays by name."""
    inputs, outputs, carried = parameters(kernel)
    # Lists of Python floats, because plain Python reads arrays item by item several times slower.
    filled = [[0.0] * count for _ in outputs]
    values = map(known.__getitem__, inputs)
    before = [state[n] for n in carried]
    after = kernel(*[v.tolist() if isinstance(v, np.ndarray) else v for v in values], *filled, *before)
    state.update(zip(carried, after, strict=True))
    return {n.removeprefix("o_"): v for n, v in zip(outputs, np.asarray(filled), strict=True)}
