"""What the outlines of two faces tell that lie together: a break leaves the same outline on both sides.

On a nearly flat break the relief drowns in the scans' noise, but its two
outlines, with their corners, holes and separate patches, still agree all
round. Two machined faces that merely lie together do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import (
    affine_transform,
    binary_dilation,
    distance_transform_edt,
    gaussian_filter,
    label,
    map_coordinates,
)

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.robust import tukey
from rejoin.core.surfaces import Facing, Surface, faced
from rejoin.core.transforms import apply, inverse, orthonormal, turn
from rejoin.core.views import BoolArray, Plane, robust_plane

SHARE = 0.85
"""Share of both faces that must lie on each other before their outlines count as one."""

MOST = 22.0
"""Nats that outlines tell at most: parts repeat their shapes by design, so that the relief has to tell the rest."""

FREEDOMS = 3
"""Two shifts and a turn in the plane were free to make the outlines agree."""

FLAT_SHARE = 0.9
"""Share of what lies together that must lie in one plane for faces to count as nearly flat."""

BAND = 5.0
"""Cells either side of a rim over which rims are laid on each other: two steps of the coarse search."""

OTHER_TURNS = 3, 3
"""Steps of five degrees from which a turn counts as another position, and how many such turns are looked at."""

ALIKE_TURNED = 0.75
"""Share of a turned outline in common with itself from which the turn is looked at closely."""

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
        masks = _masks(first, second, b_from_a, plane, deep, low, cell, shape)
        common, either = masks[0] & masks[1], masks[0] | masks[1]
        both, one = both + float(either.sum() - _apart(masks).sum()), one + float(either.sum())
        sides += _sides(common)
        size = max(size, float(np.sqrt(common.sum())))
    share = both / max(one, 1.0)
    if share < SHARE or size <= 1.5:
        return 0.0, share
    return min(max(sides - FREEDOMS, 0) * share * float(np.log(size / 1.5)), MOST), share


def _masks(
    first: Surface, second: Surface, b_from_a: FloatArray, plane: Plane, deep: float, low: FloatArray, cell: float,
    shape: IntArray,
) -> tuple[BoolArray, BoolArray]:  # fmt: skip
    """Cells of a plane in which either fragment's surface lies and faces the other."""
    masks = []
    for surface, pose, sign in ((first, b_from_a, -1.0), (second, np.eye(4), 1.0)):
        around = plane.coordinates(apply(pose, surface.nodes.points))
        facing = sign * (turn(pose, surface.nodes.normals) @ plane.axes[2]) > 0.8
        masks.append(_mask(around[facing & (np.abs(around[:, 2]) < deep)], low, cell, shape))
    return masks[0], masks[1]


def _apart(masks: tuple[BoolArray, BoolArray]) -> BoolArray:
    """Cells of one face only; within a cell of a rim, which side a cell falls on is chance."""
    return np.asarray((masks[0] & ~binary_dilation(masks[1])) | (masks[1] & ~binary_dilation(masks[0])))


@dataclass(frozen=True, eq=False)
class Sheet:
    """Two faces that lie together in one plane (of b's frame), as masks of its cells."""

    plane: Plane
    low: FloatArray
    cell_mm: float
    masks: tuple[BoolArray, BoolArray]

    @property
    def share(self) -> float:
        """Of all cells of either face, those that are the other's too."""
        return float(1.0 - _apart(self.masks).sum() / max((self.masks[0] | self.masks[1]).sum(), 1))

    def moved(self, angle: float, about: FloatArray, shift: FloatArray) -> FloatArray:
        """(4, 4) motion in b's frame: a turn in the plane about one of its places (mm), then a shift."""
        c, s = np.cos(angle), np.sin(angle)
        flat, to_plane = np.eye(4), np.eye(4)
        flat[:2, :2] = [[c, -s], [s, c]]
        flat[:2, 3] = about - flat[:2, :2] @ about + shift
        to_plane[:3, :3], to_plane[:3, 3] = self.plane.axes, -self.plane.axes @ self.plane.origin
        return orthonormal(inverse(to_plane) @ flat @ to_plane)


