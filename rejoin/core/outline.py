"""What the outlines of two faces tell that lie together: a break leaves the same outline on both sides.

On a nearly flat break the relief drowns in the scans' noise, but its two
outlines, with their corners, holes and separate patches, still agree all
round. Two machined faces that merely lie together do not.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter, label

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.surfaces import Facing, Surface
from rejoin.core.transforms import apply, turn
from rejoin.core.views import BoolArray, robust_plane

SHARE = 0.85
"""Share of both faces that must lie on each other before their outlines count as one."""

MOST = 22.0
"""Nats that outlines tell at most: parts repeat their shapes by design, so that the relief has to tell the rest."""

FREEDOMS = 3
"""Two shifts and a turn in the plane were free to make the outlines agree."""

MARGIN = 5
"""Cells kept clear round the contact, in which a face that reaches further shows itself."""


def outline_information(
    first: Surface, second: Surface, b_from_a: FloatArray, seen: Facing, zone: IntArray, ways: list[IntArray]
) -> tuple[float, float]:
    """Information (nats) in the agreement of the outlines of all that lies together, and the share that does.

    Each side of an outline (a stretch that faces one way in the plane) that
    falls on its counterpart within a cell and a half, where it might have lain
    anywhere over the face, tells log(size / tolerance); the first three only
    fix the pose.
    """
    cell = max(first.nodes.cell_mm, second.nodes.cell_mm)
    both = one = 0.0
    sides, size = 0, 0.0
    for facet in ways:
        points, normals = seen.points[zone][facet], seen.normals[zone][facet]
        plane = robust_plane(points, normals.mean(axis=0), np.ones(len(facet)))
        flat = plane.coordinates(points)
        deep = max(3.0 * cell, 3.0 * float(np.median(np.abs(flat[:, 2]))))
        low = flat[:, :2].min(axis=0) - MARGIN * cell
        shape = np.ceil((flat[:, :2].max(axis=0) + MARGIN * cell - low) / cell).astype(int) + 1
        masks = []
        for surface, pose, sign in ((first, b_from_a, -1.0), (second, np.eye(4), 1.0)):
            around = plane.coordinates(apply(pose, surface.nodes.points))
            facing = sign * (turn(pose, surface.nodes.normals) @ plane.axes[2]) > 0.8
            masks.append(_mask(around[facing & (np.abs(around[:, 2]) < deep)], low, cell, shape))
        common, either = masks[0] & masks[1], masks[0] | masks[1]
        # Within a cell of a rim, which side a cell falls on is chance.
        apart = (masks[0] & ~binary_dilation(masks[1])) | (masks[1] & ~binary_dilation(masks[0]))
        both, one = both + float(either.sum() - apart.sum()), one + float(either.sum())
        sides += _sides(common)
        size = max(size, float(np.sqrt(common.sum())))
    share = both / max(one, 1.0)
    if share < SHARE or size <= 1.5:
        return 0.0, share
    return min(max(sides - FREEDOMS, 0) * share * float(np.log(size / 1.5)), MOST), share


def _mask(flat: FloatArray, low: FloatArray, cell: float, shape: IntArray) -> BoolArray:
    """Cells (n, m) in which the surface lies, small breaks between its nodes closed."""
    at = np.rint((flat[:, :2] - low) / cell).astype(np.int64)
    at = at[((at >= 0) & (at < shape)).all(axis=1)]
    mask = np.zeros(shape)
    mask[at[:, 0], at[:, 1]] = 1.0
    return np.asarray(gaussian_filter(mask, 0.8, mode="constant") > 0.4)


def _sides(mask: BoolArray, least: int = 5) -> int:
    """Stretches of a mask's outline, of at least five cells, that face one of eight ways."""
    smooth = gaussian_filter(mask.astype(float), 1.5, mode="constant")
    slope = np.stack(np.gradient(smooth))
    rim = mask & (gaussian_filter(mask.astype(float), 0.8, mode="constant") < 0.85)
    way = np.rint(np.arctan2(slope[1], slope[0]) / (np.pi / 4)).astype(int) % 8
    count = 0
    for k in range(8):
        names, _ = label(rim & (way == k), structure=np.ones((3, 3)))
        count += int((np.bincount(names.ravel())[1:] >= least).sum())
    return count
