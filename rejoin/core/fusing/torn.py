"""Fracture that lies bare, and original surface that only lies in the plane of the break: told apart by roughness."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray, Contact
from rejoin.core.fusing.soundness import Indices
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.views import roughness

AROUND, ENOUGH = 16, 4000
"""Vertices of the fracture face that give its local plane, of about so many in all."""
ALONG, STEEPEST = 0.8, 0.4
"""How the break goes on beyond its contact: cosine of the turn of its normal, and slope off the local plane."""
SPARE = np.deg2rad(10.0)
"""By how much farther the plane between some of a face's vertices may turn than those around each of them."""
AWAY = 0.5
"""Cosine between normals of the break in contact and of the break beside it, at least."""
ASKED = 400
"""Vertices by which the roughness of a surface is told."""
TELLS = 0.25
"""Fracture face and original surface are told apart where one is rougher by so much (natural logarithm)."""


class Torn:
    """What one part's fracture faces and the rest of it are like.

    Parameters
    ----------
    part : Mesh
    normals : (n, 3)
        Averaged over some neighbours.
    side : Contact
    broken, bare : (n,) bool
        Vertices of the joints' fracture faces; of the patches that are to be told.
    spacing_mm : float
    """

    def __init__(
        self, part: Mesh, normals: FloatArray, side: Contact, broken: BoolArray, bare: BoolArray, spacing_mm: float
    ) -> None:
        self._surface = part.vertices, meshes.vertex_normals(part), normals, spacing_mm
        self._known = np.flatnonzero(broken), np.flatnonzero(~broken & ~side.removed & ~bare)

    def __call__(self, patches: list[Indices]) -> list[Indices]:
        """The patches as rough as the fracture faces, the others empty; none where these are as the rest is."""
        if not any(len(patch) for patch in patches):
            return patches
        broken, original = (self._level(known) for known in self._known)
        if abs(np.log(broken / original)) < TELLS:
            return [patch[:0] for patch in patches]
        middle, rougher = 0.5 * np.log(broken * original), broken > original
        return [patch if (np.log(self._level(patch)) > middle) == rougher else patch[:0] for patch in patches]

    def _level(self, members: Indices) -> float:
        """Roughness (mm) of some vertices; a low percentile, so that edges do not count."""
        members = members[:: max(1, len(members) // ASKED)]
        if len(members) == 0:
            return 1.0
        points, own, smooth, spacing = self._surface
        return max(float(np.percentile(roughness(points, own, smooth, spacing, members), 40)), 1e-9)


def turned_away(part: Mesh, asked: BoolArray, known: BoolArray) -> Indices:
    """Those of the asked vertices that turn away from the break in contact nearby: a face may take in its rim."""
    spots, at = np.flatnonzero(known), np.flatnonzero(asked)
    if len(spots) < AROUND or len(at) == 0:
        return at[:0]
    normals = meshes.vertex_normals(part)
    near = cKDTree(part.vertices[spots]).query(part.vertices[at], k=AROUND, workers=-1)[1]
    plane = normals[spots[near]].mean(axis=1)
    plane /= np.maximum(np.linalg.norm(plane, axis=1, keepdims=True), 1e-12)
    away: Indices = at[np.einsum("ij,ij->i", plane, normals[at]) < AWAY]
    return away


def _turned_alike(normals: FloatArray, known: Indices, tree: cKDTree) -> BoolArray:
    """Vertices (n,) that may turn as little off the face's plane as what goes on from it; the others need no search."""
    planes = normals[known][tree.query(tree.data, k=AROUND, workers=-1)[1]].mean(axis=1)
    planes /= np.maximum(np.linalg.norm(planes, axis=1, keepdims=True), 1e-12)
    middle = planes.mean(axis=0)
    middle /= max(float(np.linalg.norm(middle)), 1e-12)
    widest = float(np.arccos(np.clip((planes @ middle).min(), -1.0, 1.0))) + np.arccos(ALONG) + SPARE
    return np.asarray(normals @ middle > np.cos(min(widest, np.pi)))


def continued_break(part: Mesh, broken: BoolArray, loose: BoolArray, reach_mm: float) -> BoolArray:
    """The fracture face, and what goes on beyond it in much the same plane and direction.

    A joint's faces end where the contact ends; the break itself goes on below a chip of the other fragment.
    """
    result = broken.copy()
    known = np.flatnonzero(broken)
    known = known[:: max(1, len(known) // ENOUGH)]
    if len(known) < AROUND:
        return result
    spots, normals = part.vertices[known], meshes.vertex_normals(part)
    tree = cKDTree(spots)
    asked = np.flatnonzero(~broken & loose & _turned_alike(normals, known, tree))
    length, near = tree.query(part.vertices[asked], k=AROUND, distance_upper_bound=reach_mm, workers=-1)
    there = np.isfinite(length[:, -1])
    asked, near = asked[there], near[there]
    plane = normals[known][near].mean(axis=1)
    plane /= np.maximum(np.linalg.norm(plane, axis=1, keepdims=True), 1e-12)
    away = part.vertices[asked] - spots[near].mean(axis=1)
    height = np.abs(np.einsum("ij,ij->i", away, plane))
    alike = np.einsum("ij,ij->i", normals[asked], plane) > ALONG
    result[asked[alike & (height < STEEPEST * np.linalg.norm(away, axis=1))]] = True
    return result
