"""Where all views of a piece stand: rough poses pair by pair, the arrangement that closes best, then one adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from rejoin.core.abreast import abreast
from rejoin.core.merging.close import CLASHING, Close, Fine, closer, covered, fine_of, judged
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.merging.hanging import in_air
from rejoin.core.merging.settling import settled
from rejoin.core.merging.sliding import LESS, SLIDE, best_places, slid
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint
from rejoin.core.settings import AlignSettings, Report, part_of
from rejoin.core.transforms import displacement, identity, inverse

if TYPE_CHECKING:
    from rejoin.core.alignment import Adjustment

WORTH_RESTING = 0.5
"""Share of the best score below which an arrangement is not followed to its end."""
BEAM = 8
"""Arrangements that are followed at a time."""
WORTH = 0.04
"""A view is placed where its pose scores at least this much (`Close.score`)."""
SLID = 3
"""Poses of two views, the best, that are tried along their weakest motion."""
LEAST_SHARE = 0.01
"""Share of a view that must agree with another for the two to be adjusted to each other."""

BoolArray = npt.NDArray[np.bool_]
Ways = dict[tuple[int, int], list[Close]]


@dataclass(frozen=True, eq=False)
class Arrangement:
    """Some views placed: ``poses`` first_from_view by view, covered rims, agreements and clashes."""

    poses: dict[int, FloatArray]
    rims: dict[int, BoolArray]
    agree: int
    clash: int

    @property
    def score(self) -> float:
        share = float(np.mean([rim.mean() if len(rim) else 1.0 for rim in self.rims.values()]))
        return share * float(np.exp(-self.clash / max(self.agree + self.clash, 1) / CLASHING))


class Looks:
    """Two views judged in a pose once, however many arrangements hold them so."""

    def __init__(self, fine: list[Fine]) -> None:
        self.fine = fine
        self._known: dict[tuple[int, int, bytes], tuple[Close, BoolArray, BoolArray]] = {}

    def at(self, i: int, j: int, i_from_j: FloatArray) -> tuple[Close, BoolArray, BoolArray]:
        """How they agree, under which of j's rim vertices i's surface runs on, and the other way round."""
        # Rounded, so that what is told depends on the key alone and not on who asked first.
        pose = np.round(i_from_j, 9)
        key = i, j, pose.tobytes()
        if key not in self._known:
            a, b = self.fine[i], self.fine[j]
            self._known[key] = judged(a, b, pose), covered(a, b, pose), covered(b, a, inverse(pose))
        return self._known[key]


def ways_of(views: Sequence[Fragment], report: Report) -> tuple[list[Fine], Ways]:
    """For every two views the poses worth considering, best first."""
    spacing = max(view.spacing_mm for view in views)
    step = common_step([view.mesh for view in views], spacing)
    report(0.0, "Thinning the views")
    seen = abreast(lambda view, _: seen_of(view.mesh, view.spacing_mm, step), views)
    fine = abreast(lambda view, _: fine_of(view), views)

    def of_pair(pair: tuple[int, int], share: Report) -> list[Close]:
        i, j = pair
        rough = rough_poses(seen[i], seen[j], part_of(share, 0.1, 0.7))
        share(0.7, "Trying how the views lie together")
        near = sorted((closer(fine[i], fine[j], one.a_from_b, 1.5 * step) for one in rough), key=lambda one: -one.score)
        along = [place for way in near[:SLID] for place in slid(fine[i], fine[j], way, step)]
        best = best_places([*near[SLID:], *along], fine[j], step)
        return _distinct(sorted(best, key=lambda one: -one.score), fine[j], step)

    pairs = list(combinations(range(len(views)), 2))
    return fine, dict(zip(pairs, abreast(of_pair, pairs, part_of(report, 0.1, 1.0)), strict=True))


def _distinct(ways: list[Close], b: Fine, step: float, keep: int = 6) -> list[Close]:
    corners, kept = b.points[:: max(1, len(b.points) // 60)], list[Close]()
    for way in ways:
        far = (np.abs((way.a_from_b - o.a_from_b)[:3, :3] @ corners.T + (way.a_from_b - o.a_from_b)[:3, 3:]).max()
               for o in kept)  # fmt: skip
        if way.score > 0.0 and all(distance > step for distance in far):
            kept.append(way)
    return kept[:keep]


def arranged(fine: list[Fine], ways: Ways, report: Report) -> tuple[Arrangement, float]:
    """The arrangement of as many views as can be placed that closes best with fewest clashes.

    Returns
    -------
    best : Arrangement
    rival : float
        Worth of the next best that is clearly another, over that of the best: its score, less the more of it hangs
        where another view saw air.
    """
    starts = sorted(((way.score, i, j, way) for (i, j), some in ways.items() for way in some), key=lambda s: -s[0])
    looks = Looks(fine)
    beam = [_with(_alone(fine, i), j, way.a_from_b, looks) for score, i, j, way in starts[:BEAM] if score >= WORTH]
    if not beam:
        return _alone(fine, int(np.argmax([len(f.points) for f in fine]))), 0.0
    for placed in range(2, len(fine)):
        report(placed / len(fine), "Looking how all views go together")
        longer = [grown for some in abreast(lambda one, _: _grown(one, looks, ways), beam) for grown in some]
        longer.sort(key=lambda one: -one.score)
        if not longer:
            break
        beam = _unlike(longer, fine, BEAM)
    report(1.0, "Looking whether they go together in another way too")
    worth = [one for one in beam if one.score > WORTH_RESTING * beam[0].score]
    rested = abreast(lambda one, _: _rested(one, looks), worth)
    beam = _unlike(sorted(rested, key=lambda one: -one.score), fine, BEAM)
    beam = [one for one in beam if not any(_worse_place(one, other, fine) for other in beam)]
    worths = [one.score * float(np.exp(-in_air(one.poses, fine) / CLASHING)) for one in beam]
    return beam[0], max(worths[1:], default=0.0) / max(worths[0], 1e-12)


def _unlike(some: list[Arrangement], fine: list[Fine], most: int) -> list[Arrangement]:
    """The first, without arrangements that are nearly another's."""
    kept: list[Arrangement] = []
    for one in some:
        if len(kept) < most and not any(_alike(one, other, fine) for other in kept):
            kept.append(one)
    return kept


