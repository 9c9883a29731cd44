"""One cam in one drive: runs its kernels in turn on the output of the engine."""

from __future__ import annotations

import dataclasses

import numpy as np

from camlog.simulate.vehicle import kernels
from camlog.simulate.vehicle.kernels import REFERENCE_VISCOSITY_MM2_S, Block, first_state
from camlog.simulate.vehicle.noise import NoiseStream
from camlog.simulate.vehicle.phaser_kernels import (
    AT_REST_DEG,
    KERNELS,
    command_kernel,
    phaser_kernel,
    random_kernel,
    watch_kernel,
)
from camlog.simulate.vehicle.setup import CamSetup

SPIKE_DEG = 61.0
NUMBERS = tuple(f.name for f in dataclasses.fields(CamSetup) if f.type in ("float", "bool"))


class Phaser:
    """One cam in one drive; `run` computes the next ticks from those of the engine."""

    def __init__(self, cam: CamSetup, seed: int, hold_duty: float | None = None, running: bool = False):
        self._noise = NoiseStream(seed, f"cam {cam.id}")
        angle = min(max(0.0, cam.stop_low_deg), cam.stop_high_deg)
        measured = angle + cam.report_bias_deg + cam.timing_offset_deg
        self._state = first_state(*KERNELS) | {
            "angle": angle,
            "hold": cam.hold_learned_duty if hold_duty is None else hold_duty,
            "locked": float(cam.pin_holds),
            "measured": measured,
            "before": measured,
            "duty": max(cam.neutral_duty - 1.5 * cam.duty_span, 0.0) if running else 0.0,
        }
        self.cam = cam
        reach = cam.direction * cam.authority_deg
        self._inputs = {name: float(getattr(cam, name)) for name in NUMBERS} | {
            "command_map": np.array(cam.command_map),
            "low": max(min(0.0, reach), cam.stop_low_deg),
            "high": min(max(0.0, reach), cam.stop_high_deg),
            "untrimmed_deg": 0.0 if cam.offset_trimmed else cam.timing_offset_deg,
        }

    @property
    def hold_duty(self) -> float:
        """The hold duty the module has learned, %."""
        return self._state["hold"]

    def run(self, start_tick: int, count: int, engine: Block) -> Block:
        """The next `count` ticks as arrays by name; `engine` has the same ticks of the engine. A missing reading is
        NaN."""
        cam, known = self.cam, {**self._inputs, **engine, **self._noise.take(start_tick, count)}

        def run(kernel) -> None:
            known.update(kernels.run_kernel(kernel, self._state, known, count))

        run(random_kernel)
        if cam.dropout_style == "missing" and cam.dropout_rate_hz:
            # Without a reading the module commands the cam to rest after a second.
            known["enabled"] = np.where(known["gone_before_s"] > 1.0, 0.0, engine["enabled"])
        run(command_kernel)
        known |= self._surroundings(engine, known)
        known["enabled"] = engine["enabled"]
        run(phaser_kernel)
        actual = known["measured"]
        if cam.dropout_style != "held" and cam.dropout_rate_hz:
            lost = np.nan if cam.dropout_style == "missing" else SPIKE_DEG
            actual = np.where(known["gone_s"] > 0.0, lost, actual)
        known["readable"] = np.isfinite(actual).astype(float)
        run(watch_kernel)
        resting = (engine["mode"] > 2.0) & (np.abs(known["target"]) < AT_REST_DEG) & (known["rest_s"] > 2.0)
        resting &= engine["fill"] > 0.95
        return {
            "commanded": np.floor(known["target"] / cam.commanded_step_deg + 0.5) * cam.commanded_step_deg,
            "actual": actual,
            "correlation_deg": np.where(resting, known["measured"], np.nan),
            **{n: known[n] for n in ("duty", "target", "angle", "over_limit_s", "response_s", "stuck")},
        }

    def _surroundings(self, engine: Block, random: Block) -> Block:
        cam, rpm, fill = self.cam, engine["engine_speed"], engine["fill"]
        hot = engine["viscosity"] / REFERENCE_VISCOSITY_MM2_S
        # In wide passages, thick oil slows the flow less than in proportion; in narrow, varnished ones fully.
        thick = np.maximum(hot - 1.0, 0.0)
        resist = 1.0 + cam.viscous_share * thick / (1.0 + thick / 30.0)
        resist += cam.cold_share * np.maximum(hot - 1.6, 0.0)
        push = cam.torque_noise_kpa * random["torque"]
        if cam.hunt_kpa:
            push = push + cam.hunt_kpa * random["hunt"] / (0.7 + rpm / 3000.0) / np.maximum(hot, 0.6)
        rattle = np.zeros(len(rpm))
        if cam.rest_play_deg:
            # If the pin does not hold, the cam rattles until oil fills the chambers, which fill last.
            least = np.where((hot < 1.6) & (rpm < 1100.0), 0.2, 0.08)
            loose = cam.rest_play_deg * np.maximum(1.0 - fill * fill * fill, least)
            loose = cam.direction * loose * np.clip(0.45 + 0.5 * random["play"], 0.0, 1.0)
            rattle = np.where((np.abs(random["target"]) < AT_REST_DEG) & (rpm > 50.0), loose, 0.0)
        return {
            "supply": engine["oil_pressure"] * fill,
            "conductance": cam.slew_deg_s / resist,
            "leak": cam.leak_deg_s_kpa / np.maximum(hot, 0.3),
            "rub": cam.viscous_kpa_s_deg * np.maximum(hot, 0.5),
            "push": push + cam.bias_kpa,
            "schedule": cam.idle_gain + (1.0 - cam.idle_gain) * np.clip((rpm - 700.0) / 1300.0, 0.0, 1.0),
            "rattle": rattle,
        }