def sheet_of(first: Surface, second: Surface, b_from_a: FloatArray) -> Sheet | None:
    """The two faces where they lie together, or None where they do not lie in one plane."""
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    seen = faced(first, second, b_from_a, first.samples, 3.0 * spacing)
    zone = (seen.facing < -0.7) & (np.abs(seen.gap) < 1.5 * spacing)
    if np.count_nonzero(zone) < 20:
        return None
    points = seen.points[zone]
    plane = robust_plane(points, seen.normals[zone].mean(axis=0), np.ones(len(points)))
    flat = plane.coordinates(points)
    near = np.abs(flat[:, 2]) < 2.0 * spacing
    if near.mean() < FLAT_SHARE:
        return None
    cell = max(first.nodes.cell_mm, second.nodes.cell_mm)
    low = flat[near, :2].min(axis=0) - MARGIN * cell
    shape = np.ceil((flat[near, :2].max(axis=0) + MARGIN * cell - low) / cell).astype(int) + 1
    masks = _masks(first, second, b_from_a, plane, max(2.0 * spacing, 1.5 * cell), low, cell, shape)
    return Sheet(plane, low, cell, masks) if all(mask.any() for mask in masks) else None


def rim_on_rim(sheet: Sheet) -> FloatArray:
    """(4, 4) motion of a in b's frame, within the plane, that lays its rim on b's.

    Least squares over the distances to either rim, counted negative outside,
    in a band about them: Gauss-Newton from where they lie.
    """
    away = [distance_transform_edt(mask) - distance_transform_edt(~mask) for mask in sheet.masks]
    at = np.argwhere(np.abs(away[0]) < BAND).astype(float)
    own = away[0][tuple(at.T.astype(int))]
    slope = np.stack(np.gradient(gaussian_filter(away[1], 1.0)))
    middle = at.mean(axis=0)
    angle, shift = 0.0, np.zeros(2)
    for _ in range(12):
        c, s = np.cos(angle), np.sin(angle)
        offset = (at - middle) @ np.array([[c, s], [-s, c]])
        places = (middle + offset + shift).T
        left = own - map_coordinates(away[1], places, order=1, mode="nearest")
        steep = np.stack([map_coordinates(part, places, order=1, mode="nearest") for part in slope], axis=1)
        design = np.column_stack([steep[:, 1] * offset[:, 0] - steep[:, 0] * offset[:, 1], steep])
        weight = tukey(left, 2.0 * BAND)
        matrix = design.T @ (weight[:, None] * design)
        move = np.linalg.solve(matrix + 1e-3 * np.diag(np.diag(matrix) + 1e-9), design.T @ (weight * left))
        angle, shift = angle + float(move[0]), shift + move[1:]
    return sheet.moved(angle, sheet.low + middle * sheet.cell_mm, shift * sheet.cell_mm)


def turned_alike(sheet: Sheet) -> list[FloatArray]:
    """(4, 4) motions of a in b's frame: turns in the plane after which the outlines agree about as well.

    The best turns of a square bar, three of a round one's (which agrees in all).
    """
    mask = sheet.masks[1].astype(np.float32)
    middle = np.argwhere(sheet.masks[1]).mean(axis=0)
    angles = 2.0 * np.pi * np.arange(72) / 72
    shares = np.empty(len(angles))
    pad = max(mask.shape)
    mask, middle = np.pad(mask, pad), middle + pad
    for k, angle in enumerate(angles):
        c, s = np.cos(angle), np.sin(angle)
        back = np.array([[c, s], [-s, c]])
        turned = affine_transform(mask, back, middle - back @ middle, order=1)
        shares[k] = np.minimum(turned, mask).sum() / np.maximum(turned, mask).sum()
    peaks = (shares >= np.roll(shares, 1)) & (shares >= np.roll(shares, -1)) & (shares > ALIKE_TURNED)
    shares = np.where(peaks, shares, 0.0)
    shares[np.abs(np.arange(72) - 36) > 36 - OTHER_TURNS[0]] = 0.0
    found: list[FloatArray] = []
    about = sheet.low + (middle - pad) * sheet.cell_mm
    for _ in range(OTHER_TURNS[1]):
        k = int(shares.argmax())
        if shares[k] == 0.0:
            break
        found.append(sheet.moved(float(angles[k]), about, np.zeros(2)))
        shares[np.abs(np.arange(len(angles)) - k) <= OTHER_TURNS[0]] = 0.0
    return found


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
