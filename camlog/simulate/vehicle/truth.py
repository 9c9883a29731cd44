"""What is true of a simulated drive: the fault by name, and what it really did to each cam. A fault that
the drive never brought out cannot be found by anybody. So beside the names stands how far this drive
differed from the same drive of the same vehicle without the fault, in what the noiseless plant did."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.simulate.vehicle.kernels import TICK_S, Block
from camlog.simulate.vehicle.plant import timing_error
from camlog.simulate.vehicle.setup import CamSetup, VehicleSetup

# Oil-temperature windows of the analysis.
WINDOW_EDGES_DEGC = (-np.inf, 40.0, 70.0, 100.0, np.inf)
WINDOW_NAMES = ("below_40", "40_70", "70_100", "above_100")
REST_DEG = 0.5


def _spread(values: np.ndarray) -> dict[str, float] | None:
    if not values.size:
        return None
    size = np.abs(values)
    return {
        "rms_deg": float(np.sqrt(np.mean(values**2))),
        "p95_deg": float(np.percentile(size, 95.0)),
        "max_deg": float(size.max()),
    }


def cam_truth(setup: VehicleSetup, cam: CamSetup, block: Block, healthy: Block) -> dict[str, Any]:
    """What one cam really did in a drive, against the same drive without the fault."""
    running = (block["mode"] > 2.0) & (block["engine_speed"] > 400.0)
    angle, same = (b[f"angle_{cam.id}"] + b[f"timing_{cam.id}"] for b in (block, healthy))
    at_rest = running & (np.abs(block[f"target_{cam.id}"]) < REST_DEG)
    # Held by friction alone: neither on a stop nor at rest.
    inside = np.abs(block[f"angle_{cam.id}"]) > REST_DEG
    stuck = running & ~at_rest & inside & (block[f"stuck_{cam.id}"] > 0.5)
    held_off = np.abs(timing_error(block, cam.id)[stuck])
    reported, reported_healthy = block[f"actual_{cam.id}"], healthy[f"actual_{cam.id}"]
    missing = ~np.isfinite(reported)
    sensor = np.where(missing, 0.0, reported) - angle - (reported_healthy - same)
    oil, windows = block["oil_temp"], {}
    for name, low, high in zip(WINDOW_NAMES, WINDOW_EDGES_DEGC[:-1], WINDOW_EDGES_DEGC[1:], strict=True):
        here = running & ~at_rest & (oil >= low) & (oil < high)
        windows[name] = {"seconds_away_from_rest": float(here.sum() * TICK_S)}
    finding, also = findings_of(setup, cam.id)
    return {
        "condition": finding,
        "also": also,
        "timing_offset_deg": cam.timing_offset_deg,
        "stick_band_deg": float(np.percentile(held_off, 99.0)) if stuck.any() else None,
        "difference_from_healthy": _spread((angle - same)[running]),
        "sensor_difference": _spread(sensor[running]),
        "missing_share": float(np.mean(missing[running])) if running.any() else 0.0,
        "windows": windows,
    }


def findings_of(setup: VehicleSetup, cam_id: str) -> tuple[str, list[str]]:
    """The Findings condition a cam truly has (that of its gravest fault), and other names that a careful
    reader may give what it does."""
    concerned = [c for c in setup.conditions if c.severity > 0.0 and cam_id in c.cams]
    if not concerned:
        return "healthy", []
    finding = max(concerned, key=lambda c: c.severity).info.finding
    return finding, sorted({n for c in concerned for n in (*c.info.also, c.info.finding)} - {finding})


def drive_truth(setup: VehicleSetup, block: Block, healthy: Block) -> dict[str, Any]:
    """The truth of a drive as plain JSON values."""
    present = [c for c in setup.conditions if c.severity > 0.0]
    return {
        "seed": setup.seed,
        "condition": present[0].kind if present else "healthy",
        "severity": max((c.severity for c in present), default=0.0),
        "conditions": [
            {
                "kind": c.kind, "words": c.info.words, "finding": c.info.finding, "severity": c.severity,
                "cams": list(c.cams), "cylinder": c.cylinder, "onset_s": c.onset_s,
            }
            for c in present
        ],
        "cams": {c.id: cam_truth(setup, c, block, healthy) for c in setup.cams},
    }  # fmt: skip
