"""Which triangles of which view stay: nothing foreign, and in an overlap those of the view that saw better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.contact import border_vertices, closest_on_triangles
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh

BoolArray = npt.NDArray[np.bool_]

IN_FRONT = 12.0
"""Spacings over another view's surface up to which foreign matter is looked for."""
STANDS_OFF = 12.0
"""Times the noise by which it stands off, at least a spacing."""
PATCH = 25.0
"""Square spacings below which such a place is chance."""
TAPER = 6.0
"""Spacings from a view's border over which it is believed less."""
GAP = 0.7
"""Spacings kept free between two views' triangles, to be sewn."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """A view in the common frame, with what is needed to ask it: quality (n,), border, normals."""

    mesh: Mesh
    quality: FloatArray
    border: BoolArray
    normals: FloatArray
    spacing_mm: float
    noise_mm: float

    def asked(self, points: FloatArray, normals: FloatArray, which: IntArray) -> Answer:
        """What this sheet says at points (n, 3) that face ``normals``; ``which`` (n,) are the nearest triangles."""
        corners = self.mesh.triangles[which]
        places, weights = closest_on_triangles(points, self.mesh.vertices[corners])
        ways = np.einsum("ki,kij->kj", weights, self.normals[corners])
        ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-12)
        offset = points - places
        inner = np.asarray(((weights > 1e-9) & ~self.border[corners]).any(axis=1))
        height = np.einsum("ij,ij->i", offset, ways)
        aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - height**2, 0.0))
        quality = np.einsum("ki,ki->k", weights, self.quality[corners])
        return Answer(inner, height, aside, np.einsum("ij,ij->i", ways, normals), quality)


@dataclass(frozen=True, eq=False)
class Answer:
    """Of a sheet at some points: over its inner part or not, height, distance aside, likeness of facing, quality."""

    inner: BoolArray
    height: FloatArray
    aside: FloatArray
    alike: FloatArray
    quality: FloatArray


def sheet_of(mesh: Mesh, view: Fragment) -> Sheet:
    """A view in the common frame, its quality measured: fine and quiet is better, near its border worse."""
    border, spacing = border_vertices(mesh), view.spacing_mm
    normals = meshes.averaged_normals(mesh, meshes.vertex_normals(mesh), 2)
    links = meshes.adjacency(mesh)
    degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)
    ends = mesh.vertices[meshes.edges(mesh)]
    length = np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)
    start = meshes.edges(mesh)[:, 0]
    local = np.bincount(start, length, len(mesh.vertices)) / np.maximum(np.bincount(start, minlength=len(degree)), 1)
    umbrella = np.stack([links @ mesh.vertices[:, i] for i in range(3)], axis=1) / degree[:, None] - mesh.vertices
    rough = np.square(np.einsum("ij,ij->i", umbrella, normals))
    for _ in range(6):
        local, rough = (links @ local + local) / (degree + 1.0), (links @ rough + rough) / (degree + 1.0)
    away = np.full(len(mesh.vertices), TAPER)
    if border.any():
        away = np.minimum(cKDTree(mesh.vertices[border]).query(mesh.vertices, workers=2)[0] / spacing, TAPER)
    worth = 1.0 / ((local / spacing + 0.2) * (np.sqrt(rough) + view.noise_mm) / view.noise_mm)
    return Sheet(mesh, (away / TAPER) ** 2 * worth + 1e-6 * away, border, normals, spacing, view.noise_mm)


def foreign(
    sheet: Sheet, others: list[Sheet], nearest: list[IntArray], known: BoolArray | None = None
) -> BoolArray:
    """Vertices (n,) of a sheet that stand in front of what another view saw: clay, or a support that moved.

    Matter can only have been added, so of two views that contradict each other the outer one is foreign. It is told
    near the surface that it covers; from there on it reaches as far up as that surface runs on under it. ``nearest``
    are the triangles (n,) of each other sheet that are nearest to its vertices, ``known`` (n,) vertices that stand
    where another view saw air (`props`).
    """
    found, over = np.zeros(len(sheet.mesh.vertices), bool), np.zeros(len(sheet.mesh.vertices), bool)
    for other, which in zip(others, nearest, strict=True):
        spacing = max(sheet.spacing_mm, other.spacing_mm)
        low = np.maximum(STANDS_OFF * float(np.hypot(sheet.noise_mm, other.noise_mm)), spacing)
        told = other.asked(sheet.mesh.vertices, sheet.normals, which)
        off = told.inner & (told.height > low)
        found |= off & (told.height < IN_FRONT * spacing) & (told.aside < spacing) & (told.alike > 0.2)
        over |= off
    if known is not None:
        found, over = found | known, over | known
    seeds = _patches(sheet.mesh, found, PATCH * sheet.spacing_mm**2)
    return _reached(sheet.mesh, seeds, over) if seeds.any() else seeds


def _reached(mesh: Mesh, seeds: BoolArray, allowed: BoolArray) -> BoolArray:
    """The seeds and the allowed vertices that hang together with them."""
    members = np.flatnonzero(seeds | allowed)
    piece = connected_components(meshes.adjacency(mesh)[members][:, members], directed=False)[1]
    result = np.zeros(len(seeds), bool)
    result[members[np.isin(piece, piece[seeds[members]])]] = True
    return result


def _patches(mesh: Mesh, chosen: BoolArray, least_mm2: float) -> BoolArray:
    """Chosen vertices that hang together over an area worth it."""
    members = np.flatnonzero(chosen)
    if not len(members):
        return chosen
    number, piece = connected_components(meshes.adjacency(mesh)[members][:, members], directed=False)
    area = np.bincount(piece, meshes.vertex_areas(mesh)[members], number)
    result = np.zeros(len(chosen), bool)
    result[members[area[piece] >= least_mm2]] = True
    return result


def widened(mesh: Mesh, chosen: BoolArray, rings: int) -> BoolArray:
    """The chosen vertices with so many rings around them."""
    links, grown = meshes.adjacency(mesh), chosen.astype(np.float32)
    for _ in range(rings):
        grown = ((links @ grown + grown) > 0).astype(np.float32)
    return np.asarray(grown > 0)


def without(mesh: Mesh, unwanted: BoolArray) -> IntArray:
    """The mesh's triangles (k,) that do not touch unwanted vertices."""
    return np.flatnonzero(~unwanted[mesh.triangles].any(axis=1)).astype(np.int32)


