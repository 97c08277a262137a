"""Several views of one piece, as a turntable scanner gives them: shadow, small overlap, support, clay, scale error.

In each view the piece rests another way up on the table. A place is seen where, from one of the stations round the
table, nothing stands before it and it does not face too far aside; the farther aside, the noisier.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from manifold3d import Manifold, Mesh64
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.records import FloatArray, IntArray, Mesh, SamePlaces
from rejoin.core.transforms import apply, inverse, rigid
from tests.makers import scanning
from tests.makers.breaking import as_mesh, triangle_ids
from tests.makers.faults import CORRELATED_SHARE, CORRELATION_SPACINGS

STATIONS = 10
"""Places round the table from which the scanner looks."""
ASIDE_DEG = 75.0
"""A surface that faces farther aside from the scanner gives no points."""
LEAST_FACING = 0.35
"""The noise grows as 1 / cos of the angle to the sight line, up to 1 over this."""


@dataclass(frozen=True)
class Views:
    """Views of one piece, each mesh in its own frame, and the exact truth.

    ``part_from_view`` are rigid; a scan's lengths are ``scale`` times the piece's. ``foreign`` marks each view's
    vertices that are support or clay.
    """

    meshes: tuple[Mesh, ...]
    part_from_view: tuple[FloatArray, ...]
    exact: Mesh
    spacing_mm: float
    noise_mm: float
    scale: float
    foreign: tuple[npt.NDArray[np.bool_], ...]
    overlap: float


def make_views(
    exact: Mesh,
    seed: int,
    *,
    count: int = 2,
    spacing_mm: float = 0.6,
    noise_mm: float = 0.03,
    overlap: tuple[float, float] = (0.2, 0.4),
    support: bool = True,
    clay: bool = False,
    scale: float = 1.0,
) -> Views:
    """Views of an exact closed piece.

    Parameters
    ----------
    exact : Mesh
        Part frame, mm.
    seed : int
    count : int
        2: one way up, and turned over onto a side; more: ways up spread evenly.
    spacing_mm, noise_mm : float
    overlap : (low, high)
        Share of the smaller view that another view sees too, where the shape allows it.
    support, clay : bool
        Whether the table's plate is in the scan, and a lump that holds the piece.
    scale : float
        Scale error of the scanner.
    """
    rng = np.random.default_rng([seed, 8])
    ups = _ways_up(exact, count, rng)
    elevation, share = _elevation(exact, ups, overlap)
    found = [_view(exact, up, elevation, spacing_mm, noise_mm, support, clay, scale, rng) for up in ups]
    views, poses, foreign = zip(*found, strict=True)
    return Views(views, poses, exact, spacing_mm, noise_mm, scale, foreign, share)


def _ways_up(exact: Mesh, count: int, rng: np.random.Generator) -> FloatArray:
    """Directions (count, 3) that point up, the first along the shortest side of the piece."""
    spread = np.linalg.eigh(np.cov(exact.vertices.T))[1]
    turn = spread @ np.diag([1, 1, np.linalg.det(spread)])
    tilt = rng.normal(0, 0.12, (count, 3))
    if count == 2:
        turn_over = np.deg2rad(125.0)
        base = np.array([[1.0, 0, 0], [np.cos(turn_over), np.sin(turn_over), 0]])
    else:
        number = np.arange(count) + 0.5
        height, around = 1 - 2 * number / count, np.pi * (1 + 5**0.5) * number
        ring = np.sqrt(1 - height**2)
        base = np.stack([height, ring * np.cos(around), ring * np.sin(around)], axis=1)
    ups = base + tilt
    return (ups / np.linalg.norm(ups, axis=1, keepdims=True)) @ turn.T


def _stations(elevation: float) -> FloatArray:
    around = 2 * np.pi * np.arange(STATIONS) / STATIONS
    flat = np.cos(elevation)
    return np.stack([flat * np.cos(around), flat * np.sin(around), np.full(STATIONS, np.sin(elevation))], axis=1)


def seen_from(scene: Mesh, points: FloatArray, normals: FloatArray, ways: FloatArray) -> FloatArray:
    """Best cosine (n,) to any of the sight lines ``ways`` (k, 3), 0 where none sees the place."""
    import open3d as o3d

    world, tensor = o3d.t.geometry.RaycastingScene(), o3d.core.Tensor
    centre = scene.vertices.mean(axis=0)
    world.add_triangles(tensor((scene.vertices - centre).astype(np.float32)), tensor(scene.triangles.astype(np.uint32)))
    lift = 2e-3 * float(np.linalg.norm(np.ptp(scene.vertices, axis=0)))
    best = np.zeros(len(points))
    for way in ways:
        cosine = normals @ way
        asked = np.flatnonzero(cosine > max(np.cos(np.deg2rad(ASIDE_DEG)), 0.0))
        start = points[asked] + min(lift, 0.15) * normals[asked] - centre
        rays = np.concatenate([start, np.broadcast_to(way, start.shape)], axis=1).astype(np.float32)
        free = ~np.isfinite(world.cast_rays(tensor(rays))["t_hit"].numpy()) if len(asked) else np.zeros(0, bool)
        best[asked[free]] = np.maximum(best[asked[free]], cosine[asked[free]])
    return best


def _frame(up: FloatArray) -> FloatArray:
    """Rotation (3, 3) that takes ``up`` to z."""
    helper = np.eye(3)[np.argmin(np.abs(up))]
    x = np.cross(helper, up)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(up, x), up])


def _elevation(exact: Mesh, ups: FloatArray, wanted: tuple[float, float]) -> tuple[float, float]:
    """The stations' height over the table that makes neighbouring views overlap as wanted, or comes nearest."""
    areas = meshes.triangle_areas(exact)
    rng = np.random.default_rng(5)
    chosen = rng.choice(len(areas), 4000, p=areas / areas.sum())
    points = meshes.triangle_centres(exact)[chosen]
    crosses = meshes.triangle_crosses(exact)[chosen]
    normals = crosses / np.maximum(np.linalg.norm(crosses, axis=1, keepdims=True), 1e-30)
    best, middle = (0.6, 0.0, np.inf), 0.5 * sum(wanted)
    for elevation in np.deg2rad([30, 45, 60, 70, 78]):
        masks = [seen_from(exact, points, normals, _stations(elevation) @ _frame(up)) > 0 for up in ups]
        most = []
        for k, mask in enumerate(masks):
            others = [other for j, other in enumerate(masks) if j != k]
            most.append(max((mask & o).sum() / max(min(mask.sum(), o.sum()), 1) for o in others))
        share = float(np.mean(most))
        if abs(share - middle) < best[2]:
            best = (float(elevation), share, abs(share - middle))
    return best[0], best[1]


