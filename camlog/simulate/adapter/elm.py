"""The adapter's command interpreter: takes one line, returns the output with its times.

Lines that begin with AT are set-up commands. Hexadecimal digits are a request to the vehicle; an odd last digit is the
number of answer lines after which to stop waiting. An empty line repeats the previous line. The de facto command set of
such adapters, from memory, as far as clients need it."""

from __future__ import annotations

import re
import string
from collections.abc import Callable
from dataclasses import dataclass

from camlog.simulate.adapter.buses import BUSES
from camlog.simulate.adapter.exchange import AdapterState, Exchange
from camlog.simulate.adapter.settings import AUTOMATIC, Settings
from camlog.simulate.adapter.timing import Chunk, Reply

UNKNOWN = "?"
_IGNORED = re.compile(r"[\x00-\x20]")
_HEX_DIGITS = frozenset(string.hexdigits)
_MAX_LINE = 127  # characters the input buffer holds
_LONGEST_REQUEST = 7  # bytes


class Interpreter(AdapterState):
    """One running adapter. Times are seconds since the adapter was started."""

    def execute(self, line: str, at_s: float) -> Reply:
        """Execute a line whose carriage return was received at `at_s`."""
        text = _IGNORED.sub("", line).upper()
        if not text:
            if self.last is None or not self.traits.repeats_on_return:
                return self.printout().reply(at_s)
            text = self.last
        self.last = text
        if text.startswith("AT") and len(text) <= _MAX_LINE:
            return self._command(text[2:], at_s)
        if set(text) <= _HEX_DIGITS and len(text) <= _MAX_LINE:
            return self._request(text, at_s)
        return self._say(UNKNOWN, at_s)

    def _say(self, text: str, at_s: float) -> Reply:
        printout = self.printout()
        printout.add(text, at_s)
        return printout.reply(at_s)

    def stopped(self) -> bytes:
        end = self.settings.line_end
        return f"STOPPED{end}{end}>".encode()

    def wake(self, at_s: float) -> Reply:
        """Leave low power: print the version line. Settings are kept, but the line to repeat is lost."""
        self.asleep, self.last = False, None
        return self._say(self.traits.banner, at_s)

    def restart(self, at_s: float, message: str | None = None) -> Reply:
        """Restart at `at_s`: settings are lost; print the version line, or `message` instead, and the prompt."""
        self.settings = Settings(protocol=self.kept_protocol, automatic=self.kept_protocol == AUTOMATIC)
        self.active, self.last, self.asleep = None, None, False
        end = self.settings.line_end
        text = f"{end}{end}{message or self.traits.banner}{end}{end}>"
        return Reply((Chunk(at_s + self.timing.serial_s(len(text)), text.encode()),), deaf=True)

    def _command(self, text: str, at_s: float) -> Reply:
        if text not in self.traits.unknown_commands:
            if text == "LP":
                self.asleep = True
                return Reply((Chunk(at_s + self.timing.serial_s(3), b"OK\r"),))
            if text == "MA":
                # Only the adapter starts messages on a diagnostic bus, so there is silence until a character comes.
                return Reply((), interruptible=True, forever=True)
            if text == "Z":
                return self.restart(at_s + self.timing.reset_s)
        return self._say(self._run_command(text, at_s), at_s)

    def _run_command(self, text: str, at_s: float) -> str:
        """Execute a command (the text after AT, spaces removed, upper case); returns the line to print."""
        for command in COMMANDS:
            match = command.form.fullmatch(text)
            if match:
                known = command.name not in self.traits.unknown_commands
                return command.action(self, match, at_s) or "OK" if known else UNKNOWN
        return UNKNOWN

    def _request(self, digits: str, at_s: float) -> Reply:
        count = None
        if len(digits) % 2:
            if not self.traits.response_count:
                return self._say(UNKNOWN, at_s)
            count, digits = int(digits[-1], 16) or None, digits[:-1]
        if not 2 <= len(digits) <= 2 * _LONGEST_REQUEST:
            return self._say(UNKNOWN, at_s)
        return Exchange(self, bytes.fromhex(digits), count, at_s).reply()


# ---------------------------------------------------------------- the AT commands

Action = Callable[[Interpreter, "re.Match[str]", float], "str | None"]


@dataclass(frozen=True, slots=True)
class Command:
    """An AT command: its name, its written form after AT (spaces removed), and what it does. The action
    returns the line to print; None stands for "OK"."""

    name: str
    form: re.Pattern[str]
    action: Action


def _set(attribute: str, meaning: Callable[[str], object]) -> Action:
    return lambda adapter, match, at_s: setattr(adapter.settings, attribute, meaning(match[1]))


def _hex(text: str) -> int:
    return int(text, 16)


def _protocol(adapter: Interpreter, match: re.Match[str], at_s: float) -> str | None:
    keep, automatic, number = match[1] == "S", match[2] == "A", match[3]
    if number not in BUSES and number != AUTOMATIC:
        return UNKNOWN
    adapter.settings.protocol, adapter.settings.automatic = number, automatic or number == AUTOMATIC
    if keep:
        adapter.kept_protocol = number
    adapter.active = None
    return None


def _describe_protocol(adapter: Interpreter, match: re.Match[str], at_s: float) -> str:
    bus = adapter.active or BUSES.get(adapter.settings.protocol)
    return ", ".join(filter(None, ("AUTO" * adapter.settings.automatic, bus.name if bus else "")))


def _protocol_number(adapter: Interpreter, match: re.Match[str], at_s: float) -> str:
    number = adapter.active.number if adapter.active else adapter.settings.protocol
    return "A" * adapter.settings.automatic + number


def _header(adapter: Interpreter, match: re.Match[str], at_s: float) -> None:
    adapter.settings.header, adapter.settings.header_digits = _hex(match[1]), len(match[1])


def _defaults(adapter: Interpreter, match: re.Match[str], at_s: float) -> None:
    adapter.settings, adapter.active = Settings(), None


def _close_bus(adapter: Interpreter, match: re.Match[str], at_s: float) -> None:
    adapter.active = None


COMMANDS = tuple(
    Command(name, re.compile(form), action)
    for name, form, action in (
        ("D", "D", _defaults),
        ("I", "I", lambda adapter, match, at_s: adapter.traits.banner),
        ("E", "E([01])", _set("echo", "1".__eq__)),
        ("L", "L([01])", _set("linefeeds", "1".__eq__)),
        ("H", "H([01])", _set("headers", "1".__eq__)),
        ("S", "S([01])", _set("spaces", "1".__eq__)),
        ("AT", "AT([012])", _set("adaptive", int)),
        ("ST", "ST([0-9A-F]{2})", _set("timeout", _hex)),
        ("SP", "([ST])P(A?)([0-9A-C])", _protocol),
        ("DP", "DP", _describe_protocol),
        ("DPN", "DPN", _protocol_number),
        ("RV", "RV", lambda adapter, match, at_s: f"{adapter.vehicle.supply_v(at_s):.1f}V"),
        ("IGN", "IGN", lambda adapter, match, at_s: "ON" if adapter.vehicle.ignition_on(at_s) else "OFF"),
        ("SH", "SH([0-9A-F]{3}|[0-9A-F]{6}|[0-9A-F]{8})", _header),
        ("CP", "CP([0-9A-F]{2})", _set("priority", _hex)),
        ("PC", "PC", _close_bus),
    )
)
