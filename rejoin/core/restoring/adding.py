"""Add to a whole what a source has beyond the break: cut out of the source, and fused on like a fragment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import signed_distances
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing import fuse_fragments
from rejoin.core.libraries.restoring import Restored, worked
from rejoin.core.meshes import (
    adjacency,
    compacted,
    components,
    edge_spacing,
    triangle_areas,
    vertex_normals,
    volume,
)
from rejoin.core.records import Fill, FloatArray, IntArray, Mesh, Placement, Whole
from rejoin.core.restoring.sources import DEEP, Source, as_fragment
from rejoin.core.restoring.standing import standing_on_break
from rejoin.core.settings import FuseSettings, Report, part_of, silent
from rejoin.core.transforms import identity

BoolArray = npt.NDArray[np.bool_]

SWELL = 4.0
"""Misfits by which the whole is swollen before it is taken from the source: what differs by less is the same."""
FAR_SWELL = 4.0
"""As many times more, away from the break: a thin skin of the source must not hang on to the piece."""
REACH = 8.0
"""Spacings from the break at which that begins."""
LEAST_SIZE = 0.02
"""Share of the largest piece's volume below which a further piece is left out."""
FACING = 0.5
"""A surface that leans more than this (as a cosine) from the source's beside it belongs to the break."""
LACKS = "A part of it is lacking there too: it ends in a copy of the break."
LACKING = 0.02
"""Share of the piece's surface that may be a copy of the break; with more, a part of the piece is lacking in it."""


def restored(
    whole: Whole, source: Source, noise_mm: float, broken: BoolArray | None = None, guessed: bool = False,
    report: Report = silent,
) -> Whole:  # fmt: skip
    """The whole with the lost piece.

    Parameters
    ----------
    whole : Whole
        Closed.
    source : Source
        A copy that lies on it.
    noise_mm : float
        Of its scans.
    broken : (n,) bool, optional
        Vertices of the whole on fracture faces that nothing was joined to.
    guessed : bool, optional
        Whether the program found those faces, and no person chose them.
    report : Report, optional

    Returns
    -------
    Whole
        The piece is listed among ``fills`` and its triangles among ``filled_triangles``.

    Raises
    ------
    NoAnswer
        A source that has nothing more than the whole, or more where nothing broke off, or whose piece cannot be joined
        on cleanly.
    """
    report(0.0, "Looking where the piece is lost")
    spacing = edge_spacing(whole.mesh)
    depth = signed_distances(whole.mesh.vertices, source.mesh).signed
    reached = _break(whole.mesh, source.mesh, depth, spacing)
    if not reached.any():
        raise NoAnswer("The source has nothing that the whole lacks.", "Choose another source.")
    on_break = standing_on_break(whole.mesh, reached, broken, guessed)
    report(0.2, "Cutting the piece out of the source")
    swollen = _swollen(whole.mesh, reached, spacing, SWELL * source.misfit_mm + 0.1 * spacing)
    cut = worked(source.mesh, [("cut", swollen)])
    kept = _standing(cut, np.asarray(on_break[whole.mesh.triangles].all(axis=1)))
    pieces = [compacted(cut.mesh, triangles)[0] for triangles in kept]
    report(0.4, "Joining it on")
    parts = [as_fragment(mesh, spacing, noise_mm) for mesh in (whole.mesh, *pieces)]
    here = [Placement(identity(), "program") for _ in parts]
    fused = fuse_fragments(parts, here, (), FuseSettings(chips="leave"), part_of(report, 0.4, 1.0))
    if not fused.closed or fused.notes or fused.volume_mm3 <= whole.volume_mm3:
        raise NoAnswer("The lost piece could not be joined on cleanly.", "Choose another way, or another source.")
    if broken is not None:
        # What is taken for broken but lies on the source's surface too is original surface.
        reached = reached | (broken & (np.abs(depth) > spacing))
    return _told(whole, fused, pieces, source, _lacking(cut, kept, reached, source))


def _break(whole: Mesh, source: Mesh, inside: FloatArray, spacing_mm: float) -> BoolArray:
    """Vertices of the whole that the source runs on beyond: deep inside it, and from there on to the rim."""
    broken = inside < -DEEP * spacing_mm
    normals = vertex_normals(whole)
    _, nearest = cKDTree(source.vertices).query(whole.vertices)
    strange = np.einsum("ij,ij->i", normals, vertex_normals(source)[nearest]) < FACING
    strange |= inside < -spacing_mm
    links = adjacency(whole)
    for _ in range(4 * int(DEEP) + 4):
        wider = broken | ((links @ broken.astype(np.int32) > 0) & strange)
        if (wider == broken).all():
            break
        broken = wider
    return np.asarray(broken)


