"""Plane original surfaces that run on across a crack: what they tell from far beyond it.

A plane that meets the crack on both fragments, in place and in slope, was one
plane: nothing bends just where a part breaks. Over its whole length it tells a
tilt or a turn far better than the strip beside the rim that `skirts` looks at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_closing, binary_erosion
from scipy.ndimage import label as find_pieces
from scipy.spatial import cKDTree
from scipy.special import fdtrc

from rejoin.core.abreast import abreast
from rejoin.core.contact.distances import Mask
from rejoin.core.contact.facing import near_masks
from rejoin.core.contact.skirts import FAR, Skirt, Steps
from rejoin.core.records import FloatArray, Fragment, IntArray
from rejoin.core.robust import sigma_of, tukey
from rejoin.core.settings import Report
from rejoin.core.transforms import apply, turn
from rejoin.core.views import coarse_nodes

REACH = 100.0
"""Spacings from the crack up to which a plane is followed."""

ONE = np.cos(np.deg2rad(4.0))
"""Stretches of a rim that face within this of each other may be of one plane."""

LEAN = np.cos(np.deg2rad(25.0))
"""How far the normal of a single vertex may lean from its plane's: noise tilts it."""

WIDE, NARROW = 1.5, 4.0
"""Half-widths in which a plane is sought, in spacings, and then kept, in robust sigmas."""

CELL, WITHIN = 2.0, 2
"""Spacings across the cells in which a plane is traced, and cells given up along its border: a fillet leaves it
gradually."""

BLOCK = 8.0
"""Spacings across the blocks whose means are fitted: noise hangs together over fewer."""

FEWEST_BLOCKS = 8
"""Blocks that a plane must have: its three unknowns and as many again to tell whether it bends."""

SHARED = 1.6
"""Times the variance of blocks that erred independently: a block shares noise with those beside it."""

UNEVEN = 1.0
"""Times the scan's noise by which the blocks of a plane may be uneven."""

BENDS = 1e-3
"""Chance below which a fit that bends is better than a plane."""

TWICE = 0.1
"""Share of a plane's points in an earlier one from which it is that one over again."""

MOST = 12
"""Planes looked at."""


@dataclass(frozen=True, eq=False)
class Level:
    """One plane beside a crack, in the part's frame.

    Attributes
    ----------
    place, normal : (3,)
        On the crack; outwards.
    along : (2, 3)
        Two directions in the plane.
    apart : (3,)
        How far a's plane stands out over b's at the place (mm), and how much more it rises along each (rad).
    covariance : (3, 3)
        Of ``apart``.
    """

    place: FloatArray
    normal: FloatArray
    along: FloatArray
    apart: FloatArray
    covariance: FloatArray

    def rows(self, centre: FloatArray) -> FloatArray:
        """(3, 6): how ``apart`` follows a's turn about a centre, and its shift."""
        moves = np.zeros((3, 6))
        moves[0, :3], moves[0, 3:] = np.cross(self.place - centre, self.normal), self.normal
        moves[1:, :3] = np.cross(self.along, self.normal)
        return moves


def levels_across(
    fragments: tuple[Fragment, Fragment],
    skirts: tuple[Skirt, Skirt],
    steps: Steps,
    poses: tuple[FloatArray, FloatArray],
) -> list[Level]:
    """The planes that meet a crack on both fragments.

    Parameters
    ----------
    fragments, skirts : tuple
        Of a and b.
    steps : Steps
        Stretches of the rim where the original surface runs on.
    poses : tuple of (4, 4)
        part_from_a, part_from_b.
    """
    spacing = max(skirt.spacing_mm for skirt in skirts)
    planes = _seeds(steps, spacing)
    if not planes or any(skirt.tree is None for skirt in skirts):
        return []
    axes = [_axes(normal) for _, normal in planes]

    def fits(side: tuple[Fragment, Skirt, FloatArray], _: Report) -> list[tuple[FloatArray, FloatArray] | None]:
        around = _Around(*side, spacing)
        return [around.plane(place, own) for (place, _), own in zip(planes, axes, strict=True)]

    both = abreast(fits, list(zip(fragments, skirts, poses, strict=True)))
    return [
        Level(place, normal, own[:2], one[0] - other[0], one[1] + other[1])
        for (place, normal), own, one, other in zip(planes, axes, *both, strict=True)
        if one is not None and other is not None
    ]


