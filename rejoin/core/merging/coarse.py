"""Rough poses of one view of a piece on another: the same surface, seen twice over a small part.

Places whose surroundings look alike (fast point feature histograms, Rusu and others 2009) are paired; two such pairs
with their normals give a pose (Drost and others 2010 pair oriented points in this way). A pose is judged by where the
two surfaces agree, against where one of them stands off the other although both face the same way: between two such
sheets there would be both metal and air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import border_vertices
from rejoin.core.merging.air import air_of
from rejoin.core.merging.planar import planar_poses
from rejoin.core.merging.quick import FAR, Ground, Probe, cells_of, tried
from rejoin.core.merging.tables import Scene, over_tables
from rejoin.core.meshes import averaged_normals, vertex_areas, vertex_normals
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.settings import Report, silent
from rejoin.core.transforms import apply, displacement, from_vector, identity, inverse, orthonormal

BoolArray = npt.NDArray[np.bool_]

POINTS = 5000
"""Points that stand for a view."""
RADII = (5.0, 8.0)
"""Steps around a point that its surroundings reach."""
ALIKE = 3
"""Look-alikes of each place."""
TRIES = 2_000_000
"""Pairs of pairs that are drawn."""
KEPT = 20_000
"""Poses that are judged quickly; then FINALS are refined."""
FINALS = 40
CLASH = 2.0
"""A clash weighs this many times an agreement."""


@dataclass(frozen=True, eq=False)
class Seen:
    """A view, thinned: points, smoothed normals (n, 3), which lie at its border, descriptors (n, 33) by radius.

    ``areas`` (n,) are what each point stands for, mm2; ``scene`` is the view as it was scanned, where a plate was seen.
    """

    points: FloatArray
    normals: FloatArray
    border: BoolArray
    shapes: tuple[FloatArray, ...]
    tree: cKDTree
    step_mm: float
    ground: Ground
    areas: FloatArray
    scene: Scene | None = None

    @property
    def unpropped(self) -> BoolArray:
        """Points (n,) that show no prop."""
        return np.ones(len(self.points), bool) if self.scene is None else self.scene.unpropped(self.points)

    @property
    def size_mm(self) -> float:
        return float(np.linalg.norm(np.ptp(self.points, axis=0)))


@dataclass(frozen=True, eq=False)
class Rough:
    """A rough pose: ``a_from_b`` (4, 4), cells that agree and clash, and how firmly they hold the weakest motion."""

    a_from_b: FloatArray
    agree: float
    clash: float
    held: float
    covered: float

    @property
    def score(self) -> float:
        return (self.agree - CLASH * self.clash) * self.held

    @property
    def closing(self) -> float:
        """How far the two views close each other: the share of their rims under which the other runs on."""
        return self.covered * float(np.exp(-self.clash / max(0.1 * (self.agree + self.clash), 1.0)))


def seen_of(mesh: Mesh, spacing_mm: float, step_mm: float, scene: Scene | None = None) -> Seen:
    """Thin a view to one vertex for each cube of ``step_mm``."""
    normals = averaged_normals(mesh, vertex_normals(mesh), int(np.clip(step_mm / spacing_mm, 2, 6)))
    cells = np.floor((mesh.vertices - mesh.vertices.min(axis=0)) / step_mm).astype(np.int64)
    spans = cells.max(axis=0) + 1
    axis = np.abs(normals).argmax(axis=1)
    facing = 2 * axis + (normals[np.arange(len(axis)), axis] < 0)
    key = ((cells[:, 0] * spans[1] + cells[:, 1]) * spans[2] + cells[:, 2]) * 6 + facing
    order = np.argsort(key, kind="stable")
    first = np.concatenate([[True], np.diff(key[order]) > 0])
    group = np.cumsum(first) - 1
    label = np.empty(len(key), np.int64)
    label[order] = group
    weight = np.maximum(vertex_areas(mesh), 1e-30)
    total = np.bincount(label, weight)
    points = np.stack([np.bincount(label, weight * mesh.vertices[:, i]) for i in range(3)], axis=1) / total[:, None]
    ways: FloatArray = np.stack([np.bincount(label, weight * normals[:, i]) for i in range(3)], axis=1).astype(float)
    ways /= np.maximum(np.linalg.norm(ways, axis=1, keepdims=True), 1e-30)
    full = total > 0.15 * np.median(total)
    points, ways, areas = points[full], ways[full], total[full].astype(float)
    rim = mesh.vertices[border_vertices(mesh)]
    border = np.zeros(len(points), bool)
    if len(rim):
        border = cKDTree(rim).query(points)[0] < 1.2 * step_mm
    from rejoin.core.libraries.registration import local_shapes

    shapes = tuple(local_shapes(points, ways, radius * step_mm) for radius in RADII)
    air = None if scene is None else air_of(scene, points, step_mm)
    ground = Ground(cells_of(points, step_mm), points, ways, border, air)
    return Seen(points, ways, border, shapes, cKDTree(points), step_mm, ground, areas, scene)


def common_step(views: list[Mesh], spacing_mm: float) -> float:
    """The thinning that leaves about `POINTS` points of the largest view."""
    area = max(float(vertex_areas(view).sum()) for view in views)
    return max(1.5 * spacing_mm, float(np.sqrt(area / POINTS)))


def rough_poses(
    a: Seen, b: Seen, report: Report = silent, keep: int = 15, least_move_mm: float = 0.0
) -> list[Rough]:
    """The best poses of view b on view a, best first; the pose in which the files stand is tried with them.

    With ``least_move_mm`` only poses that bring places at least so far from where they stand: a part laid on itself.
    """
    report(0.0, "Looking for places that look alike")
    start = [identity()] if least_move_mm == 0.0 else []
    poses = np.concatenate([np.array(start).reshape(-1, 4, 4), _drawn(a, b, least_move_mm)])
    if least_move_mm == 0.0:
        flat = planar_poses((a.points, a.normals), (b.points, b.normals), a.step_mm)
        poses = over_tables(a, b, np.concatenate([poses, flat]))
    report(0.4, "Trying how the views lie together")
    alike, closing = _worth(a, b, poses, 35)
    poses = poses[np.unique(np.concatenate([np.argsort(-worth, kind="stable")[:2000] for worth in (alike, closing)]))]
    found: list[Rough] = []
    seen: list[FloatArray] = []
    corners = b.points[:: max(1, len(b.points) // 60)]
    for part, ranked in enumerate(_worth(a, b, poses, 150)):
        for number in np.argsort(-ranked, kind="stable")[: 40 * FINALS]:
            if len(seen) >= (part + 1) * FINALS // 2:
                break
            pose = poses[number]
            if any(displacement(pose, other, corners).max() < 6.0 * a.step_mm for other in seen):
                continue
            seen.append(pose)
            report(0.4 + 0.5 * len(seen) / FINALS, "Trying how the views lie together")
            found.append(judged(a, b, _drawn_near(a, b, pose)))
    found += [judged(a, b, _drawn_near(a, b, pose)) for pose in start]
    best: list[Rough] = []
    for count, worth in ((keep // 3, Rough.score), (keep, Rough.closing)):
        for rough in sorted(found, key=lambda one, worth=worth: -worth.fget(one)):  # type: ignore[misc]
            if len(best) >= count:
                break
            if all(displacement(rough.a_from_b, other.a_from_b, corners).max() > 4.0 * a.step_mm for other in best):
                best.append(rough)
    return best


def _sample(b: Seen, count: int) -> npt.NDArray[np.int64]:
    """Of the inner points and of those at the border, ``count`` each."""
    some = [np.flatnonzero(~b.border), np.flatnonzero(b.border)]
    return np.concatenate([s[np.linspace(0, len(s) - 1, min(count, len(s))).astype(np.int64)] for s in some])


def _drawn(a: Seen, b: Seen, least_move_mm: float) -> FloatArray:
    """Poses (k, 4, 4) from two look-alike places at a time."""
    pairs, alike = [], ALIKE if least_move_mm == 0.0 else 8 * ALIKE
    for first, second in zip(a.shapes, b.shapes, strict=True):
        _, near_a = cKDTree(first).query(second, k=alike, workers=2)
        _, near_b = cKDTree(second).query(first, workers=2)
        pairs.append(np.stack([near_a.ravel(), np.repeat(np.arange(len(second)), alike)], axis=1))
        pairs.append(np.stack([np.arange(len(first)), near_b], axis=1))
    i, j = np.concatenate(pairs).T
    apart = np.linalg.norm(a.points[i] - b.points[j], axis=1) >= least_move_mm
    i, j = i[apart], j[apart]
    if not len(i):
        return np.empty((0, 4, 4))
    rng = np.random.default_rng(1)
    one, two = rng.integers(0, len(i), TRIES), rng.integers(0, len(i), TRIES)
    pa, na, pb, nb = a.points[i], a.normals[i], b.points[j], b.normals[j]
    da, db = pa[two] - pa[one], pb[two] - pb[one]
    la, lb = np.sqrt(np.einsum("ij,ij->i", da, da)), np.sqrt(np.einsum("ij,ij->i", db, db))
    good = (np.abs(la - lb) < 1.2 * a.step_mm) & (la > 8.0 * a.step_mm)
    one, two, da, db, la, lb = one[good], two[good], da[good], db[good], la[good], lb[good]
    ua, ub = da / la[:, None], db / lb[:, None]

    def cosines(u: FloatArray, n: FloatArray) -> list[FloatArray]:
        return [np.einsum("ij,ij->i", u, n[one]), np.einsum("ij,ij->i", u, n[two]),
                np.einsum("ij,ij->i", n[one], n[two])]  # fmt: skip

    off = np.abs(np.arccos(np.clip(cosines(ua, na), -1, 1)) - np.arccos(np.clip(cosines(ub, nb), -1, 1))).max(axis=0)
    best = np.argsort(off, kind="stable")[:KEPT]
    best = best[off[best] < np.deg2rad(10.0)]
    if not len(best):
        return np.empty((0, 4, 4))
    ra = _frames(ua[best], na[one[best]] + na[two[best]])
    rb = _frames(ub[best], nb[one[best]] + nb[two[best]])
    turns = np.einsum("kij,klj->kil", ra, rb)
    poses = np.tile(np.eye(4), (len(best), 1, 1))
    poses[:, :3, :3] = turns
    middle_a = 0.5 * (pa[one[best]] + pa[two[best]])
    middle_b = 0.5 * (pb[one[best]] + pb[two[best]])
    poses[:, :3, 3] = middle_a - np.einsum("kij,kj->ki", turns, middle_b)
    sound = np.abs(np.linalg.det(turns) - 1.0) < 1e-6
    return np.asarray(poses[sound])


def _frames(along: FloatArray, up: FloatArray) -> FloatArray:
    """(k, 3, 3) columns: along, up made square to it, and their cross product."""
    up = up - np.einsum("ij,ij->i", up, along)[:, None] * along
    up /= np.maximum(np.linalg.norm(up, axis=1, keepdims=True), 1e-12)
    return np.stack([along, up, np.cross(along, up)], axis=2)


def _worth(a: Seen, b: Seen, poses: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Two worths (k,) of each pose by ``count`` points within each view and as many of its rim.

    The first is how much of b lies on a's surface, the second how far each runs on under the other's rim: the right
    pose of views from opposite sides shares little, but closes.
    """
    agree, clash, covered = tried(a.ground, _probe(b, count), poses)
    turns = poses[:, :3, :3].transpose(0, 2, 1)
    back = np.tile(np.eye(4), (len(poses), 1, 1))
    back[:, :3, :3] = turns
    back[:, :3, 3] = -np.einsum("kij,kj->ki", turns, poses[:, :3, 3])
    agree_a, clash_a, covered_a = tried(b.ground, _probe(a, count), back)
    bad = (clash + clash_a) / np.maximum(0.1 * (agree + agree_a + clash + clash_a), 1.0)
    return agree + 2.0 * covered - CLASH * clash, (covered + covered_a) * np.exp(-bad)


