"""What the two columns of a cam have in common: one command for several banks, and the same rows that are readings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from camlog.cams import CAM_IDS, actual, cam_id, commanded, is_angle
from camlog.convert.cams import CamColumn
from camlog.convert.model import ColumnMatch


def repeats_alike(matches: tuple[ColumnMatch, ...]) -> tuple[ColumnMatch, ...]:
    """Repeats are taken out of both angles of a cam or of neither: one angle without the other would look
    like a sensor that fails."""
    by_signal = {m.signal: m for m in matches if m.certain and m.signal and is_angle(m.signal)}
    changed: dict[str, ColumnMatch] = {}
    for cam in CAM_IDS:
        pair = [by_signal[name] for name in (commanded(cam), actual(cam)) if name in by_signal]
        held = min((m.held_rows for m in pair), default=1)
        if len(pair) == 2 and not (
            pair[0].held_rows == pair[1].held_rows and all(m.repeated_share for m in pair)
        ):
            changed |= {m.signal: replace(m, held_rows=held, repeated_share=0.0) for m in pair}
    return tuple(changed.get(m.signal, m) if m.certain else m for m in matches)


def for_other_banks(matches: Sequence[ColumnMatch], cams: dict[int, CamColumn]) -> Iterator[ColumnMatch]:
    """A command that is that of every bank, once more for each further one."""
    for match in matches:
        cam = cams.get(match.index)
        for bank in cam.serves if cam is not None and match.certain else ():
            signal = commanded(cam_id(cam.side, bank))
            yield replace(match, signal=signal, written_as=signal)
