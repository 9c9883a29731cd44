"""The needs a verdict puts to a drive, judged from its counts, and the sentences that say what to drive."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from camlog.analysis.drive.coverage_counts import CamCounts, DriveCounts
from camlog.analysis.drive.ticks import TICK_S
from camlog.limits import Limit
from camlog.oil_windows import OilWindow

# What an unmet need stands in the way of, gravest first.
VERDICT = "verdict"  # nothing can be said about the cam
HEALTHY = "healthy"  # a fault may be seen, but "healthy" may not be said
DETAIL = "detail"  # one question stays open
_ORDER = (VERDICT, HEALTHY, DETAIL)
CHECKS_FIRST = "Nothing is to be driven with this engine: the checks come first. For a verdict this recording lacked:"

# This much warm idle without a rest command: this engine does not rest its cam at idle.
IDLE_WITHOUT_REST_S = 30.0
# What is asked of the driver on top of what is needed: the command settles first, and idle begins late.
SETTLING_S = 5.0
ASKED_HOLD_S = 20.0
RELEASE_S = 20.0


@dataclass(frozen=True, slots=True)
class Need:
    """One thing a verdict needs of a drive.

    `cam` is a cam id or None for the whole drive; `blocks` one of VERDICT,
    HEALTHY, DETAIL; `have` and `want` in `unit`; `lack` says what is missing
    and `remedy` what to drive, both without the cam's name.
    """

    name: str
    cam: str | None
    met: bool
    blocks: str
    have: float | None
    want: float
    unit: str
    lack: str
    remedy: str


def window_sum(values: np.ndarray, bins: Sequence[OilWindow], low: float, high: float) -> int:
    return int(sum(values[i] for i, b in enumerate(bins) if b.min_degc >= low and b.max_degc <= high))


def drive_needs(counts: DriveCounts, any_cam: bool, limits: Mapping[str, Limit]) -> list[Need]:
    running_s = int(counts.running_ticks.sum()) * TICK_S
    want = limits["needed_running_s"].value
    needs = [
        Need(
            "cam_angles", None, any_cam, VERDICT, float(any_cam), 1.0, "",
            "No cam angles were recorded, so the phaser cannot be judged",
            "record with a vehicle profile that says where the cam angles are",
        ),
        Need(
            "engine_speed", None, counts.speed_known, DETAIL, None, 1.0, "",
            "No engine speed was recorded, so idle cannot be told from driving", "record engine_speed",
        ),
        Need(
            "oil_temperature", None, counts.temperature_known, HEALTHY, None, 1.0, "",
            "Neither oil nor coolant temperature was recorded", "record oil_temp or coolant_temp",
        ),
    ]  # fmt: skip
    if counts.speed_known:
        lack = (
            "The engine was not running"
            if not running_s
            else f"The engine ran for only {max(running_s, 1.0):.0f} s"
        )
        needs.append(
            Need(
                "running",
                None,
                running_s >= want,
                HEALTHY,
                running_s,
                want,
                "s",
                lack,
                f"let it run for {want:.0f} s",
            )
        )
    return needs


def cam_needs(counts: DriveCounts, cam: str, limits: Mapping[str, Limit]) -> list[Need]:
    found = counts.cam[cam]
    needs = _reading_needs(found, cam, limits)
    if not needs[0].met:
        return needs  # without both angles the rest would only repeat it
    warm = limits["warm_oil_degc"].value
    warm_words = f"with oil above {warm:.0f} °C"

    def warm_sum(values: np.ndarray) -> int:
        return window_sum(values, counts.windows, warm, math.inf)

    want = limits["needed_steps"].value
    for direction, moves, how in (
        ("advance", found.advance_moves, "from a steady cruise open the throttle briskly"),
        ("retard", found.retard_moves, "after a brisk tip-in release the throttle"),
    ):
        have = warm_sum(moves)
        count = f"Only {have} of {want:.0f}" if have else "No"
        lack = f"{count} command steps toward {direction} {warm_words}"
        needs.append(
            Need(
                f"steps_{direction}",
                cam,
                have >= want,
                HEALTHY,
                have,
                want,
                "count",
                lack,
                f"{how}, {want:.0f} times",
            )
        )
    have, want = warm_sum(found.hold_ticks) * TICK_S, limits["needed_hold_s"].value
    lack = (
        f"Only {max(have, 1.0):.0f} s of steady cruise {warm_words}"
        if have
        else f"No steady cruise {warm_words}"
    )
    needs.append(
        Need(
            "hold",
            cam,
            have >= want,
            HEALTHY,
            have,
            want,
            "s",
            lack,
            f"hold 2,000 rpm for {max(want + SETTLING_S, ASKED_HOLD_S):.0f} s",
        )
    )
    needs.append(_rest_need(cam, warm_sum, found, limits, warm_words))
    cold = limits["cold_oil_degc"].value
    needs.append(
        Need(
            "cold_start", cam, found.cold_start_ticks > 0, DETAIL, float(found.cold_start_ticks > 0), 1.0, "",
            f"No cold start (oil below {cold:.0f} °C)", "begin recording before starting the cold engine",
        )
    )  # fmt: skip
    return needs


def _reading_needs(found: CamCounts, cam: str, limits: Mapping[str, Limit]) -> list[Need]:
    unread = [
        word
        for word, n in (("commanded", found.command.readings), ("actual", found.actual.readings))
        if not n
    ]
    lack = f"The {' and '.join(unread)} angle was not read" if unread else ""
    remedy = "check the vehicle profile and that the vehicle answers its identifiers"
    needs = [Need("pair", cam, not unread, VERDICT, 2.0 - len(unread), 2.0, "count", lack, remedy)]
    if unread:
        return needs
    want = limits["needed_pair_interval_s"].value
    interval = pair_interval_s(found)
    fine = interval is not None and interval <= want
    lack = (
        "Too few angle readings in a row"
        if interval is None
        else f"The angle readings are {interval:.2f} s apart on average; at most {want:.2f} s can be judged"
    )
    needs.append(
        Need(
            "sampling",
            cam,
            fine,
            VERDICT,
            interval,
            want,
            "s",
            lack,
            "record fewer signals or use a faster adapter",
        )
    )
    return needs


def pair_interval_s(found: CamCounts) -> float | None:
    command, actual = found.command.mean_s, found.actual.mean_s
    return None if command is None or actual is None else max(command, actual)


def _rest_need(cam: str, warm_sum, found: CamCounts, limits: Mapping[str, Limit], warm_words: str) -> Need:
    want = limits["needed_rest_s"].value
    idle_rest_s = warm_sum(found.idle_rest_ticks) * TICK_S
    rest_s = warm_sum(found.rest_ticks) * TICK_S
    if max(idle_rest_s, rest_s) < want and warm_sum(found.idle_ticks) * TICK_S >= IDLE_WITHOUT_REST_S:
        return Need(
            "rest", cam, False, DETAIL, rest_s, want, "s",
            "At warm idle the cam was not commanded to rest, so mechanical timing could not be checked at rest",
            "if a code points at mechanical timing, check the timing marks",
        )  # fmt: skip
    lack = (
        f"Only {max(rest_s, 1.0):.0f} s commanded to rest {warm_words}"
        if rest_s
        else f"No rest command {warm_words}"
    )
    # Rest counts wherever it was commanded with warm oil; idle is where a driver can bring it about.
    return Need(
        "rest",
        cam,
        rest_s >= want,
        HEALTHY,
        rest_s,
        want,
        "s",
        lack,
        f"let it idle for {want + RELEASE_S:.0f} s",
    )


def oil_window_needs(
    counts: DriveCounts, cams: Sequence[str], windows: Sequence[OilWindow], limits: Mapping[str, Limit]
) -> list[Need]:
    """Windows below warm oil; nobody is asked to overheat an engine for the ones above."""
    if not cams or not counts.temperature_known or not counts.speed_known:
        return []
    want = limits["needed_window_s"].value
    below = [w for w in windows if w.max_degc <= limits["warm_oil_degc"].value]
    if not below:
        return []
    seconds = [
        window_sum(counts.running_ticks, counts.windows, w.min_degc, w.max_degc) * TICK_S for w in below
    ]
    lacking = [w.label for w, have in zip(below, seconds, strict=True) if have < want]
    lack = f"Less than {want:.0f} s of running with oil {' and with oil '.join(lacking)}"
    remedy = "record a drive from a cold start until warm"
    return [Need("oil_window", None, not lacking, DETAIL, min(seconds), want, "s", lack, remedy)]


def sentences(needs: Iterable[Need], cam_count: int, *, ask: bool = True) -> tuple[str, ...]:
    """One sentence an unmet need, gravest first; the same lack of several cams is said once.

    `ask` False leaves out what to drive, for an engine that may not be run.
    """
    groups: dict[tuple[str, str], list[Need]] = {}
    for need in sorted((n for n in needs if not n.met), key=lambda n: _ORDER.index(n.blocks)):
        groups.setdefault((need.lack, need.remedy), []).append(need)
    said = []
    for (lack, remedy), same in groups.items():
        named = [n.cam for n in same if n.cam is not None]
        # A lack that every cam shares needs no names.
        prefix = ", ".join(_cam_words(c) for c in named) + ": " if named and len(named) < cam_count else ""
        text = prefix + (lack[0].lower() + lack[1:] if prefix else lack)
        said.append(f"{text[0].upper()}{text[1:]}{f'; {remedy}' if ask else ''}.")
    return tuple(said)


def cam_sentences(needs: Iterable[Need], cam: str, *, ask: bool = True) -> tuple[str, ...]:
    """The sentences of one cam's own needs, then those of the whole drive."""
    own = [n for n in needs if n.cam in (cam, None)]
    return sentences([n for n in own if n.cam is not None], 1, ask=ask) + sentences(
        [n for n in own if n.cam is None], 0, ask=ask
    )


def _cam_words(cam: str) -> str:
    side, bank = cam.split("_b")
    return f"{side} cam bank {bank}"
