"""Read a vehicle profile (TOML, schema `camlog.vehicle/1`) key by key; an error names file, line, key and remedy. Also
writes a new one to fill in: the commented template, then the names it may use."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from functools import partial
from pathlib import Path

from camlog import signals
from camlog.cams import cam_of, is_angle
from camlog.errors import InputError
from camlog.limits import LIMITS, limits_for, strange_limits
from camlog.messages import Messages
from camlog.new_files import CHECK_FOLDER, refusals, write_text
from camlog.profile.checks import check_profile
from camlog.profile.model import SCHEMA, Cam, ProfileFile, SignalKeys, VehicleProfile
from camlog.profile.scaling import SignalDefinition
from camlog.signals import SIGNALS, unit_of
from camlog.toml_file import TomlFile, shown

say = Messages("camlog.profile")
DEMO = Path(__file__).with_name("demo.toml")
TEMPLATE = Path(__file__).with_name("template.toml")


def read_profile(path: str | Path) -> VehicleProfile:
    """Read and check a vehicle profile; `"demo"` is camlog's invented one.

    Raises InputError with file, line, key and remedy."""
    path = DEMO if str(path) == "demo" else Path(path)
    toml = TomlFile.open(path, "vehicle profile", "`camlog vehicle new FILE` makes an example.")
    read = toml.load(ProfileFile, SCHEMA)
    rest = {cam.id: cam.rest_deg for cam in read.cam}
    for key in read.limits:
        if key not in LIMITS:
            raise toml.unknown(("limits", key), key, LIMITS, "unknown limit")
    profile = VehicleProfile(
        name=read.vehicle.name or path.stem,
        engine=read.engine,
        oil_grade=_oil_grade(read.oil.grade, toml),
        cams=read.cam,
        signals=tuple(_definition(keys, index, rest, toml) for index, keys in enumerate(read.signal)),
        limits=read.limits,
        layout=read.layout,
        kind=read.vehicle.kind or "",
        file=str(path),
        sha256=toml.sha256,
    )
    return check_profile(profile, partial(toml.refusal, say))


def _oil_grade(name: str | None, toml: TomlFile) -> str | None:
    if name is None:
        return None
    from camlog.oil import GRADES, grade  # imports NumPy, which most readers of a profile need later or never

    try:
        return grade(name).name
    except InputError as error:
        values = {"name": shown(name), "known": ", ".join(GRADES)}
        raise toml.refusal(say, ("oil", "grade"), "oil_grade", **values) from error


def _definition(keys: SignalKeys, index: int, rest_deg: dict[str, float], toml: TomlFile) -> SignalDefinition:
    if keys.name not in SIGNALS:
        raise toml.unknown(
            ("signal", index, "name"), keys.name, SIGNALS, f"unknown signal {shown(keys.name)}",
            "`camlog vehicle new FILE` lists the names.",
        )  # fmt: skip
    values = asdict(keys) | {"unit": keys.unit or unit_of(keys.name)}
    cam = cam_of(keys.name)
    if cam and is_angle(keys.name):
        values["rest_deg"] = rest_deg.get(cam, 0.0)
    return SignalDefinition(**values)


def notes(profile: VehicleProfile) -> tuple[str, ...]:
    """Sentences about entries that are valid but often wrong; empty if there are none."""
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


def template_text() -> str:
    """The commented template, with the limits, their defaults, and the signal names."""
    text = TEMPLATE.read_text(encoding="utf-8").rstrip("\n")
    lines = [text]
    for limit in LIMITS.values():
        if f"#{limit.name} = " not in text:
            lines.append(f"#{limit.name} = {limit.value!r}  # {limit.title}")
    lines += ["", "# Signal names, with camlog's unit:"]
    lines += [f"#   {signal.name} [{signal.unit}]" for signal in SIGNALS.values()]
    return "\n".join(lines) + "\n"


def write_template(path: str | Path, force: bool = False) -> Path:
    """Write the commented template to a new file.

    Raises InputError if the file exists and `force` is not set, or if it cannot be written."""
    path = Path(path)
    with refusals(path, CHECK_FOLDER):
        write_text(template_text(), path, replace=force)
    return path
