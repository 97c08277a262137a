"""Original surface beside a crack: does it run on from one fragment to the other?

The original surface was one before the part broke. Over a short stretch of the
rim it is smooth, so one surface with a step at the crack is fitted to both
fragments' skirts; the step tells how far they stand out of line, also along a
crack whose own faces are too flat to tell, and whatever the faces have lost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.contact.facing import near_masks
from rejoin.core.contact.pairs import Side, side_of
from rejoin.core.meshes import averaged_normals, compacted, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray
from rejoin.core.transforms import apply, turn

NEAR, FAR = 1.5, 9.0
"""Spacings from the rim between which the skirt is used: the scan rounds the rim itself, and farther
out one smooth surface no longer holds."""

HALF_STRETCH = 5.0
"""Half the length of a stretch along the rim, in spacings."""

ALIKE = np.cos(np.deg2rad(25.0))
"""Two skirts that turn by more than this are not one smooth surface (the fit judges the rest)."""

CROSSED = np.cos(np.deg2rad(35.0))
"""A surface that faces as the crack does, to within this, is not crossed by it but runs along it, or is more of the
break: it does not run on."""

MOST = 160
"""Stretches of a rim that are looked at."""

FEWEST = 15
"""Points of each fragment that a stretch must have; the fit has eight unknowns."""

TEXTURE = 8.0
"""Times the scan's noise that the original surface may be rough by (a casting's own texture); beyond, the
stretches are too long for the part's features."""

ROUGH = 2.0
"""A stretch fitted this much worse than the others is not smooth there."""


@dataclass(frozen=True, eq=False)
class Skirt:
    """Original surface beside one face, in the scan's frame: points and averaged normals (n, 3), the
    face's rim (k, 3), and a tree over the points (None where there are none)."""

    points: FloatArray
    normals: FloatArray
    rim: FloatArray
    tree: cKDTree | None
    spacing_mm: float
    noise_mm: float


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps of the original surface across the crack, in the part's frame.

    Attributes
    ----------
    places, normals : (k, 3)
        Middle of each stretch on the crack, and the outward normal there.
    steps : (k,)
        How far a stands out over b, mm.
    leverage : (k,)
        Variance of the step for unit variance of a point's noise.
    noise_mm : (k,)
        Root mean square of each fit's residuals.
    normals_a, normals_b : (k, 3)
        The outward normal as each fragment alone tells it.
    """

    places: FloatArray
    normals: FloatArray
    steps: FloatArray
    leverage: FloatArray
    noise_mm: FloatArray
    normals_a: FloatArray
    normals_b: FloatArray


def skirt_of(fragment: Fragment, side: Side) -> Skirt:
    """The original surface within `FAR` spacings of a face's rim."""
    mesh, spacing = fragment.mesh, fragment.spacing_mm
    on_face = np.zeros(len(mesh.vertices), bool)
    on_face[side.vertices] = True
    rim = side.points[side.border]
    nothing = Skirt(np.empty((0, 3)), np.empty((0, 3)), rim, None, spacing, fragment.noise_mm)
    if len(rim) == 0:
        return nothing
    near, _ = near_masks(mesh.vertices, rim, (FAR + 2.0) * spacing)
    # Vertices without a triangle have no normal: they fall out of the crop.
    outer = near & ~on_face
    crop, _ = compacted(mesh, np.flatnonzero(outer[mesh.triangles].all(axis=1)).astype(np.int32))
    if len(crop.vertices) < FEWEST:
        return nothing
    distance, nearest = cKDTree(rim).query(crop.vertices, workers=2)
    normals = averaged_normals(crop, vertex_normals(crop), 3)
    along = np.abs(np.einsum("ij,ij->i", normals, side.normals[side.border][nearest]))
    beside = (distance > NEAR * spacing) & (distance < FAR * spacing) & (along < CROSSED)
    points, normals = crop.vertices[beside], normals[beside]
    return Skirt(points, normals, rim, cKDTree(points) if len(points) else None, spacing, fragment.noise_mm)


def side_and_skirt(fragment: Fragment, triangles: IntArray) -> tuple[Side, Skirt]:
    """The face made of some of a fragment's triangles, and the original surface beside it."""
    side = side_of(fragment, triangles)
    return side, skirt_of(fragment, side)


