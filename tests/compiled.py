"""The simulated car's kernels, compiled by numba where that is installed: the same numbers, many times sooner.

`use` puts `run_kernel` in the place of the plain one, for tests and benchmarks that simulate whole drives at once.
"""

from __future__ import annotations

import functools
import importlib.util
import types
from collections.abc import Callable, Mapping

import numpy as np

from camlog.simulate.vehicle import kernels

PLAIN = kernels.run_kernel


@functools.cache
def numba_available() -> bool:
    return importlib.util.find_spec("numba") is not None


def use() -> None:
    """Run kernels compiled from now on, where numba is installed."""
    if numba_available():
        kernels.run_kernel = run_kernel


def run_kernel(
    kernel: Callable, state: dict[str, float], known: Mapping[str, float | np.ndarray], count: int
) -> kernels.Block:
    """As `camlog.simulate.vehicle.kernels.run_kernel`."""
    inputs, outputs, carried = kernels.parameters(kernel)
    filled = np.empty((len(outputs), count))
    after = _compile(kernel)(*(known[n] for n in inputs), *filled, *(state[n] for n in carried))
    state.update(zip(carried, after, strict=True))
    return {n.removeprefix("o_"): v for n, v in zip(outputs, filled, strict=True)}


@functools.cache
def _compile(kernel: Callable) -> Callable:
    import numba

    names = {**kernel.__globals__}
    for name in kernel.__code__.co_names:
        if isinstance(names.get(name), types.FunctionType):
            names[name] = _compile(names[name])
    kernel = types.FunctionType(kernel.__code__, names, kernel.__name__)
    try:
        return numba.njit(cache=True, nogil=True)(kernel)
    except RuntimeError:  # no folder where compiled code could be kept: compile for this run only
        return numba.njit(nogil=True)(kernel)