def _swollen(whole: Mesh, broken: BoolArray, spacing_mm: float, by_mm: float) -> Mesh:
    """The whole, its surface moved out: the piece then begins a little beyond the break, with a clean edge."""
    away = cKDTree(whole.vertices[broken]).query(whole.vertices)[0] / spacing_mm
    out = by_mm * np.clip(1.0 + (FAR_SWELL - 1.0) * (away - REACH) / REACH, 1.0, FAR_SWELL)
    return Mesh(whole.vertices + out[:, None] * vertex_normals(whole), whole.triangles)


def _standing(cut: Restored, on_break: BoolArray) -> list[IntArray]:
    """Triangles of each part of the cut source that stands on the break; thin leaves elsewhere are dropped."""
    count, label = components(cut.mesh)
    of = label[cut.mesh.triangles[:, 0]]
    base = cut.source == 1
    base[base] = on_break[cut.face[base]]
    area = np.bincount(of[base], triangle_areas(cut.mesh)[base], count)
    parts = [np.flatnonzero(of == k).astype(np.int32) for k in np.flatnonzero(area > 0)]
    sizes = [volume(Mesh(cut.mesh.vertices, cut.mesh.triangles[part])) for part in parts]
    if max(sizes, default=0.0) <= 0.0:
        raise NoAnswer("The source has nothing that the whole lacks.", "Choose another source.")
    return [part for part, size in zip(parts, sizes, strict=True) if size > LEAST_SIZE * max(sizes)]


def _lacking(cut: Restored, kept: list[IntArray], broken: BoolArray, source: Source) -> bool:
    """Whether the piece ends in a copy of the break: a mirrored or turned part has its own break somewhere."""
    if source.kind == "reference":
        return False
    triangles = np.concatenate(kept)
    areas = triangle_areas(cut.mesh)[triangles]
    copied = cut.source[triangles] == 0
    copied[copied] = broken[source.mesh.triangles[cut.face[triangles[copied]]]].all(axis=1)
    return bool(areas[copied].sum() > LACKING * areas.sum())


def _told(whole: Whole, fused: Whole, pieces: list[Mesh], source: Source, lacking: bool) -> Whole:
    """The fused mesh with what was known of the whole before; all that is not the whole's own surface is filled."""
    mesh = fused.mesh
    far, before = cKDTree(whole.mesh.vertices).query(mesh.vertices)
    own = far < 1e-9 * max(float(np.ptp(mesh.vertices, axis=0).max()), 1.0)

    def carried(triangles: IntArray | None) -> BoolArray:
        marked = np.zeros(len(whole.mesh.vertices), bool)
        if triangles is not None:
            marked[whole.mesh.triangles[triangles]] = True
        return np.asarray((marked[before] & own)[mesh.triangles].all(axis=1))

    def listed(hit: BoolArray) -> IntArray:
        return np.flatnonzero(hit).astype(np.int32)

    seam = carried(whole.seam_triangles)
    seam[fused.seam_triangles] = True
    added = fused.volume_mm3 - whole.volume_mm3
    points = np.concatenate([piece.vertices for piece in pieces])
    low, high = points.min(axis=0), points.max(axis=0)
    fill = Fill("lost piece", float(np.linalg.norm(high - low)), added, 0.5 * (low + high))
    sentence = f"A lost piece of {added:.0f} mm3 was restored, not measured, from {source.sentence}."
    if lacking:
        sentence += f" {LACKS}"
    return replace(
        fused, seam_triangles=listed(seam),
        filled_triangles=listed(carried(whole.filled_triangles) | ~own[mesh.triangles].all(axis=1)),
        filled_mm3=whole.filled_mm3 + added, fills=(*whole.fills, fill), notes=(*whole.notes, sentence),
        crossing_pairs=whole.crossing_pairs + fused.crossing_pairs,
        original_moved_mm=max(whole.original_moved_mm, fused.original_moved_mm),
        farthest_in_band_mm=whole.farthest_in_band_mm, farthest_outside_mm=whole.farthest_outside_mm,
        thinnest_mm=min((t for t in (whole.thinnest_mm, fused.thinnest_mm) if t is not None), default=None),
        open_holes=whole.open_holes, scan_crossing_pairs=whole.scan_crossing_pairs, reduced_mm=whole.reduced_mm,
        by_number=whole.by_number,
        number_triangles=None if whole.number_triangles is None else listed(carried(whole.number_triangles)),
    )  # fmt: skip
