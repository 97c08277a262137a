"""What is measured on the finished whole and told about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core import meshes
from rejoin.core.contact.distances import closest_on_triangles
from rejoin.core.fusing.chips import chip_fills
from rejoin.core.fusing.covered import covered
from rejoin.core.fusing.cropping import Crop, Far
from rejoin.core.fusing.pieces import Piece
from rejoin.core.fusing.ring import BoolArray, Marked
from rejoin.core.fusing.sewing import Sewn
from rejoin.core.fusing.soundness import Indices, any_corner, output_checks
from rejoin.core.fusing.untangling import folded_crossings
from rejoin.core.libraries.distances import closest_triangles
from rejoin.core.libraries.walls import through_material
from rejoin.core.records import Fill, FloatArray, IntArray, Mesh, Whole
from rejoin.core.settings import FuseSettings

UNCERTAIN = 1e-3
"""Share of the volume by which closing scan holes and noise may change it."""
MOST_ROOM = 0.05
"""Share of the volume that a crack may hold at most; a wrong placement widens the strip beyond reason."""
FAR = 2.0
"""What is made away from all that was scanned is told from so many widths of the strip on."""
FACING = -0.5
"""Cosine between the normals of two sides of a wall, at most."""
MOST_RAYS, EVEN = 20_000, 2
"""Rays at most, along normals averaged over so many rings: on fine scans those of single triangles are mostly noise."""
AGREEING = 5
"""So many rays must find a wall as thin as the thinnest that is told."""


@dataclass(frozen=True, eq=False)
class Scene:
    """The fragments near the crack, what stands for their rest, what of them is fracture, and what is given up."""

    cut: list[Crop]
    far: Far
    broken: list[BoolArray]
    marked: Marked

    @property
    def near(self) -> list[Mesh]:
        return [crop.mesh for crop in self.cut]

    @property
    def rims(self) -> list[BoolArray]:
        return [crop.rim for crop in self.cut]


@dataclass(frozen=True, eq=False)
class Made:
    """The fused mesh; ``origin`` (n,) is each vertex's place among the joined fragments' vertices, -1 where new.

    ``band``, where there is one, is the part of the mesh that replaced the
    crops; its triangles come last, in order, and the mesh is closed.
    """

    mesh: Mesh
    origin: Indices
    band: Sewn | None
    crossings: int
    shells: int


def reported(
    made: Made, pieces: list[Piece], scene: Scene, spacing_mm: float, settings: FuseSettings, notes: list[str]
) -> Whole:
    """The whole with its measures; holes above the setting are opened again, and ``notes`` says what is doubtful."""
    mesh, origin, marked = made.mesh, made.origin, scene.marked
    all_closed = made.band is not None or meshes.is_closed(mesh)
    volume, area = _volume_and_area(made, scene.far)
    band = Sewn(mesh, origin) if made.band is None else made.band
    before = len(mesh.triangles) - len(band.mesh.triangles)
    new = band.origin < 0
    seam = np.flatnonzero(any_corner(new, band.mesh.triangles))
    over, chips = chip_fills(band.mesh, new, scene.near, marked, marked.told_mm)
    expected = sum(piece.volume_mm3 for piece in pieces) + sum(fill.volume_mm3 for fill in chips)
    strip = max((side.strip_mm for side in marked.sides), default=0.0) + max((c.across_mm for c in chips), default=0.0)
    allowed = UNCERTAIN * expected + min(_room_in_the_crack(scene), MOST_ROOM * expected)
    added = band.mesh.vertices[new]
    notes.extend(output_checks(volume, added, scene.near, expected, allowed, 3.0 * spacing_mm + strip))
    if not all_closed:
        notes.append("The whole is not closed.")
    if made.shells > 1:
        notes.append(f"The whole is in {made.shells} separate bodies.")
    thinnest = _thinnest_wall(band.mesh, seam, spacing_mm)
    in_band, place = _farthest(band, over, scene)
    notes.extend(_closed_over(band, scene, in_band, place, spacing_mm))
    genus = meshes.euler_genus(mesh, made.shells) if all_closed else 0
    mesh, seam, filled, fills, left = _with_holes(made, seam + before, over + before, pieces, settings, notes)
    fills.extend(chips)
    moved = _moved(mesh, origin, pieces)
    return Whole(
        mesh=mesh,
        volume_mm3=volume,
        area_mm2=area,
        closed=all_closed and not left,
        shells=made.shells,
        genus=genus,
        seam_triangles=seam.astype(np.int32),
        filled_triangles=filled,
        filled_mm3=float(sum(fill.volume_mm3 for fill in fills)),
        fills=tuple(fills),
        crossing_pairs=made.crossings,
        original_moved_mm=moved,
        notes=tuple(notes),
        size_mm=np.ptp(mesh.vertices, axis=0),
        thinnest_mm=thinnest,
        farthest_in_band_mm=None if place is None else in_band,
        farthest_outside_mm=moved,
        open_holes=tuple(left),
        scan_crossing_pairs=folded_crossings(band.mesh, new),
    )


def _room_in_the_crack(scene: Scene) -> float:
    """Volume (mm³) of a layer as thick as the strip over the faces that were given up: no gap or overlap is more."""
    both = zip(scene.near, scene.marked.sides, strict=True)
    area = sum(float(meshes.vertex_areas(part)[side.removed].sum()) for part, side in both)
    return 0.5 * area * max((side.strip_mm for side in scene.marked.sides), default=0.0)


def _volume_and_area(made: Made, far: Far) -> tuple[float, float]:
    """Of the whole; where there is a band only that is measured, the rest is known."""
    if made.band is None:
        return meshes.volume(made.mesh), float(meshes.triangle_areas(made.mesh).sum())
    vertices, triangles = made.band.mesh.vertices - far.origin, made.band.mesh.triangles
    crosses = meshes.triangle_crosses(made.band.mesh)
    volume = far.volume_mm3 + float(np.einsum("ij,ij->i", vertices[triangles[:, 0]], crosses).sum()) / 6.0
    return volume, far.area_mm2 + 0.5 * float(np.sqrt(np.einsum("ij,ij->i", crosses, crosses)).sum())


def _thinnest_wall(mesh: Mesh, seam: Indices, spacing_mm: float) -> float | None:
    """Shortest way through the material, straight in from the seam to a wall that faces the other way, mm."""
    if len(seam) == 0:
        return None
    asked = seam[:: max(1, len(seam) // MOST_RAYS)]
    even = meshes.averaged_normals(mesh, meshes.vertex_normals(mesh), EVEN)

    def outward(triangles: IntArray | Indices) -> FloatArray:
        ways = even[mesh.triangles[triangles]].sum(axis=1)
        return np.asarray(ways / np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-30))

    size = meshes.triangle_areas(Mesh(mesh.vertices, mesh.triangles[asked]))
    asked = asked[size > 1e-3 * float(np.median(size))]
    inward, centres = -outward(asked), meshes.triangle_centres(Mesh(mesh.vertices, mesh.triangles[asked]))
    lift = 1e-5 * float(np.ptp(mesh.vertices, axis=0).max())
    distance, hit = through_material(mesh, centres + lift * inward, inward)
    there = np.flatnonzero(hit >= 0)
    there = there[np.einsum("ij,ij->i", outward(hit[there]), -inward[there]) < FACING]
    # closer than the spacing there is no wall, only a fold; and one stray ray is no wall either
    walls = np.sort(distance[there][distance[there] > spacing_mm])
    return float(walls[min(AGREEING, len(walls)) - 1] + lift) if len(walls) else None


def _farthest(band: Sewn, over: Indices, scene: Scene) -> tuple[float, FloatArray | None]:
    """Largest distance of what is new at the crack, chips left out, from the scans (mm), and where (3,) that is."""
    new = band.origin < 0
    new[band.mesh.triangles[over].ravel()] = False
    points, soup = band.mesh.vertices[new], _near_the_strip(scene)
    if len(points) == 0 or len(soup.triangles) == 0:
        return 0.0, None
    corners = soup.vertices[soup.triangles[closest_triangles(points, soup)]]
    length = np.linalg.norm(points - closest_on_triangles(points, corners)[0], axis=1)
    return float(length.max()), points[length.argmax()]


def _closed_over(
    band: Sewn, scene: Scene, in_band_mm: float, place: FloatArray | None, spacing_mm: float
) -> list[str]:
    """What is said where more than a crack was bridged: a small hole through which it runs, for instance.

    Surface then covers what was scanned and faces no other fragment, or lies farther from all that was scanned than
    what was given up is wide on both sides together.
    """
    spot = covered(band.mesh, scene.near, scene.broken, scene.marked, scene.marked.told_mm)
    if spot is None and in_band_mm > FAR * max((side.strip_mm for side in scene.marked.sides), default=np.inf):
        spot = place
    if spot is None:
        return []
    x, y, z = spot
    return [
        f"At the crack, near ({x:.1f}, {y:.1f}, {z:.1f}) mm, surface was made over what was scanned open: a small hole "
        "or notch through which the crack runs may have been closed there. Look at that place; finer scans of the "
        "fragments keep it open."
    ]


def _near_the_strip(scene: Scene) -> Mesh:
    """The scans' triangles that were given up, and those beside them."""
    vertices, triangles, count = [], [], 0
    for crop, side in zip(scene.cut, scene.marked.sides, strict=True):
        near = any_corner(side.removed, crop.mesh.triangles)
        triangles.append(crop.mesh.triangles[near].astype(np.int64) + count)
        vertices.append(crop.mesh.vertices)
        count += len(crop.mesh.vertices)
    return Mesh(np.concatenate(vertices), np.concatenate(triangles).astype(np.int32))