def outdone(sheet: Sheet, other: Sheet, nearest: IntArray, margin: float = 1.0) -> BoolArray:
    """Vertices (n,) of a sheet where the other shows the same surface and saw it better.

    ``nearest`` (n,) are the other's triangles that are nearest to them, -1 where they are farther off than `same_mm`.
    """
    better, at = np.zeros(len(nearest), bool), np.flatnonzero(nearest >= 0)
    told = other.asked(sheet.mesh.vertices[at], sheet.normals[at], nearest[at])
    level, aside = same_mm(sheet, other)
    same = told.inner & (np.abs(told.height) < level) & (told.aside < aside) & (told.alike > 0.3)
    better[at] = same & (told.quality > margin * sheet.quality[at])
    return _evened(sheet.mesh, better)


def same_mm(sheet: Sheet, other: Sheet) -> tuple[float, float]:
    """Height, and distance aside, below which another's inner surface is a sheet's own: noise, half a spacing."""
    noise = float(np.hypot(sheet.noise_mm, other.noise_mm))
    return max(STANDS_OFF * noise, 0.7 * sheet.spacing_mm), 0.7 * sheet.spacing_mm


def _evened(mesh: Mesh, mask: BoolArray, rounds: int = 6) -> BoolArray:
    """Odd vertices follow their neighbours, small islands what is around them."""
    graph = meshes.adjacency(mesh)
    count = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)
    for _ in range(rounds):
        share = (graph @ mask.astype(np.float32)) / count
        mask = np.asarray((mask & (share > 0.4)) | (share > 0.6))
    least = 4.0 * PATCH * float(np.median(meshes.vertex_areas(mesh)))
    mask = _patches(mesh, mask, least)
    return np.asarray(~_patches(mesh, ~mask, least))


def beside(sheet: Sheet, kept: Mesh, nearest: IntArray, spacing_mm: float) -> BoolArray:
    """Vertices (n,) of a sheet that lie over the kept surface, or less than `GAP` beside its border.

    ``nearest`` (n,) are the kept triangles that are nearest to them, -1 where they are more than `far_mm` away.
    """
    result, at = np.zeros(len(nearest), bool), np.flatnonzero(nearest >= 0)
    points, corners = sheet.mesh.vertices[at], kept.triangles[nearest[at]]
    places, weights = closest_on_triangles(points, kept.vertices[corners])
    ways = np.einsum("ki,kij->kj", weights, meshes.vertex_normals(kept)[corners])
    alike = np.einsum("ij,ij->i", ways, sheet.normals[at]) > 0.3
    inner = ((weights > 1e-9) & ~border_vertices(kept)[corners]).any(axis=1)
    distance = np.linalg.norm(points - places, axis=1)
    result[at] = alike & np.where(inner, distance < far_mm(sheet, spacing_mm), distance < GAP * spacing_mm)
    return result


def far_mm(sheet: Sheet, spacing_mm: float) -> float:
    """Distance from which a sheet's vertex does not lie over another surface."""
    return max(STANDS_OFF * 2.0 * sheet.noise_mm, 1.5 * spacing_mm)
