"""Which cylinders misfire: one, a bank, all, none, as a test and not as a look at the largest number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from camlog.analysis.misfire import poisson
from camlog.limits import Limit

KINDS = ("none", "single", "bank", "all", "several", "unclear", "unknown")

# A cylinder surely below this share of the worst one's rate only shows what that one does to the crankshaft.
MINOR_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Pattern:
    """`kind` of KINDS, `cylinders` surely misfiring, `bank` if they make one, `p_value` of the weakest link.

    For `unclear`, `candidates` are the kinds the counts leave open. `several`
    is more than one cylinder that is neither a bank nor all; `all` on an
    engine with one bank is that bank.
    """

    kind: str
    cylinders: tuple[int, ...]
    bank: int | None
    p_value: float | None
    candidates: tuple[str, ...]
    reason: str

    def to_dict(self) -> dict[str, Any]:
        return {
            "kind": self.kind, "cylinders": list(self.cylinders), "bank": self.bank, "p_value": self.p_value,
            "candidates": list(self.candidates), "reason": self.reason,
        }  # fmt: skip


def pattern(
    counts: Mapping[int, tuple[float, float]],
    banks: Sequence[Sequence[int]] | None,
    limit: Limit,
    dispersion: float = 1.0,
    significance: float = 0.05,
) -> Pattern:
    """The pattern of misfires over cylinders.

    `counts` maps a cylinder to (misfires, thousands of revolutions). A cylinder misfires where its rate is
    surely above `limit`; it does not where its rate is surely below `limit` or below a quarter of the worst
    cylinder's. Each answer is given the significance over all cylinders by Bonferroni's bound.
    """
    counts = {c: kn for c, kn in counts.items() if kn[1] > 0.0}
    if not counts:
        return Pattern("unknown", (), None, None, (), "No misfire rate could be taken of any cylinder.")
    each = significance / len(counts)
    above = {c: poisson.p_above(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    below = {c: poisson.p_below(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    misfiring = {c for c, p in above.items() if p <= each}
    if not misfiring:
        return _no_misfire(counts, below, each, limit)
    worst = max(misfiring, key=lambda c: counts[c][0] / counts[c][1])
    minor = {
        c: poisson.p_ratio_below(*counts[c], *counts[worst], MINOR_SHARE, dispersion)
        for c in counts
        if c != worst
    }
    quiet = {c for c in counts if c not in misfiring and below[c] <= each} | {
        c for c, p in minor.items() if p <= each
    }
    misfiring -= quiet
    weakest = max(
        [above[c] for c in misfiring] + [min(below[c], minor.get(c, 1.0)) for c in quiet], default=1.0
    )
    # A cylinder whose counter was not recorded may do anything.
    cylinders = set(counts).union(*(banks or ()))
    open_ = cylinders - misfiring - quiet
    groups = _groups(cylinders, banks)
    named = tuple(sorted(misfiring))
    if len(cylinders) == 1:
        reason = f"Cylinder {named[0]} misfires; no other cylinder's counter was recorded to compare it with."
        return Pattern("unclear", named, None, weakest, ("single", "several", "all"), reason)
    if open_:
        return _unclear(misfiring, open_, groups, weakest)
    kind, bank = groups.get(frozenset(misfiring), ("single" if len(misfiring) == 1 else "several", None))
    return Pattern(kind, named, bank, weakest, (), _words(kind, named, bank, counts, limit))


def _groups(
    all_: set[int], banks: Sequence[Sequence[int]] | None
) -> dict[frozenset[int], tuple[str, int | None]]:
    """Sets of cylinders that have a name: all of them, and each bank of an engine with several."""
    groups: dict[frozenset[int], tuple[str, int | None]] = {}
    seen = [(i, frozenset(b) & all_) for i, b in enumerate(banks or (), start=1)]
    if len(seen) > 1:
        groups |= {b: ("bank", i) for i, b in seen if len(b) > 1}
    if len(all_) > 1:
        groups[frozenset(all_)] = ("all", 1 if len(seen) == 1 else None)
    return groups


def _no_misfire(
    counts: Mapping[int, tuple[float, float]], below: Mapping[int, float], each: float, limit: Limit
) -> Pattern:
    unsure = tuple(sorted(c for c, p in below.items() if p > each))
    if unsure:
        names = ", ".join(map(str, unsure))
        fewest = min(n for _, n in counts.values()) * 1000.0
        return Pattern(
            "unclear", (), None, None, ("none",),
            f"No cylinder is surely above {limit}, but after {fewest:.0f} revolutions it cannot be ruled out "
            f"for cylinder {names}.",
        )  # fmt: skip
    return Pattern(
        "none",
        (),
        None,
        max(below.values()),
        (),
        f"Every cylinder is below {limit}: no misfire that matters.",
    )


def _unclear(
    misfiring: set[int],
    open_: set[int],
    groups: Mapping[frozenset[int], tuple[str, int | None]],
    weakest: float,
) -> Pattern:
    possible = misfiring | open_
    candidates = ["single"] if len(misfiring) == 1 else []
    candidates += [kind for group, (kind, _) in groups.items() if misfiring <= group <= possible]
    if len(possible) > 1:
        candidates.append("several")
    named, asked = (", ".join(map(str, sorted(s))) for s in (misfiring, open_))
    reason = f"Cylinder {named} misfires; the counts do not yet tell whether cylinder {asked} does."
    return Pattern(
        "unclear", tuple(sorted(misfiring)), None, weakest, tuple(dict.fromkeys(candidates)), reason
    )


def _words(
    kind: str,
    cylinders: tuple[int, ...],
    bank: int | None,
    counts: Mapping[int, tuple[float, float]],
    limit: Limit,
) -> str:
    rates = ", ".join(f"{c}: {counts[c][0] / counts[c][1]:.1f}" for c in cylinders)
    given = f" ({rates} per 1,000 revolutions; limit {limit})."
    match kind:
        case "single":
            return (
                f"Only cylinder {cylinders[0]} misfires{given} One cylinder alone points away from the cam."
            )
        case "bank":
            return f"All of bank {bank} misfires and nothing else{given} A whole bank points at its cams."
        case "all":
            return f"Every cylinder misfires{given} That points at what they share: cam timing, fuel or air."
        case _:
            return f"Several cylinders misfire, but no whole bank{given}"
