"""Everything measured about one cam, each figure once, before anything is judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from camlog.analysis.cam.camdata import CamData
from camlog.analysis.cam.hold import Hold, measure_hold
from camlog.analysis.cam.rest import Rest, measure_rest
from camlog.analysis.cam.strip import Strip, make_strip
from camlog.analysis.cam.tracking import Motion, Tracking, measure_motion, measure_tracking
from camlog.analysis.response.measure import Response, measure_response
from camlog.analysis.sensor.implausible import implausible_readings
from camlog.analysis.sensor.measure import Sensor, measure_sensor
from camlog.analysis.sticking.measure import Sticking, measure_sticking
from camlog.limits import LIMITS, Limit
from camlog.profile import Engine


@dataclass(frozen=True)
class Examination:
    data: CamData
    tracking: Tracking
    response: Response
    sticking: Sticking
    hold: Hold
    rest: Rest
    sensor: Sensor
    motion: Motion
    strip: Strip


def examine(
    data: CamData, limits: Mapping[str, Limit] = LIMITS, engine: Engine | None = None, others: Sequence[CamData] = ()
) -> Examination:
    """Measure one cam over the drive and in each oil window. A figure that cannot be measured carries a reason.
    `others` are the vehicle's other cams: a reading that stands still while theirs show noise is frozen.
    Readings that cannot be angles of the cam are passed to the sensor check and dropped from all others."""
    sensor = measure_sensor(data, limits, others)
    whole, data = data, data.without(implausible_readings(data))
    hold = measure_hold(data)
    rest, sticking = measure_rest(data, limits, engine), measure_sticking(data, hold.oscillation)
    examination = Examination(
        data=data,
        tracking=measure_tracking(data, limits),
        response=measure_response(data),
        sticking=sticking,
        hold=hold,
        rest=rest,
        sensor=sensor,
        motion=measure_motion(data),
        strip=make_strip(whole, data, sensor=sensor, rest=rest, hold=hold, sticking=sticking, limits=limits),
    )
    # The cached preparation of a long recording takes more memory than its readings.
    whole.forget()
    data.forget()
    return examination
