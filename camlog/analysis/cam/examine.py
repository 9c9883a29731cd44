"""Everything measured about one cam, each figure once, before anything is judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import Hold, held_readings, measure_hold
from camlog.analysis.cam.motion import Motion, measure_motion
from camlog.analysis.cam.noise import reading_noise_deg
from camlog.analysis.cam.rest import Rest, measure_rest
from camlog.analysis.cam.segments import command_grid, envelope_error, steady_segments
from camlog.analysis.cam.tracking import Tracking, measure_tracking
from camlog.analysis.response.measure import Response, measure_response
from camlog.analysis.sensor.implausible import implausible_readings, without
from camlog.analysis.sensor.measure import Sensor, measure_sensor
from camlog.analysis.sticking.measure import Sticking, measure_sticking
from camlog.limits import LIMITS, Limit
from camlog.oil_windows import Windows
from camlog.profile import Engine

SPAN_PERCENT = (0.5, 99.5)  # a spike or two is no travel


@dataclass(frozen=True, slots=True)
class Travel:
    """How far command and cam went over the drive, degrees between their extremes (spikes left out)."""

    command_span_deg: float
    actual_span_deg: float


@dataclass(frozen=True)
class Examination:
    """The figures of one cam: travel, tracking, response, sticking, hold, rest and what its sensor looks like."""

    data: CamData
    travel: Travel
    tracking: Tracking
    response: Response
    sticking: Sticking
    hold: Hold
    rest: Rest
    sensor: Sensor
    motion: Motion


def examine(
    data: CamData,
    windows: Windows,
    limits: Mapping[str, Limit] = LIMITS,
    engine: Engine | None = None,
    others: Sequence[CamData] = (),
) -> Examination:
    """Measure one cam over the whole drive and in each oil window. Poor data gives figures that say why they are None.

    `others` are the vehicle's other cams: a reading that stands still while theirs shows noise is frozen. What is
    no angle of the cam (a substituted or impossible reading) counts for the sensor only.
    """
    grid = command_grid(data)
    segments = steady_segments(data, grid)
    held = held_readings(data, segments)
    implausible = implausible_readings(data)
    sensor = measure_sensor(
        data, limits, grid=grid, segments=segments, others=others, held=held, implausible=implausible
    )
    plausible = without(data, implausible)
    if plausible is not data:
        data, segments = plausible, steady_segments(plausible, grid)
        held = held_readings(data, segments)
    hold = measure_hold(data, windows, segments=segments, held=held)
    return Examination(
        data=data,
        travel=Travel(_span(data.command_deg), _span(data.actual_deg)),
        tracking=measure_tracking(data, windows, limits, grid=grid, segments=segments),
        response=measure_response(data, windows),
        sticking=measure_sticking(
            data, windows, grid=grid, segments=segments, oscillation=hold.oscillation, held=held
        ),
        hold=hold,
        rest=measure_rest(data, windows, limits, engine=engine, segments=segments),
        sensor=sensor,
        motion=measure_motion(
            data, segments, envelope_error(data, grid), reading_noise_deg(data, segments.settled)
        ),
    )


def _span(angle_deg: np.ndarray) -> float:
    return float(np.ptp(np.percentile(angle_deg, SPAN_PERCENT))) if len(angle_deg) else 0.0
