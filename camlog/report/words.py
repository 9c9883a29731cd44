"""What the report says in words: cams, conditions, numbers."""

from __future__ import annotations

from camlog.analysis.estimate import Estimate
from camlog.analysis.figures import QUESTIONS
from camlog.analysis.verdict.checks import PHASER
from camlog.analysis.verdict.judge import Verdict
from camlog.analysis.verdict.weigh import Weighed
from camlog.numbers import number, with_unit

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

# Support of a cause from which its evidence is called so (common practice, no source).
EVIDENCE_STRENGTHS = ((0.8, "strong"), (0.5, "good"), (0.3, "some"))


def cam_title(cam: str) -> str:
    """`intake_b1` as a heading: `Intake cam, bank 1`."""
    side, _, bank = cam.partition("_b")
    return f"{side.capitalize()} cam, bank {bank}"


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


def key_evidence(verdict: Verdict) -> Weighed | None:
    """What carries the verdict: of a fault the weightiest figure, of a healthy cam its error at a steady command."""
    if verdict.condition == "insufficient_data":
        return None
    if verdict.condition == "healthy":
        return next((w for w in verdict.evidence if w.figure.name == "p95_abs_deg"), None)
    # A figure of the question that names this fault tells more than one that many faults share.
    own = [w for w in verdict.evidence if QUESTIONS[w.figure.question].faults[0] == verdict.condition and w.times_limit > 1.0]
    return max(own or verdict.evidence, key=verdict.says, default=None)


def key_figure(verdict: Verdict) -> dict[str, str] | None:
    """The number beside the verdict: `value` with its unit, `words` for what it is, `limit`."""
    w = key_evidence(verdict)
    if w is None:
        return None
    oil = w.measured.window.words if w.measured.window is not None else ""
    part = f" in {w.measured.part}" if w.measured.part else ""
    return {
        "value": w.figure.shown(w.measured),
        "words": w.figure.title + part + (f", oil {oil}" if oil else ""),
        "limit": with_unit(w.limit.value, w.figure.unit),
    }


def condition_word(verdict: Verdict) -> str:
    """A verdict in a word or two: `Sticking`; for an unstable cam, which kind: hunting, drifting, rattling at start."""
    if verdict.condition != "unstable":
        return CONDITION_WORDS[verdict.condition]
    key = key_evidence(verdict)
    return CONDITION_WORDS["unstable"] if key is None else UNSTABLE_KINDS.get(key.figure.name, "Hunting")


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
