"""A vehicle profile as tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterator

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from camlog import signals
from camlog.profile.model import VehicleProfile
from camlog.profile.reader import notes, say
from camlog.profile.scaling import SignalDefinition


def summary(profile: VehicleProfile) -> Iterator[Text | Table]:
    """The content of the profile in canonical units, as rich renderables."""
    yield Text(profile.name, style="bold")
    engine = say("summary.engine", e=profile.engine).rstrip("; ")
    yield Text(f"Engine: {engine or 'not described'}")
    yield Text(f"Oil: {profile.oil_grade or 'grade not given, so no viscosity'}")
    if profile.cams:
        yield _cams(profile)
    else:
        yield Text("No cams: camlog can log and read codes, but cannot judge a phaser.")
    if profile.signals:
        yield _signals(profile.signals)
    if profile.limits:
        yield _limits(profile)
    for note in notes(profile):
        yield Text(f"Look again: {note}")


def request(definition: SignalDefinition) -> str:
    """The request for a signal, such as `22 F0A2`."""
    digits = 4 if definition.service == 0x22 else 2
    return f"{definition.service:02X} {definition.identifier:0{digits}X}"


def place(definition: SignalDefinition) -> str:
    """The data bytes of a signal, with its bits if it does not fill them."""
    first, last = definition.start_byte, definition.end_byte - 1
    text = f"{first}" if first == last else f"{first}-{last}"
    if definition.length_bits % 8:
        tops = [bit for byte, bit in sorted(definition.bits) if byte == first]
        text += f", {definition.length_bits} bits from {first}.{max(tops)}"
    if first != last and definition.byte_order == "little":
        text += ", little-endian"
    return text


def _table(title: str, *headings: str) -> Table:
    table = Table(title=title, box=SIMPLE_HEAD, padding=(0, 1, 0, 0), show_edge=False, title_justify="left")
    for heading in headings:
        # Names, identifiers and numbers must not be cut.
        table.add_column(heading, no_wrap=heading != "bytes", overflow="fold")
    return table


def _cams(profile: VehicleProfile) -> Table:
    table = _table("Cams, crankshaft degrees", "cam", "reported at rest", "travel from rest", "valve duty")
    for cam in profile.cams:
        travel = "not given" if cam.range_deg is None else f"{cam.range_deg[0]:g} to {cam.range_deg[1]:g}"
        duty = "yes" if profile.definition(signals.duty(cam.id)) else "no"
        table.add_row(cam.id, f"{cam.rest_deg:g}", travel, duty)
    return table


def _signals(definitions: tuple[SignalDefinition, ...]) -> Table:
    table = _table("Signals", "signal", "request", "to", "bytes", "can take", "step")
    for definition in definitions:
        low, high = definition.value_range
        header, reach = definition.request_header, f"{low:g} to {high:g} {signals.unit_of(definition.name)}"
        to = "default" if header is None else f"{header:X}"
        table.add_row(definition.name, request(definition), to, place(definition), reach, f"{definition.step:g}")
    return table


def _limits(profile: VehicleProfile) -> Table:
    from camlog.limits import LIMITS

    table = _table("Limits from service information", "limit", "this vehicle", "camlog's own", "unit")
    for name, value in profile.limits.items():
        default = LIMITS.get(name)
        table.add_row(name, f"{value:g}", f"{default.value:g}" if default else "", default.unit if default else "")
    return table
