"""Fit of the evidence table: weights of each figure for each condition, from examined drives.

Multinomial logistic regression on the hats of `weigh` (straight lines between the knots), with the prior held at the
share of each condition, weights that never fall as a figure grows worse for the conditions it speaks for, a penalty on
size and on bends, no fault spoken for by a figure far on the right side of its limit, and every family counted alike. scikit-learn's regressions know no such bounds, so the minimum is
SciPy's L-BFGS-B (Byrd, Lu, Nocedal & Zhu 1995). Rows that say less than SMALL everywhere are left out and the rest
fitted again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from camlog.analysis.figures import CONDITIONS, FAULTS, FIGURES, view
from camlog.analysis.verdict.weigh import KNOTS, Table, Weighed, distance, likeness, table_of, weigh
from camlog.limits import LIMITS
from camlog.questions import QUESTIONS
from tests.bench.validity_run import Kept

USED = tuple(f for f in FIGURES if f.question)
SIZE, BEND = 0.005, 0.3  # penalties, chosen by the leave-one-family-out log loss
SMALL = 0.15
AGAINST = 1.0  # what it costs a row to end below nothing, per square: far more than any such row gains
FAMILY_FIGURES = 12  # figures that describe what kind of car it is, kept for each family
LEAST_SPREAD = 0.5  # powers of two: cars of one kind differ by that much anyway
# Simulated cars store codes as their makers thought of it; real ones store them late, early or for a neighbour. A code may
# say this much at most (log odds; common practice, no source).
CODE_MOST = 1.0
MOST = np.array([CODE_MOST if f.amount == "lists" else np.inf for f in USED])
K = len(KNOTS)
RATTLES = ("rattle", "worn_lock_pin")  # faults that show in the first seconds only


@dataclass(frozen=True)
class Cams:
    """n cams: `hats` (n, figures, knots), `truth` (n,) index into CONDITIONS, and of each its family, weight and drive."""

    hats: np.ndarray
    truth: np.ndarray
    family: np.ndarray
    weight: np.ndarray
    kept: tuple[tuple[Kept, str], ...]
    evidence: tuple[tuple[Weighed, ...], ...]

    def take(self, which: np.ndarray) -> Cams:
        """The cams where `which` (n,) is true."""
        index = np.flatnonzero(which)
        return Cams(
            self.hats[index], self.truth[index], self.family[index], self.weight[index],
            tuple(self.kept[i] for i in index), tuple(self.evidence[i] for i in index),
        )  # fmt: skip


def cams_of(drives: Iterable[Kept]) -> Cams:
    """Every cam of the drives with its figures weighed by nothing yet."""
    place = {f.name: i for i, f in enumerate(USED)}
    hats, truth, family, kept, evidence = [], [], [], [], []
    for drive in drives:
        for cam in drive.cams:
            found = tuple(weigh(view(drive.cams, cam, drive.codes), LIMITS))
            row = np.zeros((len(USED), K))
            for w in found:
                row[place[w.figure.name]] = w.hats
            fact = drive.truth[cam]
            hats.append(row)
            # An offset of the reading alone moves nothing else: what can be said of it is that the cam stands off.
            condition = "offset" if fact.kind == "reading_offset" else fact.condition
            truth.append(CONDITIONS.index(condition if fact.shows else "healthy"))
            family.append(drive.family)
            kept.append((drive, cam))
            evidence.append(found)
    names, count = np.unique(family, return_counts=True)
    each = dict(zip(names, len(family) / (len(names) * count), strict=True))
    return Cams(
        np.array(hats),
        np.array(truth),
        np.array(family),
        np.array([each[f] for f in family]),
        tuple(kept),
        tuple(evidence),
    )


def prior_of(cams: Cams) -> dict[str, float]:
    """Log odds of each fault against healthy by its share among the cams."""
    share = np.bincount(cams.truth, cams.weight, len(CONDITIONS)) + 1.0
    return {c: float(np.log(share[i] / share[0])) for i, c in enumerate(CONDITIONS) if i}


def fit(cams: Cams, prior: Mapping[str, float], rows: np.ndarray | None = None, steps: int = 250) -> np.ndarray:
    """Weights (faults, figures, knots); `rows` (faults, figures) says which may differ from zero."""
    rising = np.array([[c in f.speaks_for for f in USED] for c in FAULTS])
    rows = rising if rows is None else rows
    target = np.zeros((len(cams.truth), len(FAULTS)))
    faulty = cams.truth > 0
    target[faulty, cams.truth[faulty] - 1] = 1.0
    # A good figure speaks against a fault only where its question would find it: a cam that tracks well may still lose
    # readings or rattle at start.
    clears = np.array([[c == QUESTIONS[f.question].faults[0] for f in USED] for c in FAULTS])
    base = np.array([prior[c] for c in FAULTS])
    weights = _fit(cams.hats, target, cams.weight, base, rising, rows, steps, clears)
    return np.minimum(weights, MOST[None, :, None])


def fit_questions(cams: Cams, steps: int = 250) -> tuple[dict[str, float], dict[str, np.ndarray]]:
    """Of each question the log odds of "no" beforehand, and of each figure what it adds to "no" (knots,).

    "No" is a cam whose fault is one of the question's. "Does it reach its command" is left open for cams that are slow or
    unstable: they do, sooner or later.
    """
    priors, found = {}, {}
    for question in QUESTIONS.values():
        no = np.isin(cams.truth, [CONDITIONS.index(c) for c in question.faults])
        if question.name == "starts_quietly":
            no &= np.array([d.kind in RATTLES for d, _ in cams.kept])
        if question.name == "holds":
            no &= ~np.array([d.kind in RATTLES for d, _ in cams.kept])
        keep = no | (cams.truth == 0) if question.name == "follows" else np.ones(len(no), dtype=bool)
        own = [i for i, f in enumerate(USED) if f.question == question.name]
        weight = cams.weight * keep
        share = float(weight @ no) / float(weight.sum())
        priors[question.name] = math.log((share + 0.002) / (1.0 - share))
        rising = np.array([[bool(set(USED[i].speaks_for) & set(question.faults)) for i in own]])
        rows = np.ones((1, len(own)), dtype=bool)
        target = no[:, None].astype(float)
        w = _fit(cams.hats[:, own], target, weight, np.array([priors[question.name]]), rising, rows, steps)
        found |= {USED[i].name: np.minimum(w[0, k], MOST[i]) for k, i in enumerate(own)}
    return priors, found


def _fit(
    hats: np.ndarray,
    target: np.ndarray,
    weight: np.ndarray,
    start: np.ndarray,
    rising: np.ndarray,
    rows: np.ndarray,
    steps: int,
    clears: np.ndarray | None = None,
) -> np.ndarray:
    """Weights (classes, figures, knots) of the least penalised loss; `target` (n, classes), none of them is the reference."""
    shape = (*rows.shape, K)
    x = hats.reshape(len(hats), -1)
    faulty = target.sum(axis=1) > 0
    weight = weight / weight.sum()

    # A rising row is its first knot and the steps up from it; any other row is its knots.
    def weights_of(flat: np.ndarray) -> np.ndarray:
        theta = flat.reshape(shape)
        return np.where(rising[..., None], np.cumsum(theta, axis=2), theta) * rows[..., None]

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        w = weights_of(flat)
        score = start + x @ w.reshape(shape[0], -1).T
        top = np.maximum(score.max(axis=1), 0.0)
        e = np.exp(score - top[:, None])
        total = e.sum(axis=1) + np.exp(-top)
        log_p = np.where(faulty, (score * target).sum(axis=1), 0.0) - top - np.log(total)
        p = e / total[:, None]
        slope = ((p - target) * weight[:, None]).T @ x
        bend = np.diff(w, 2, axis=2)
        value = -float(weight @ log_p) + PENALTY * (SIZE * float(np.sum(w**2)) + BEND * float(np.sum(bend**2)))
        back = np.zeros_like(w)
        back[..., :-2] += bend
        back[..., 1:-1] -= 2.0 * bend
        back[..., 2:] += bend
        # At its worst no figure speaks against what it speaks for.
        against = np.minimum(w[..., -1], 0.0) * rising
        value += AGAINST * float(np.sum(against**2))
        back[..., -1] += AGAINST * against / (PENALTY * BEND)
        grad = (slope.reshape(shape) + PENALTY * 2.0 * (SIZE * w + BEND * back)) * rows[..., None]
        grad = np.where(rising[..., None], np.cumsum(grad[..., ::-1], axis=2)[..., ::-1], grad)
        return value, grad.ravel()

    lower = np.full(shape, -np.inf)
    lower[..., 1:] = np.where(rising[..., None], 0.0, -np.inf)
    if clears is not None:
        lower[..., 0] = np.where(clears, -np.inf, 0.0)
    # A figure far on the right side of its limit never speaks for a fault.
    upper = np.full(shape, np.inf)
    upper[..., 0] = 0.0
    bounds = list(zip(lower.ravel(), upper.ravel(), strict=True))
    found = minimize(
        cost, np.zeros(int(np.prod(shape))), jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": steps}
    )
    return weights_of(found.x)


PENALTY = 0.001


def pruned(cams: Cams, prior: Mapping[str, float], steps: int = 250) -> np.ndarray:
    """The fit without the rows that say next to nothing."""
    first = fit(cams, prior, steps=steps)
    return fit(cams, prior, np.abs(first).max(axis=2) >= SMALL, steps)


def families_of(cams: Cams, names: Sequence[str]) -> dict[str, dict[str, tuple[float, float]]]:
    """Of each family the mean and spread (powers of two times the limit) of the figures most of its cars have."""
    found = {}
    common = _telling(cams, names)
    for family in names:
        rows: dict[str, list[float]] = {}
        for i in np.flatnonzero(cams.family == family):
            for w in cams.evidence[i]:
                if w.figure.name in common:
                    rows.setdefault(w.figure.name, []).append(likeness(w))
        found[family] = {
            n: (round(float(np.mean(v)), 2), round(max(float(np.std(v)), LEAST_SPREAD), 2))
            for n, v in rows.items()
            if len(v) >= 5
        }
    return found


def _telling(cams: Cams, names: Sequence[str]) -> list[str]:
    """The figures that most cams have and that tell the families apart best (variance between over within)."""
    values: dict[str, dict[str, list[float]]] = {}
    for i, family in enumerate(cams.family):
        for w in cams.evidence[i]:
            values.setdefault(w.figure.name, {}).setdefault(family, []).append(likeness(w))
    scores = {}
    for figure, of in values.items():
        known = [np.array(of[n]) for n in names if len(of.get(n, ())) >= 5]
        if sum(map(len, known)) > 0.5 * len(cams.truth) and len(known) > 0.7 * len(names):
            within = float(np.mean([v.var() for v in known]))
            scores[figure] = float(np.var([v.mean() for v in known])) / max(within, LEAST_SPREAD**2)
    return sorted(scores, key=scores.get, reverse=True)[:FAMILY_FIGURES]


def raw_table(cams: Cams, weights: np.ndarray, prior: Mapping[str, float], **more) -> dict:
    """The JSON object of the table."""
    rows = {
        f.name: {
            c: [round(float(v), 2) for v in weights[j, i]]
            for j, c in enumerate(FAULTS)
            if np.abs(weights[j, i]).max() >= 0.005
        }
        for i, f in enumerate(USED)
    }
    no_prior, no = fit_questions(cams)
    return {
        "no_prior": {q: round(v, 2) for q, v in no_prior.items()},
        "no": {f: [round(float(v), 2) for v in row] for f, row in no.items() if np.abs(row).max() >= 0.005},
        "prior": {c: round(v, 2) for c, v in prior.items()},
        "temperature": 1.0, "far_from": 9.0, "far_slope": 0.0,
        "weights": {f: r for f, r in rows.items() if r}, "families": families_of(cams, sorted(set(cams.family))),
        "tested": "", **more,
    }  # fmt: skip


def calibrate(scored: Sequence[tuple[np.ndarray, float, int]]) -> tuple[float, float, float]:
    """Temperature, and from which distance and how steeply it rises, from predictions for families not fitted on.

    `scored` holds for each cam the log odds of the faults without the prior and the prior (2, faults), its distance from
    the families that were fitted, and its truth. Chosen by the least log loss over a grid.
    """
    odds = np.array([s[0][0] for s in scored])
    prior = np.array([s[0][1] for s in scored])
    apart, truth = np.array([s[1] for s in scored]), np.array([s[2] for s in scored])
    best = (np.inf, 1.0, 9.0, 0.0)
    for far in np.quantile(apart, [0.95, 0.98, 0.99]):
        for slope in (0.0, 0.25, 0.5, 1.0):
            for temperature in np.arange(0.8, 2.6, 0.1):
                heat = temperature * (1.0 + slope * np.maximum(apart - far, 0.0))
                score = np.column_stack([np.zeros(len(odds)), prior + odds / heat[:, None]])
                score -= score.max(axis=1, keepdims=True)
                loss = -float(np.mean(score[np.arange(len(truth)), truth] - np.log(np.exp(score).sum(axis=1))))
                best = min(best, (loss, float(temperature), float(far), slope))
    return best[1:]


def score_of(
    evidence: Sequence[Weighed], hats: np.ndarray, weights: np.ndarray, numbers: Table
) -> tuple[np.ndarray, float]:
    """Log odds of the faults (without the prior) and the distance of one cam."""
    return np.tensordot(weights, hats, axes=([1, 2], [0, 1])), distance(evidence, numbers.families)[0]


__all__ = [
    "Cams",
    "calibrate",
    "cams_of",
    "families_of",
    "fit",
    "prior_of",
    "pruned",
    "raw_table",
    "score_of",
    "table_of",
]