def _axes(normal: FloatArray) -> FloatArray:
    """Two directions (rows) across a normal, and the normal."""
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(normal, first), normal])


def _seeds(steps: Steps, spacing: float) -> list[tuple[FloatArray, FloatArray]]:
    """Place and normal of each plane of which the rim has two stretches or more."""
    left = np.ones(len(steps.steps), bool)
    found: list[tuple[FloatArray, FloatArray]] = []
    while left.any() and len(found) < MOST:
        seed = int(np.flatnonzero(left)[0])
        for _ in range(2):
            level = (steps.places - steps.places[seed]) @ steps.normals[seed]
            own = left & (steps.normals @ steps.normals[seed] > ONE) & (np.abs(level) < WIDE * spacing)
            own[seed] = True
            middle = steps.places[own].mean(axis=0)
            seed = int(np.flatnonzero(own)[np.square(steps.places[own] - middle).sum(axis=1).argmin()])
        left[own] = left[seed] = False
        if np.count_nonzero(own) > 1:
            normal = steps.normals[own].mean(axis=0)
            found.append((middle, normal / float(np.linalg.norm(normal))))
    return found


class _Around:
    """The surface of one fragment around a crack, in the part's frame."""

    def __init__(self, fragment: Fragment, skirt: Skirt, pose: FloatArray, spacing: float) -> None:
        rim, reach = skirt.rim, REACH * spacing
        points = fragment.mesh.vertices
        near = np.flatnonzero(((points > rim.min(axis=0) - reach) & (points < rim.max(axis=0) + reach)).all(axis=1))
        self.points = apply(pose, points[near])
        self.normals = turn(pose, coarse_nodes(fragment).vertex_normals[near])
        self.spacing, self.noise = spacing, fragment.noise_mm
        self.from_rim = self._from_rim(apply(pose, rim))
        self.taken = np.zeros(len(self.points), bool)

    def plane(self, place: FloatArray, axes: FloatArray) -> tuple[FloatArray, FloatArray] | None:
        """Height at a place and slopes (3,) of the plane that meets the crack there, and their covariance."""
        index = np.flatnonzero(self.normals @ axes[2] > LEAN).astype(np.int32)
        local = (self.points[index] - place) @ axes.T
        fit, width = np.zeros(3), WIDE * self.spacing
        for _ in range(3):
            height = local[:, 2] - fit[0] - local[:, :2] @ fit[1:]
            chosen, inside = self._joined(local, np.flatnonzero(np.abs(height) < width).astype(np.int32), index)
            if len(chosen) < FEWEST_BLOCKS * 10:
                return None
            fit = fit + _robust_plane(local[chosen], height[chosen])
            height = local[:, 2] - fit[0] - local[:, :2] @ fit[1:]
            width = NARROW * max(sigma_of(height[chosen]), 0.5 * self.noise)
        inner = chosen[inside & (np.abs(height[chosen]) < width)]
        inner = inner[self.from_rim[index[inner]] > FAR]
        if not len(inner) or self.taken[index[inner]].mean() > TWICE:
            return None
        fitted = _by_blocks(local[inner], self.spacing, self.noise)
        if fitted is not None:
            self.taken[index[inner]] = True
        return fitted

    def _from_rim(self, rim: FloatArray) -> FloatArray:
        """How many spacings each vertex (n,) lies from the rim; infinite where it is more than `FAR`."""
        reach = FAR * self.spacing
        near = np.flatnonzero(near_masks(self.points, rim, reach)[0])
        distance = np.full(len(self.points), np.inf)
        distance[near] = cKDTree(rim).query(self.points[near], distance_upper_bound=reach)[0] / self.spacing
        return distance

    def _joined(self, local: FloatArray, chosen: IntArray, index: IntArray) -> tuple[IntArray, Mask]:
        """Those of some places that hang together with ones beside the crack, and which of them are well within."""
        if not len(chosen):
            return chosen, np.empty(0, bool)
        cells = np.floor(local[chosen, :2] / (CELL * self.spacing)).astype(np.int64)
        cells += WITHIN + 1 - cells.min(axis=0)
        mask = np.zeros(cells.max(axis=0) + WITHIN + 2, bool)
        mask[cells[:, 0], cells[:, 1]] = True
        mask = binary_closing(mask, np.ones((3, 3)))
        label, count = find_pieces(mask, np.ones((3, 3)))
        own = label[cells[:, 0], cells[:, 1]]
        beside = np.bincount(own[self.from_rim[index[chosen]] <= 0.5 * FAR], minlength=count + 1)
        meets = beside >= FEWEST_BLOCKS
        meets[0] = False
        kept = meets[own]
        inner = binary_erosion(meets[label], np.ones((3, 3)), iterations=WITHIN)
        return chosen[kept], inner[cells[kept, 0], cells[kept, 1]]


