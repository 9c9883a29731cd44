"""Vehicle profiles: the identifiers of a vehicle's cam angles, and the scaling of its raw values."""

from camlog.profile.model import SCHEMA, Cam, Engine, VehicleProfile
from camlog.profile.reader import DEMO, TEMPLATE, notes, read_profile, template_text, write_template
from camlog.profile.scaling import SignalDefinition

__all__ = [
    "DEMO", "SCHEMA", "TEMPLATE", "Cam", "Engine", "SignalDefinition", "VehicleProfile", "notes", "read_profile",
    "template_text", "write_template",
]  # fmt: skip
