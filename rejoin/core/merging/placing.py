"""Where all views of a piece stand: rough poses pair by pair, the arrangement that closes best, then one adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.alignment.views import STILL, approach_views, rested
from rejoin.core.errors import NoAnswer
from rejoin.core.merging.arranging import WORTH, Ways, arranged
from rejoin.core.merging.choosing import widened
from rejoin.core.merging.close import Close, Fine, closer, fine_of, judged
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.merging.looks import Arrangement, Known, Poses, shifts_mm
from rejoin.core.merging.pointed import Pointed, between, pointed
from rejoin.core.merging.sight import Sight
from rejoin.core.merging.sliding import best_places, slid
from rejoin.core.merging.tables import Scene
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint, SamePlaces
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import inverse

if TYPE_CHECKING:
    from rejoin.core.alignment import Adjustment

__all__ = ["arranged", "at_rest", "spread_of", "ways_of"]

SLID = 3
"""Poses of two views, the best, that are tried along their weakest motion."""
KEPT = 12
"""Poses of two views that are tried with the other views."""
WIDER = 3
"""Rings by which an overlap is taken wider than what is seen to lie together: noise leaves holes in it, and beside
their borders nothing counts. Of the narrow strips that views share, that would be a third."""
AGAIN = 5
"""So often the overlaps are taken anew where the adjustment moved a view by more than so many spacings."""
LEAST_SHARE = 0.01
"""Share of a view that must agree with another for the two to be adjusted to each other."""


def ways_of(
    views: Sequence[Fragment], scenes: Sequence[Scene | None], report: Report, marks: Sequence[SamePlaces] = ()
) -> tuple[Known, Ways]:
    """For every two views the poses worth considering, best first; ``scenes`` are the views as they were scanned."""
    spacing = max(view.spacing_mm for view in views)
    step = common_step([view.mesh for view in views], spacing)
    report(0.0, "Thinning the views")
    both = list(zip(views, scenes, strict=True))
    seen = abreast(lambda one, _: seen_of(one[0].mesh, one[0].spacing_mm, step, one[1]), both)
    fine = abreast(lambda view, _: fine_of(view), views)
    sights = [Sight(*one) for one in zip(views, fine, scenes, strict=True)]

    held = pointed(marks, [view.scan for view in views], fine)

    def of_pair(pair: tuple[int, int], share: Report) -> list[Close]:
        i, j = pair
        rough = rough_poses(seen[i], seen[j], part_of(share, 0.1, 0.7))
        share(0.7, "Trying how the views lie together")
        marked = between(held, i, j)
        starts = [(one.a_from_b, 1.5 * step) for one in rough]
        starts += [(one.a_from_b, reach) for one in marked for reach in (1.5 * step, one.within_mm)]  # as a hand errs
        near = [_doubted(closer(fine[i], fine[j], *start), sights[i], sights[j]) for start in starts]
        near = [one for one in near if _as_marked(one, marked, fine[j])]
        near.sort(key=lambda one: -one.score)
        first = [way for way in near[:SLID] if way.score > WORTH]
        along = [_doubted(place, sights[i], sights[j]) for way in first for place in slid(fine[i], fine[j], way, step)]
        best = best_places([*near[len(first) :], *along], fine[j], step)
        found = _distinct(sorted(best, key=lambda one: -one.score), fine[j], step)
        if not marked:
            return found
        found = [one for one in found if _as_marked(one, marked, fine[j])]
        # Two that share too little to come closer stand as they were marked.
        found = found or [judged(fine[i], fine[j], one.a_from_b) for one in marked]
        return [replace(one, pointed_out=True) for one in found]

    pairs = list(combinations(range(len(views)), 2))
    found = abreast(of_pair, pairs, part_of(report, 0.1, 1.0))
    return Known(fine, seen, sights, held), dict(zip(pairs, found, strict=True))


def _as_marked(way: Close, marked: Sequence[Pointed], b: Fine) -> bool:
    return all(one.allows(way.a_from_b, b) for one in marked)


def _doubted(way: Close, a: Sight, b: Sight) -> Close:
    """A pose with what either view says against the other; one that is worth nothing anyway is not asked."""
    if way.score < WORTH:
        return way
    doubts = a.doubts(b, way.a_from_b), b.doubts(a, inverse(way.a_from_b))
    odd = sum(doubt.below + doubt.unseen for doubt in doubts)
    return replace(way, odd=odd / max(sum(doubt.asked for doubt in doubts), 1))


def _distinct(ways: list[Close], b: Fine, step: float, keep: int = KEPT) -> list[Close]:
    corners, kept = b.points[:: max(1, len(b.points) // 60)], list[Close]()
    for way in ways:
        far = (np.abs((way.a_from_b - o.a_from_b)[:3, :3] @ corners.T + (way.a_from_b - o.a_from_b)[:3, 3:]).max()
               for o in kept)  # fmt: skip
        if way.score > 0.0 and all(distance > step for distance in far):
            kept.append(way)
    return kept[:keep]


@dataclass(frozen=True, eq=False)
class Moved:
    """Views that a first approach took to another place, so that their overlaps are to be taken anew."""

    part_from_scan: Poses


def adjusted(
    views: Sequence[Fragment], fine: list[Fine], arrangement: Arrangement, report: Report, again: bool = False,
    there: bool = False,
) -> Adjustment | Moved:  # fmt: skip
    """All placed views by one least squares over every overlap (`rejoin.core.alignment`).

    With ``again`` the adjustment goes no farther than a first approach where that moves a view by more than `STILL`;
    where they are ``there`` by all points before, it needs none.
    """
    pairs = list(combinations(sorted(arrangement.poses), 2))
    joints = [one for one in abreast(lambda pair, _: _joint(views, fine, *pair, arrangement), pairs) if one]
    _all_linked(views, list(arrangement.poses), joints)
    settings = replace(AlignSettings(), missing_layer=False)
    near = approach_views(views, joints, arrangement.poses, settings, report, there)
    return Moved(near.near.poses) if again and not near.still else rested(near, report)


def _all_linked(views: Sequence[Fragment], placed: list[int], joints: list[Joint]) -> None:
    """Refuse views of which one shares next to nothing with the others."""
    linked = set(placed[:1])
    for _ in joints:
        linked |= {n for joint in joints if linked & {joint.a, joint.b} for n in (joint.a, joint.b)}
    lost = [views[n].scan.name for n in placed if n not in linked]
    if lost:
        raise NoAnswer(f"{', '.join(lost)} and the other views of this fragment share too little of their surface.",
                       "Scan it again so that each view shares a third of its surface with another, or leave out what "
                       "shares nothing.")  # fmt: skip


def _joint(views: Sequence[Fragment], fine: list[Fine], i: int, j: int, arrangement: Arrangement) -> Joint | None:
    """The overlap of two placed views; None where it is next to nothing."""
    a_from_b = inverse(arrangement.poses[i]) @ arrangement.poses[j]
    told = judged(fine[i], fine[j], a_from_b)
    if told.share <= LEAST_SHARE or told.agree <= 60:
        return None
    faces = _overlap(views, fine, i, j, a_from_b)
    if min(len(face.triangles) for face in faces) <= 50:
        return None
    return Joint(i, j, *faces, a_from_b, _evidence(told), "pinned")


def at_rest(
    views: Sequence[Fragment], fine: list[Fine], arrangement: Arrangement, report: Report
) -> tuple[Adjustment, float]:
    """The adjustment, repeated until the overlaps that it used are those of its own poses.

    An overlap told from poses a little way off leaves out what would lead away from them.

    Returns
    -------
    found : Adjustment
    moving_mm : float
        How far a view still moved in the last one where they did not come to rest, else 0.
    """
    still, there = STILL * max(fine[number].spacing_mm for number in arrangement.poses), False
    for turn in range(AGAIN + 1):
        part = part_of(report, turn / (AGAIN + 1), (turn + 1) / (AGAIN + 1))
        found = adjusted(views, fine, arrangement, part, turn < AGAIN, there)
        moved = max(shifts_mm(arrangement.poses, found.part_from_scan, fine).values(), default=0.0)
        if not isinstance(found, Moved) and (moved < still or turn == AGAIN):
            break
        arrangement, there = replace(arrangement, poses=found.part_from_scan), not isinstance(found, Moved)
    assert not isinstance(found, Moved)
    return found, moved if moved >= still else 0.0


def spread_of(
    views: Sequence[Fragment], known: Known, found: Adjustment, near: Sequence[Arrangement], report: Report
) -> float:
    """How far from the adjusted poses a view comes to rest, mm, where it starts from places nearly as good."""
    if not near:
        return 0.0
    most = 0.0
    for number, one in enumerate(near):
        other, moving = at_rest(views, known.fine, one, part_of(report, number / len(near), (number + 1) / len(near)))
        most = max([most, moving, *shifts_mm(found.part_from_scan, other.part_from_scan, known.fine).values()])
    return most


def _overlap(
    views: Sequence[Fragment], fine: list[Fine], i: int, j: int, a_from_b: FloatArray
) -> tuple[FractureFace, FractureFace]:
    faces = []
    for a, b, pose, number in ((fine[i], fine[j], a_from_b, j), (fine[j], fine[i], inverse(a_from_b), i)):
        spacing = max(a.spacing_mm, b.spacing_mm)
        place = b.points @ pose[:3, :3].T + pose[:3, 3]
        distance, nearest = a.tree.query(place, distance_upper_bound=2.0 * spacing, workers=2)
        near = np.isfinite(distance)
        alike = np.einsum("ij,ij->i", b.normals @ pose[:3, :3].T, a.normals[np.where(near, nearest, 0)])
        chosen = widened(views[number].mesh, near & (alike > 0.7) & b.inner, WIDER)
        triangles = np.flatnonzero(chosen[views[number].mesh.triangles].all(axis=1)).astype(np.int32)
        faces.append(FractureFace(number, triangles, 0.0, 1.0, "program"))
    return faces[1], faces[0]


def _evidence(told: Close) -> Evidence:
    return Evidence(float(told.agree), 0.0, 0.0, told.share, told.misfit_mm, 0.0, told.held, True, "the same surface")
