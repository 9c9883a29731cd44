"""The adapter's command interpreter: one line in, what is printed and when out.

Lines that begin with AT set the adapter up; hexadecimal digits are a request to the vehicle, an odd last
digit the number of answer lines after which to stop waiting; a bare carriage return repeats the line before.
"""

from __future__ import annotations

import re
import string

from camlog.simulate.adapter.buses import BUSES
from camlog.simulate.adapter.commands import UNKNOWN, run_command
from camlog.simulate.adapter.exchange import Exchange
from camlog.simulate.adapter.settings import AUTOMATIC
from camlog.simulate.adapter.state import AdapterState, Chunk, Reply

_IGNORED = re.compile(r"[\x00-\x20]")
_HEX_DIGITS = frozenset(string.hexdigits)
_MAX_LINE = 127  # characters the input buffer holds


class Interpreter(AdapterState):
    """One adapter at work. Times are seconds since the adapter was started."""

    def execute(self, line: str, at_s: float) -> Reply:
        """What the adapter does with a line that ended (carriage return received) at `at_s`."""
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
        return self.say(UNKNOWN, at_s)

    def say(self, text: str, at_s: float) -> Reply:
        """One line and the prompt."""
        printout = self.printout()
        printout.add(text, at_s)
        return printout.reply(at_s)

    def stopped(self) -> bytes:
        """What is printed when a character interrupts an answer."""
        end = self.settings.line_end
        return f"STOPPED{end}{end}>".encode()

    def wake(self, at_s: float) -> Reply:
        """Leave low power: the version line; settings are kept, but nothing is left to repeat."""
        self.asleep, self.last = False, None
        return self.say(self.traits.banner, at_s)

    def restart(self, at_s: float, message: str | None = None) -> Reply:
        """Start anew at `at_s`: settings lost; a version line, or `message` in its place, and the prompt."""
        self.restore_defaults()
        self.set_protocol(self.kept_protocol, self.kept_protocol == AUTOMATIC, False)
        self.last, self.asleep = None, False
        end = self.settings.line_end
        text = f"{end}{end}{message or self.traits.banner}{end}{end}>"
        return Reply((Chunk(at_s + self.timing.serial_s(len(text)), text.encode()),), deaf=True)

    def _command(self, text: str, at_s: float) -> Reply:
        if text not in self.traits.unknown_commands:
            if text == "LP":
                self.asleep = True
                return Reply((Chunk(at_s + self.timing.serial_s(3), b"OK\r"),))
            if text == "MA":
                # Nobody but the adapter talks on a diagnostic bus: silence until a character comes.
                return Reply((), interruptible=True, forever=True)
            if text == "Z":
                return self.restart(at_s + self.timing.reset_s)
        printed = run_command(self, text, at_s)
        return self.say(printed, at_s)

    def _request(self, digits: str, at_s: float) -> Reply:
        count = None
        if len(digits) % 2:
            if self.traits.response_count == "unknown":
                return self.say(UNKNOWN, at_s)
            if self.traits.response_count == "yes":
                count = int(digits[-1], 16) or None
            digits = digits[:-1]
        bus = self.active or BUSES.get(self.settings.protocol) or self.vehicle.bus
        longest = 8 if bus.is_can and not self.settings.auto_format else 7
        if not 2 <= len(digits) <= 2 * longest:
            return self.say(UNKNOWN, at_s)
        return Exchange(self, bytes.fromhex(digits), count, at_s).reply()