def _probe(b: Seen, count: int) -> Probe:
    chosen = _sample(b, count)
    return Probe(b.points[chosen], b.normals[chosen], b.border[chosen], ~b.unpropped[chosen])


def _compared(
    a: Seen, points: FloatArray, normals: FloatArray, width: float
) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Which of b's points agree with a's surface, which clash, which lie at its inner part; ``width`` in steps."""
    distance, nearest = a.tree.query(points, distance_upper_bound=5.0 * a.step_mm)
    hit = np.isfinite(distance)
    nearest = np.where(hit, nearest, 0)
    offset = points - a.points[nearest]
    theirs = a.normals[nearest]
    height = np.abs(np.einsum("ij,ij->i", offset, theirs))
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - height**2, 0.0))
    alike = np.einsum("ij,ij->i", normals, theirs)
    on = hit & (aside < 1.5 * a.step_mm)
    agree = on & (height < 0.5 * width * a.step_mm) & (alike > 0.85)
    inner = on & ~a.border[nearest]
    clash = inner & (height > 0.9 * width * a.step_mm) & (alike > 0.5)
    clash |= inner & (height < 0.3 * width * a.step_mm) & (alike < -0.7)
    return agree, clash, inner


def _in_air(a: Seen, points: FloatArray, normals: FloatArray) -> BoolArray:
    if a.ground.air is None:
        return np.zeros(len(points), bool)
    far: BoolArray = np.isinf(a.tree.query(points, distance_upper_bound=FAR * a.step_mm)[0])
    return far & a.ground.air.shows(points.astype(np.float32), normals.astype(np.float32))


def judged(a: Seen, b: Seen, a_from_b: FloatArray) -> Rough:
    """How far two views agree in a pose, both ways."""
    moved, ways = apply(a_from_b, b.points), b.normals @ a_from_b[:3, :3].T
    agree, clash, inner = _compared(a, moved, ways, 1.0)
    clash |= _in_air(a, moved, ways) & b.unpropped
    clash &= ~b.border
    covered = float((agree & inner & b.border).sum()) / max(int(b.border.sum()), 1)
    back = inverse(a_from_b)
    rim = np.flatnonzero(a.border)
    theirs = _compared(b, apply(back, a.points[rim]), a.normals[rim] @ back[:3, :3].T, 1.0)
    covered += float((theirs[0] & theirs[2]).sum()) / max(len(rim), 1)
    hangs = float((_in_air(b, apply(back, a.points), a.normals @ back[:3, :3].T) & a.unpropped & ~a.border).sum())
    hangs += float(clash.sum())
    points, normals = moved[agree], ways[agree]
    if len(points) < 12:
        return Rough(a_from_b, float(len(points)), hangs, 0.0, 0.0)
    centred = (points - points.mean(axis=0)) / (0.5 * a.size_mm)
    rows = np.concatenate([np.cross(centred, normals), normals], axis=1)
    weakest = float(np.linalg.eigvalsh(rows.T @ rows / len(rows))[0])
    return Rough(a_from_b, float(len(points)), hangs, float(np.sqrt(max(weakest, 0.0))),
                 covered)  # fmt: skip


def _drawn_near(a: Seen, b: Seen, pose: FloatArray) -> FloatArray:
    """The pose after some rounds of point-to-plane ICP on the thinned views, closer and closer."""
    for reach in (3.0, 3.0, 2.0, 2.0, 1.5, 1.0, 1.0, 0.7, 0.7):
        moved, ways = apply(pose, b.points), b.normals @ pose[:3, :3].T
        distance, nearest = a.tree.query(moved, distance_upper_bound=1.5 * reach * a.step_mm)
        hit = np.flatnonzero(np.isfinite(distance))
        theirs = a.normals[nearest[hit]]
        height = np.einsum("ij,ij->i", moved[hit] - a.points[nearest[hit]], theirs)
        good = (np.einsum("ij,ij->i", ways[hit], theirs) > 0.7) & (np.abs(height) < reach * a.step_mm)
        if np.count_nonzero(good) < 12:
            return pose
        points, normals, height = moved[hit[good]], theirs[good], height[good]
        middle = points.mean(axis=0)
        rows = np.concatenate([np.cross(points - middle, normals), normals], axis=1)
        weight = np.square(1.0 - np.square(height / (reach * a.step_mm)))
        matrix = (rows * weight[:, None]).T @ rows
        scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        answer = scale * np.linalg.solve(
            matrix * scale[:, None] * scale + 1e-4 * np.eye(6), -scale * (rows.T @ (weight * height))
        )
        pose = orthonormal(from_vector(answer, middle) @ pose)
    return pose
