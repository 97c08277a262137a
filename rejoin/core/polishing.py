"""Poses refined on the whole fragments: with the rims and without, and slid about where ICP stopped early."""

from __future__ import annotations

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.evidence import Pose, judge
from rejoin.core.icp import ROUNDS, refined
from rejoin.core.records import FloatArray
from rejoin.core.settings import Report
from rejoin.core.surfaces import Surface, alike, faced, touching_limit
from rejoin.core.transforms import inverse, rigid


def distinct(first: Surface, second: Surface, poses: list[Pose]) -> list[Pose]:
    """The poses, best first, without those that are a better one over again."""
    kept: list[Pose] = []
    for pose in sorted(poses, key=lambda pose: -pose.evidence.score):
        if not any(alike(first, second, pose.a_from_b, other.a_from_b) for other in kept):
            kept.append(pose)
    return kept


def refined_whole(first: Surface, second: Surface, a_from_b: FloatArray) -> Pose:
    """The better of what ICP finds with the rims and without."""

    def found(with_rims: int, _: Report) -> Pose:
        pose = refined(first, second, a_from_b, with_rims)
        return Pose(pose, judge(first, second, pose))

    return max(abreast(found, (ROUNDS, ROUNDS // 2)), key=lambda pose: pose.evidence.score)


def slid_about(first: Surface, second: Surface, pose: Pose) -> Pose:
    """The best of the poses that ICP reaches after the faces were slid a little: on flat ones it stops early."""
    limit = touching_limit(first.fragment, second.fragment)
    seen = faced(first, second, inverse(pose.a_from_b), first.samples, 2.0 * limit)
    touching = seen.facing < -0.5
    if np.count_nonzero(touching) < 12:
        return pose
    normal = seen.normals[touching].mean(axis=0)
    u = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    slide = 1.5 * max(first.fragment.spacing_mm, second.fragment.spacing_mm) / np.linalg.norm(u)
    ways = slide * np.stack([u, np.cross(normal, u) / np.linalg.norm(normal)])

    def slid(start: FloatArray, _: Report) -> Pose:
        moved = refined(first, second, start)
        return Pose(moved, judge(first, second, moved))

    for way in ways:
        starts = [pose.a_from_b @ rigid(np.eye(3), sign * way) for sign in (1.0, -1.0)]
        pose = max([pose, *abreast(slid, starts)], key=lambda one: one.evidence.score)
    return pose
