"""Where each fragment stands on the screen: on the bench, joined, or on the way between."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from rejoin.core.records import FloatArray, Fragment, Mesh, Project
from rejoin.core.transforms import apply, inverse, rigid

ENOUGH = 20_000
"""Vertices that tell where a fragment stands; all of a large scan would make the slider stutter."""

HALF = 0.5
"""Up to here "Apart" only draws the joined fragments from each other; beyond, they go back to the bench."""


def bench(fragments: tuple[Fragment, ...]) -> list[FloatArray]:
    """Side by side along x, as scanned, standing on one table."""
    poses, cursor = [], 0.0
    boxes = [_own_box(f) for f in fragments]
    space = 0.2 * max((float(np.max(high - low)) for low, high in boxes), default=1.0)
    for low, high in boxes:
        middle = (low + high) / 2.0
        poses.append(rigid(np.eye(3), np.array([cursor - low[0], -middle[1], -low[2]])))
        cursor += float(high[0] - low[0]) + space
    shift = (cursor - space) / 2.0
    for pose in poses:
        pose[0, 3] -= shift
    return poses


def world_poses(project: Project, apart: float) -> list[FloatArray]:
    """world_from_scan (4, 4) of every fragment; ``apart`` is 0 joined to 1 on the bench."""
    on_bench, joined = _stands(project)
    poses = []
    for number, home in enumerate(on_bench):
        if number not in joined:
            poses.append(home.copy())
            continue
        spread, away = joined[number]
        open_pose = spread.copy()
        open_pose[:3, 3] += away * min(apart / HALF, 1.0)
        poses.append(open_pose if apart <= HALF else between(open_pose, home, (apart - HALF) / (1.0 - HALF),
                                                              _middle(project.fragments[number])))  # fmt: skip
    return poses


_known: WeakKeyDictionary[Project, tuple[list[FloatArray], dict[int, tuple[FloatArray, FloatArray]]]] = (
    WeakKeyDictionary()
)


def _stands(project: Project) -> tuple[list[FloatArray], dict[int, tuple[FloatArray, FloatArray]]]:
    """Poses on the bench, and joined; worked out once for a project, for the slider asks at every step."""
    known = _known.get(project)
    if known is None:
        placed = {i: p.part_from_scan for i, p in enumerate(project.placements) if p.part_from_scan is not None}
        together = len(placed) >= 2 and len(project.placements) == len(project.fragments)
        known = bench(project.fragments), _joined(project, placed) if together else {}
        _known[project] = known
    return known


def few(fragment: Fragment) -> FloatArray:
    """Some of a fragment's vertices (k, 3), evenly from its list."""
    vertices = fragment.mesh.vertices
    return vertices[:: max(len(vertices) // ENOUGH, 1)]


def _joined(project: Project, placed: dict[int, FloatArray]) -> dict[int, tuple[FloatArray, FloatArray]]:
    """Joined pose and the way each fragment is drawn out, set where unplaced ones do not stand in the way."""
    clouds = {i: apply(pose, few(project.fragments[i])) for i, pose in placed.items()}
    low, high = _box(np.vstack([np.stack(_box(cloud)) for cloud in clouds.values()]))
    middle = (low + high) / 2.0
    lift = np.array([0.0, 0.0, -low[2]]) - np.array([middle[0], middle[1], 0.0])
    if len(placed) < len(project.fragments):
        others = [i for i in range(len(project.fragments)) if i not in placed]
        on_bench = bench(project.fragments)
        reach = max(float(_box(apply(on_bench[i], few(project.fragments[i])))[1][0]) for i in others)
        lift[0] += reach + 0.6 * float(high[0] - low[0])
    size = float(np.linalg.norm(high - low))
    centres = {i: cloud.mean(axis=0) for i, cloud in clouds.items()}
    centre = np.mean(list(centres.values()), axis=0)
    result = {}
    for i, pose in placed.items():
        world = pose.copy()
        world[:3, 3] += lift
        away = centres[i] - centre
        length = float(np.linalg.norm(away))
        if 0 < length < 0.2 * size:
            away = away * (0.2 * size / length)
        result[i] = world, away
    return result


def world_from_part(project: Project) -> FloatArray:
    """The pose (4, 4) of the part's own frame where the fragments are joined; none where none is placed."""
    joined = world_poses(project, 0.0)
    for pose, placement in zip(joined, project.placements, strict=False):
        if placement.part_from_scan is not None:
            return pose @ inverse(placement.part_from_scan)
    return np.eye(4)


def between(start: FloatArray, end: FloatArray, share: float, middle: FloatArray) -> FloatArray:
    """A pose on the way from one to another; a fragment's ``middle`` (3,), in its own frame, goes straight."""
    turns = Rotation.from_matrix(np.stack([start[:3, :3], end[:3, :3]]))
    turn = Slerp([0.0, 1.0], turns)([share]).as_matrix()[0]
    from_to = apply(start, middle[None])[0] * (1 - share) + apply(end, middle[None])[0] * share
    return rigid(turn, from_to - turn @ middle)


def _middle(fragment: Fragment) -> FloatArray:
    low, high = _own_box(fragment)
    return (low + high) / 2.0


_boxes: WeakKeyDictionary[Mesh, tuple[FloatArray, FloatArray]] = WeakKeyDictionary()


def _own_box(fragment: Fragment) -> tuple[FloatArray, FloatArray]:
    """The box of a fragment in its own frame, worked out once."""
    if fragment.mesh not in _boxes:
        _boxes[fragment.mesh] = _box(few(fragment))
    return _boxes[fragment.mesh]


def _box(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    return points.min(axis=0), points.max(axis=0)
