"""The view on a terminal while a drive is recorded or replayed."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from camlog.cams import actual, commanded, duty, short
from camlog.console import PlainConsole
from camlog.numbers import UNKNOWN, UNKNOWN_ASCII
from camlog.signals import MAX_CYLINDERS, misfire
from camlog.sinks.keys import KeyReader
from camlog.sinks.lines import Care, LineSink, codes_text
from camlog.sinks.state import DriveState, Shown
from camlog.sinks.words import FIGURES, clock_text, kind_text, rate_text, value_text
from camlog.stream import Event, Sink, StreamItem

REFRESH_PER_S = 4  # as fast as a person can read numbers; each drawing takes a few milliseconds
_ROWS = {
    "engine": ("engine_speed", "vehicle_speed", "engine_load", "module_voltage"),
    "temperatures": ("coolant_temp", "oil_temp", "intake_air_temp", "ambient_temp"),
    "oil": ("oil_pressure",),
}
_WORDS = FIGURES | {
    "engine_speed": "",
    "engine_load": "load",
    "intake_air_temp": "intake air",
    "ambient_temp": "outside",
}
_KEYS_HINT = "m  mark this moment      q  end"
_TYPING_HINT = "Enter keeps the marker, Esc takes it back"


class TerminalView:
    """Draws the state of the drive in place, at most four times a second.

    `clock` gives the present time of the stream (s), so that time goes on while nothing arrives. `keys` is the
    KeyReader whose hint and typed text are shown. `title` is in the first line; above it are the sentences of
    `care`."""

    essential = False

    def __init__(
        self,
        console: Console | None = None,
        *,
        title: str = "Recording",
        clock: Callable[[], float] | None = None,
        keys: KeyReader | None = None,
        care: Care | None = None,
    ):
        self._title = title
        self._care = care
        self._keys = keys
        self._lock = threading.Lock()
        self._broken: Exception | None = None
        self.state = DriveState(clock)
        self._console = console or PlainConsole()
        self._degree_sign = self._console.encoding.lower().startswith("utf")
        self._unknown = UNKNOWN if self._degree_sign else UNKNOWN_ASCII
        self._live = Live(
            console=self._console, get_renderable=self._draw, refresh_per_second=REFRESH_PER_S, transient=False
        )
        self._live.start()

    def accept(self, item: StreamItem) -> None:
        if self._broken:
            raise self._broken
        with self._lock:
            self.state.accept(item)
            if self._care is not None:
                self._care.accept(item)

    def close(self) -> None:
        """Draw once more and leave the last picture on the screen."""
        self._keys = None
        self._live.stop()

    # ------------------------------------------------------------------ drawing
    def _draw(self) -> RenderableType:
        # Called in another thread, so an error is passed to `accept` instead of the screen.
        try:
            with self._lock:
                return self.picture()
        except Exception as error:  # noqa: BLE001
            self._broken = error
            return Text("")

    def picture(self) -> RenderableType:
        parts: list[RenderableType] = [Text(s, style="bold red") for s in self._stop()]
        parts += [Text(self._care.instruction, style="bold")] if self._care and self._care.instruction else []
        parts += [self._heading(), self._values()]
        cams = self.state.cams()
        if cams:
            parts.append(self._cam_table(cams))
        parts.append(self._running())
        hint = self._hint()
        return Group(*parts, *([hint] if hint else []))

    def _stop(self) -> Sequence[str]:
        return self._care.sentences() if self._care is not None else ()

    def _heading(self) -> Text:
        text = Text(f"{clock_text(self.state.elapsed_s)}  ", style="bold")
        text.append(self._title)
        if self.state.in_gap:
            text.append("   no answers from the vehicle", style="bold red")
        return text

    def _values(self) -> Table:
        grid = Table.grid(padding=(0, 2))
        for row, signals in _ROWS.items():
            cells = [self._signal(s) for s in signals if s in self.state.signals]
            if cells:
                grid.add_row(Text(row, style="dim"), Text("   ").join(cells))
        cylinders = [n for n in range(1, MAX_CYLINDERS + 1) if misfire(n) in self.state.signals]
        if cylinders:
            counts = [Text(f"{n}: ") + self._number(misfire(n), self.state.shown(misfire(n))) for n in cylinders]
            grid.add_row(Text("misfires", style="dim"), Text("  ").join(counts))
        return grid

    def _signal(self, signal: str) -> Text:
        label = _WORDS.get(signal, "")
        return Text(f"{label} " if label else "") + self._number(signal, self.state.shown(signal))

    def _number(self, signal: str, value: Shown | None) -> Text:
        if value is None:
            return Text(self._unknown)
        text = Text(value_text(signal, value.value, degree_sign=self._degree_sign))
        if value.stale:
            text.append(f" ({value.age_s:.0f} s ago)")
            text.stylize("dim")
        return text

    def _cam_table(self, cams) -> Table:
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
        table.add_column("cam")
        with_duty = any(cam.duty for cam in cams)
        for heading in ("commanded", "actual", "difference", *(["valve duty"] if with_duty else [])):
            table.add_column(heading, justify="right")
        for cam in cams:
            difference = self._unknown if cam.difference_deg is None else f"{cam.difference_deg:+.1f} deg"
            angles = (self._number(commanded(cam.cam), cam.commanded), self._number(actual(cam.cam), cam.actual))
            valve = [self._number(duty(cam.cam), cam.duty)] if with_duty else []
            table.add_row(short(cam.cam), *angles, difference, *valve)
        return table

    def _running(self) -> Table:
        state, grid = self.state, Table.grid(padding=(0, 2))
        rates = [f"{group} {rate_text(rate)}" for group, rate in state.rates().items()]
        grid.add_row(Text("answers", style="dim"), Text("   ".join(rates) or "none yet"))
        gaps = f"{state.events['gap']}, {state.gap_s:.1f} s in all" if state.events["gap"] else "none"
        if state.events["adapter_error"]:
            gaps += f"   adapter errors {state.events['adapter_error']}"
        grid.add_row(Text("gaps", style="dim"), Text(gaps))
        if state.last_snapshot:
            grid.add_row(Text("codes", style="dim"), Text(codes_text(state.last_snapshot).removeprefix("codes: ")))
        if state.last_event:
            grid.add_row(Text("last", style="dim"), _event(state.last_event))
        return grid

    def _hint(self) -> Text | None:
        keys = self._keys
        if keys is None or not keys.active:
            return None
        typing = keys.typing
        if typing is None:
            return Text(_KEYS_HINT, style="dim")
        return Text(f"marker: {typing}_   ", style="bold") + Text(_TYPING_HINT, style="dim")


def _event(event: Event) -> Text:
    text = f": {event.text}" if event.text else ""
    return Text(f"{clock_text(event.time_s)} {kind_text(event.kind)}{text}")


def view_for(
    *,
    title: str = "Recording",
    clock: Callable[[], float] | None = None,
    keys: KeyReader | None = None,
    console: Console | None = None,
    care: Care | None = None,
) -> Sink:
    """The view for standard output: drawn in place on a terminal, plain lines in a pipe."""
    console = console or PlainConsole()
    if console.is_terminal and not console.is_dumb_terminal:
        return TerminalView(console, title=title, clock=clock, keys=keys, care=care)
    return LineSink(clock=clock, care=care)
