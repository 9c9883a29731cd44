"""What is worth a second look in a profile that reads without a mistake."""

from __future__ import annotations

from collections.abc import Iterator

from camlog import signals
from camlog.limits import limits_for, strange_limits
from camlog.profile.model import Cam, VehicleProfile
from camlog.profile.reader import TEMPLATE, read_profile, say


def notes(profile: VehicleProfile) -> tuple[str, ...]:
    """Sentences on what may be right but often is not; empty where nothing stands out."""
    of_cams = (note for cam in profile.cams for note in _of_cam(cam, profile))
    return (*_of_template(profile), *of_cams, *strange_limits(limits_for(profile)))


def _of_template(profile: VehicleProfile) -> Iterator[str]:
    invented = {definition.source for definition in read_profile(TEMPLATE).signals}
    if profile.signals and {definition.source for definition in profile.signals} <= invented:
        yield say("note.template")


def _of_cam(cam: Cam, profile: VehicleProfile) -> Iterator[str]:
    commanded, actual = (profile.definition(name(cam.id)) for name in (signals.commanded, signals.actual))
    if commanded is None or actual is None:  # a profile made in code, not read from a file
        return
    if commanded.source != actual.source:
        yield say("note.two_answers", cam=cam.id)
    for key in ("angle", "positive"):
        if getattr(commanded, key) != getattr(actual, key):
            yield say("note.differ", cam=cam.id, key=key)
    for definition in (commanded, actual):
        (low, high), step = definition.value_range, definition.step
        least, most = cam.range_deg or (0.0, 0.0)
        if cam.range_deg is not None and (least < low - step or most > high + step):
            yield say("note.reach", name=definition.name, low=low, high=high, from_=least, to=most)
