"""The console for tables and live views: rich's, with every text passed through `visible`."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment

from camlog.visible import encodable, raw_stream, visible


class PlainConsole(Console):
    """Draws on standard output (with `stderr`, on standard error). Only rich's own control sequences are sent."""

    def __init__(self, *, stderr: bool = False, **options):
        options.setdefault("highlight", False)
        options.setdefault("file", raw_stream(sys.stderr if stderr else sys.stdout))
        super().__init__(**options)

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            text = segment.text if segment.control else encodable(visible(segment.text, None), self.encoding)
            yield segment if text == segment.text else Segment(text, segment.style)
