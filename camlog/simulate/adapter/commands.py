"""The AT commands: one table of what each is called, how it is written and what it does.

The de facto command set of such adapters, from memory: only what clients need to set an adapter up and ask.
An action takes the adapter's state, the pattern's match and the time, and returns the lines to print; None
stands for "OK". Reset, monitoring and low power delay or end what is printed; the interpreter does those.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from camlog.simulate.adapter.buses import BUSES
from camlog.simulate.adapter.settings import AUTOMATIC
from camlog.simulate.adapter.state import AdapterState

Action = Callable[[AdapterState, re.Match, float], "str | None"]
UNKNOWN = "?"


@dataclass(frozen=True, slots=True)
class Command:
    """An AT command: its name, its written form after AT (spaces removed), and what it does."""

    name: str
    form: re.Pattern
    action: Action


def _set(attribute: str, meaning: Callable[[str], object]) -> Action:
    def action(state: AdapterState, match: re.Match, at_s: float) -> None:
        setattr(state.settings, attribute, meaning(match[1]))

    return action


def _switch(attribute: str) -> Action:
    return _set(attribute, lambda text: text == "1")


def _number(attribute: str) -> Action:
    return _set(attribute, lambda text: int(text, 16))


def _protocol(state: AdapterState, match: re.Match, at_s: float) -> str | None:
    keep, automatic, number = match[1] == "S", match[2] == "A", match[3]
    if number not in BUSES and number != AUTOMATIC:
        return UNKNOWN
    state.set_protocol(number, automatic or number == AUTOMATIC, keep)
    return None


def _describe_protocol(state: AdapterState, match: re.Match, at_s: float) -> str:
    bus = state.active or BUSES.get(state.settings.protocol)
    words = ("AUTO" if state.settings.automatic else "", bus.name if bus else "")
    return ", ".join(filter(None, words))


def _protocol_number(state: AdapterState, match: re.Match, at_s: float) -> str:
    number = state.active.number if state.active else state.settings.protocol
    return "A" * state.settings.automatic + number


def _header(state: AdapterState, match: re.Match, at_s: float) -> None:
    state.settings.header, state.settings.header_digits = int(match[1], 16), len(match[1])


def _receive_filter(state: AdapterState, match: re.Match, at_s: float) -> None:
    state.settings.receive_filter = match[1]
    if match[1] is None:
        state.settings.mask = state.settings.pattern = None


def _flow_mode(state: AdapterState, match: re.Match, at_s: float) -> str | None:
    if match[1] == "1" and state.settings.flow_header is None:
        return UNKNOWN
    state.settings.flow_mode = int(match[1])
    return None


_H2, _ID = "[0-9A-F]{2}", "[0-9A-F]{3}|[0-9A-F]{8}"

COMMANDS: tuple[Command, ...] = tuple(
    Command(name, re.compile(form + r"\Z"), action)
    for name, form, action in (
        ("D", "D", lambda state, match, at_s: state.restore_defaults()),
        ("I", "I", lambda state, match, at_s: state.traits.banner),
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
        ("RV", "RV", lambda state, match, at_s: f"{state.vehicle.supply_v(at_s):.1f}V"),
        ("IGN", "IGN", lambda state, match, at_s: "ON" if state.vehicle.ignition_on(at_s) else "OFF"),
        ("SH", "SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", _header),
        ("CP", f"CP({_H2})", _number("priority")),
        ("CRA", "CRA([0-9A-FX]{3}|[0-9A-FX]{8})?", _receive_filter),
        ("AR", "AR()", _set("receive_filter", lambda text: None)),
        ("CF", f"CF({_ID})", _number("pattern")),
        ("CM", f"CM({_ID})", _number("mask")),
        ("CAF", "CAF([01])", _switch("auto_format")),
        ("CFC", "CFC([01])", _switch("flow_control")),
        ("FCSM", "FCSM([012])", _flow_mode),
        ("FCSH", f"FCSH({_ID})", _number("flow_header")),
        ("FCSD", f"FCSD((?:{_H2}){{1,5}})", _set("flow_data", bytes.fromhex)),
        ("PC", "PC", lambda state, match, at_s: state.disconnect()),
    )
)


def run_command(state: AdapterState, text: str, at_s: float) -> str:
    """Carry out a command written as `text` (after AT, spaces removed, upper case); the line to print.

    A command that is not in the table, or that this adapter does not know, is answered with "?".
    """
    for command in COMMANDS:
        match = command.form.match(text)
        if match and command.name not in state.traits.unknown_commands:
            return command.action(state, match, at_s) or "OK"
        if match:
            break
    return UNKNOWN
