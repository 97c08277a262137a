"""Material added to picked faces, or taken from them, along their own normals; neighbouring faces are extended.

Every picked face becomes a slab: the face itself, the face moved, and walls between. Slabs are united with the whole or
taken from it exactly. Where two picked faces meet, the vertices they share move so that both stand off by their own
amounts (a mitre); where a picked face meets a wall, its edge slides along that wall.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import Body, body_of, united
from rejoin.core.libraries.walls import through_material
from rejoin.core.making.regions import CREASE, ROUNDING, Index, Region, Surface
from rejoin.core.meshes import compacted, is_closed
from rejoin.core.records import FloatArray, IntArray, Mesh

WALL = 0.5
"""A neighbour is a wall along which the edge of a face slides where it stands within 30 degrees of upright on it."""
SLIDE = 0.65
"""No edge slides sideways by more than this share of its move."""


RIM_ROUNDS = 6
"""Times that the bend at a scanned rim is averaged with its neighbours'."""

SPOTS = 1500
"""Rays by which the room in front of a face, or the wall behind it, is measured."""


@dataclass(frozen=True, eq=False)
class Shift:
    """A region, how far each of its vertices (k,) moves along its normal (mm, + adds), and what to call it."""

    region: Region
    amounts: FloatArray
    name: str


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
    shifts = _apart(surface, shifts)
    vectors, outward = _vectors(surface, shifts)
    owned = _owners(surface, shifts) >= 0
    mesh, count = surface.mesh, len(surface.mesh.vertices)
    inside, side = np.nonzero(owned[:, None] & ~owned[surface.neighbours])
    corners = mesh.triangles[inside].astype(np.int64)
    rows = np.arange(len(side))
    u, w = corners[rows, side], corners[rows, (side + 1) % 3]
    # Rim vertices without a free outside stand against a wall.
    if (np.linalg.norm(outward[u], axis=1) == 0).mean() > 0.02:
        return None
    _check_room(surface, shifts, vectors, what)
    for shift in shifts:
        place = np.full(count, -1, np.int64)
        place[shift.region.vertices] = np.arange(len(shift.region.vertices))
        base = mesh.vertices[shift.region.vertices]
        _check_turned(base, base + vectors[shift.region.vertices], place[mesh.triangles[shift.region.triangles]], shift,
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
    shifts = _apart(surface, shifts)
    vectors, outward = _vectors(surface, shifts)
    adding = [s for s in shifts if s.amounts.max() > 0]
    taking = [s for s in shifts if s.amounts.max() <= 0 and s.amounts.min() < 0]
    whole = body
    _check_room(surface, shifts, vectors, what)
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


def _check_room(surface: Surface, shifts: Sequence[Shift], vectors: FloatArray, what: str) -> None:
    """Rays along the moves: what is added must not meet the part or another addition, what is taken not come out
    behind. A fiftieth of a face may, where it ends beside something."""
    owner = _owners(surface, shifts)
    furthest = np.array([float(np.abs(s.amounts).max()) for s in shifts] + [0.0])
    adding = np.array([s.amounts.max() > 0 for s in shifts] + [False])
    for shift in shifts:
        _check_radius(surface, shift, what)
    starts, moves = (np.concatenate(rows) for rows in zip(*(_spots(surface, s.region, vectors) for s in shifts),
                                                          strict=True))  # fmt: skip
    length = np.linalg.norm(moves, axis=1)
    way = moves / np.maximum(length, 1e-300)[:, None]
    sigma = np.repeat([s.region.sigma_mm for s in shifts], SPOTS)
    first = np.minimum(4.0 * sigma + 1e-5 * surface.size_mm, 0.5 * length)
    free, met = through_material(surface.mesh, starts + first[:, None] * way, way)
    moving = length > 1e-9 * surface.size_mm
    for number, shift in enumerate(shifts):
        adds = shift.amounts.max() > 0
        some = np.arange(number * SPOTS, (number + 1) * SPOTS)[moving[number * SPOTS : (number + 1) * SPOTS]]
        behind = starts[some] + np.where(np.isfinite(free[some]), first[some] + free[some], 0.0)[:, None] * way[some]
        own = furthest[owner[met[some]]] if adds else _moved(surface, vectors, met[some], behind)
        facing = np.where((owner[met[some]] >= 0) & (adding[owner[met[some]]] == adds), own, 0.0)
        reached = length[some] * (1 - 1e-6) + facing
        blocked = np.isfinite(free[some]) & (free[some] + first[some] < reached)
        if not len(some) or blocked.mean() <= 0.02:
            continue
        if adds:
            raise NoAnswer(f"The {what} on {shift.name} runs into the part: the gap in front of it is narrower.",
                           "Give less there, or cast that place solid.")  # fmt: skip
        raise NoAnswer(f"The {what} at {shift.name} goes right through the wall behind it.", "Give less there.")


def _moved(surface: Surface, vectors: FloatArray, triangles: IntArray, places: FloatArray) -> FloatArray:
    """How far (k,) the surface itself moves at places (k, 3) on these triangles; 0 where there is none (-1)."""
    corners = surface.mesh.triangles[triangles]
    a, b, c = (surface.mesh.vertices[corners[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    area = np.maximum(np.square(normal).sum(axis=1), 1e-300)
    second = np.einsum("ij,ij->i", np.cross(places - a, c - a), normal) / area
    third = np.einsum("ij,ij->i", np.cross(b - a, places - a), normal) / area
    weights = np.clip(np.column_stack([1.0 - second - third, second, third]), 0.0, 1.0)
    moves = np.linalg.norm(np.einsum("ij,ijk->ik", weights, vectors[corners]), axis=1)
    return np.where(triangles >= 0, moves, 0.0)


def _check_radius(surface: Surface, shift: Shift, what: str) -> None:
    figure = shift.region.figure
    if figure is None or figure.hollow != (shift.amounts.max() > 0):
        return
    if (figure.split(surface.mesh.vertices[shift.region.vertices])[1] - np.abs(shift.amounts)).min() <= 0:
        raise NoAnswer(
            f"The {what} on {shift.name} is larger than its radius of {figure.radius_mm:.3g} mm: it turns inside out.",
            "Give less, or cast the bore solid.",
        )


def _spots(surface: Surface, region: Region, vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (k, 3) spread over a region, and the moves there."""
    areas = surface.areas[region.triangles]
    total = np.cumsum(areas)
    rng = np.random.default_rng(0)
    at = np.searchsorted(total, (np.arange(SPOTS) + rng.random(SPOTS)) * total[-1] / SPOTS)
    triangles = surface.mesh.triangles[region.triangles[np.minimum(at, len(areas) - 1)]]
    u, v = np.sqrt(rng.random(SPOTS)), rng.random(SPOTS)
    weights = np.stack([1 - u, u * (1 - v), u * v], axis=1)
    places, moves = (np.einsum("ij,ijk->ik", weights, values[triangles]) for values in (surface.mesh.vertices, vectors))
    return places, moves


def _owners(surface: Surface, shifts: Sequence[Shift]) -> Index:
    """Which shift (m,) each triangle belongs to; -1 for none."""
    owner = np.full(len(surface.areas), -1, np.int64)
    for number, shift in enumerate(shifts):
        owner[shift.region.triangles] = number
    return owner


def _apart(surface: Surface, shifts: Sequence[Shift]) -> list[Shift]:
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


def _vectors(surface: Surface, shifts: Sequence[Shift]) -> tuple[FloatArray, FloatArray]:
    """How each vertex moves (n, 3), and where its convex neighbours' outside lies (n, 3), zero elsewhere."""
    count = len(surface.mesh.vertices)
    owner = _owners(surface, shifts)
    rows = [(s.region.vertices, s.region.normals, s.amounts) for s in shifts]
    vectors = _solved(rows, count)
    outward = np.zeros((count, 3))
    for number, shift in enumerate(shifts):
        rows += _wall_rows(surface, shift, owner, number, outward)
    sliding = _solved(rows, count)
    # An uneven wall gives no good direction: there the face goes straight out.
    calm = np.linalg.norm(sliding - vectors, axis=1) <= SLIDE * np.linalg.norm(vectors, axis=1)
    return np.where(calm[:, None], sliding, vectors), outward


def _solved(rows: list[tuple[Index, FloatArray, FloatArray]], count: int) -> FloatArray:
    """The least move (n, 3) of each vertex that meets all its conditions, each a (vertices, directions, amounts)."""
    at = np.concatenate([row[0] for row in rows])
    normal = np.concatenate([row[1] for row in rows])
    amount = np.concatenate([row[2] for row in rows])
    order = np.argsort(at, kind="stable")
    at, normal, amount = at[order], normal[order], amount[order]
    first = np.concatenate([[True], at[1:] != at[:-1]])
    group = np.cumsum(first) - 1
    number_in_group = np.arange(len(at)) - np.flatnonzero(first)[group]
    size = np.bincount(group)
    vectors = np.zeros((count, 3))
    alone = size[group] == 1
    vectors[at[alone]] = normal[alone] * amount[alone, None]
    many = np.flatnonzero(size > 1)
    if len(many):
        place = np.full(len(size), -1, np.int64)
        place[many] = np.arange(len(many))
        a, b = np.zeros((len(many), int(size.max()), 3)), np.zeros((len(many), int(size.max())))
        crowd = ~alone
        a[place[group[crowd]], number_in_group[crowd]] = normal[crowd]
        b[place[group[crowd]], number_in_group[crowd]] = amount[crowd]
        vectors[at[first][many]] = np.einsum("ijk,ik->ij", np.linalg.pinv(a, rcond=0.3), b)
    return vectors


def _wall_rows(
    surface: Surface, shift: Shift, owner: Index, number: int, outward: FloatArray
) -> list[tuple[Index, FloatArray, FloatArray]]:
    """Conditions that let the edge of a region slide along the walls beside it, which do not move."""
    region, mesh = shift.region, surface.mesh
    across = surface.neighbours[region.triangles]
    border = owner[across] < 0
    inside, side = np.nonzero(border)
    if len(inside) == 0:
        return []
    outside = across[inside, side]
    corners = mesh.triangles[region.triangles[inside]].astype(np.int64)
    u, w = corners[np.arange(len(side)), side], corners[np.arange(len(side)), (side + 1) % 3]
    normal_at = np.zeros((len(mesh.vertices), 3))
    normal_at[region.vertices] = region.normals
    wall = surface.normals[outside]
    own = 0.5 * (normal_at[u] + normal_at[w])
    lean = np.einsum("ij,ij->i", own, wall)
    away = np.cross(mesh.vertices[w] - mesh.vertices[u], own)
    bend = np.einsum("ij,ij->i", away, wall - lean[:, None] * own)
    convex = (_along_rim(u, w, bend, len(mesh.vertices)) if region.sigma_mm > ROUNDING * surface.size_mm else bend) > 0
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-300)
    for end in (u, w):
        np.add.at(outward, end[convex], away[convex])
    for end in (u, w):
        outward[end[~convex]] = 0.0
    if region.sigma_mm > ROUNDING * surface.size_mm:
        wall = _even_walls(u, w, wall, len(mesh.vertices))
        lean = np.einsum("ij,ij->i", own, wall)
    slide = np.abs(lean) < WALL
    walls, ends = wall[slide], (u[slide], w[slide])
    return [(end.astype(np.int64), walls, np.zeros(len(end))) for end in ends]


def _along_rim(u: Index, w: Index, values: FloatArray, count: int) -> FloatArray:
    """Values of rim edges (u, w) averaged along the rim: noise turns single triangles beside it the other way."""
    degree = np.maximum(np.bincount(u, minlength=count) + np.bincount(w, minlength=count), 1)
    for _ in range(RIM_ROUNDS):
        at = (np.bincount(u, values, count) + np.bincount(w, values, count)) / degree
        values = 0.5 * (at[u] + at[w])
    return np.asarray(values)


def _even_walls(u: Index, w: Index, walls: FloatArray, count: int) -> FloatArray:
    """Normals (k, 3) beside rim edges averaged along the rim, but not round its corners."""
    for _ in range(RIM_ROUNDS):
        at = np.column_stack([np.bincount(u, one, count) + np.bincount(w, one, count) for one in walls.T])
        at /= np.maximum(np.linalg.norm(at, axis=1, keepdims=True), 1e-300)
        total = walls.copy()
        for end in (u, w):
            total += at[end] * (np.einsum("ij,ij->i", at[end], walls) > CREASE)[:, None]
        walls = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-300)
    return np.asarray(walls)


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
    lift = _solved([(r.vertices, r.normals, np.full(len(r.vertices), sigma)) for r in regions], len(outward))
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
    _check_turned(base, moved, local, shift, what, surface.heights[region.triangles] > 8.0 * region.sigma_mm)
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


def _check_turned(
    base: FloatArray, moved: FloatArray, local: Index, shift: Shift, what: str, counts: npt.NDArray[np.bool_]
) -> None:
    """No more than a twentieth of the face may be turned over by its move; slivers turn by noise and do not count.

    Where the mesh is so fine that noise turns most triangles, all count, and a quarter may.
    """
    before, after = (
        np.cross(p[local[:, 1]] - p[local[:, 0]], p[local[:, 2]] - p[local[:, 0]]) for p in (base, moved)
    )
    turned = np.einsum("ij,ij->i", before, after) < 0
    area = np.linalg.norm(before, axis=1)
    fine = float((area * counts).sum()) < 0.5 * float(area.sum())
    area, most = (area, 0.25) if fine else (area * counts, 0.05)
    if area[turned].sum() > most * area.sum():
        raise NoAnswer(f"The {what} on {shift.name} turns the face inside out.", "Give less there.")