def _robust_plane(local: FloatArray, height: FloatArray) -> FloatArray:
    """Height and slopes (3,) of a plane."""
    design = np.column_stack([np.ones(len(local)), local[:, :2]])
    weight = np.ones(len(local))
    for _ in range(4):
        weighted = design * weight[:, None]
        fit = np.linalg.lstsq(weighted.T @ design, weighted.T @ height, rcond=None)[0]
        left = height - design @ fit
        weight = tukey(left, 5.0 * max(sigma_of(left), 1e-9))
    return np.asarray(fit)


def _by_blocks(local: FloatArray, spacing: float, noise: float) -> tuple[FloatArray, FloatArray] | None:
    """Height and slopes of the plane through the means of blocks, with a covariance from their own scatter.

    None where there are too few, or where they are uneven or bend beyond what noise explains.
    """
    cells = np.floor(local[:, :2] / (BLOCK * spacing)).astype(np.int64)
    _, group, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    means = np.stack([np.bincount(group, column) / count for column in local.T], axis=1)
    weight = np.minimum(count / max(float(np.median(count)), 1.0), 1.0) if len(count) else np.empty(0)
    if weight.sum() < FEWEST_BLOCKS:
        return None
    x, y = means[:, :2].T / (BLOCK * spacing)
    design = np.stack([np.ones(len(x)), x, y, x * x, x * y, y * y], axis=1)
    root = np.sqrt(weight)
    costs = []
    for number in (3, 6):
        fit = np.linalg.lstsq(root[:, None] * design[:, :number], root * means[:, 2], rcond=None)[0]
        costs.append(float((weight * np.square(means[:, 2] - design[:, :number] @ fit)).sum()))
        if number == 3:
            plane = fit
    free = float(weight.sum())
    spread = costs[0] / (free - 3.0)
    if free > 7.0 and len(x) > 6:
        ratio = (costs[0] - costs[1]) / 3.0 / max(costs[1] / (free - 6.0), 1e-300)
        if fdtrc(3.0, free - 6.0, ratio) < BENDS:
            return None
    if np.sqrt(spread) > UNEVEN * noise:
        return None
    scale = np.array([1.0, BLOCK * spacing, BLOCK * spacing])
    matrix = design[:, :3].T @ (weight[:, None] * design[:, :3])
    if np.linalg.cond(matrix) > 1e8:
        return None
    covariance = SHARED * max(spread, (0.3 * noise) ** 2) * np.linalg.inv(matrix) / scale[:, None] / scale
    return plane / scale, covariance