def _solid(mesh: Mesh) -> Manifold:
    return Manifold(Mesh64(np.array(mesh.vertices), mesh.triangles.astype(np.uint64))).as_original()


def _view(
    exact: Mesh, up: FloatArray, elevation: float, spacing: float, noise: float, support: bool, clay: bool,
    scale: float, rng: np.random.Generator,
) -> tuple[Mesh, FloatArray, npt.NDArray[np.bool_]]:  # fmt: skip
    view_from_part = rigid(_frame(up), rng.uniform(-60, 60, 3))
    placed = meshes.placed(exact, view_from_part)
    part = _solid(placed)
    own, scene = int(part.original_id()), part
    low, high = placed.vertices.min(axis=0), placed.vertices.max(axis=0)
    size = float(np.linalg.norm(high - low))
    if support:
        wide = 0.35 * size
        corner = (low[0] - wide, low[1] - wide, low[2] - 5.6)
        slab = Manifold.cube((*(high - low + 2 * wide)[:2], 6.0)).translate(corner)
        scene = scene + slab
    if clay:
        foot = placed.vertices[placed.vertices[:, 2] < low[2] + 0.25 * (high[2] - low[2])]
        at = foot[rng.integers(len(foot))]
        lump = Manifold.sphere(1.0, 64).scale((0.10 * size, 0.08 * size, 0.07 * size)).translate(tuple(at))
        if not support:
            lump = lump.trim_by_plane((0, 0, 1), float(low[2]) - 3.0)
        scene = scene + lump
    whole = as_mesh(scene)
    mesh = _meshed(whole, scanning.PITCH_PER_SPACING * spacing, rng)
    points = mesh.vertices
    links = meshes.adjacency(mesh)
    degree = np.asarray(links.sum(axis=1)).reshape(-1, 1)
    for share in (0.6, 0.5):
        points = points + share * (links @ points / degree - points)
    points, triangle = scanning.projected(whole, points)
    foreign = triangle_ids(scene)[triangle] != own
    normals = meshes.vertex_normals(Mesh(points, mesh.triangles))
    facing = seen_from(whole, points, normals, _stations(elevation))
    keep = (facing[mesh.triangles] > 0).all(axis=1)
    smooth = scanning.smooth_field(points, CORRELATION_SPACINGS * spacing, rng)
    size_of = np.sqrt(CORRELATED_SHARE) * smooth + np.sqrt(1 - CORRELATED_SHARE) * rng.normal(size=len(points))
    points = points + (noise * size_of / np.maximum(facing, LEAST_FACING))[:, None] * normals
    view, kept = meshes.compacted(Mesh(points, mesh.triangles), np.flatnonzero(keep).astype(np.int32))
    centre = np.zeros(3)
    return Mesh(centre + scale * view.vertices, view.triangles), _unscaled(view_from_part, scale), foreign[kept]


