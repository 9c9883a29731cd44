"""The AT commands: one table of what each is called, how it is written and what it does.

The de facto command set of such adapters, from memory: only what clients need to set an adapter up and ask.

Every function takes the interpreter, the pattern's match and the time, and returns the lines to print.
A command that is not in the table, or is in the adapter's `unknown_commands`, is answered with "?".
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from camlog.simulate.adapter.buses import BUSES
from camlog.simulate.adapter.settings import AUTOMATIC

if TYPE_CHECKING:
    from camlog.simulate.adapter.elm import Interpreter

Action = Callable[["Interpreter", re.Match, float], list[str]]
OK = ["OK"]
UNKNOWN = ["?"]


@dataclass(frozen=True, slots=True)
class Command:
    """An AT command: its name, its written form after AT (spaces removed), and what it does."""

    name: str
    form: re.Pattern
    action: Action


def _switch(attribute: str) -> Action:
    def action(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
        setattr(adapter.settings, attribute, match[1] == "1")
        return OK

    return action


def _number(attribute: str) -> Action:
    def action(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
        setattr(adapter.settings, attribute, int(match[1], 16))
        return OK

    return action


def _version(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    return [adapter.traits.banner]


def _defaults(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    adapter.restore_defaults()
    return OK


def _protocol(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    keep, automatic, number = match[1] == "S", match[2] == "A", match[3]
    if number not in BUSES and number != AUTOMATIC:
        return UNKNOWN
    adapter.set_protocol(number, automatic or number == AUTOMATIC, keep)
    return OK


def _describe_protocol(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    settings, active = adapter.settings, adapter.active
    name = active.name if active else BUSES[settings.protocol].name if settings.protocol in BUSES else ""
    if not settings.automatic:
        return [name]
    return [f"AUTO, {name}" if name else "AUTO"]


def _protocol_number(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    settings = adapter.settings
    number = adapter.active.number if adapter.active else settings.protocol
    return [("A" if settings.automatic else "") + number]


def _header(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    adapter.settings.header, adapter.settings.header_digits = int(match[1], 16), len(match[1])
    return OK


def _receive_filter(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    adapter.settings.receive_filter = match[1]
    if match[1] is None:
        adapter.settings.mask = adapter.settings.pattern = None
    return OK


def _flow_data(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    adapter.settings.flow_data = bytes.fromhex(match[1])
    return OK


def _flow_mode(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    mode = int(match[1])
    if mode == 1 and adapter.settings.flow_header is None:
        return UNKNOWN
    adapter.settings.flow_mode = mode
    return OK


def _voltage(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    return [f"{adapter.vehicle.supply_v(at_s):.1f}V"]


def _ignition(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    return ["ON" if adapter.vehicle.ignition_on(at_s) else "OFF"]


def _close(adapter: Interpreter, match: re.Match, at_s: float) -> list[str]:
    adapter.disconnect()
    return OK


_H2, _ID = "[0-9A-F]{2}", "[0-9A-F]{3}|[0-9A-F]{8}"

# Reset, monitoring and low power end or delay what is printed; the interpreter does those itself.
SPECIAL = {"Z": "Z", "LP": "LP", "MA": "MA"}

COMMANDS: tuple[Command, ...] = tuple(
    Command(name, re.compile(form + r"\Z"), action)
    for name, form, action in (
        ("D", "D", _defaults),
        ("I", "I", _version),
        ("E", "E([01])", _switch("echo")),
        ("L", "L([01])", _switch("linefeeds")),
        ("H", "H([01])", _switch("headers")),
        ("S", "S([01])", _switch("spaces")),
        ("DLC", "D([01])", _switch("show_length")),
        ("AT", "AT([012])", _number("adaptive")),
        ("ST", f"ST({_H2})", _number("timeout")),
        ("SP", "([ST])P(A?)([0-9A-C])", _protocol),
        ("DP", "DP", _describe_protocol),
        ("DPN", "DPN", _protocol_number),
        ("RV", "RV", _voltage),
        ("IGN", "IGN", _ignition),
        ("SH", "SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", _header),
        ("CP", f"CP({_H2})", _number("priority")),
        ("CRA", "CRA([0-9A-FX]{3}|[0-9A-FX]{8})?", _receive_filter),
        ("AR", "AR()?", lambda a, m, t: (setattr(a.settings, "receive_filter", None), OK)[1]),
        ("CF", f"CF({_ID})", _number("pattern")),
        ("CM", f"CM({_ID})", _number("mask")),
        ("CAF", "CAF([01])", _switch("auto_format")),
        ("CFC", "CFC([01])", _switch("flow_control")),
        ("FCSM", "FCSM([012])", _flow_mode),
        ("FCSH", f"FCSH({_ID})", _number("flow_header")),
        ("FCSD", f"FCSD((?:{_H2}){{1,5}})", _flow_data),
        ("PC", "PC", _close),
    )
)


def find(text: str) -> tuple[Command, re.Match] | None:
    """The command written as `text` (after AT, spaces removed, upper case), None where there is none."""
    for command in COMMANDS:
        match = command.form.match(text)
        if match:
            return command, match
    return None
