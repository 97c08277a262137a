"""Which triangles move as what: faces that are moved, parted where two of them meet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.errors import NoAnswer
from rejoin.core.making.surface import ROUNDING, Index, Region, Surface
from rejoin.core.records import FloatArray


@dataclass(frozen=True, eq=False)
class Shift:
    """A region, how far each of its vertices (k,) moves along its normal (mm, + adds), and what to call it."""

    region: Region
    amounts: FloatArray
    name: str


def owners(surface: Surface, shifts: Sequence[Shift]) -> Index:
    """Which shift (m,) each triangle belongs to; -1 for none."""
    owner = np.full(len(surface.areas), -1, np.int64)
    for number, shift in enumerate(shifts):
        owner[shift.region.triangles] = number
    return owner


def apart(surface: Surface, shifts: Sequence[Shift]) -> list[Shift]:
    """The shifts with triangles that two of them claim, along a rounded edge, left to the one they face more alike."""
    best = np.full(len(surface.areas), -2.0)
    owner = np.full(len(surface.areas), -1, np.int64)
    for number, shift in enumerate(shifts):
        triangles = shift.region.triangles
        taken = owner[triangles] >= 0
        if taken.sum() > 0.2 * min(len(triangles), *(len(s.region.triangles) for s in shifts)):
            other = shifts[int(owner[triangles[taken][0]])].name
            raise NoAnswer(f"{shift.name} and {other} are the same face.", "Pick each face once for a step.")
        alike = _alike(surface, shift.region, triangles)
        better = alike > best[triangles]
        best[triangles[better]], owner[triangles[better]] = alike[better], number
    for _ in range(2):
        _take_edges(surface, shifts, owner)
    if any(s.region.sigma_mm > ROUNDING * surface.size_mm for s in shifts):
        _open_pinches(surface, owner)
    return [_with_triangles(surface, s, np.flatnonzero(owner == number)) for number, s in enumerate(shifts)]


def _alike(surface: Surface, region: Region, triangles: Index) -> FloatArray:
    middles = surface.mesh.vertices[surface.mesh.triangles[triangles]].mean(axis=1)
    return np.asarray(np.einsum("ij,ij->i", region.normals_at(middles), surface.normals[triangles]))


def _take_edges(surface: Surface, shifts: Sequence[Shift], owner: Index) -> None:
    """Give the ring of triangles around a scanned face to it: an edge that the scanner rounded belongs to no face."""
    best: dict[int, Index] = {}
    score = np.full(len(owner), 0.3)
    for number, shift in enumerate(shifts):
        if shift.region.sigma_mm <= ROUNDING * surface.size_mm:
            continue
        ring = np.unique(surface.neighbours[owner == number])
        ring = ring[owner[ring] < 0]
        alike = _alike(surface, shift.region, ring)
        better = alike > score[ring]
        score[ring[better]] = alike[better]
        best[number] = ring[better]
        owner_of_ring = np.zeros(len(owner), bool)
        owner_of_ring[ring[better]] = True
        for other in list(best)[:-1]:
            best[other] = best[other][~owner_of_ring[best[other]]]
    for number, ring in best.items():
        owner[ring] = number


def _open_pinches(surface: Surface, owner: Index) -> None:
    """Where the border of a scanned face touches itself at a vertex, give the face all triangles around it."""
    triangles = surface.mesh.triangles
    count = len(surface.mesh.vertices)
    for _ in range(6):
        inside, side = np.nonzero((owner >= 0)[:, None] & (owner[surface.neighbours] < 0))
        pinched = np.bincount(triangles[inside, side], minlength=count) > 1
        if not pinched.any():
            return
        whose = np.full(count, -1, np.int64)
        held = np.flatnonzero(owner >= 0)
        whose[triangles[held].ravel()] = np.repeat(owner[held], 3)
        around = np.flatnonzero((owner < 0) & pinched[triangles].any(axis=1))
        corner = np.argmax(pinched[triangles[around]], axis=1)
        owner[around] = whose[triangles[around, corner]]


def _with_triangles(surface: Surface, shift: Shift, triangles: Index) -> Shift:
    """The shift on other triangles of the same face; new vertices move as their nearest old one does."""
    region = shift.region
    if np.array_equal(triangles, np.sort(region.triangles)):
        return shift
    used = np.unique(surface.mesh.triangles[triangles]).astype(np.int64)
    vertices = surface.mesh.vertices
    amount_at = np.full(len(vertices), np.nan)
    amount_at[region.vertices] = shift.amounts
    normal_at = np.zeros((len(vertices), 3))
    normal_at[region.vertices] = region.normals
    new = used[np.isnan(amount_at[used])]
    if len(new):
        near = region.vertices[cKDTree(vertices[region.vertices]).query(vertices[new])[1]]
        amount_at[new] = amount_at[near]
        normal_at[new] = normal_at[near] if region.figure is None else region.figure.normals(vertices[new])
    region = replace(region, triangles=triangles, vertices=used, normals=normal_at[used],
                     area_mm2=float(surface.areas[triangles].sum()))  # fmt: skip
    return replace(shift, region=region, amounts=amount_at[used])