def _alike(one: Arrangement, other: Arrangement, fine: list[Fine]) -> bool:
    return one.poses.keys() == other.poses.keys() and _apart(one, other, fine) < 4.0


def _worse_place(one: Arrangement, other: Arrangement, fine: list[Fine]) -> bool:
    """Whether an arrangement is a worse place on the slide of another (`sliding`)."""
    return (one.poses.keys() == other.poses.keys() and one.agree < LESS * other.agree and one.score < other.score
            and _apart(one, other, fine) < SLIDE * 3.0)  # fmt: skip


def _apart(one: Arrangement, other: Arrangement, fine: list[Fine]) -> float:
    """How far the views of two arrangements stand apart at most, spacings."""
    root, most = next(iter(one.poses)), 0.0
    for number in one.poses:
        first, second = (inverse(o.poses[root]) @ o.poses[number] for o in (one, other))
        corners = fine[number].points[:: max(1, len(fine[number].points) // 20)]
        most = max(most, displacement(first, second, corners).max() / fine[number].spacing_mm)
    return most


def _rested(one: Arrangement, looks: Looks) -> Arrangement:
    """The arrangement with all its views brought to rest on each other, judged anew."""
    fine = looks.fine
    poses = settled(one.poses, fine, 6.0 * max(fine[n].spacing_mm for n in one.poses))
    first, *others = poses
    result = _alone(fine, first)
    for number in others:
        result = _with(result, number, poses[number], looks)
    return result


def _alone(fine: list[Fine], number: int) -> Arrangement:
    return Arrangement({number: identity()}, {number: np.zeros(fine[number].rim_asked, bool)}, 0, 0)


def _grown(one: Arrangement, looks: Looks, ways: Ways) -> list[Arrangement]:
    found = []
    for (i, j), some in ways.items():
        for known, new in ((i, j), (j, i)):
            if known in one.poses and new not in one.poses:
                for way in some:
                    if way.score >= WORTH:
                        known_from_new = way.a_from_b if known == i else inverse(way.a_from_b)
                        found.append(_with(one, new, one.poses[known] @ known_from_new, looks))
    return found


def _with(one: Arrangement, new: int, pose: FloatArray, looks: Looks) -> Arrangement:
    rims, agree, clash = dict(one.rims), one.agree, one.clash
    own = np.zeros(looks.fine[new].rim_asked, bool)
    for number, other in one.poses.items():
        told, over, under = looks.at(number, new, inverse(other) @ pose)
        agree, clash = agree + told.agree, clash + told.clash
        own, rims[number] = own | over, rims[number] | under
    return Arrangement({**one.poses, new: pose}, {**rims, new: own}, agree, clash)


def adjusted(views: Sequence[Fragment], fine: list[Fine], arrangement: Arrangement, report: Report) -> Adjustment:
    """All placed views by one least squares over every overlap (`rejoin.core.alignment`)."""
    from rejoin.core.alignment.views import adjust_views

    joints = []
    for i, j in combinations(sorted(arrangement.poses), 2):
        a_from_b = inverse(arrangement.poses[i]) @ arrangement.poses[j]
        told = judged(fine[i], fine[j], a_from_b)
        if told.share > LEAST_SHARE and told.agree > 60:
            faces = _overlap(views, fine, i, j, a_from_b)
            if min(len(face.triangles) for face in faces) > 50:
                joints.append(Joint(i, j, *faces, a_from_b, _evidence(told), "pinned"))
    settings = replace(AlignSettings(), missing_layer=False)
    return adjust_views(views, joints, arrangement.poses, settings, report)


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
        chosen = near & (alike > 0.7) & b.inner
        triangles = np.flatnonzero(chosen[views[number].mesh.triangles].all(axis=1)).astype(np.int32)
        faces.append(FractureFace(number, triangles, 0.0, 1.0, "program"))
    return faces[1], faces[0]


def _evidence(told: Close) -> Evidence:
    return Evidence(float(told.agree), 0.0, 0.0, told.share, told.misfit_mm, 0.0, told.held, True, "the same surface")
