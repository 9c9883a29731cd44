"""Which cylinders misfire: one, a bank, all, none, as a test and not as a look at the largest number."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from camlog.analysis.misfire import poisson, say
from camlog.limits import Limit

# A cylinder surely below this share of the worst one's rate only shows what that one does to the crankshaft.
MINOR_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class Pattern:
    """`kind` of none, single, bank, all, several, unclear, unknown; `p_value` of the weakest link.

    `cylinders` surely misfire, `bank` if they make one. For `unclear`, `candidates` are the kinds the counts
    leave open. `several` is more than one cylinder that is neither a bank nor all; `all` on an engine with
    one bank is that bank.
    """

    kind: str
    cylinders: tuple[int, ...]
    bank: int | None
    p_value: float | None
    candidates: tuple[str, ...]
    reason: str


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
        return Pattern("unknown", (), None, None, (), say("pattern.unknown"))
    each = significance / len(counts)
    above = {c: poisson.p_above(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    below = {c: poisson.p_below(k, n, limit.value, dispersion) for c, (k, n) in counts.items()}
    misfiring = {c for c, p in above.items() if p <= each}
    if not misfiring:
        if not (unsure := [c for c, p in below.items() if p > each]):
            return Pattern("none", (), None, max(below.values()), (), say("pattern.none", limit=limit))
        turned = min(n for _, n in counts.values()) * 1000.0
        reason = say("pattern.unsure", limit=limit, revolutions=turned, cylinders=_list(unsure))
        return Pattern("unclear", (), None, None, ("none",), reason)
    worst = max(misfiring, key=lambda c: counts[c][0] / counts[c][1])
    minor = {
        c: poisson.p_ratio_below(counts[c], counts[worst], MINOR_SHARE, dispersion)
        for c in counts
        if c != worst
    }
    quiet = {c for c in counts if c not in misfiring and below[c] <= each} | {
        c for c, p in minor.items() if p <= each
    }
    misfiring -= quiet
    links = [above[c] for c in misfiring] + [min(below[c], minor.get(c, 1.0)) for c in quiet]
    named, weakest = tuple(sorted(misfiring)), max(links, default=1.0)
    # A cylinder whose counter was not recorded may do anything.
    cylinders = set(counts).union(*(banks or ()))
    if len(cylinders) == 1:
        reason = say("pattern.one_counter", cylinders=_list(named))
        return Pattern("unclear", named, None, weakest, ("single", "several", "all"), reason)
    groups = _groups(cylinders, banks)
    if open_ := cylinders - misfiring - quiet:
        possible = misfiring | open_
        kinds = ["single"] * (len(misfiring) == 1)
        kinds += [kind for group, (kind, _) in groups.items() if misfiring <= group <= possible]
        kinds += ["several"] * (len(possible) > 1)
        reason = say("pattern.open", cylinders=_list(named), open=_list(open_))
        return Pattern("unclear", named, None, weakest, tuple(dict.fromkeys(kinds)), reason)
    kind, bank = groups.get(frozenset(misfiring), ("single" if len(misfiring) == 1 else "several", None))
    rates = ", ".join(say("pattern.rate", cylinder=c, rate=counts[c][0] / counts[c][1]) for c in named)
    given = say("pattern.rates", rates=rates, limit=limit)
    reason = say(f"pattern.{kind}", cylinders=_list(named), bank=bank, given=given)
    return Pattern(kind, named, bank, weakest, (), reason)


def _groups(
    all_: set[int], banks: Sequence[Sequence[int]] | None
) -> dict[frozenset[int], tuple[str, int | None]]:
    """Sets of cylinders that have a name: all of them, and each bank of an engine with several."""
    known = [(i, frozenset(b) & all_) for i, b in enumerate(banks or (), start=1)]
    groups = {b: ("bank", i) for i, b in known if len(b) > 1} if len(known) > 1 else {}
    if len(all_) > 1:
        groups[frozenset(all_)] = ("all", 1 if len(known) == 1 else None)
    return groups


def _list(cylinders: Iterable[int]) -> str:
    return ", ".join(map(str, sorted(cylinders)))
