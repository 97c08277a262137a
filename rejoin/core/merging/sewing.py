"""Placed views to one surface: foreign matter out, the better-seen triangles kept, the gaps between them sewn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core import meshes
from rejoin.core.abreast import abreast
from rejoin.core.fusing.stitching import with_simple_border
from rejoin.core.merging.choosing import (
    IN_FRONT,
    Sheet,
    beside,
    far_mm,
    foreign,
    outdone,
    same_mm,
    sheet_of,
    widened,
    without,
)
from rejoin.core.merging.neighbours import Neighbours, Part, whole_of
from rejoin.core.merging.zipping import zipped_up
from rejoin.core.records import Fragment, IntArray, Mesh
from rejoin.core.settings import Report

BoolArray = npt.NDArray[np.bool_]

CELL = 4.0
"""Spacings of a cell in which, far from another view, one vertex speaks for all."""
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
    both = list(zip(placed, views, strict=True))
    sheets, spacing = abreast(lambda one, _: sheet_of(*one), both), max(view.spacing_mm for view in views)
    near = Neighbours(placed, max([IN_FRONT * spacing, *(far_mm(sheet, spacing) for sheet in sheets)]), CELL * spacing)
    told = abreast(lambda number, _: _cut(number, sheets, near, props[number]), range(len(sheets)))
    whole = [part for part, _ in told]
    foreign_mm2 = tuple(float(meshes.triangle_areas(sheet.mesh).sum()) - area
                        for sheet, (_, area) in zip(sheets, told, strict=True))  # fmt: skip
    clean = abreast(lambda n, _: sheets[n] if whole[n].mesh is sheets[n].mesh else sheet_of(whole[n].mesh, views[n]),
                    range(len(sheets)))  # fmt: skip
    report(0.3, "Choosing the better view of each place")
    parts = _chosen(clean, whole, near, spacing, report)
    counts = [len(part.vertices) for part in parts]
    owner = np.repeat(np.arange(len(parts)), counts).astype(np.int32)
    offsets = np.cumsum([0, *counts[:-1]])
    triangles = np.concatenate([part.triangles + shift for part, shift in zip(parts, offsets, strict=True)])
    joined = Mesh(np.concatenate([part.vertices for part in parts]), triangles.astype(np.int32))
    report(0.8, "Sewing the views together")
    keep = with_simple_border(joined, np.ones(len(joined.triangles), bool))
    joined, kept = meshes.compacted(joined, np.flatnonzero(keep).astype(np.int32))
    owner = owner[kept]
    sewn, added = zipped_up(joined, owner, spacing)
    main = _main(sewn, LEAST_PIECE)
    if len(main) < len(sewn.triangles):
        mesh = meshes.compacted(sewn, main)[0]
        return Merged(mesh, np.empty(0, np.int32), np.empty(0, np.int32), foreign_mm2)
    return Merged(sewn, owner, added, foreign_mm2)


def _cut(number: int, sheets: list[Sheet], near: Neighbours, props: BoolArray) -> tuple[Part, float]:
    """A view without what is foreign, and the area that is left without scraps."""
    sheet, others = sheets[number], [k for k in range(len(sheets)) if k != number]
    unwanted = foreign(sheet, [sheets[k] for k in others], [near.nearest(number, k) for k in others], props)
    wide = widened(sheet.mesh, unwanted, 3) if unwanted.any() else unwanted
    part = whole_of(sheet.mesh).only(without(sheet.mesh, wide))
    part = part.only(_main(part.mesh, 0.02))
    area = float(meshes.triangle_areas(part.mesh).sum())
    return part if unwanted.any() else whole_of(sheet.mesh), area


def _chosen(sheets: list[Sheet], whole: list[Part], near: Neighbours, spacing: float, report: Report) -> list[Mesh]:
    """What stays of each view: first all that another outdoes goes, then what would lie double."""
    order = sorted(range(len(sheets)), key=lambda n: -float(meshes.triangle_areas(sheets[n].mesh).sum()))
    parts: dict[int, Part] = {}
    for count, number in enumerate(order):
        report(0.3 + 0.5 * count / len(order), "Choosing the better view of each place")
        sheet, own = sheets[number], whole[number]
        unwanted = np.zeros(len(sheet.mesh.vertices), bool)
        for later in order[count + 1 :]:
            reach = float(np.hypot(*same_mm(sheet, sheets[later])))
            reached = near.within(number, own, later, whole[later], reach)
            unwanted |= outdone(sheet, sheets[later], reached)
        for earlier in order[:count]:
            if len(parts[earlier].triangles):
                reached = near.within(number, own, earlier, parts[earlier], far_mm(sheet, spacing))
                unwanted |= beside(sheet, parts[earlier].mesh, reached, spacing)
        part = own.only(without(sheet.mesh, unwanted))
        parts[number] = part.only(_main(part.mesh, LEAST_PIECE)) if len(part.triangles) else part
    return [parts[number].mesh for number in range(len(sheets))]


def _main(mesh: Mesh, share: float) -> IntArray:
    """Triangles (k,) that are no loose scraps."""
    if not len(mesh.triangles):
        return np.empty(0, np.int32)
    labels = meshes.components(mesh)[1][mesh.triangles[:, 0]]
    areas = np.bincount(labels, meshes.triangle_areas(mesh))
    return np.flatnonzero((areas >= share * areas.sum())[labels]).astype(np.int32)
