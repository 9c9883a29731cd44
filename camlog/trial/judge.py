"""The result of trying a profile on a car: for each signal its readings, and what is likely wrong in its definition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from camlog.cams import actual, commanded
from camlog.profile import SignalDefinition, VehicleProfile
from camlog.signals import SIGNALS
from camlog.trial import messages
from camlog.trial.mistakes import corrected, discrete
from camlog.trial.pair import moves, suspects
from camlog.trial.readings import RUNNING_RPM, Readings, Series, series

ATMOSPHERE_KPA = (85.0, 110.0)  # readings of an absolute pressure sensor with the engine off
NO_PRESSURE_KPA = 40.0  # a gauge pressure sensor reads less with the engine off
IN_RANGE_SHARE = 0.98
STANDARD_SHARE = 0.05  # of its range: how far a signal may differ from the standard one of the same name
_LEAST_READINGS = 5


@dataclass(frozen=True)
class Suspicion:
    """A likely mistake: its `kind`, a sentence for a person, and the corrected lines (may be empty)."""

    kind: str
    text: str
    line: str = ""


@dataclass(frozen=True)
class SignalTrial:
    """The readings of one signal on the car. `key_on` and `idle` are the median reading there (bytes, value), `low` and
    `high` the lowest and highest value; `notes` are remarks that name no mistake."""

    definition: SignalDefinition
    answers: int
    hz: float | None
    key_on: tuple[bytes, float] | None
    idle: tuple[bytes, float] | None
    low: float | None
    high: float | None
    in_range: bool | None
    suspicions: tuple[Suspicion, ...]
    notes: tuple[str, ...]


def judge(profile: VehicleProfile, readings: Readings) -> tuple[SignalTrial, ...]:
    """The trial of every signal, in the profile's order."""
    accused: dict[str, list[Suspicion]] = {d.name: [] for d in profile.signals}
    notes: dict[str, list[str]] = {d.name: [] for d in profile.signals}
    for cam in profile.cams:
        command, angle = profile.definition(commanded(cam.id)), profile.definition(actual(cam.id))
        if command is None or angle is None:
            continue
        pair = command, angle
        for suspect in suspects(profile, cam.id, pair, readings):
            kind, line = suspect.correction.kind, suspect.correction.line
            if suspect.timing:
                notes[suspect.signal].append(messages("note.timing", line=line))
            else:
                text = messages(f"suspect.{kind}", shared=suspect.shared)
                accused[suspect.signal].append(Suspicion(kind, text, line))
        for definition in pair:
            still = readings.answers.get(definition.source) and not moves(series(definition, readings))
            if still and not accused[definition.name]:
                notes[definition.name].append(messages("note.still"))
    for definition in profile.signals:
        values = series(definition, readings)
        if not len(values.value) and (not accused[definition.name] or definition.source in readings.elsewhere):
            accused[definition.name].insert(0, _unanswered(definition, readings))
        elif not definition.is_cam_angle:
            accused[definition.name] += _alone(definition, values, readings)
    return tuple(_trial(d, readings, accused[d.name], notes[d.name]) for d in profile.signals)


def _trial(definition: SignalDefinition, readings: Readings, accused: list[Suspicion], notes: list[str]) -> SignalTrial:
    values = series(definition, readings)
    count = len(values.value)
    span_s = float(values.time_s[-1] - values.time_s[0]) if count > 1 else 0.0
    return SignalTrial(
        definition, count, (count - 1) / span_s if span_s > 0 else None,
        values.typical("key_on"), values.typical("idle"),
        float(values.value.min()) if count else None, float(values.value.max()) if count else None,
        _in_range(definition.name, values) >= IN_RANGE_SHARE if count else None, tuple(accused), tuple(notes),
    )  # fmt: skip


def _in_range(name: str, came: Series) -> float:
    """Share of the readings that are within the range of a working sensor."""
    signal = SIGNALS[name]
    return float(np.mean((came.value >= signal.low) & (came.value <= signal.high)))


def _unanswered(definition: SignalDefinition, readings: Readings) -> Suspicion:
    header = readings.elsewhere.get(definition.source)
    if header is not None:
        return Suspicion("module", messages("suspect.module", header=header), f"request_header = {header:#05x}")
    if size := readings.size(definition.source):
        return Suspicion("byte", messages("suspect.too_short", size=size, end=definition.end_byte - 1))
    return Suspicion("identifier", messages("suspect.unanswered", why=readings.refusals.get(definition.source, "")))


def _alone(definition: SignalDefinition, came: Series, readings: Readings) -> list[Suspicion]:
    """What is likely wrong with a signal that is no cam angle."""
    if len(came.value) < _LEAST_READINGS:
        return []
    standard = readings.standard.get(definition.name, ())
    if len(standard) >= _LEAST_READINGS:
        return _against_standard(definition, came, np.array(standard, dtype=float), readings)
    if _in_range(definition.name, came) < IN_RANGE_SHARE:
        return [Suspicion("range", messages("suspect.range"))]
    return _pressure(definition, came) if definition.name == "oil_pressure" else []


def _pressure(definition: SignalDefinition, came: Series) -> list[Suspicion]:
    standing = came.typical("key_on")
    running = came.value[came.speed > RUNNING_RPM]
    if standing is None or not len(running):
        return []
    rest, usual = standing[1], float(np.median(running))
    if rest <= NO_PRESSURE_KPA:
        return []
    if usual < rest:
        negated = corrected(definition, "sign", factor=-definition.factor)
        return [Suspicion("sign", messages("suspect.pressure_falls"), negated.line)]
    absolute = ATMOSPHERE_KPA[0] <= rest <= ATMOSPHERE_KPA[1]
    shifted = corrected(definition, "offset", offset=float(f"{definition.offset - rest:.4g}"))
    return [Suspicion("offset", messages("suspect.pressure_rest", value=rest, absolute=absolute), shifted.line)]


def _against_standard(
    definition: SignalDefinition, came: Series, standard: np.ndarray, readings: Readings
) -> list[Suspicion]:
    """The likely mistake of a signal that differs from the standard request of the same name; empty if they agree."""

    def misfit(values: np.ndarray, times_s: np.ndarray) -> float:
        error = np.abs(values - np.interp(times_s, standard[:, 0], standard[:, 1]))
        return float(np.median(error))

    spread = float(np.ptp(standard[:, 1]))
    allowed = max(3.0 * definition.step, STANDARD_SHARE * max(spread, abs(float(np.median(standard[:, 1])))), 2.0)
    now = misfit(came.value, came.time_s)
    if now <= allowed:
        return []
    tried = ((series(c.definition, readings), c) for c in discrete(definition, readings))
    trials = [(misfit(new.value, new.time_s), c) for new, c in tried if len(new.value) >= _LEAST_READINGS]
    error, best = min(trials, key=lambda t: t[0], default=(np.inf, None))
    kind, line = (best.kind, best.line) if best and error <= allowed else ("factor", "")
    return [Suspicion(kind, messages("suspect.standard", pid=SIGNALS[definition.name].pid), line)]
