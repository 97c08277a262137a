"""An arrangement of views brought to rest: all overlaps at once, on some of the points.

Two arrangements that only stand a little apart come to rest in one; what stays apart is another way to go together.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from rejoin.core.merging.close import Fine, met, units_of
from rejoin.core.records import FloatArray
from rejoin.core.robust import robust_scale
from rejoin.core.transforms import apply, from_vector, inverse, orthonormal

ASKED = 3000
"""Points of each view that are asked for each other view."""
FEW = 3
"""Every so-manyth of them is enough until the views are nearly at rest."""
ROUNDS, FINALS = 12, 5
"""Rounds in all; so many at least are left for all that are asked."""
LIMIT = 4.0
"""Robust sigmas beyond which a pair has no weight."""
FEWEST = 12
"""Pairs that an overlap must have to be heard."""

Poses = dict[int, FloatArray]
Rows = tuple[FloatArray, FloatArray, FloatArray]


def settled(poses: Poses, fine: list[Fine], start_mm: float) -> Poses:
    """The poses of an arrangement (``first_from_view``) after a least squares over all overlaps.

    Symmetric point-to-plane (Rusinkiewicz 2019), closer and closer; the first view is held. Motions that nothing
    holds stay as they are.
    """
    order, size, reach = list(poses), max(fine[n].size_mm for n in poses), start_mm
    unknown = 6 * (len(order) - 1)
    every = FEW
    for turn in range(ROUNDS):
        matrix, right, middle = _equations(poses, fine, reach, every)
        matrix += 1e-5 * np.trace(matrix) / max(unknown, 1) * np.eye(unknown) + 1e-12 * np.eye(unknown)
        answer = np.linalg.solve(matrix, right).reshape(-1, 6)
        answer[:, :3] /= 0.5 * size
        moves = {n: from_vector(answer[place], middle) for place, n in enumerate(order[1:])}
        poses = {n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in poses.items()}
        spacing = max(fine[n].spacing_mm for n in order)
        moved = float(np.abs(answer[:, 3:]).max() + 0.5 * size * np.abs(answer[:, :3]).max())
        noise, near = max(fine[n].noise_mm for n in order), reach <= 1.5 * spacing
        if near and every == 1 and moved < 0.05 * noise:
            break
        if turn + 1 >= ROUNDS - FINALS or (near and moved < 0.5 * noise):
            every = 1
        reach = max(0.6 * reach, 1.5 * spacing)
    return poses


def weakest(poses: Poses, fine: list[Fine], count: int, far_mm: float) -> list[Poses]:
    """The arrangement moved by ``far_mm`` at most, either way along each of the motions that overlaps hold least."""
    order, size = list(poses), max(fine[n].size_mm for n in poses)
    matrix, _, middle = _equations(poses, fine, 1.5 * max(fine[n].spacing_mm for n in order))
    corners = {n: apply(poses[n], fine[n].points[:: max(1, len(fine[n].points) // 60)]) - middle for n in order}
    found = []
    for motion in np.linalg.eigh(matrix)[1].T[:count].reshape(-1, len(order) - 1, 6):
        steps = dict(zip(order[1:], motion * np.repeat([2.0 / size, 1.0], 3), strict=True))
        reach = max(float(np.linalg.norm(np.cross(step[:3], corners[n]) + step[3:], axis=1).max())
                    for n, step in steps.items())  # fmt: skip
        for way in (far_mm / reach, -far_mm / reach):
            moves = {n: from_vector(way * step, middle) for n, step in steps.items()}
            found.append({n: orthonormal(moves[n] @ pose) if n in moves else pose for n, pose in poses.items()})
    return found


def _equations(
    poses: Poses, fine: list[Fine], reach: float, every: int = 1
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Normal matrix and right side of the motions of all views but the first, turns in half sizes; their middle."""
    order, size = list(poses), max(fine[n].size_mm for n in poses)
    column, unknown = {number: 6 * (place - 1) for place, number in enumerate(order)}, 6 * (len(order) - 1)
    matrix, right = np.zeros((unknown, unknown)), np.zeros(unknown)
    middle = np.mean([apply(poses[n], fine[n].points[:: max(1, len(fine[n].points) // 200)]).mean(axis=0)
                      for n in order], axis=0)  # fmt: skip
    for i, j in combinations(order, 2):
        found = _rows(fine[i], fine[j], poses[i], poses[j], middle, size, reach, every)
        if found is None:
            continue
        rows, heights, weights = found
        own = [(column[n], sign) for n, sign in ((i, -1.0), (j, 1.0)) if column[n] >= 0]
        told = (rows * weights[:, None]).T @ rows, rows.T @ (weights * heights)
        for at, sign in own:
            right[at : at + 6] -= sign * told[1]
            for other, turn in own:
                matrix[at : at + 6, other : other + 6] += sign * turn * told[0]
    return matrix, right, np.asarray(middle)


def _rows(
    a: Fine, b: Fine, pose_a: FloatArray, pose_b: FloatArray, middle: FloatArray, size: float, reach: float, every: int
) -> Rows | None:
    """Of two views in the common frame: what a motion of b does to the heights (n, 6), the heights, their weights."""
    spacing, noise = units_of(a, b)
    asked = np.flatnonzero(b.inner)
    asked = asked[:: every * max(1, len(asked) // ASKED)]
    _, place, ways, height, theirs, alike = met(
        a, b.points[asked], b.normals[asked], inverse(pose_a) @ pose_b, reach, spacing
    )
    good = alike > 0.7
    if np.count_nonzero(good) < FEWEST:
        return None
    scale = max(robust_scale(height[good], np.ones(np.count_nonzero(good))), 0.5 * noise)
    good &= np.abs(height) < LIMIT * scale
    both = ways[good] + theirs[good]
    both /= np.maximum(np.linalg.norm(both, axis=1, keepdims=True), 1e-12)
    normal = both @ pose_a[:3, :3].T
    centred = (apply(pose_a, place[good]) - middle) / (0.5 * size)
    weight = np.square(1.0 - np.square(height[good] / (LIMIT * scale))) / scale**2
    return np.concatenate([np.cross(centred, normal), normal], axis=1), height[good], weight