def _unscaled(view_from_part: FloatArray, scale: float) -> FloatArray:
    """``part_from_view``, rigid, for a view whose coordinates were multiplied by ``scale``."""
    return inverse(rigid(view_from_part[:3, :3], scale * view_from_part[:3, 3]))


def _meshed(exact: Mesh, pitch: float, rng: np.random.Generator) -> Mesh:
    """`scanning.evenly_meshed` without asking for the exact topology, which a view does not show anyway."""
    origin = exact.vertices.min(axis=0) - pitch * rng.uniform(1.2, 2.2, 3)
    local = (exact.vertices - origin) / pitch
    shape = np.ceil(local.max(axis=0)).astype(np.int64) + 3
    crossings = [scanning._crossings(local, exact.triangles, axis, shape) for axis in range(3)]
    inside = scanning._filled(crossings[2], shape)
    scanning._unambiguous(inside)
    mesh = scanning._contoured(inside, crossings)
    return Mesh(origin + pitch * mesh.vertices, mesh.triangles)


def distance_to_truth(views: Views, points: FloatArray, part_from_points: FloatArray) -> FloatArray:
    """Distances (n,) of points to the exact piece enlarged by the scanner's own scale error, mm."""
    truth = Mesh(views.scale * views.exact.vertices, views.exact.triangles)
    placed = apply(part_from_points, points)
    near, _ = scanning.projected(truth, placed)
    return np.asarray(np.linalg.norm(placed - near, axis=1))


def indices_near(mesh: Mesh, centre: FloatArray, reach: float) -> IntArray:
    """Vertices (k,) within ``reach`` of a place."""
    return np.flatnonzero(np.linalg.norm(mesh.vertices - centre, axis=1) < reach).astype(np.int32)


def marked_by_hand(views: Views, seed: int, error_mm: float, places: int = 3) -> list[SamePlaces]:
    """The same places on each two views along a tree of those that share most, pointed at with an error (1 sigma)."""
    rng, linked, found = np.random.default_rng(seed), {0}, list[SamePlaces]()
    shared = {
        (i, j): _shared(views, i, j) for i in range(len(views.meshes)) for j in range(len(views.meshes)) if i != j
    }
    while len(linked) < len(views.meshes):
        i, j = max((pair for pair in shared if pair[0] in linked and pair[1] not in linked),
                   key=lambda pair: len(shared[pair]))  # fmt: skip
        both = shared[i, j]
        some = rng.integers(len(both), size=(400, places))
        wide = np.linalg.svd(both[some] - both[some].mean(axis=1, keepdims=True), compute_uv=False)[:, 1]
        chosen = some[wide.argmax()]  # the corners of a wide triangle
        aside = rng.normal(0.0, error_mm / np.sqrt(3.0), (2, places, 3))
        on = [apply(inverse(views.part_from_view[n]), both[chosen]) for n in (i, j)]
        found.append(SamePlaces(i, j, on[0] + aside[0], on[1] + aside[1]))
        linked.add(j)
    return found


def _shared(views: Views, i: int, j: int) -> FloatArray:
    """Places of view i that view j shows too, as the piece stands."""
    one, other = (apply(views.part_from_view[n], views.meshes[n].vertices[~views.foreign[n]]) for n in (i, j))
    return one[np.isfinite(cKDTree(other).query(one, distance_upper_bound=0.7 * views.spacing_mm)[0])]
