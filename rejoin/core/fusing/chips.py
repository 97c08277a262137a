"""Chips: fracture surface that no other fragment covers and that lies below the part's own surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray, Contact, border_of, without_islands
from rejoin.core.fusing.soundness import any_corner
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import Fill, FloatArray, Fragment, Joint, Mesh

BELOW = 0.6
"""Winding number of the rest of the surface from which a place counts as below it; 0.5 is on a smooth surface."""


@dataclass(frozen=True, eq=False)
class Marked:
    """``sides`` with the chips' walls given up as well; ``walls`` (n,) flags them over all fragments' vertices."""

    sides: list[Contact]
    walls: BoolArray


def broken_vertices(
    fragments: Sequence[Fragment], joints: Sequence[Joint], which: Sequence[int]
) -> list[BoolArray]:
    """For each of the fragments ``which`` the vertices whose triangles all belong to fracture faces of its joints."""
    result = []
    for index in which:
        fragment = fragments[index]
        triangles = fragment.mesh.triangles
        marked = np.zeros(len(triangles), bool)
        for joint in joints:
            if joint.state == "rejected":
                continue
            for owner, face in ((joint.a, joint.face_a), (joint.b, joint.face_b)):
                if owner == index:
                    marked[face.triangles] = True
        broken = np.zeros(len(fragment.mesh.vertices), bool)
        broken[triangles[marked].ravel()] = True
        broken[triangles[~marked & any_corner(broken, triangles)].ravel()] = False
        result.append(broken)
    return result


def with_chips(
    parts: list[Mesh],
    rims: list[BoolArray],
    far: Mesh,
    sides: list[Contact],
    broken: list[BoolArray],
    spacing_mm: float,
) -> Marked:
    """Give up the walls of chips too.

    A chip is a patch of fracture face that is not in contact, reaches the
    given-up strip, and lies below the surface that the rest of the original
    surfaces continue. A face that leaked onto the original surface does not.
    ``far`` stands for what the parts go on to beyond their ``rims``.
    """
    candidates = [b & ~s.removed & ~rim for b, s, rim in zip(broken, sides, rims, strict=True)]
    nothing = np.concatenate([np.zeros(len(part.vertices), bool) for part in parts])
    if not any(c.any() for c in candidates):
        return Marked(sides, nothing)
    vertices = np.concatenate([part.vertices for part in parts])
    triangles, count = [], 0
    for part, side, candidate in zip(parts, sides, candidates, strict=True):
        gone = (side.removed | candidate)[part.triangles].any(axis=1)
        triangles.append(part.triangles[~gone] + count)
        count += len(part.vertices)
    triangles.append(far.triangles + count)
    winding = WindingField(np.concatenate([vertices, far.vertices]), np.concatenate(triangles))
    result, walls = [], []
    for part, rim, side, candidate in zip(parts, rims, sides, candidates, strict=True):
        chip = _chip_walls(part, side, candidate, winding, spacing_mm)
        removed = without_islands(part, rim, side.removed | chip, (5.0 * spacing_mm) ** 2)
        walls.append(removed & ~side.removed)
        result.append(Contact(side.distance_mm, removed, border_of(part, removed), side.strip_mm))
    return Marked(result, np.concatenate(walls))


def _chip_walls(part: Mesh, side: Contact, candidate: BoolArray, winding: WindingField, spacing_mm: float) -> BoolArray:
    """The candidates' patches that touch the strip and lie below the original surface."""
    chip = np.zeros(len(part.vertices), bool)
    members = np.flatnonzero(candidate)
    if len(members) == 0:
        return chip
    graph = meshes.adjacency(part)
    number, piece = connected_components(graph[members][:, members], directed=False)
    beside = np.asarray(graph[members] @ side.removed.astype(np.float32)).ravel() > 0
    touching = np.bincount(piece, beside, number) > 0
    depth = winding(part.vertices[members])
    below = np.bincount(piece, depth > BELOW, number) > 0.5 * np.bincount(piece, minlength=number)
    chip[members[(touching & below)[piece] & (depth > 0.5)]] = True
    return chip


def chip_fills(
    mesh: Mesh, new: BoolArray, parts: list[Mesh], walls: BoolArray, spacing_mm: float
) -> tuple[npt.NDArray[np.int64], list[Fill]]:
    """The new triangles over chips, and one record for each chip (volume from the depth below each triangle)."""
    if not walls.any():
        return np.zeros(0, np.int64), []
    vertices: FloatArray = np.concatenate([part.vertices for part in parts])
    candidates = np.flatnonzero(new[mesh.triangles].all(axis=1))
    centres, areas = meshes.triangle_centres(mesh)[candidates], meshes.triangle_areas(mesh)[candidates]
    depth, nearest = cKDTree(vertices).query(centres, workers=-1)
    over = walls[nearest] & (depth > 0.5 * spacing_mm)
    candidates, centres, areas, depth = candidates[over], centres[over], areas[over], depth[over]
    if len(candidates) == 0:
        return candidates, []
    pairs = cKDTree(centres).query_pairs(2.0 * spacing_mm, output_type="ndarray")
    from scipy.sparse import coo_matrix

    links = coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), (len(centres),) * 2)
    number, group = connected_components(links, directed=False)
    fills, listed = [], np.zeros(number, bool)
    for k in range(number):
        mine = group == k
        across = float(np.linalg.norm(np.ptp(centres[mine], axis=0)))
        if across < 2.0 * spacing_mm:
            continue
        listed[k] = True
        fills.append(Fill("chip", across, float((areas[mine] * depth[mine]).sum()), centres[mine].mean(axis=0)))
    return candidates[listed[group]], fills
