"""What the report says in words: cams, conditions, numbers."""

from __future__ import annotations

import math

from camlog.analysis.estimate import Estimate
from camlog.analysis.limits import Limit
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.checks import PHASER
from camlog.analysis.verdict.marks import Mark
from camlog.unknown import UNKNOWN

CONDITION_WORDS = {
    "healthy": "Healthy",
    "sticking": "Sticking",
    "slow": "Slow",
    "stuck": "Stuck",
    "unstable": "Unstable",
    "offset": "Timing off",
    "sensor": "Sensor fault",
    "insufficient_data": "Not enough data",
}

# The kinds of unstable, by the figure that carries the verdict; every other figure is hunting.
UNSTABLE_KINDS = {"drift_deg_per_s": "Drifting", "cold_start_flutter_deg": "Rattling at start"}

CONDITION_MEANS = {
    "healthy": "follows its command",
    "sticking": "stays put, then jumps",
    "slow": "arrives late",
    "stuck": "does not follow its command",
    "unstable": "does not hold still",
    "offset": "stands off its rest position",
    "sensor": "the reading is not that of a moving cam",
    "insufficient_data": "this drive cannot say",
}

CONDITION_FOR_OWNER = {
    "healthy": "moves as the engine computer asks",
    "sticking": "does not move freely: it holds back, then jumps",
    "slow": "moves too slowly",
    "stuck": "hardly moves at all",
    "unstable": "does not hold still where it should",
    "offset": "sits at the wrong angle even at rest",
    "sensor": "sends an angle signal that cannot be right",
    "insufficient_data": "could not be judged from this drive",
}

CAUSE_FOR_OWNER = {
    "phaser": "the cam adjuster itself",
    "oil control valve": "the valve that feeds it with oil",
    "oil supply": "its oil supply",
    "mechanical timing": "the timing chain or its setting",
    "sensor or wiring": "the cam sensor or its wiring",
    "ignition or fuel": "ignition or fuel on single cylinders, not the cam",
    "nothing wrong": "nothing that this drive shows",
}

# What the number beside a verdict is, by the mark it comes from.
FIGURE_WORDS = {
    "stick_band_deg": "of command before it moves",
    "jump_deg": "jump",
    "stuck_time_fraction": "of the time it should move it stands still",
    "t63": "to 63 % of a step",
    "slew": "fastest move",
    "flutter_rms_deg": "typical wander at a steady command",
    "drift_deg_per_s": "drift at a steady command",
    "limit_cycle_deg": "swing at a steady command",
    "hunting_amplitude_deg": "swing to either side of its command",
    "swing_amplitude_deg": "jumps to either side of its command",
    "cold_start_flutter_deg": "typical rattle at rest after the start",
    "rest_offset_deg": "off its rest position",
    "p95_abs_deg": "error at a steady command (95 % of readings)",
    "time_over_limit_s": "far off its command",
    "sensor_noise_rms_deg": "typical noise of the reading",
    "sensor_dropout_fraction": "of the readings missing",
    "sensor_jump_deg_per_s": "impossible jumps",
    "sensor_frozen": "of the drive without any motion",
}
# Support of a cause from which its evidence is called so (common practice, no source).
EVIDENCE_STRENGTHS = ((0.8, "strong"), (0.5, "good"), (0.3, "some"))
COUNTED = frozenset({"sensor_jump_deg_per_s"})
TIMED = frozenset({"time_over_limit_s"})
UNIT_WORDS = {"degC": "°C", "deg": "deg", "1": "", "count": ""}


def cam_title(cam: str) -> str:
    """`intake_b1` as a heading: `Intake cam, bank 1`."""
    side, _, bank = cam.partition("_b")
    return f"{side.capitalize()} cam, bank {bank}"


def unit_words(unit: str) -> str:
    """A unit as it is printed: `degC` is °C, a bare number has none."""
    return UNIT_WORDS.get(unit, unit)


def number(value: float | None) -> str:
    """A number with the figures that matter, as one reads it aloud; `–` where there is none."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    size = abs(value)
    if size >= 99.95:
        return f"{value:,.0f}"
    if size >= 9.995:
        return f"{value:.1f}".removesuffix(".0")
    if size >= 0.995:
        return f"{value:.2f}".rstrip("0").rstrip(".")
    if size < 0.0005:
        return "0" if size == 0 else f"{value:.1e}"
    return f"{value:.2g}"


def with_unit(value: float | None, unit: str) -> str:
    """`2.5 deg`, `24 %` for a share, `–` where there is none."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if unit == "1":
        return f"{100 * value:.0f} %" if 0 <= value <= 1 else number(value)
    return f"{number(value)} {unit_words(unit)}".strip()


def interval_words(figure: Estimate) -> str:
    """`1.2 to 3.4`, or what is known of it."""
    if figure.interval is not None:
        return f"{number(figure.low)} to {number(figure.high)}"
    if figure.value is None and figure.low is not None:
        return f"at least {number(figure.low)}"
    return ""


def duration(seconds: float) -> str:
    """`9 min 58 s`, `1 h 4 min`."""
    whole = int(round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def limit_words(limit: Limit) -> str:
    return with_unit(limit.value, limit.unit)


def key_mark(verdict: Verdict) -> Mark | None:
    """The mark that carries the verdict: of a fault its surest, of a healthy cam its error at steady command."""
    if verdict.condition == "insufficient_data":
        return None
    if verdict.condition == "healthy":
        return next((m for m in verdict.marks if m.name == "p95_abs_deg"), None)
    own = [m for m in verdict.marks if m.condition == verdict.condition and m.value is not None]
    return max(own, key=lambda m: m.chance, default=None)


def key_figure(verdict: Verdict) -> dict[str, str] | None:
    """The number beside the verdict: `value` with its unit, `words` for what it is, `limit`."""
    mark = key_mark(verdict)
    if mark is None:
        return None
    if mark.name in COUNTED:
        return {"value": f"{mark.value:.0f}", "words": FIGURE_WORDS[mark.name], "limit": ""}
    unit = "s" if mark.name in TIMED else mark.limit.unit
    value = abs(mark.value) if mark.name == "rest_offset_deg" else mark.value
    words = FIGURE_WORDS.get(mark.name, mark.limit.title)
    return {
        "value": with_unit(value, unit),
        "words": words + (f", oil {mark.oil}" if mark.oil else ""),
        "limit": "" if mark.name in TIMED else limit_words(mark.limit),
    }


def condition_word(verdict: Verdict) -> str:
    """A verdict in a word or two: `Sticking`; for an unstable cam, which kind: hunting, drifting, rattling at start."""
    if verdict.condition != "unstable":
        return CONDITION_WORDS[verdict.condition]
    mark = key_mark(verdict)
    return CONDITION_WORDS["unstable"] if mark is None else UNSTABLE_KINDS.get(mark.name, "Hunting")


def cause_words(cause: str) -> str:
    """A cause at its first use: the phaser is explained once."""
    return "phaser (VVT actuator)" if cause == PHASER else cause


def evidence_words(support: float) -> str:
    """How well a cause is supported: `strong evidence, 91 %`."""
    strength = next((w for least, w in EVIDENCE_STRENGTHS if support >= least), "weak")
    return f"{strength} evidence, {100 * support:.0f} %"


def state_of(verdict: Verdict) -> str:
    """`good`, `bad` or `unknown`: which shape and colour a verdict gets."""
    return {"healthy": "good", "insufficient_data": "unknown"}.get(verdict.condition, "bad")


def sureness(confidence: float) -> str:
    """A confidence as it is printed; never 100 %."""
    return f"{min(round(100 * confidence), 99)} % sure"
