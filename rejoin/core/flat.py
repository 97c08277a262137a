"""Faces too flat to tell how they belong together: poses by their rims and the original surfaces beside them.

Sawn and machined faces share rims too, so that such a pose never counts as
good. It is placed as doubtful where the original surfaces run on nearly all
round, both faces cover each other, nothing in the relief speaks against it,
and no other position of the kind comes near.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.continuity import Running, running_on
from rejoin.core.evidence import FORM, LEAST_LEAD, LEAST_SCORE, Pose, form_between, judge
from rejoin.core.icp import settled
from rejoin.core.outline import rim_on_rim, sheet_of, turned_alike
from rejoin.core.records import FloatArray
from rejoin.core.surfaces import Surface, alike
from rejoin.core.transforms import inverse
from rejoin.core.turns import Turned, turned_best

COVERING = 0.75
"""Share of both faces, in coarse cells, that lie on each other, from which the rims are looked at closely."""

RUNS_ON, AT_LEAST = 0.8, 2.0 / 3.0
"""Share of the rim along which the original surfaces must run on; and where the faces share twice the form that a
break must: small teeth and grooves leave few points to tell by."""

MOST_ACROSS = 1.3 * LEAST_SCORE
"""Nats that rims and original surfaces tell at most: enough to be placed, never enough to be good."""


ROUND = 0.1
"""Lever below which a rim is round: its stretches face the middle to six degrees."""


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
        # Where the rims lead, the faces lie at another angle and height.
        a_from_b = settled(first, second, inverse(rim_on_rim(sheet) @ inverse(a_from_b)))
    sheet = sheet_of(first, second, inverse(a_from_b))
    if sheet is None or sheet.share < COVERING:
        return None
    running = running_on(first.fragment, second.fragment, a_from_b)
    if running is not None and running.slid_mm > first.fragment.spacing_mm:
        running = running_on(first.fragment, second.fragment, running.a_from_b)
    if running is None or running.share < AT_LEAST:
        return None
    if running.share < RUNS_ON and form_between(first, second, running.a_from_b) < 2.0 * FORM:
        return None
    evidence = judge(first, second, running.a_from_b, across=min(running.told, MOST_ACROSS))
    words = f"the original surfaces run on along {100 * running.share:.0f} % of the rim"
    return Laid(Pose(running.a_from_b, replace(evidence, reason=words)), running)


def with_rivals(first: Surface, second: Surface, laid: list[Laid]) -> list[Pose]:
    """The best of the poses by rims, those turned in its plane, and the others, by how far they trail it."""
    if not laid:
        return []
    best = max(laid, key=lambda one: (one.pose.evidence.score, one.running.told))
    turned, is_round = None, _is_round(laid)
    if is_round:
        turned = turned_best(first, second, best.pose.a_from_b, best.running.radius_mm)
    if turned is not None:
        best = _in_its_turn(first, second, best, turned)
    b_from_a = inverse(best.pose.a_from_b)
    sheet = sheet_of(first, second, b_from_a)
    motions = turned_alike(sheet) if sheet is not None else []
    others = laid + [rival for motion in motions if (rival := laid_by_rims(first, second, inverse(motion @ b_from_a)))]
    rivals = [
        _trailing(best, other) for other in others
        if not alike(first, second, other.pose.a_from_b, best.pose.a_from_b)
        and not (turned is not None and turned.includes(other.pose.a_from_b))
    ]  # fmt: skip
    if is_round and (turned is not None or motions):
        rivals.append(_anyhow(first, best, turned, (motions or [np.eye(4)])[0]))
    close = [rival for rival in rivals if rival.evidence.score > best.pose.evidence.score - LEAST_LEAD]
    return [replace(best.pose, evidence=replace(best.pose.evidence, reason=_in_words(best, close, is_round))), *rivals]


def _in_its_turn(first: Surface, second: Surface, laid: Laid, turned: Turned) -> Laid:
    """The pose turned about its rim's axis to where the faces lie closest, and what speaks for it there."""
    evidence = judge(first, second, turned.a_from_b, across=min(laid.running.told, MOST_ACROSS))
    return replace(laid, pose=Pose(turned.a_from_b, replace(evidence, reason=laid.pose.evidence.reason)))


def _anyhow(first: Surface, best: Laid, turned: Turned | None, motion: FloatArray) -> Pose:
    """A round rim lets the fragment turn: as good as the best pose but for what tells of the turn.

    That is the form which both faces share beyond what they share in the best
    other turn; or, where the turns could not be compared, the relief which they
    share, less what picking among all turns finds by chance.
    """
    evidence = best.pose.evidence
    if turned is not None:
        return Pose(turned.other, replace(evidence, score=evidence.score - max(turned.told, 0.0)))
    turns = np.pi * best.running.radius_mm / first.fragment.spacing_mm
    score = min(evidence.score, min(best.running.told, MOST_ACROSS) + float(np.log(max(turns, 1.0))))
    return Pose(inverse(motion @ inverse(best.pose.a_from_b)), replace(evidence, score=score))


def _is_round(laid: list[Laid]) -> bool:
    """Whether the rim is round: that of the faces, which each pose measures anew, a little differently."""
    return float(np.median([one.running.lever for one in laid])) < ROUND


def _in_words(best: Laid, close: list[Pose], is_round: bool) -> str:
    """What speaks for the best pose, what fits nearly as well, and whether little but the relief tells of its turn."""
    words = best.pose.evidence.reason
    turns = sorted({_turned(best.pose.a_from_b, rival.a_from_b) for rival in close})
    if turns:
        ways = [f"turned by {', '.join(f'{turn}°' for turn in turns if turn)}"] if any(turns) else []
        ways += ["slid along the break"] if 0 in turns else []
        words += f", and nearly as far {' or '.join(ways)}"
        return f"{words}, for the rim is round" if is_round else words
    return f"{words}; the rim is round: check how far the piece is turned by a mark on both" if is_round else words


def _turned(one: FloatArray, other: FloatArray) -> int:
    """Degrees by which two poses are turned against each other, to the nearest five."""
    trace = float(np.trace(one[:3, :3].T @ other[:3, :3]))
    return 5 * round(float(np.degrees(np.arccos(np.clip((trace - 1.0) / 2.0, -1.0, 1.0)))) / 5.0)


def _trailing(best: Laid, other: Laid) -> Pose:
    """The other pose, its score less than the best one's by what the best one's surfaces tell beyond its own."""
    stretches = min(best.running.stretches, other.running.stretches)
    lead = stretches * (best.running.told / best.running.stretches - other.running.told / other.running.stretches)
    score = min(other.pose.evidence.score, best.pose.evidence.score - max(lead, 0.0))
    return replace(other.pose, evidence=replace(other.pose.evidence, score=score))
