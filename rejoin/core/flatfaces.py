"""Faces too flat to tell how they belong together: poses by their rims and the original surfaces beside them.

Sawn and machined faces share rims too, so that such a pose never counts as
good. It is placed as doubtful where the original surfaces run on nearly all
round, both faces cover each other, nothing in the relief speaks against it,
and no other position of the kind comes near.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from rejoin.core.continuity import Running, running_on
from rejoin.core.evidence import LEAST_SCORE, Pose, judge
from rejoin.core.outline import SHARE, rim_on_rim, sheet_of, turned_alike
from rejoin.core.records import FloatArray
from rejoin.core.surfaces import Surface
from rejoin.core.transforms import inverse

RUNS_ON = 0.75
"""Share of the rim along which the original surfaces must run on."""

MOST_ACROSS = 1.6 * LEAST_SCORE
"""Nats that rims and original surfaces tell at most: enough to be placed, never enough to be good."""


@dataclass(frozen=True, eq=False)
class Laid:
    """A pose by rims, and what speaks for it."""

    pose: Pose
    running: Running


def laid_by_rims(first: Surface, second: Surface, a_from_b: FloatArray) -> Laid | None:
    """The pose near ``a_from_b`` in which rims and original surfaces agree, or None where they do not."""
    for _ in range(2):
        sheet = sheet_of(first, second, inverse(a_from_b))
        if sheet is None:
            return None
        a_from_b = inverse(rim_on_rim(sheet) @ inverse(a_from_b))
    sheet = sheet_of(first, second, inverse(a_from_b))
    if sheet is None or sheet.share < SHARE:
        return None
    running = running_on(first.fragment, second.fragment, a_from_b)
    if running is not None and running.slid_mm > first.fragment.spacing_mm:
        running = running_on(first.fragment, second.fragment, running.a_from_b)
    if running is None or running.share < RUNS_ON:
        return None
    evidence = judge(first, second, running.a_from_b, across=min(running.told, MOST_ACROSS))
    words = f"the original surfaces run on along {100 * running.share:.0f} % of the rim"
    return Laid(Pose(running.a_from_b, replace(evidence, reason=words)), running)


def with_rivals(first: Surface, second: Surface, laid: list[Laid]) -> list[Pose]:
    """The best of the poses by rims, those turned in its plane, and the others, by how far they trail it."""
    if not laid:
        return []
    best = max(laid, key=lambda one: (one.pose.evidence.score, one.running.told))
    others = [one for one in laid if one is not best]
    b_from_a = inverse(best.pose.a_from_b)
    sheet = sheet_of(first, second, b_from_a)
    for motion in turned_alike(sheet) if sheet is not None else []:
        rival = laid_by_rims(first, second, inverse(motion @ b_from_a))
        others += [rival] if rival is not None else []
    return [best.pose, *(_trailing(best, other) for other in others)]


def _trailing(best: Laid, other: Laid) -> Pose:
    """The other pose, its score less than the best one's by what the best one's surfaces tell beyond its own."""
    stretches = min(best.running.stretches, other.running.stretches)
    lead = stretches * (best.running.told / best.running.stretches - other.running.told / other.running.stretches)
    score = min(other.pose.evidence.score, best.pose.evidence.score - max(lead, 0.0))
    return replace(other.pose, evidence=replace(other.pose.evidence, score=score))
