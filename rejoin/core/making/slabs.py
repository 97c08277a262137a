"""Material added to picked faces, or taken from them, along their own normals; neighbouring faces are extended.

Every picked face becomes a slab: the face itself, the face moved, and walls between. Slabs are united with the whole or
taken from it exactly. Where two picked faces meet, the vertices they share move so that both stand off by their own
amounts (a mitre); where a picked face meets a wall, its edge slides along that wall.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import Body, body_of, united
from rejoin.core.making.moves import moves_of, solved
from rejoin.core.making.owning import Shift, apart, owners
from rejoin.core.making.room import check_room, check_turned
from rejoin.core.making.surface import ROUNDING, Surface
from rejoin.core.meshes import compacted, is_closed
from rejoin.core.records import FloatArray, Mesh


def raised(surface: Surface, shifts: Sequence[Shift], what: str) -> Mesh | None:
    """The whole with its picked faces moved outward and walls set between; what `shifted` gives, without set
    operations. None where those are needed: where a face ends against a rising wall, or something is taken away.

    Raises
    ------
    NoAnswer
        As `shifted`.
    """
    if any(s.amounts.min() <= 1e-6 * surface.size_mm for s in shifts):
        return None
    shifts = apart(surface, shifts)
    vectors, outward = moves_of(surface, shifts)
    owned = owners(surface, shifts) >= 0
    mesh, count = surface.mesh, len(surface.mesh.vertices)
    inside, side = np.nonzero(owned[:, None] & ~owned[surface.neighbours])
    corners = mesh.triangles[inside].astype(np.int64)
    rows = np.arange(len(side))
    u, w = corners[rows, side], corners[rows, (side + 1) % 3]
    # Rim vertices without a free outside stand against a wall.
    if (np.linalg.norm(outward[u], axis=1) == 0).mean() > 0.02:
        return None
    check_room(surface, shifts, vectors, what)
    for shift in shifts:
        place = np.full(count, -1, np.int64)
        place[shift.region.vertices] = np.arange(len(shift.region.vertices))
        base = mesh.vertices[shift.region.vertices]
        check_turned(base, base + vectors[shift.region.vertices], place[mesh.triangles[shift.region.triangles]], shift,
                      what, surface.heights[shift.region.triangles] > 8.0 * shift.region.sigma_mm)  # fmt: skip
    rim = np.unique(np.concatenate([u, w]))
    new = np.arange(count)
    new[rim] = count + np.arange(len(rim))
    vertices = np.concatenate([mesh.vertices, mesh.vertices[rim] + vectors[rim]])
    within = np.setdiff1d(np.unique(mesh.triangles[owned]), rim)
    vertices[within] += vectors[within]
    top = new[mesh.triangles[owned]]
    walls = [np.stack([u, w, new[w]], axis=1), np.stack([u, new[w], new[u]], axis=1)]
    made = Mesh(vertices, np.concatenate([mesh.triangles[~owned], top, *walls]).astype(np.int32))
    return compacted(made)[0] if is_closed(made) else None


def shifted(surface: Surface, body: Body, shifts: Sequence[Shift], what: str) -> Body:
    """The whole with its picked faces moved, by set operations.

    Parameters
    ----------
    surface, body
        The same whole, as a mesh and as a solid.
    shifts : sequence of Shift
        All of one sign, or of both: what adds is done first.
    what : str
        The step, for the messages: "machining stock".

    Raises
    ------
    NoAnswer
        An amount that turns a face inside out, closes a gap, or goes through a wall.
    """
    shifts = apart(surface, shifts)
    vectors, outward = moves_of(surface, shifts)
    adding = [s for s in shifts if s.amounts.max() > 0]
    taking = [s for s in shifts if s.amounts.max() <= 0 and s.amounts.min() < 0]
    whole = body
    check_room(surface, shifts, vectors, what)
    if adding:
        sunk = _over(surface, adding, np.zeros_like(outward))
        under = None if sunk is None else (-sunk[0], sunk[1])
        whole = united([whole, *(_slab(surface, s, vectors, under, what) for s in adding)])
    if taking:
        over = _over(surface, taking, outward)
        for shift in taking:
            whole = whole - _slab(surface, shift, vectors, over, what)
    if whole.volume_mm3 < 1e-6 * body.volume_mm3:
        raise NoAnswer(f"The {what} leaves nothing of the part.", "Give less.")
    return whole.without_specks()


def _over(surface: Surface, taking: Sequence[Shift], outward: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """By how much a slab that is taken from an uneven surface reaches into the air above and beside it, so that no
    fins stay: for the vertices (n, 3) of the face, and of the face moved. None where the surface is even."""
    uneven = [s.region for s in taking if s.region.sigma_mm > ROUNDING * surface.size_mm]
    if not uneven:
        return None
    sigma = 4.0 * max(region.sigma_mm for region in uneven)
    # Three triangles' width: a scanner rounds a corner so that its last vertex belongs to no face.
    beyond = sigma + 3.0 * max(float(np.sqrt(np.median(surface.areas[region.triangles]))) for region in uneven)
    regions = [s.region for s in taking]
    lift = solved([(r.vertices, r.normals, np.full(len(r.vertices), sigma)) for r in regions], len(outward))
    length = np.linalg.norm(outward, axis=1, keepdims=True)
    push = beyond * outward / np.where(length > 0, length, 1.0)
    return lift + push, push


def _slab(
    surface: Surface, shift: Shift, vectors: FloatArray, over: tuple[FloatArray, FloatArray] | None, what: str
) -> Body:
    """The solid between a face and the face moved."""
    region, mesh = shift.region, surface.mesh
    triangles = mesh.triangles[region.triangles]
    place = np.full(len(mesh.vertices), -1, np.int64)
    place[region.vertices] = np.arange(len(region.vertices))
    local = place[triangles]
    base = mesh.vertices[region.vertices]
    moved = base + vectors[region.vertices]
    check_turned(base, moved, local, shift, what, surface.heights[region.triangles] > 8.0 * region.sigma_mm)
    if over is not None:
        base, moved = base + over[0][region.vertices], moved + over[1][region.vertices]
    count = len(base)
    ring = np.concatenate([local[:, [0, 1]], local[:, [1, 2]], local[:, [2, 0]]])
    forward, backward = ring[:, 0] * count + ring[:, 1], ring[:, 1] * count + ring[:, 0]
    rim = ring[~np.isin(forward, backward)]
    u, w = rim[:, 0], rim[:, 1]
    faces = np.concatenate([
        local + count, local[:, ::-1],
        np.stack([u, w, w + count], axis=1), np.stack([u, w + count, u + count], axis=1),
    ])  # fmt: skip
    if shift.amounts.max() <= 0:
        faces = faces[:, ::-1]
    return body_of(Mesh(np.concatenate([base, moved]), faces.astype(np.int32)), f"The {what} on {shift.name}")
