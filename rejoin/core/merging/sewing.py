"""Placed views to one surface: foreign matter out, the better-seen triangles kept, the gaps between them sewn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core import meshes
from rejoin.core.fusing.stitching import with_simple_border
from rejoin.core.merging.choosing import Sheet, beside, foreign, outdone, sheet_of, widened, without
from rejoin.core.merging.zipping import zipped_up
from rejoin.core.records import Fragment, Mesh
from rejoin.core.settings import Report

BoolArray = npt.NDArray[np.bool_]

LEAST_PIECE = 0.005
"""Share of the piece's area below which a scrap of a view is left out."""


@dataclass(frozen=True, eq=False)
class Merged:
    """One surface of several views: ``owner`` (n,) is the view of each vertex, ``sewn`` (k,) the triangles added.

    ``foreign_mm2`` is what was cut out of each view because another one saw that nothing is there.
    """

    mesh: Mesh
    owner: npt.NDArray[np.int32]
    sewn: npt.NDArray[np.int32]
    foreign_mm2: tuple[float, ...]


def merged(placed: list[Mesh], views: list[Fragment], props: list[BoolArray], report: Report) -> Merged:
    """Make one surface of views in a common frame; kept vertices do not move. ``props`` stand in seen air."""
    report(0.0, "Looking for clay and support that moved")
    sheets = [sheet_of(mesh, view) for mesh, view in zip(placed, views, strict=True)]
    clean, foreign_mm2 = [], []
    for number, sheet in enumerate(sheets):
        others = [other for k, other in enumerate(sheets) if k != number]
        unwanted = foreign(sheet, others, props[number])
        wide = widened(sheet.mesh, unwanted, 3) if unwanted.any() else unwanted
        mesh = _main(without(sheet.mesh, wide)[0], 0.02)
        foreign_mm2.append(float(meshes.triangle_areas(sheet.mesh).sum() - meshes.triangle_areas(mesh).sum()))
        clean.append(sheet_of(mesh, views[number]) if unwanted.any() else sheet)
    report(0.3, "Choosing the better view of each place")
    spacing = max(view.spacing_mm for view in views)
    parts = _chosen(clean, spacing, report)
    counts = [len(part.vertices) for part in parts]
    owner = np.repeat(np.arange(len(parts)), counts).astype(np.int32)
    offsets = np.cumsum([0, *counts[:-1]])
    triangles = np.concatenate([part.triangles + shift for part, shift in zip(parts, offsets, strict=True)])
    whole = Mesh(np.concatenate([part.vertices for part in parts]), triangles.astype(np.int32))
    report(0.8, "Sewing the views together")
    keep = with_simple_border(whole, np.ones(len(whole.triangles), bool))
    whole, kept = meshes.compacted(whole, np.flatnonzero(keep).astype(np.int32))
    owner = owner[kept]
    sewn, added = zipped_up(whole, owner, spacing)
    mesh = _main(sewn, LEAST_PIECE)
    if len(mesh.triangles) < len(sewn.triangles):
        return Merged(mesh, np.empty(0, np.int32), np.empty(0, np.int32), tuple(foreign_mm2))
    return Merged(sewn, owner, added, tuple(foreign_mm2))


def _chosen(sheets: list[Sheet], spacing: float, report: Report) -> list[Mesh]:
    """What stays of each view: first all that another outdoes goes, then what would lie double."""
    order = sorted(range(len(sheets)), key=lambda n: -float(meshes.triangle_areas(sheets[n].mesh).sum()))
    parts: dict[int, Mesh] = {}
    for count, number in enumerate(order):
        report(0.3 + 0.5 * count / len(order), "Choosing the better view of each place")
        sheet = sheets[number]
        unwanted = np.zeros(len(sheet.mesh.vertices), bool)
        for later in order[count + 1 :]:
            unwanted |= outdone(sheet, sheets[later])
        for earlier in order[:count]:
            if len(parts[earlier].triangles):
                unwanted |= beside(sheet, parts[earlier], spacing)
        part = without(sheet.mesh, unwanted)[0]
        parts[number] = _main(part, LEAST_PIECE) if len(part.triangles) else part
    return [parts[number] for number in range(len(sheets))]


def _main(mesh: Mesh, share: float) -> Mesh:
    """Without loose scraps."""
    if not len(mesh.triangles):
        return mesh
    labels = meshes.components(mesh)[1][mesh.triangles[:, 0]]
    areas = np.bincount(labels, meshes.triangle_areas(mesh))
    good = (areas >= share * areas.sum())[labels]
    return mesh if good.all() else meshes.compacted(mesh, np.flatnonzero(good).astype(np.int32))[0]