def steps_across(a: Skirt, b: Skirt, part_from_a: FloatArray, part_from_b: FloatArray) -> Steps:
    """Steps of the original surface at stretches all along the rim; none where it does not run on."""
    found, scans = [], 0.0
    if a.tree is not None and b.tree is not None:
        points_a, normals_a = apply(part_from_a, a.points), turn(part_from_a, a.normals)
        points_b, normals_b = apply(part_from_b, b.points), turn(part_from_b, b.normals)
        tree_a, tree_b = cKDTree(points_a), cKDTree(points_b)
        spacing, scans = max(a.spacing_mm, b.spacing_mm), max(a.noise_mm, b.noise_mm)
        reach = float(np.hypot(FAR, HALF_STRETCH)) * spacing
        rim = apply(part_from_a, a.rim)
        for seed, place in seeds_of(points_a, normals_a, rim, spacing):
            near = [np.sort(np.array(tree.query_ball_point(place, reach), np.int64)) for tree in (tree_a, tree_b)]
            if min(len(index) for index in near) < FEWEST:
                continue
            one = _step(place, points_a[seed], normals_a[seed], (points_a[near[0]], normals_a[near[0]]),
                        (points_b[near[1]], normals_b[near[1]]), spacing)  # fmt: skip
            if one is not None:
                found.append((place, *one))
    if not found:
        empty = np.empty((0, 3))
        return Steps(empty, empty, np.empty(0), np.empty(0), np.empty(0), empty, empty)
    places, normals, steps, leverage, noise, first, second = (np.array(c) for c in zip(*found, strict=True))
    good = noise <= max(ROUGH * float(np.median(noise)), scans)
    if np.median(noise) > TEXTURE * scans:
        good[:] = False
    return Steps(places[good], normals[good], steps[good], leverage[good], noise[good], first[good], second[good])


def seeds_of(
    points: FloatArray, normals: FloatArray, rim: FloatArray, spacing: float, most: int = MOST
) -> list[tuple[int, FloatArray]]:
    """A skirt point and the rim beside it for each stretch: one to a cell, for each way the skirt faces."""
    distance, nearest = cKDTree(rim).query(points, workers=2)
    close = np.flatnonzero(distance < 3.0 * spacing)
    cells = np.floor(rim[nearest[close]] / (2.0 * HALF_STRETCH * spacing)).astype(np.int64)
    axis = np.abs(normals[close]).argmax(axis=1)
    facing = 2 * axis + (normals[close, axis] > 0)
    key = np.column_stack([cells, facing])
    _, group = np.unique(key, axis=0, return_inverse=True)
    group = group.reshape(-1)
    count = np.bincount(group)
    middles = np.stack([np.bincount(group, points[close, i]) / count for i in range(3)], axis=1)
    away = np.square(points[close] - middles[group]).sum(axis=1)
    order = np.lexsort((away, group))
    first = order[np.concatenate([[True], group[order][1:] != group[order][:-1]])] if len(order) else order
    first = first[:: max(1, -(-len(first) // most))]
    return [(int(close[k]), rim[nearest[close[k]]]) for k in first]


def _step(
    place: FloatArray, seed: FloatArray, normal: FloatArray, a: tuple[FloatArray, FloatArray],
    b: tuple[FloatArray, FloatArray], spacing: float,
) -> tuple[FloatArray, float, float, float, FloatArray, FloatArray] | None:  # fmt: skip
    """Outward normal, step, leverage and residual of one stretch; the normal by either fragment alone."""
    across = place - seed
    across = across - (across @ normal) * normal
    size = float(np.linalg.norm(across))
    if size < 0.5 * spacing:
        return None
    frame = np.stack([across / size, np.cross(normal, across / size), normal], axis=1)
    parts = []
    for (points, normals), sign in ((a, -1.0), (b, 1.0)):
        local = (points - place) @ frame / spacing
        good = (normals @ normal > ALIKE) & (np.abs(local[:, 1]) < HALF_STRETCH) & (np.abs(local[:, 2]) < FAR / 2.0)
        good &= (sign * local[:, 0] > 0.5 * NEAR) & (sign * local[:, 0] < FAR)
        if np.count_nonzero(good) < FEWEST or np.ptp(local[good, 0]) < 3.0 or np.ptp(local[good, 1]) < HALF_STRETCH:
            return None
        parts.append(local[good])
    x, t, z = np.concatenate(parts).T
    beyond = np.repeat([-0.5, 0.5], [len(part) for part in parts])
    design = np.stack([np.ones(len(x)), x, t, x * x, x * t, t * t, beyond, x**3 / FAR**2], axis=1)
    information = design.T @ design
    if np.linalg.cond(information) > 1e10:
        return None
    answer = np.linalg.solve(information, design.T @ z)
    residual = spacing * float(np.sqrt(np.square(z - design @ answer).sum() / (len(x) - 8)))
    # The fit's own slope tells the true normal at the crack.
    outward = frame @ _upright(answer[1], answer[2])
    alone = []
    for part in parts:
        plane = np.stack([np.ones(len(part)), part[:, 0], part[:, 1], np.square(part[:, 1])], axis=1)
        slopes = np.linalg.lstsq(plane, part[:, 2], rcond=None)[0]
        alone.append(frame @ _upright(slopes[1], slopes[2]))
    leverage = float(np.linalg.inv(information)[6, 6])
    return outward, -spacing * float(answer[6]) * float(outward @ normal), leverage, residual, alone[0], alone[1]


def _upright(slope_x: float, slope_t: float) -> FloatArray:
    normal = np.array([-slope_x, -slope_t, 1.0])
    return np.asarray(normal / np.linalg.norm(normal))
