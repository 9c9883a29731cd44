"""The outside half of the validity study: cars that share nothing with the simulator.

Plants are textbook ones (first and second order with dead time, an integrator under proportional-integral
control, with and without friction), commands are random levels, ramps, walks and stairs, and the drive is a
random sequence of idle, cruise and moves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from camlog.trace import Trace
from tests.bench.validity_plants import (
    STEP_S,
    first_order,
    integrator_loop,
    red_noise,
    second_order,
    stiction,
)

HEALTHY_SHARE = 0.4
FAULTS = (
    "slow", "slow_cold", "slow_hot", "sticking_command", "sticking_loop", "stuck", "stuck_exact", "hunting",
    "sinking", "offset", "noise", "spikes", "missing", "frozen",
)  # fmt: skip
FINDING = {
    "healthy": "healthy", "slow": "slow", "slow_cold": "slow", "slow_hot": "slow", "sticking_command": "sticking",
    "sticking_loop": "sticking", "stuck": "stuck", "stuck_exact": "stuck", "hunting": "unstable",
    "sinking": "unstable", "offset": "offset", "noise": "sensor", "spikes": "sensor", "missing": "sensor",
    "frozen": "sensor",
}  # fmt: skip
# What the same motion may rightly be called besides: an angle that stands still may be the cam's or the
# reading's.
ALSO = {"frozen": ("stuck",), "sticking_loop": ("unstable",)}
COMMANDS = ("levels", "ramps", "walk", "stairs")
PLANTS = ("first", "second", "loop")
SEEN_DEG, SEEN_S = 1.5, 3.0
WARM_DEGC, COLD_DEGC = 95.0, 15.0


@dataclass(frozen=True)
class OutsideTruth:
    """One cam: `condition` and other names it may have, and how far the fault took it from the healthy
    cam."""

    condition: str
    also: tuple[str, ...]
    seen: bool
    apart_deg: float
    apart_s: float


@dataclass(frozen=True)
class OutsideCase:
    """One drive; `severity` 0.25 to 1 places the fault between barely beyond a healthy cam and gross."""

    seed: int
    kind: str
    severity: float
    plant: str
    command: str
    rate_hz: float
    skew_s: float
    minutes: float
    start: str

    def record(self) -> tuple[Trace, dict[str, OutsideTruth]]:
        """The trace and the truth of each cam."""
        rng = np.random.default_rng([self.seed, 11])
        count = int(self.minutes * 60.0 / STEP_S)
        drive = _drive(rng, count, self.command, self.start)
        concerned = "both" if self.kind == "offset" else ("intake_b1", "exhaust_b1")[rng.integers(2)]
        shift = _between(3.0, 20.0, self.severity) * (-1.0 if rng.random() < 0.8 else 1.0)
        columns: list[tuple[np.ndarray, str, np.ndarray]] = []
        truth = {}
        at = _times(rng, self.rate_hz, drive.seconds - 0.2)
        for cam, sign, reach in (("intake_b1", 1.0, 40.0), ("exhaust_b1", -1.0, 30.0)):
            kind = self.kind if concerned in ("both", cam) else "healthy"
            car = _Cam(np.random.default_rng([self.seed, int(reach)]), self.plant, drive)
            target = drive.share * reach * car.reach
            sound = car.follow(target)
            angle = car.faulty(target, sound, kind, self.severity, shift)
            bad = angle - sound
            over = float(np.sum(np.abs(bad) > 2.0) * STEP_S)
            apart = float(np.abs(bad).max())
            seen = kind in ("healthy", "noise", "spikes", "missing") or (apart >= SEEN_DEG and over >= SEEN_S)
            truth[cam] = OutsideTruth(FINDING[kind], ALSO.get(kind, ()), seen, apart, over)
            asked, told, said = car.read(at, at + self.skew_s, sign * target, sign * angle, kind, self.severity)
            columns.append((at, f"cam_{cam}_commanded", asked))
            columns.append((told, f"cam_{cam}_actual", said))
        columns.append((at, "engine_speed", np.round(drive.at(at, drive.rpm))))
        slow = _times(rng, 1.0, drive.seconds - 0.2)
        for name, value in (
            ("coolant_temp", drive.coolant),
            ("oil_temp", drive.oil),
            ("vehicle_speed", drive.kmh),
        ):
            if name != "oil_temp" or drive.has_oil:
                columns.append((slow, name, np.round(drive.at(slow, value))))
        return _trace(columns), truth


def draw_outside(seed: int) -> OutsideCase:
    """An outside drive: 4 to 15 minutes, 5 to 30 Hz."""
    rng = np.random.default_rng([seed, 31337])
    healthy = rng.random() < HEALTHY_SHARE
    return OutsideCase(
        seed=seed,
        kind="healthy" if healthy else FAULTS[rng.integers(len(FAULTS))],
        severity=float(rng.uniform(0.25, 1.0)),
        plant=PLANTS[rng.integers(len(PLANTS))],
        command=COMMANDS[rng.integers(len(COMMANDS))],
        rate_hz=(30.0, 10.0, 5.0)[rng.integers(3)],
        skew_s=(0.0, 0.08)[rng.integers(2)],
        minutes=float(rng.uniform(4.0, 15.0)),
        start="cold" if rng.random() < 0.6 else "hot",
    )


def _between(barely: float, gross: float, severity: float) -> float:
    """From `barely` at severity 0 to `gross` at 1, on a log scale."""
    return barely * (gross / barely) ** severity


# ---------------------------------------------------------------- the drive


@dataclass(frozen=True)
class _Drive:
    """Per STEP_S: `share` of the travel commanded (0 at rest), rpm, road speed, oil and coolant."""

    share: np.ndarray
    rpm: np.ndarray
    kmh: np.ndarray
    oil: np.ndarray
    coolant: np.ndarray
    has_oil: bool

    @property
    def seconds(self) -> float:
        return len(self.share) * STEP_S

    def at(self, time_s: np.ndarray, value: np.ndarray) -> np.ndarray:
        return value[np.minimum((time_s / STEP_S).astype(int), len(value) - 1)]


def _drive(rng: np.random.Generator, count: int, style: str, start: str) -> _Drive:
    """Idle, cruise and moves in random order; the command is at rest at idle."""
    share, rpm = [], []
    level, made = 0.0, 0
    first = True
    while made < count:
        state = "idle" if first else ("idle", "cruise", "moves", "moves")[rng.integers(4)]
        first = False
        n = int(rng.uniform(*{"idle": (8.0, 30.0), "cruise": (8.0, 40.0), "moves": (15.0, 60.0)}[state]) / STEP_S)
        if state == "idle":
            part, speed = _go(level, 0.0, n, style, rng), rng.uniform(650.0, 850.0)
        elif state == "cruise":
            part, speed = _go(level, rng.uniform(0.2, 0.9), n, style, rng), rng.uniform(1500.0, 2600.0)
        else:
            part, speed = _moves(rng, level, n, style), rng.uniform(1200.0, 3500.0)
        share.append(part)
        rpm.append(np.full(n, speed))
        level, made = float(part[-1]), made + n
    share, rpm = np.concatenate(share)[:count], np.concatenate(rpm)[:count]
    if rng.random() < 0.3:
        # Some modules dither a command they hold; at rest there is nothing to hold.
        swing = rng.uniform(0.1, 0.4) / 40.0 * np.sin(2 * np.pi * rng.uniform(0.3, 2.0) * np.arange(count) * STEP_S)
        share = np.where(share > 0.05, share + swing, share)
    rpm = gaussian_filter1d(rpm, 0.4 / STEP_S) + gaussian_filter1d(rng.normal(size=count), 0.3 / STEP_S) * 60.0
    t = np.arange(count) * STEP_S
    begin = rng.uniform(8.0, 25.0) if start == "cold" else rng.uniform(72.0, 88.0)
    oil = WARM_DEGC - (WARM_DEGC - begin) * np.exp(-t / rng.uniform(120.0, 240.0))
    coolant = 90.0 - (90.0 - begin) * np.exp(-t / rng.uniform(80.0, 160.0))
    return _Drive(share, rpm, np.maximum(rpm - 900.0, 0.0) / 30.0, oil, coolant, bool(rng.random() < 0.7))


def _go(level: float, goal: float, n: int, style: str, rng: np.random.Generator) -> np.ndarray:
    """From one level to another and stay there: at once, or at 10 to 60 deg/s of 40 deg."""
    if style == "stairs":
        goal = round(goal * 8.0) / 8.0
    if style in ("levels", "stairs"):
        return np.full(n, goal)
    rise = max(int(abs(goal - level) * 40.0 / rng.uniform(15.0, 80.0) / STEP_S), 1)
    return np.concatenate([np.linspace(level, goal, rise), np.full(n, goal)])[:n]


def _moves(rng: np.random.Generator, level: float, n: int, style: str) -> np.ndarray:
    if style == "walk":
        walk = gaussian_filter1d(rng.normal(size=n), rng.uniform(0.4, 1.5) / STEP_S)
        walk = 0.5 + 0.22 * walk / walk.std()
        into = np.minimum(np.arange(n) * STEP_S, 1.0)
        return np.clip(level + (walk - level) * into, 0.0, 0.95)
    parts, made = [], 0
    while made < n:
        goal = 0.0 if rng.random() < 0.2 else rng.uniform(0.1, 0.95)
        part = _go(level, goal, int(rng.uniform(1.2, 6.0) / STEP_S), style, rng)
        parts.append(part)
        level, made = float(part[-1]), made + len(part)
    return np.concatenate(parts)[:n]


# ---------------------------------------------------------------- the cam


class _Cam:
    """One cam and its sensor; everything about it is drawn from `rng` before any fault is known."""

    def __init__(self, rng: np.random.Generator, plant: str, drive: _Drive):
        self.rng, self.plant, self.drive = rng, plant, drive
        self.reach = rng.uniform(0.8, 1.2)
        self.dead_s = rng.uniform(0.02, 0.10)
        self.tau_hot = rng.uniform(0.06, 0.24)  # T63 hot up to 0.35 s
        self.tau_cold = self.tau_hot * rng.uniform(1.0, 2.8)  # cold up to 0.8 s
        self.damping = rng.uniform(0.7, 1.1)
        self.bias = rng.uniform(-1.5, 1.5)
        self.noise = rng.uniform(0.03, 0.30)
        self.count = float(rng.choice([0.1, 0.25, 0.5, 1.0]))
        self.wander = rng.uniform(0.0, 0.3)
        self.rest_play = rng.uniform(0.0, 0.1)

    def tau(self, factor_cold: float = 1.0, factor_hot: float = 1.0) -> np.ndarray:
        """Time constant along the drive (n,), between its cold and hot value as the oil thins."""
        thin = np.clip((self.drive.oil - COLD_DEGC) / (WARM_DEGC - COLD_DEGC), 0.0, 1.0) ** 0.6
        low, high = np.log(self.tau_cold * factor_cold), np.log(self.tau_hot * factor_hot)
        return np.exp(low + (high - low) * thin)

    def follow(self, target: np.ndarray, tau: np.ndarray | None = None, friction: float = 0.0) -> np.ndarray:
        """The cam's angle (n,) for a target (n,), without what the sensor adds."""
        tau = self.tau() if tau is None else tau
        delay = round(self.dead_s / STEP_S)
        late = np.concatenate([np.full(delay, target[0]), target])[: len(target)]
        if self.plant == "loop" or friction:
            angle = integrator_loop(late, tau, friction)
        elif self.plant == "second":
            angle = second_order(late, tau, self.damping)
        else:
            angle = first_order(late, tau)
        held = target > 1.0
        wander = red_noise(self.rng, len(target), 0.4) * np.where(held, self.wander, self.rest_play)
        return angle + self.bias * np.where(held, 1.0, 0.5) + wander

    def faulty(self, target: np.ndarray, sound: np.ndarray, kind: str, severity: float, shift: float) -> np.ndarray:
        """The angle (n,) with the fault in it; `sound` is the one without."""
        s, rng, t = severity, self.rng, np.arange(len(target)) * STEP_S
        if kind in ("slow", "slow_cold", "slow_hot"):
            slow = _between(0.5, 2.0, s)
            cold = max(slow, _between(1.0, 3.0, s)) if kind != "slow_hot" else 0.0
            hot = slow if kind != "slow_cold" else 0.0
            return self.follow(target, self.tau(max(cold / self.tau_cold, 1.0), max(hot / self.tau_hot, 1.0)))
        if kind == "sticking_command":
            band = _between(2.0, 10.0, s)
            return self.follow(stiction(target, band, band * rng.uniform(0.4, 1.0)))
        if kind == "sticking_loop":
            return self.follow(target, friction=_between(2.0, 10.0, s))
        if kind in ("stuck", "stuck_exact"):
            place = 0.0 if rng.random() < 0.3 else rng.uniform(0.0, 35.0)
            return np.full(len(target), place) + (red_noise(rng, len(target), 0.3) * 0.1 if kind == "stuck" else 0.0)
        off_rest = np.clip(sound / 4.0, 0.0, 1.0)
        if kind == "hunting":
            size = _between(1.0, 5.0, s) * np.sqrt(2.0)
            phase = 2 * np.pi * rng.uniform(0.4, 2.0) * t + 1.5 * red_noise(rng, len(t), 5.0)
            return sound + off_rest * size * np.sin(phase) * (1.0 + 0.3 * red_noise(rng, len(t), 4.0))
        if kind == "sinking":
            # Oil leaks away until the controller sees the error and pushes back.
            period = rng.uniform(2.0, 5.0)
            sweep = signal.sawtooth(2 * np.pi * t / period, 0.15) + 1.0
            return sound - off_rest * _between(2.0, 8.0, s) * 0.5 * sweep
        if kind == "offset":
            trimmed = rng.random() < 0.5
            moved = np.clip(np.abs(target) / 3.0, 0.0, 1.0)
            return sound + shift * (1.0 - moved) if trimmed else sound + shift
        return sound

    def read(
        self,
        asked_at: np.ndarray,
        told_at: np.ndarray,
        target: np.ndarray,
        angle: np.ndarray,
        kind: str,
        severity: float,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Commanded at `asked_at`, and time and value of the actual angles that arrived."""
        rng, s = self.rng, severity
        exact = kind == "stuck_exact"
        said = self.drive.at(told_at, angle)
        noise = np.hypot(self.noise, _between(1.5, 6.0, s)) if kind == "noise" else self.noise
        said = said + (0.0 if exact else rng.normal(0.0, noise, len(said)))
        keep = np.ones(len(said), dtype=bool)
        if kind == "spikes":
            where = rng.random(len(said)) < _between(0.004, 0.05, s)
            said = said + where * rng.choice([-1.0, 1.0], len(said)) * rng.uniform(12.0, 60.0, len(said))
        if kind == "missing":
            # Failed readings come in stretches: a loose contact.
            share = _between(0.06, 0.5, s)
            lost = red_noise(rng, int(told_at[-1] * 10.0) + 2, 0.3, 0.1) > norm.ppf(1.0 - share)
            keep = ~lost[(told_at * 10.0).astype(int)]
        if kind == "frozen":
            since = rng.uniform(0.25, 0.6) * told_at[-1]
            said = np.where(told_at >= since, said[np.searchsorted(told_at, since) - 1], said)
        counts = np.round(said / self.count) * self.count
        return (
            np.round(self.drive.at(asked_at, target) / self.count) * self.count,
            told_at[keep],
            counts[keep],
        )


# ---------------------------------------------------------------- the recorder


def _times(rng: np.random.Generator, rate_hz: float, end_s: float) -> np.ndarray:
    at = np.cumsum(rng.uniform(0.6, 1.4, int(end_s * rate_hz * 1.2) + 4) / rate_hz)
    return np.round(at[at < end_s], 4)


def _trace(columns: list[tuple[np.ndarray, str, np.ndarray]]) -> Trace:
    rows = np.unique(np.concatenate([at for at, _, _ in columns]))
    table = {}
    for at, name, value in columns:
        column = np.full(len(rows), np.nan)
        column[np.searchsorted(rows, at)] = value
        table[name] = column
    return Trace(rows - rows[0], table)
