"""What is worth a second look in a profile that reads without a mistake."""

from __future__ import annotations

from collections.abc import Iterator

from camlog import signals
from camlog.limits import limits_for, strange_limits
from camlog.profile.model import Cam, VehicleProfile
from camlog.profile.reader import TEMPLATE, read_profile


def notes(profile: VehicleProfile) -> tuple[str, ...]:
    """Sentences on what may be right but often is not; empty where nothing stands out."""
    of_cams = (note for cam in profile.cams for note in _of_cam(cam, profile))
    return (*_of_template(profile), *of_cams, *strange_limits(limits_for(profile)))


def _of_template(profile: VehicleProfile) -> Iterator[str]:
    invented = {definition.source for definition in read_profile(TEMPLATE).signals}
    if profile.signals and {definition.source for definition in profile.signals} <= invented:
        yield (
            "every identifier is still one that camlog invented for its template: no vehicle answers to it. "
            "Put in the vehicle's own from its service information."
        )


def _of_cam(cam: Cam, profile: VehicleProfile) -> Iterator[str]:
    commanded, actual = (profile.definition(name(cam.id)) for name in (signals.commanded, signals.actual))
    if commanded is None or actual is None:  # a profile made in code, not read from a file
        return
    if commanded.source != actual.source:
        yield (
            f"{cam.id}: commanded and actual angle come from different answers, so from different moments; "
            "take both from one identifier if the vehicle has one."
        )
    for key in ("angle", "positive"):
        if getattr(commanded, key) != getattr(actual, key):
            yield f"{cam.id}: commanded and actual differ in {key}; few vehicles do that."
    for definition in (commanded, actual):
        low, high = definition.value_range
        if cam.range_deg is not None and (
            cam.range_deg[0] < low - definition.step or cam.range_deg[1] > high + definition.step
        ):
            yield (
                f"{definition.name} reaches from {low:g} to {high:g} deg, but the cam travels from "
                f"{cam.range_deg[0]:g} to {cam.range_deg[1]:g} deg; check factor, offset, angle and positive."
            )
