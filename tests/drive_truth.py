"""What is true of a drive of the simulated car: the fault by name, and what it makes of each cam."""

from __future__ import annotations

from typing import Any

import numpy as np

from camlog.simulate.vehicle.kernels import Block
from camlog.simulate.vehicle.plant import timing_error
from camlog.simulate.vehicle.setup import CamSetup, VehicleSetup

REST_DEG = 0.5


def drive_truth(setup: VehicleSetup, block: Block) -> dict[str, Any]:
    """The truth of a drive as plain JSON values; of its `cams`, the findings they should get."""
    present = [c for c in setup.conditions if c.severity > 0.0]
    return {
        "seed": setup.seed,
        "condition": present[0].kind if present else "healthy",
        "severity": max((c.severity for c in present), default=0.0),
        "conditions": [
            {
                "kind": c.kind, "words": c.info.words, "finding": c.info.finding, "severity": c.severity,
                "cams": list(c.cams), "cylinder": c.cylinder,
            }
            for c in present
        ],
        "cams": {c.id: _of_cam(setup, c, block) for c in setup.cams},
    }  # fmt: skip


def _of_cam(setup: VehicleSetup, cam: CamSetup, block: Block) -> dict[str, Any]:
    """The Findings condition of a cam's gravest fault, and `also` those that a careful reader may give it."""
    moving = (block["mode"] > 2.0) & (block["engine_speed"] > 400.0)
    # Held by friction alone: neither on a stop nor at rest.
    for angle in ("target", "angle"):
        moving &= np.abs(block[f"{angle}_{cam.id}"]) > REST_DEG
    held_off = np.abs(timing_error(block, cam.id)[moving & (block[f"stuck_{cam.id}"] > 0.5)])
    concerned = [c for c in setup.conditions if c.severity > 0.0 and cam.id in c.cams]
    finding = max(concerned, key=lambda c: c.severity).info.finding if concerned else "healthy"
    return {
        "condition": finding,
        "also": sorted({n for c in concerned for n in (*c.info.also, c.info.finding)} - {finding}),
        "timing_offset_deg": cam.timing_offset_deg,
        "stick_band_deg": float(np.percentile(held_off, 99.0)) if len(held_off) else None,
    }
