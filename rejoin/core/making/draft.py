"""Draft: how a pattern leaves the sand. A map of it, and draft added to walls from a parting plane."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.making.surface import Region
from rejoin.core.meshes import edges, triangle_centres, triangle_crosses
from rejoin.core.records import FloatArray, Mesh

LEVEL = 1e-6
"""Heights below this share of the size are in the parting plane."""


@dataclass(frozen=True, eq=False)
class Parting:
    """The plane at which the mould parts; the pattern is drawn along its unit normal on one side, against it on the
    other."""

    point_mm: FloatArray
    normal: FloatArray

    def heights(self, points: FloatArray) -> FloatArray:
        """Signed heights (k,) above the plane."""
        return np.asarray((points - self.point_mm) @ self.normal)

    @property
    def offset_mm(self) -> float:
        """Distance of the plane from the origin along its normal."""
        return float(self.point_mm @ self.normal)


def numbers(text: str, what: str) -> FloatArray:
    """Numbers with commas between them.

    Raises
    ------
    WrongUse
        Something else.
    """
    try:
        return np.array([float(one) for one in text.replace(";", ",").split(",")])
    except ValueError as error:
        raise WrongUse(f"The {what} {text!r} is not a row of numbers.", "Give numbers with commas between.") from error


def parting_of(values: FloatArray, what: str = "parting plane") -> Parting:
    """From a point and a normal, six numbers.

    Raises
    ------
    WrongUse
        Not six numbers, or no direction.
    """
    if len(values) != 6 or not np.isfinite(values).all() or np.linalg.norm(values[3:]) == 0:
        raise WrongUse(f"The {what} is not a point and a direction.", "Give six numbers: x,y,z,nx,ny,nz.")
    return Parting(values[:3], values[3:] / np.linalg.norm(values[3:]))


def draft_map(mesh: Mesh, parting: Parting) -> FloatArray:
    """Draft (m,) of each triangle, degrees: above 0 it leaves the sand, 0 rubs, below 0 it locks (an undercut)."""
    crosses = triangle_crosses(mesh)
    length = np.linalg.norm(crosses, axis=1)
    rise = crosses @ parting.normal / np.where(length > 0, length, 1.0)
    height = parting.heights(triangle_centres(mesh))
    size = float(np.ptp(mesh.vertices, axis=0).max())
    side = np.where(np.abs(height) > LEVEL * size, np.sign(height), np.where(rise >= 0, 1.0, -1.0))
    return np.asarray(np.degrees(np.arcsin(np.clip(side * rise, -1.0, 1.0))))


def drafted(
    vertices: FloatArray, region: Region, parting: Parting, degrees: float, way: str, name: str
) -> tuple[Region, FloatArray] | None:
    """How far each vertex (k,) of a wall moves to get its draft, and the wall with the directions in which: square to
    the pull, so that a plane stays one. None if it has the draft already.

    Added draft is nothing at the end of the wall farthest from the parting plane and grows towards the plane, so the
    casting is nowhere smaller than the part; both sides of the plane get the same width at it. Draft that is taken is
    nothing at the plane and grows away from it.

    Raises
    ------
    NoAnswer
        A wall whose draft differs from place to place.
    """
    height = parting.heights(vertices[region.vertices])
    far = float(np.abs(height).max())
    side = np.where(height >= 0, 1.0, -1.0)
    clear = np.abs(height) > 1e-3 * far
    has = np.arcsin(np.clip(side * (region.normals @ parting.normal), -1.0, 1.0))
    own = float(np.median(has[clear])) if clear.any() else 0.0
    if clear.any() and np.ptp(np.degrees(has[clear])) > 2.0:
        raise NoAnswer(f"The draft of {name} differs from place to place ({np.degrees(has[clear].min()):.0f} to "
                       f"{np.degrees(has[clear].max()):.0f} degrees), so none can be added to it.",
                       "Pick walls that stand along the pull.")  # fmt: skip
    lacking = np.radians(degrees) - own
    if lacking <= 0:
        return None
    if lacking > np.radians(30.0):
        raise NoAnswer(f"{name} lies across the pull, not along it; draft does not help there.",
                       "Choose another parting plane, or a core.")  # fmt: skip
    lever = (far - np.abs(height)) if way == "add" else -np.abs(height)
    level = region.normals - np.outer(region.normals @ parting.normal, parting.normal)
    level /= np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-300)
    return replace(region, normals=level), np.asarray((np.tan(np.radians(degrees)) - np.tan(own)) * lever)


def lined(mesh: Mesh, parting: Parting) -> Mesh:
    """The mesh with its triangles divided where the parting plane crosses them; the surface stays the same."""
    height = parting.heights(mesh.vertices)
    size = float(np.ptp(mesh.vertices, axis=0).max())
    side = np.where(np.abs(height) <= LEVEL * size, 0, np.sign(height)).astype(np.int64)
    directed = edges(mesh).astype(np.int64)
    crossing = side[directed[:, 0]] * side[directed[:, 1]] < 0
    if not crossing.any():
        return mesh
    count = len(mesh.vertices)
    key = directed.min(axis=1) * count + directed.max(axis=1)
    cut = np.unique(key[crossing])
    low, high = cut // count, cut % count
    share = (height[low] / (height[low] - height[high]))[:, None]
    new = mesh.vertices[low] + share * (mesh.vertices[high] - mesh.vertices[low])
    at = np.where(crossing, count + np.searchsorted(cut, key), -1).reshape(-1, 3)
    triangles = mesh.triangles.astype(np.int64)
    made = [triangles[(at < 0).all(axis=1)]]
    for k in range(3):
        a, b, c = (triangles[:, (k + j) % 3] for j in range(3))
        ab, bc, ca = (at[:, (k + j) % 3] for j in range(3))
        one = (ab >= 0) & (bc < 0) & (ca < 0)
        made += [np.stack([a, ab, c], axis=1)[one], np.stack([ab, b, c], axis=1)[one]]
        two = (ab >= 0) & (bc < 0) & (ca >= 0)
        made += [np.stack(corner, axis=1)[two] for corner in ((a, ab, ca), (ab, b, c), (ab, c, ca))]
    return Mesh(np.concatenate([mesh.vertices, new]), np.concatenate(made).astype(np.int32))
