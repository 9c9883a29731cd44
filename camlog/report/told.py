"""The worst moments of a cam in words."""

from __future__ import annotations

from camlog.analysis.cam.strip import Moment, Strip
from camlog.analysis.findings import CamFindings
from camlog.report.words import say


def clock(seconds: float) -> str:
    """A moment of the recording: `4:05`, `1:02:07`."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def worst_moment(found: CamFindings) -> str:
    """The worst moment of a faulty cam in one line; empty where there is none."""
    moments = told_moments(found, 1)
    return say("strip.worst", at=clock(moments[0].start_s), words=moment_words(moments[0])) if moments else ""


def told_moments(found: CamFindings, most: int = 3) -> list[Moment]:
    """The worst moments that show what the verdict says; none of a healthy cam."""
    return telling(found.examination.strip, found.verdict.condition, most)


def telling(strip: Strip, condition: str, most: int = 3) -> list[Moment]:
    """`told_moments` of a cam's strip and condition."""
    shows = say.table("strip.shows").get(condition, "").split()
    chosen = [m for state in shows for m in strip.moments if m.state == state]
    return chosen[:most]


def moment_words(moment: Moment) -> str:
    """One moment in words: what the command and the cam did."""
    name = "jumped" if moment.jump_deg is not None else moment.state
    return say(f"strip.moment.{name}", m=moment, seconds=(moment.break_s or moment.end_s) - moment.start_s)
