"""Exact set operations on solids (manifold3d), for what is made from a whole: a doorway to that library."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.solids import mesh_of
from rejoin.core.meshes import compacted, components
from rejoin.core.records import FloatArray, IntArray, Mesh


class Body:
    """A closed solid, kept in the library's own form between operations; every operation gives a new one."""

    def __init__(self, solid: Any) -> None:
        self._solid = solid

    def __add__(self, other: Body) -> Body:
        return Body(self._solid + other._solid)

    def __sub__(self, other: Body) -> Body:
        return Body(self._solid - other._solid)

    def __and__(self, other: Body) -> Body:
        return Body(self._solid ^ other._solid)

    @property
    def volume_mm3(self) -> float:
        """Enclosed volume."""
        return float(self._solid.volume())

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Lowest and highest corner (3,) of the box along the axes."""
        box = np.array(self._solid.bounding_box())
        return box[:3], box[3:]

    def moved(self, b_from_a: FloatArray) -> Body:
        """The solid of frame a in frame b; (4, 4), any affine matrix that does not mirror."""
        return Body(self._solid.transform(np.asarray(b_from_a, float)[:3, :4]))

    def above(self, normal: FloatArray, offset_mm: float) -> Body:
        """What lies on the side of a plane to which its normal points."""
        return Body(self._solid.trim_by_plane(tuple(map(float, normal)), float(offset_mm)))

    def pieces(self) -> tuple[Body, ...]:
        """Its separate solids; a cavity stays with the solid around it."""
        outer: list[Any] = []
        inner: list[Any] = []
        for one in self._solid.decompose():
            (outer if one.volume() > 0 else inner).append(one)
        if not inner:
            return tuple(Body(one) for one in outer)
        holders = [[one] for one in outer]
        for cavity in inner:
            corner = np.array(cavity.to_mesh64().vert_properties[0, :3])
            holders[_holder(outer, corner)].append(cavity)
        return tuple(_together(parts) for parts in holders)

    def without_specks(self, share: float = 1e-7) -> Body:
        """Without separate pieces and cavities that rounding left: smaller than a share of the whole."""
        mesh = self.mesh()
        count, label = components(mesh)
        if count == 1:
            return self
        corners = mesh.vertices[mesh.triangles] - mesh.vertices[mesh.triangles[0, 0]]
        six = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
        volumes = np.abs(np.bincount(label[mesh.triangles[:, 0]], six, count)) / 6.0
        kept = volumes > share * self.volume_mm3
        if kept.all():
            return self
        some = np.flatnonzero(kept[label[mesh.triangles[:, 0]]]).astype(np.int32)
        return body_of(compacted(mesh, some)[0], "What is left")

    def without_cavities(self, low: FloatArray, high: FloatArray) -> Body:
        """Without the cavities that lie inside a box."""
        parts = self._solid.decompose()
        kept = [one for one in parts if one.volume() > 0 or not _within(one, low, high)]
        return self if len(kept) == len(parts) else _together(kept)

    def tidied(self, tolerance_mm: float) -> Body:
        """Without edges shorter than a tolerance; no surface moves farther than that."""
        return Body(self._solid.simplify(float(tolerance_mm)))

    @property
    def shells(self) -> int:
        """Number of closed surfaces, cavities among them."""
        return len(self._solid.decompose())

    def section(self, height_mm: float) -> tuple[FloatArray, ...]:
        """Outlines (k, 2) of the cut at a height z; outer ones counter-clockwise, holes clockwise."""
        return tuple(np.array(one, float) for one in self._solid.slice(float(height_mm)).to_polygons())

    def mesh(self) -> Mesh:
        """The surface, outward."""
        return mesh_of(self._solid.to_mesh64())


def _together(parts: list[Any]) -> Body:
    """Closed surfaces that do not touch as one solid; the library's own way of it leaves cavities out."""
    meshes = [mesh_of(one.to_mesh64()) for one in parts]
    starts = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    triangles = np.vstack([mesh.triangles + start for mesh, start in zip(meshes, starts, strict=False)])
    return body_of(Mesh(np.vstack([mesh.vertices for mesh in meshes]), triangles), "A piece")


def _holder(outer: list[Any], corner: FloatArray) -> int:
    """The smallest solid whose box holds the point."""
    best, size = 0, np.inf
    for number, one in enumerate(outer):
        box = np.array(one.bounding_box())
        if (corner >= box[:3]).all() and (corner <= box[3:]).all() and np.prod(box[3:] - box[:3]) < size:
            best, size = number, float(np.prod(box[3:] - box[:3]))
    return best


def _within(solid: Any, low: FloatArray, high: FloatArray) -> bool:
    bounds = np.array(solid.bounding_box())
    return bool((bounds[:3] >= low).all() and (bounds[3:] <= high).all())


def body_of(mesh: Mesh, what: str = "The mesh") -> Body:
    """A closed, outward mesh as a solid.

    Raises
    ------
    NoAnswer
        Where the library finds that it is no solid.
    """
    import manifold3d

    solid = manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64)))
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise NoAnswer(f"{what} is not a closed solid.", "Fuse the fragments again, or fill the holes first.")
    return Body(solid)


def united(bodies: Sequence[Body]) -> Body:
    """The union of solids."""
    import manifold3d

    return Body(manifold3d.Manifold.batch_boolean([one._solid for one in bodies], manifold3d.OpType.Add))


def cylinder(start: FloatArray, end: FloatArray, radius_mm: float, end_radius_mm: float | None = None) -> Body:
    """A cylinder, or a cone's frustum, from one point to another; its flats touch the radius from outside.

    So a dowel of the radius goes through a hole made with it.
    """
    import manifold3d

    along = np.asarray(end, float) - start
    length = float(np.linalg.norm(along))
    count = 96
    grown = 1.0 / np.cos(np.pi / count)
    last = radius_mm if end_radius_mm is None else end_radius_mm
    made = manifold3d.Manifold.cylinder(length, radius_mm * grown, last * grown, count)
    matrix = np.eye(4)
    matrix[:3, :3] = frame_on(along / length)
    matrix[:3, 3] = start
    return Body(made).moved(matrix)


def box(low: FloatArray, high: FloatArray) -> Body:
    """A box along the axes."""
    import manifold3d

    size = np.asarray(high, float) - low
    return Body(manifold3d.Manifold.cube(tuple(map(float, size))).translate(tuple(map(float, low))))


def frame_on(direction: FloatArray) -> FloatArray:
    """A right-handed frame (3, 3) whose third column is the unit direction; for z it is the identity."""
    if direction[2] > 1.0 - 1e-12:
        return np.eye(3)
    other = np.eye(3)[int(np.argmin(np.abs(direction)))]
    one = np.cross(other, direction)
    one /= np.linalg.norm(one)
    return np.stack([one, np.cross(direction, one), direction], axis=1)


def triangulated(loops: Sequence[FloatArray]) -> IntArray:
    """Triangles (m, 3) over plane outlines (k, 2), outer ones counter-clockwise; indices run through all of them."""
    import manifold3d

    return np.array(manifold3d.triangulate([np.array(one, float) for one in loops]), np.int32).reshape(-1, 3)