def _moved(mesh: Mesh, origin: Indices, pieces: list[Piece]) -> float:
    """How far kept vertices stand from where the placement put them."""
    placed: FloatArray = np.concatenate([piece.mesh.vertices for piece in pieces])
    kept = np.flatnonzero(origin >= 0)
    worst = 0.0
    for start in range(0, len(kept), 200_000):
        some = kept[start : start + 200_000]
        worst = max(worst, float(np.abs(mesh.vertices[some] - placed[origin[some]]).max()))
    return worst


def _with_holes(
    made: Made, seam: Indices, over: Indices, pieces: list[Piece], settings: FuseSettings, notes: list[str]
) -> tuple[Mesh, Indices, IntArray, list[Fill], list[Fill]]:
    """List the closed scan holes; open again, and list apart, those that are too large."""
    mesh, origin = made.mesh, made.origin
    filled = np.zeros(len(mesh.triangles), bool)
    filled[over] = True
    found = [patch for piece in pieces for patch in piece.holes]
    if not found:
        return mesh, seam, np.flatnonzero(filled).astype(np.int32), [], []
    label = np.full(sum(len(piece.mesh.vertices) for piece in pieces) + 1, -1, np.int64)
    first = number = 0
    for piece in pieces:
        for patch in piece.holes:
            label[first + patch.vertices] = number
            number += 1
        first += len(piece.mesh.vertices)
    of_vertex = label[origin]
    of_vertex[origin < 0] = -1
    touched = np.flatnonzero(any_corner(of_vertex >= 0, mesh.triangles))
    owner = of_vertex[mesh.triangles[touched]].max(axis=1)
    fills: list[Fill] = []
    left: list[Fill] = []
    reopened = np.zeros(len(mesh.triangles), bool)
    for number, patch in enumerate(found):
        mine = touched[owner == number]
        if len(mine) == 0:
            continue
        if patch.across_mm > settings.largest_hole_mm:
            reopened[mine] = True
            left.append(_fill(mesh, mine, patch.across_mm, "scan hole"))
            notes.append(
                f"A scan hole {patch.across_mm:.1f} mm across is larger than the {settings.largest_hole_mm:g} mm "
                "up to which scan holes are closed; it is left open."
            )
            continue
        filled[mine] = True
        fills.append(_fill(mesh, mine, patch.across_mm, "scan hole"))
    if left:
        keep = np.flatnonzero(~reopened)
        new_index = np.cumsum(~reopened) - 1
        mesh = Mesh(mesh.vertices, mesh.triangles[keep])
        seam = new_index[seam[~reopened[seam]]]
        filled = filled[keep]
    return mesh, seam, np.flatnonzero(filled).astype(np.int32), fills, left


def _fill(mesh: Mesh, triangles: Indices, across_mm: float, kind: str) -> Fill:
    """A patch as a record; its volume is what lies between it and a flat lid from its border's middle."""
    patch, _ = meshes.compacted(mesh, triangles.astype(np.int32))
    border = meshes.border_edges(patch)
    centre = patch.vertices[border[:, 0]].mean(axis=0)
    a, b, c = (patch.vertices[patch.triangles[:, i]] - centre for i in range(3))
    volume = abs(float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0))
    return Fill(kind, across_mm, volume, centre)
