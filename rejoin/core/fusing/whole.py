"""From placed fragments to the whole: the order of work, and what is reported."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing.chips import Marked, broken_vertices, chip_fills, with_chips
from rejoin.core.fusing.cropping import Crop, assembled, crops, far_soup
from rejoin.core.fusing.holes import Closed, Patch, closed
from rejoin.core.fusing.ring import BoolArray, contacts
from rejoin.core.fusing.sewing import CannotSew, Sewn, crack_field, joined, sewn
from rejoin.core.fusing.soundness import Indices, outer_triangles, output_checks
from rejoin.core.fusing.uniting import united
from rejoin.core.fusing.untangling import seam_crossings, untangled
from rejoin.core.records import Fill, FitReport, FloatArray, Fragment, IntArray, Joint, Mesh, Placement, Whole
from rejoin.core.settings import FuseSettings, Report, silent
from rejoin.core.transforms import apply


@dataclass(frozen=True, eq=False)
class Piece:
    """A placed fragment with its holes closed; ``index`` is its place among the fragments."""

    index: int
    mesh: Mesh
    holes: tuple[Patch, ...]
    volume_mm3: float


def fuse_fragments(
    fragments: Sequence[Fragment],
    placements: Sequence[Placement],
    joints: Sequence[Joint],
    fits: Sequence[FitReport],
    settings: FuseSettings | None = None,
    report: Report = silent,
) -> Whole:
    """One whole from all placed fragments, in the part's frame (mm).

    Parameters
    ----------
    fragments, placements : sequences, parallel
        Fragments without a placement are left out.
    joints, fits : sequences
        The joints' fracture faces tell chips from the part's own recesses.
    settings : FuseSettings, optional
    report : Report, optional

    Returns
    -------
    Whole
        ``notes`` says what is open, left out or doubtful.

    Raises
    ------
    NoAnswer
        Where no fragment is placed.
    """
    settings = settings or FuseSettings()
    report(0.0, "Closing holes of the scans")
    notes: list[str] = []
    pieces = _pieces(fragments, placements, notes)
    if not pieces:
        raise NoAnswer("No fragment is placed, so there is nothing to fuse.", "Join the fragments first.")
    spacing = max(fragments[piece.index].spacing_mm for piece in pieces)
    noise = max(fragments[piece.index].noise_mm for piece in pieces)
    parts = [piece.mesh for piece in pieces]
    report(0.2, "Looking for the crack")
    all_broken = broken_vertices(fragments, joints)
    broken = _padded([all_broken[piece.index] for piece in pieces], parts)
    scene = _scene(parts, broken, spacing, noise)
    report(0.3, "Closing the crack")
    result = _closed_crack(parts, scene, spacing, notes)
    report(0.8, "Checking the whole")
    whole = _reported(result, pieces, scene, spacing, settings, notes)
    report(1.0, "The whole is made")
    return whole


@dataclass(frozen=True, eq=False)
class Scene:
    """The fragments near the crack, what stands for the rest of them, and what is given up."""

    cut: list[Crop]
    far: Mesh
    marked: Marked

    @property
    def near(self) -> list[Mesh]:
        return [crop.mesh for crop in self.cut]

    @property
    def rims(self) -> list[BoolArray]:
        return [crop.rim for crop in self.cut]


def _scene(parts: list[Mesh], broken: list[BoolArray], spacing_mm: float, noise_mm: float) -> Scene:
    cut = crops(parts, broken, spacing_mm)
    far = far_soup(parts, cut, spacing_mm)
    near, rims = [crop.mesh for crop in cut], [crop.rim for crop in cut]
    own = [b[crop.vertices] for b, crop in zip(broken, cut, strict=True)]
    sides = contacts(near, rims, spacing_mm, noise_mm)
    return Scene(cut, far, with_chips(near, rims, far, sides, own, spacing_mm))


def _padded(broken: list[BoolArray], parts: list[Mesh]) -> list[BoolArray]:
    """Vertices added in closing holes are no fracture."""
    return [np.append(b, np.zeros(len(p.vertices) - len(b), bool)) for b, p in zip(broken, parts, strict=True)]


def _pieces(fragments: Sequence[Fragment], placements: Sequence[Placement], notes: list[str]) -> list[Piece]:
    """The placed fragments, outward and with every hole closed for the time being."""
    pieces: list[Piece] = []
    for index, (fragment, placement) in enumerate(zip(fragments, placements, strict=True)):
        if placement.part_from_scan is None:
            continue
        placed = Mesh(apply(placement.part_from_scan, fragment.mesh.vertices), fragment.mesh.triangles)
        if len(placed.triangles) == 0:
            notes.append(f"{fragment.scan.name} holds no surface and was left out.")
            continue
        if meshes.is_closed(placed):
            shut = Closed(placed, ())
        else:
            shut = closed(placed, fragment.spacing_mm)
        mesh = shut.mesh
        volume = meshes.volume(mesh)
        if volume < 0:
            mesh = Mesh(mesh.vertices, np.ascontiguousarray(mesh.triangles[:, ::-1]))
            notes.append(f"{fragment.scan.name} was inside out and was turned.")
        keep, inner = outer_triangles(mesh)
        if inner:
            mesh = Mesh(mesh.vertices, mesh.triangles[keep])
            volume = meshes.volume(mesh)
            notes.append(f"{fragment.scan.name} holds {inner} shells inside it or far smaller; they were left out.")
        piece = Piece(index, mesh, shut.patches, abs(volume))
        if any(_same_place(piece.mesh, other.mesh, fragment.spacing_mm) for other in pieces):
            notes.append(f"{fragment.scan.name} lies where another fragment lies already and was left out.")
            continue
        pieces.append(piece)
    return pieces


def _same_place(mesh: Mesh, other: Mesh, spacing_mm: float) -> bool:
    """Whether nearly all of a mesh runs along another (a thousand of its vertices are asked)."""
    asked, reach = mesh.vertices[:: max(1, len(mesh.vertices) // 1000)], 2.0 * spacing_mm
    low, high = other.vertices.min(axis=0) - reach, other.vertices.max(axis=0) + reach
    if ((asked >= low) & (asked <= high)).all(axis=1).mean() <= 0.9:
        return False
    near = cKDTree(other.vertices).query(asked, distance_upper_bound=reach)[0]
    return bool(np.isfinite(near).mean() > 0.9)


def _closed_crack(parts: list[Mesh], scene: Scene, spacing_mm: float, notes: list[str]) -> Sewn:
    """Sewn where the borders pair up, else united with a plug, else united, else side by side."""
    marked = scene.marked
    if len(parts) > 1 and any(side.removed.any() for side in marked.sides):
        basis = (scene.near, scene.rims, scene.far, marked.sides, marked.walls, spacing_mm)
        try:
            result = sewn(*basis)
            mesh = untangled(result.mesh, result.origin < 0, spacing_mm)
            result = _outer(assembled(parts, scene.cut, Sewn(mesh, result.origin)))
            if meshes.is_closed(result.mesh):
                return result
        except CannotSew:
            pass
        try:
            result = _outer(united(parts, crack_field(*basis)))
            notes.append("The crack could not be healed along its edge; the fragments were united as they lie.")
            return result
        except NoAnswer:
            pass
    try:
        return _outer(united(parts, None))
    except NoAnswer:
        notes.append("The fragments could not be united; they stand side by side in the whole.")
        mesh = joined(parts)
        return Sewn(mesh, np.arange(len(mesh.vertices)))


def _outer(result: Sewn) -> Sewn:
    """Without inner shells and specks."""
    keep, _ = outer_triangles(result.mesh)
    if len(keep) == len(result.mesh.triangles):
        return result
    mesh, old = meshes.compacted(result.mesh, keep.astype(np.int32))
    return Sewn(mesh, result.origin[old])


def _reported(
    result: Sewn,
    pieces: list[Piece],
    scene: Scene,
    spacing_mm: float,
    settings: FuseSettings,
    notes: list[str],
) -> Whole:
    mesh, origin, marked = result.mesh, result.origin, scene.marked
    all_closed = meshes.is_closed(mesh)
    shells = int(np.count_nonzero(np.bincount(meshes.components(mesh)[1][mesh.triangles[:, 0]])))
    genus = meshes.euler_genus(mesh, shells) if all_closed else 0
    areas = meshes.triangle_areas(mesh)
    volume, area = meshes.volume(mesh), float(areas.sum())
    new = origin < 0
    seam = np.flatnonzero(new[mesh.triangles].any(axis=1))
    crossings = len(seam_crossings(mesh, new))
    expected = sum(piece.volume_mm3 for piece in pieces)
    over, chips = chip_fills(mesh, new, scene.near, marked.walls, spacing_mm)
    expected += sum(fill.volume_mm3 for fill in chips)
    strip = max((side.strip_mm for side in marked.sides), default=0.0) + max((c.across_mm for c in chips), default=0.0)
    allowed = min(0.002 * expected + float(areas[seam].sum()) * spacing_mm, 0.05 * expected)
    added = mesh.vertices[new]
    notes.extend(output_checks(volume, added, scene.near, expected, allowed, 3.0 * spacing_mm + strip))
    if not all_closed:
        notes.append("The whole is not closed.")
    if shells > 1:
        notes.append(f"The whole is in {shells} separate bodies.")
    mesh, seam, filled, fills, is_open = _with_holes(result, seam, over, pieces, settings, notes)
    fills.extend(chips)
    moved = _moved(mesh, origin, pieces)
    return Whole(
        mesh=mesh,
        volume_mm3=volume,
        area_mm2=area,
        closed=all_closed and not is_open,
        shells=shells,
        genus=genus,
        seam_triangles=seam.astype(np.int32),
        filled_triangles=filled,
        filled_mm3=float(sum(fill.volume_mm3 for fill in fills)),
        fills=tuple(fills),
        crossing_pairs=crossings,
        original_moved_mm=moved,
        notes=tuple(notes),
    )


def _moved(mesh: Mesh, origin: Indices, pieces: list[Piece]) -> float:
    """How far kept vertices stand from where the placement put them."""
    placed: FloatArray = np.concatenate([piece.mesh.vertices for piece in pieces])
    kept = np.flatnonzero(origin >= 0)
    return float(np.abs(mesh.vertices[kept] - placed[origin[kept]]).max()) if len(kept) else 0.0


def _with_holes(
    result: Sewn,
    seam: Indices,
    over: Indices,
    pieces: list[Piece],
    settings: FuseSettings,
    notes: list[str],
) -> tuple[Mesh, Indices, IntArray, list[Fill], bool]:
    """List the closed scan holes; open again those that are too large."""
    mesh, origin = result.mesh, result.origin
    total = sum(len(piece.mesh.vertices) for piece in pieces)
    label = np.full(total + 1, -1, np.int64)
    found: list[Patch] = []
    first = 0
    for piece in pieces:
        for patch in piece.holes:
            label[first + patch.vertices] = len(found)
            found.append(patch)
        first += len(piece.mesh.vertices)
    owner = label[origin][mesh.triangles].max(axis=1) if found else np.full(len(mesh.triangles), -1, np.int64)
    fills: list[Fill] = []
    reopened = np.zeros(len(mesh.triangles), bool)
    filled = np.zeros(len(mesh.triangles), bool)
    filled[over] = True
    for number, patch in enumerate(found):
        mine = owner == number
        if not mine.any():
            continue
        if patch.across_mm > settings.largest_hole_mm:
            reopened |= mine
            notes.append(f"A hole {patch.across_mm:.1f} mm across was left open.")
            continue
        filled |= mine
        fills.append(_fill(mesh, np.flatnonzero(mine), patch.across_mm, "scan hole"))
    if reopened.any():
        keep = np.flatnonzero(~reopened)
        new_index = np.cumsum(~reopened) - 1
        mesh = Mesh(mesh.vertices, mesh.triangles[keep])
        seam = new_index[seam[~reopened[seam]]]
        filled = filled[keep]
    return mesh, seam, np.flatnonzero(filled).astype(np.int32), fills, bool(reopened.any())


def _fill(mesh: Mesh, triangles: Indices, across_mm: float, kind: str) -> Fill:
    """A patch as a record; its volume is what it adds over a flat lid from its border's middle."""
    patch, _ = meshes.compacted(mesh, triangles.astype(np.int32))
    border = meshes.border_edges(patch)
    centre = patch.vertices[border[:, 0]].mean(axis=0)
    a, b, c = (patch.vertices[patch.triangles[:, i]] - centre for i in range(3))
    volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
    return Fill(kind, across_mm, volume, centre)
