"""The two step-by-step kernels, as plain Python or compiled by numba where that is installed.

Kernels use only + - * / sqrt and comparisons on 64-bit floats, which IEEE 754
fixes to the last bit, so both ways give identical numbers.
"""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Callable, Sequence

import numpy as np


@functools.cache
def numba_available() -> bool:
    """True where numba can be imported."""
    return importlib.util.find_spec("numba") is not None


@functools.cache
def _compile(kernel: Callable) -> Callable:
    import numba

    try:
        return numba.njit(cache=True, nogil=True)(kernel)
    except RuntimeError:  # no folder where compiled code could be kept: compile for this run only
        return numba.njit(nogil=True)(kernel)


def run_kernel(
    kernel: Callable,
    compiled: bool,
    state: np.ndarray,
    inputs: Sequence[np.ndarray],
    outputs: int,
    count: int,
) -> np.ndarray:
    """Run `kernel(*inputs, state, *outputs)`; `state` is changed in place.

    Returns an array of shape (outputs, count).
    """
    if compiled:
        out = np.empty((outputs, count))
        _compile(kernel)(*inputs, state, *out)
        return out
    # Lists of Python floats: several times quicker than reading arrays item by item.
    lists = [[0.0] * count for _ in range(outputs)]
    held = state.tolist()
    kernel(*(x.tolist() for x in inputs), held, *lists)
    state[:] = held
    return np.array(lists)
