"""The crack's line on the surface: the rim of a fracture face as smoothed loops, its length, the wall across it."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from rejoin.core.dimensions.figures import frame_of
from rejoin.core.meshes import border_edges, compacted
from rejoin.core.records import FloatArray, IntArray, Mesh

SMOOTH = 5
"""Rounds of averaging along a rim: it runs in zigzag over the triangles, the crack does not."""

FACING = -0.5
"""Cosine between two stretches of a rim, each with the face at its left, up to which they are two sides of a wall:
beside a corner, and at a chip's edge, a straight way in ends on no other side."""


def rim_loops(mesh: Mesh, triangles: IntArray) -> list[FloatArray]:
    """Closed loops (k, 3) of the border of a face, smoothed, the longest first; short ones are left out.

    A loop runs with the face at its left, seen from outside.
    """
    face, kept = compacted(mesh, triangles)
    following: dict[int, list[int]] = defaultdict(list)
    for start, end in border_edges(face).tolist():
        following[start].append(end)
    loops = []
    while following:
        start = next(iter(following))
        loop, now = [start], start
        while following.get(now):
            ahead = following[now].pop()
            if not following[now]:
                del following[now]
            if ahead == start:
                break
            loop.append(ahead)
            now = ahead
        loops.append(face.vertices[loop])
    loops = [smoothed(loop) for loop in loops if len(loop) > 8]
    loops.sort(key=loop_length, reverse=True)
    return [loop for loop in loops if loop_length(loop) > 0.1 * loop_length(loops[0])]


def smoothed(loop: FloatArray) -> FloatArray:
    """A closed loop (k, 3), each point averaged with its neighbours; shrinkage is taken back (Taubin 1995)."""
    points = loop
    for _ in range(SMOOTH):
        for weight in (0.5, -0.52):
            points = points + weight * (0.5 * (np.roll(points, 1, axis=0) + np.roll(points, -1, axis=0)) - points)
    return np.asarray(points)


def loop_length(loop: FloatArray) -> float:
    """Length of a closed loop."""
    return float(np.linalg.norm(np.roll(loop, -1, axis=0) - loop, axis=1).sum())


def walls_across(loops: list[FloatArray], normal: FloatArray) -> FloatArray:
    """Thickness (k,) of the wall at points of the rim: from each straight into the face to the rim on its other side.

    Worked out in the plane across ``normal`` (the face's mean); lengths are those in space.
    """
    u, v = frame_of(normal)
    starts = np.vstack(loops)
    ends = np.vstack([np.roll(loop, -1, axis=0) for loop in loops])
    flat_start, flat_end = starts @ np.column_stack([u, v]), ends @ np.column_stack([u, v])
    along = flat_end - flat_start
    length = np.maximum(np.linalg.norm(along, axis=1), 1e-300)
    inward = np.column_stack([-along[:, 1], along[:, 0]]) / length[:, None]
    middle, space = 0.5 * (flat_start + flat_end), 0.5 * (starts + ends)
    some = np.unique(np.linspace(0, len(middle) - 1, min(len(middle), 400)).astype(int))
    walls = []
    for n in some:
        far, share = _hits(middle[n], inward[n], flat_start, along)
        good = (far > 0.5 * length[n]) & (share >= 0) & (share <= 1)
        good[n] = False
        if good.any():
            k = int(np.flatnonzero(good)[np.argmin(far[good])])
            if along[n] @ along[k] > FACING * length[n] * length[k]:
                continue
            there = starts[k] + share[k] * (ends[k] - starts[k])
            walls.append(float(np.linalg.norm(there - space[n])))
    return np.array(walls)


def _hits(
    start: FloatArray, inward: FloatArray, segment: FloatArray, along: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far a ray runs to each segment, and where on it."""
    away = segment - start
    area = inward[0] * along[:, 1] - inward[1] * along[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        far = (away[:, 0] * along[:, 1] - away[:, 1] * along[:, 0]) / area
        share = (away[:, 0] * inward[1] - away[:, 1] * inward[0]) / area
    far = np.where(np.isfinite(far), far, -1.0)
    return far, np.where(np.isfinite(share), share, -1.0)
