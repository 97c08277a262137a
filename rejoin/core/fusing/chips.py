"""Chips: fracture surface that no other fragment covers and that lies below the part's own surface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.ring import BoolArray, Contact, border_of, evened, widened, without_islands
from rejoin.core.fusing.soundness import Indices, any_corner
from rejoin.core.fusing.torn import Torn
from rejoin.core.libraries.winding import WindingField
from rejoin.core.records import Fill, FloatArray, Fragment, Joint, Mesh

AROUND, ENOUGH = 16, 4000
"""Vertices of the fracture face that give its local plane, of about so many in all."""
ALONG, STEEPEST = 0.8, 0.4
"""How the break goes on beyond its contact: cosine of the turn of its normal, and slope off the local plane."""
SMALLEST = 2.0
"""Bare fracture smaller than the square of this many spacings is left to the strip."""
SEEN = 0.12
"""Cosine between a normal and the way to what is faced, at least."""
TALLEST = 1.2
"""A wall is no farther from the bare patch than so many times its width."""
LOOKED_AT = 24
"""Places of a bare patch that a wall may face, beside the nearest ones."""
BELOW = 0.52
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
    largest_mm: float,
) -> Marked:
    """Give up the walls of chips too.

    Where a rim was chipped, fracture face of one fragment lies bare: it is not
    in contact, reaches the given-up strip, and lies below the surface that the
    original surfaces continue. Around it the other fragment's wall is what
    faces it over the hollow and hangs together with the strip. The original
    surface faces away, so it stays. ``far`` stands for what the parts go on to
    beyond their ``rims``.
    """
    near = list(zip(parts, rims, sides, broken, strict=True))
    bare = abreast(lambda one, _: _bare(*one, spacing_mm, largest_mm), near)
    nothing = np.concatenate([np.zeros(len(part.vertices), bool) for part in parts])
    if not any(b.any() for b in bare):
        return Marked(sides, nothing)
    normals = abreast(lambda part, _: _even_normals(part), parts)
    torn = [Torn(*one, spacing_mm) for one in zip(parts, normals, sides, broken, bare, strict=True)]
    hollows = [
        _hollow(parts, normals, sides, number, members)
        for number, patch in enumerate(bare)
        for members in torn[number](_each_patch(parts[number], patch, sides[number]))
        if float(np.linalg.norm(np.ptp(parts[number].vertices[members], axis=0))) <= largest_mm
    ]
    hollows = [
        hollow
        for hollow in hollows
        if any(len(wall) for wall in hollow.walls) or broken[hollow.number][hollow.bare].mean() > 0.5
    ]
    hollows = [hollow for hollow in hollows if not any(rim[hollow.all_of(n)].any() for n, rim in enumerate(rims))]
    hollows = _below(parts, hollows, sides, far)
    return with_walls(parts, rims, sides, [_flags(p, [h.all_of(n) for h in hollows]) for n, p in enumerate(parts)],
                      spacing_mm)  # fmt: skip


def with_walls(
    parts: list[Mesh], rims: list[BoolArray], sides: list[Contact], walls: list[BoolArray], spacing_mm: float
) -> Marked:
    """Give up the flagged walls of each part too."""
    result, given_up = [], []
    for part, rim, side, chip in zip(parts, rims, sides, walls, strict=True):
        if chip.any():
            chip = widened(part, chip)
            removed = without_islands(part, rim, evened(part, side.removed | chip) & ~rim, (5.0 * spacing_mm) ** 2)
            given_up.append(chip & removed & ~side.removed)
            side = Contact(side.distance_mm, removed, border_of(part, removed), side.strip_mm)
        else:
            given_up.append(chip)
        result.append(side)
    return Marked(result, np.concatenate(given_up))


@dataclass(frozen=True, eq=False)
class _Hollow:
    """A bare patch (vertices of part ``number``) and, for each part, the vertices of walls that face it."""

    number: int
    bare: Indices
    walls: list[Indices]

    def all_of(self, number: int) -> Indices:
        return np.concatenate([self.bare, self.walls[number]]) if number == self.number else self.walls[number]


def _even_normals(part: Mesh) -> FloatArray:
    """Vertex normals averaged over two rings, so that noise does not turn them."""
    graph, normals = meshes.adjacency(part), meshes.vertex_normals(part)
    for _ in range(2):
        normals = normals + graph @ normals
        normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    return normals


def _flags(part: Mesh, members: list[Indices]) -> BoolArray:
    result = np.zeros(len(part.vertices), bool)
    for some in members:
        result[some] = True
    return result


def _each_patch(part: Mesh, flags: BoolArray, side: Contact) -> list[Indices]:
    members = np.flatnonzero(flags)
    if len(members) == 0:
        return []
    number, piece, _ = _patches(part, members, side.removed)
    return [members[piece == k] for k in range(number)]


def _hollow(
    parts: list[Mesh], normals: list[FloatArray], sides: list[Contact], number: int, bare: Indices
) -> _Hollow:
    spots, theirs = parts[number].vertices[bare], normals[number][bare]
    walls = [
        np.zeros(0, np.int64)
        if other == number
        else np.flatnonzero(_faces_one(part, normals[other], spots, theirs, sides[other]))
        for other, part in enumerate(parts)
    ]
    return _Hollow(number, bare, walls)


def _bare(
    part: Mesh, rim: BoolArray, side: Contact, broken: BoolArray, spacing_mm: float, largest_mm: float
) -> BoolArray:
    """Fracture face that no other fragment covers, beside the strip, in patches of some size."""
    candidate = _continued(part, broken, side, largest_mm) & ~side.removed & ~rim
    members = np.flatnonzero(candidate)
    result = np.zeros(len(part.vertices), bool)
    if len(members) == 0:
        return result
    number, piece, beside = _patches(part, members, side.removed)
    area = np.bincount(piece, meshes.vertex_areas(part)[members], number)
    good = (np.bincount(piece, beside, number) > 0) & (area > (SMALLEST * spacing_mm) ** 2)
    result[members[good[piece]]] = True
    return result


def _continued(part: Mesh, broken: BoolArray, side: Contact, reach_mm: float) -> BoolArray:
    """The fracture face, and what goes on beyond it in much the same plane and direction.

    A joint's faces end where the contact ends; the break itself goes on below a chip of the other fragment.
    """
    result = broken.copy()
    known = np.flatnonzero(broken)
    known = known[:: max(1, len(known) // ENOUGH)]
    if len(known) < AROUND:
        return result
    spots, normals = part.vertices[known], meshes.vertex_normals(part)
    low, high = spots.min(axis=0) - reach_mm, spots.max(axis=0) + reach_mm
    asked = np.flatnonzero(
        ~broken & ~side.removed & ((part.vertices > low) & (part.vertices < high)).all(axis=1)
    )
    length, near = cKDTree(spots).query(
        part.vertices[asked], k=AROUND, distance_upper_bound=reach_mm, workers=-1
    )
    there = np.isfinite(length[:, -1])
    asked, near = asked[there], near[there]
    plane = normals[known][near].mean(axis=1)
    plane /= np.maximum(np.linalg.norm(plane, axis=1, keepdims=True), 1e-12)
    away = part.vertices[asked] - spots[near].mean(axis=1)
    height = np.abs(np.einsum("ij,ij->i", away, plane))
    alike = np.einsum("ij,ij->i", normals[asked], plane) > ALONG
    result[asked[alike & (height < STEEPEST * np.linalg.norm(away, axis=1))]] = True
    return result


def _patches(part: Mesh, members: Indices, removed: BoolArray) -> tuple[int, Indices, BoolArray]:
    """How many patches the vertices make, the patch of each, and which of them lie beside the strip."""
    chosen = np.zeros(len(part.vertices), bool)
    chosen[members] = True
    local, kept = meshes.compacted(part, np.flatnonzero(any_corner(chosen, part.triangles)).astype(np.int32))
    graph = meshes.adjacency(local)
    own = np.searchsorted(kept, members)
    number, piece = connected_components(graph[own][:, own], directed=False)
    beside = np.asarray(graph[own] @ removed[kept].astype(np.float32)).ravel() > 0
    return number, piece, beside


def _below(parts: list[Mesh], hollows: list[_Hollow], sides: list[Contact], far: Mesh) -> list[_Hollow]:
    """The hollows that lie below what the rest of the surfaces continues."""
    if not hollows:
        return []
    vertices = np.concatenate([*[part.vertices for part in parts], far.vertices])
    triangles, count = [], 0
    for number, (part, side) in enumerate(zip(parts, sides, strict=True)):
        gone = side.removed | widened(part, _flags(part, [hollow.all_of(number) for hollow in hollows]))
        triangles.append(part.triangles[~any_corner(gone, part.triangles)] + count)
        count += len(part.vertices)
    triangles.append(far.triangles + count)
    winding = WindingField(vertices, np.concatenate(triangles))
    good = []
    for hollow in hollows:
        if np.median(winding(parts[hollow.number].vertices[hollow.bare])) <= BELOW:
            continue
        walls = [wall[winding(part.vertices[wall]) > 0.5] for part, wall in zip(parts, hollow.walls, strict=True)]
        good.append(_Hollow(hollow.number, hollow.bare, walls))
    return good


def _faces_one(part: Mesh, normals: FloatArray, spots: FloatArray, theirs: FloatArray, side: Contact) -> BoolArray:
    """Vertices of a part that face one bare patch, no farther from it than it is wide, in one patch with the strip."""
    result = np.zeros(len(part.vertices), bool)
    reach = float(np.linalg.norm(np.ptp(spots, axis=0)))
    low, high = spots.min(axis=0) - reach, spots.max(axis=0) + reach
    near = np.flatnonzero(~side.removed & ((part.vertices > low) & (part.vertices < high)).all(axis=1))
    if len(near) == 0:
        return result
    points, own = part.vertices[near], normals[near]
    length, nearest = cKDTree(spots).query(points, k=min(4, len(spots)), workers=-1)
    length, nearest = np.reshape(length, (len(near), -1)), np.reshape(nearest, (len(near), -1))
    some = np.linspace(0, len(spots) - 1, min(LOOKED_AT, len(spots))).astype(int)
    seen = np.zeros(len(near), bool)
    for at in [*nearest.T, *(np.full(len(near), spot) for spot in some)]:
        away = spots[at] - points
        size = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
        mine = np.einsum("ij,ij->i", away, own) / size
        back = -np.einsum("ij,ij->i", away, theirs[at]) / size
        seen |= (mine > SEEN) & (back > SEEN)
    seen &= length[:, 0] < TALLEST * reach
    members = near[seen]
    if len(members):
        many, piece, beside = _patches(part, members, side.removed)
        result[members[(np.bincount(piece, beside, many) > 0)[piece]]] = True
    return result


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
