"""Misfires per cylinder: rare by themselves, more where the cam stands wrong, many with a bad coil."""

from __future__ import annotations

import numpy as np

from camlog.simulate.vehicle.noise import stream_generator
from camlog.simulate.vehicle.setup import TICK_S, VehicleSetup

BIN_TICKS = 10
COIL_LOAD_FROM_PERCENT = 15.0
COIL_LOAD_SPAN_PERCENT = 35.0
COIL_LOAD_MOST = 2.0
LOWEST_FIRING_RPM = 400.0


def misfire_rates(setup: VehicleSetup, block: dict[str, np.ndarray], coil: bool) -> np.ndarray:
    """Expected misfires per bin of 0.1 s, shape (bins, cylinders).

    The rate of a bank's cylinders rises with the true error of its worst cam
    beyond what an engine bears; a failing coil's with load.
    """
    ticks = len(block["engine_speed"])
    starts = np.arange(0, ticks, BIN_TICKS)
    counts = np.diff(np.append(starts, ticks))

    def mean(values: np.ndarray) -> np.ndarray:
        return np.add.reduceat(values, starts) / counts

    firing = (block["mode"] > 2.0) & (block["engine_speed"] > LOWEST_FIRING_RPM)
    krev = np.add.reduceat(np.where(firing, block["engine_speed"], 0.0), starts) * TICK_S / 60.0 / 1000.0
    m = setup.misfire
    rates = np.full((len(starts), setup.engine.cylinders), m.base_per_1000_rev)
    for number, bank in enumerate(setup.engine.banks, start=1):
        error = np.zeros(len(starts))
        for cam in setup.cams:
            if cam.bank == number:
                away = block[f"angle_{cam.id}"] + block[f"timing_{cam.id}"] - block[f"target_{cam.id}"]
                error = np.maximum(error, mean(np.abs(away)))
        extra = m.cam_error_per_1000_rev_deg * np.maximum(error - m.cam_error_start_deg, 0.0)
        rates[:, [c - 1 for c in bank]] += extra[:, None]
    if coil and m.coil_cylinder:
        load = (mean(block["engine_load"]) - COIL_LOAD_FROM_PERCENT) / COIL_LOAD_SPAN_PERCENT
        rates[:, m.coil_cylinder - 1] += m.coil_per_1000_rev * np.clip(load, 0.05, COIL_LOAD_MOST)
    return rates * krev[:, None]


def draw_misfires(seed: int, second: int, expected: np.ndarray) -> np.ndarray:
    """Poisson counts of one second, integer, shape of `expected`, the same for the same seed and second."""
    return stream_generator(seed, "misfire", second).poisson(expected)
