"""Scans an exact solid: an even, independent triangulation in the scanner's frame, with noise and faults.

The surface is sampled where the lines of a lattice, which is fixed in the
scanner's frame, cross the exact solid; each lattice cell that the surface
passes gives a vertex per sheet (dual contouring on crossings: Gibson 1998;
one vertex per sheet: Nielson 2004). Vertices are then evened out along the
surface and projected back onto it, so they lie on the exact solid.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from rejoin.core.meshes import compacted, components, genus
from rejoin.core.records import FloatArray, IntArray, Mesh

PITCH_PER_SPACING = 1.16
"""Lattice pitch that gives a median edge of one spacing."""

Floats32 = npt.NDArray[np.float32]
Crossings = tuple[IntArray, FloatArray]
"""Lattice lines and the sorted places along them where they cross the surface."""

_EDGES = np.array([(0, 1), (2, 3), (4, 5), (6, 7), (0, 2), (1, 3), (4, 6), (5, 7), (0, 4), (1, 5), (2, 6), (3, 7)])
"""Cell edges by corner bits (x = 1, y = 2, z = 4): four along x, four along y, four along z."""


def _crossings(vertices: FloatArray, triangles: IntArray, axis: int, shape: npt.NDArray[np.int64]) -> Crossings:
    """Where the lattice lines along ``axis`` cross a closed surface (lattice units), sorted.

    Rows and columns are half-open and each edge is evaluated from its lower
    vertex index, so that two neighbours never both claim a line, nor neither.
    """
    u, v = (axis + 1) % 3, (axis + 2) % 3
    ends = np.sort(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    a, b = vertices[ends[:, 0]], vertices[ends[:, 1]]
    first = np.ceil(np.minimum(a[:, u], b[:, u])).astype(np.int64)
    rows = np.ceil(np.maximum(a[:, u], b[:, u])).astype(np.int64) - first
    which, row = _spread(first, rows)
    a, b = a[which], b[which]
    at = a[:, v] + (row - a[:, u]) / (b[:, u] - a[:, u]) * (b[:, v] - a[:, v])
    order = np.lexsort((at, row, which // 3))
    face, row, at = (which // 3)[order][::2], row[order][::2], at[order]
    start = np.ceil(at[::2]).astype(np.int64)
    which, column = _spread(start, np.ceil(at[1::2]).astype(np.int64) - start)
    face, row = face[which], row[which]
    corners = vertices[triangles[face]]
    side, other, here = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0], corners[:, 0]
    normal = np.cross(side, other)
    rise = normal[:, u] * (row - here[:, u]) + normal[:, v] * (column - here[:, v])
    depth = here[:, axis] - rise / np.where(normal[:, axis] == 0, np.inf, normal[:, axis])
    depth = np.clip(depth, corners[:, :, axis].min(axis=1), corners[:, :, axis].max(axis=1))
    line = row * shape[v] + column
    order = np.lexsort((depth, line))
    return line[order], depth[order]


def _spread(first: npt.NDArray[np.int64], count: npt.NDArray[np.int64]) -> tuple[IntArray, IntArray]:
    """For ranges of ``count`` whole numbers from ``first``: each number, and the range it is in."""
    which = np.repeat(np.arange(len(first)), count)
    return which, np.arange(len(which)) + np.repeat(first - np.cumsum(count) + count, count)


def _filled(crossings: Crossings, shape: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Which lattice points lie inside, by counting crossings along z from below."""
    line, at = crossings
    places, times = np.unique(line * shape[2] + np.ceil(at).astype(np.int64), return_counts=True)
    turns = np.zeros(shape, bool)
    turns.ravel()[places[times % 2 == 1]] = True
    return np.logical_xor.accumulate(turns, axis=2)


@lru_cache(maxsize=1)
def _sheets() -> npt.NDArray[np.int8]:
    """For each of 256 corner patterns, the sheet (0..3) of each of the 12 edges, -1 where not crossed."""
    table = np.full((256, 12), -1, np.int8)
    faces = [[c for c in range(8) if (c >> axis) & 1 == side] for axis in range(3) for side in (0, 1)]
    for pattern in range(256):
        sign = [(pattern >> c) & 1 for c in range(8)]
        crossed = [e for e, (a, b) in enumerate(_EDGES) if sign[a] != sign[b]]
        parent = {e: e for e in crossed}

        def root(e: int, parent: dict[int, int] = parent) -> int:
            while parent[e] != e:
                e = parent[e]
            return e

        for face in faces:
            on_face = [e for e in crossed if _EDGES[e][0] in face and _EDGES[e][1] in face]
            if len(on_face) == 2:
                parent[root(on_face[0])] = root(on_face[1])
            elif len(on_face) == 4:
                for c in face:
                    if sign[c]:
                        pair = [e for e in on_face if c in _EDGES[e]]
                        parent[root(pair[0])] = root(pair[1])
        names: dict[int, int] = {}
        for e in crossed:
            table[pattern, e] = names.setdefault(root(e), len(names))
    return table


def _unambiguous(inside: npt.NDArray[np.bool_]) -> None:
    """Adds lattice points until no lattice square is a checkerboard, so that the surface is a manifold."""
    for _ in range(20):
        changed = False
        for axis in range(3):
            grid = np.moveaxis(inside, axis, 0)
            a, b, c, d = grid[:, :-1, :-1], grid[:, 1:, :-1], grid[:, 1:, 1:], grid[:, :-1, 1:]
            bad = (a == c) & (b == d) & (a != b)
            if bad.any():
                changed = True
                a |= bad
                b |= bad
        if not changed:
            return


def _same(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    return inside.copy()


def _without_thin_edges(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Gives up what is less than two lattice points thick: feathered rims, which a lattice tears into loops."""
    from scipy.ndimage import binary_opening

    return np.asarray(inside & binary_opening(inside, np.ones((2, 2, 2))))


def _without_thin_gaps(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Fills what is less than two lattice points open."""
    from scipy.ndimage import binary_closing, generate_binary_structure

    return np.asarray(inside | binary_closing(inside, generate_binary_structure(3, 1)))


def _without_points(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    from scipy.ndimage import binary_opening, generate_binary_structure

    return np.asarray(inside & binary_opening(inside, generate_binary_structure(3, 1)))


def _both(inside: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    return _without_thin_gaps(_without_thin_edges(inside))


MENDINGS = (_same, _without_thin_edges, _without_thin_gaps, _without_points, _both)
"""Tried in turn until the lattice has the exact solid's handles and no others."""


def evenly_meshed(exact: Mesh, pitch: float, rng: np.random.Generator) -> Mesh:
    """A closed, even triangulation whose vertices lie near the exact surface (within about half a pitch).

    It has the exact solid's topology: a lattice may tear a rim thinner than
    its pitch into loops, so the genus is compared, the lattice mended where
    it differs, and a shifted one taken where that does not help.
    """
    wanted = genus(exact)
    for _ in range(6):
        origin = exact.vertices.min(axis=0) - pitch * rng.uniform(1.2, 2.2, 3)
        local = (exact.vertices - origin) / pitch
        shape = np.ceil(local.max(axis=0)).astype(np.int64) + 3
        crossings = [_crossings(local, exact.triangles, axis, shape) for axis in range(3)]
        filled = _filled(crossings[2], shape)
        for mended in MENDINGS:
            inside = mended(filled)
            _unambiguous(inside)
            mesh = _contoured(inside, crossings)
            if genus(mesh) == wanted:
                return Mesh(origin + pitch * mesh.vertices, mesh.triangles)
    raise RuntimeError("No lattice has the topology of the exact solid; choose a finer spacing or another seed.")


def _contoured(inside: npt.NDArray[np.bool_], crossings: list[Crossings]) -> Mesh:
    """The largest closed surface around the lattice points inside (lattice units), by dual contouring."""
    shape = np.array(inside.shape)
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    corner_step = np.array([(c & 1) * strides[0] + (c >> 1 & 1) * strides[1] + (c >> 2) * strides[2] for c in range(8)])
    flat = inside.ravel()
    cells, points, quads_of = [], [], []
    for axis in range(3):
        first = np.moveaxis(inside, axis, 0)
        index = np.moveaxis(np.arange(flat.size).reshape(shape), axis, 0)[:-1][first[:-1] != first[1:]]
        place = np.stack(np.unravel_index(index, tuple(shape)), -1)
        points.append(_edge_points(place, axis, shape, crossings[axis]))
        u, v = (axis + 1) % 3, (axis + 2) % 3
        around = np.stack([index - strides[u] - strides[v], index - strides[v], index, index - strides[u]], -1)
        edge_name = 4 * axis + np.array([3, 2, 0, 1] if axis != 1 else [3, 1, 0, 2])
        cells.append((around, edge_name))
        quads_of.append(flat[index])
    table = _sheets()
    keys = []
    for around, edge_name in cells:
        pattern = sum((flat[around + corner_step[c]].astype(np.int64) << c) for c in range(8))
        keys.append(around * 4 + table[pattern, edge_name])
    unique, names = np.unique(np.concatenate(keys), return_inverse=True)
    names = names.reshape(-1, 4)
    place = np.concatenate(points)
    total = np.bincount(names.ravel(), minlength=len(unique))
    corners = names.ravel()
    centre = np.stack([np.bincount(corners, np.repeat(place[:, i], 4)) for i in range(3)], -1) / total[:, None]
    quads = np.where(np.concatenate(quads_of)[:, None], names, names[:, ::-1])
    mesh = Mesh(centre, _split(quads, centre))
    labels = components(mesh)[1]
    main = np.bincount(labels).argmax()
    return compacted(mesh, np.flatnonzero(labels[mesh.triangles[:, 0]] == main).astype(np.int32))[0]


def _edge_points(place: IntArray, axis: int, shape: npt.NDArray[np.int64], found: Crossings) -> FloatArray:
    """The exact crossing on each lattice edge; its middle where rounding or a repair left none."""
    u, v = (axis + 1) % 3, (axis + 2) % 3
    line, at = found
    position = line * (shape.max() + 4.0) + at
    start = (place[:, u] * shape[v] + place[:, v]) * (shape.max() + 4.0) + place[:, axis]
    nearest = np.clip(np.searchsorted(position, start), 0, len(position) - 1)
    along = position[nearest] - start
    points = place.astype(np.float64)
    points[:, axis] += np.where((along >= 0) & (along <= 1), along, 0.5)
    return points


def _split(quads: IntArray, points: FloatArray) -> IntArray:
    """Two triangles a quad, along its shorter diagonal."""
    a, b, c, d = quads.T
    first = np.sum((points[a] - points[c]) ** 2, axis=1) <= np.sum((points[b] - points[d]) ** 2, axis=1)
    one = np.where(first[:, None], np.stack([a, b, c], -1), np.stack([a, b, d], -1))
    two = np.where(first[:, None], np.stack([a, c, d], -1), np.stack([b, c, d], -1))
    return np.concatenate([one, two]).astype(np.int32)


def projected(exact: Mesh, points: FloatArray) -> tuple[FloatArray, IntArray]:
    """The nearest points (n, 3) of an exact mesh, and the triangle (n,) each lies in."""
    import open3d as o3d

    scene, tensor, centre = o3d.t.geometry.RaycastingScene(), o3d.core.Tensor, exact.vertices.mean(axis=0)
    vertices = (exact.vertices - centre).astype(np.float32)
    scene.add_triangles(tensor(vertices), tensor(exact.triangles.astype(np.uint32)))
    answer = scene.compute_closest_points(tensor((points - centre).astype(np.float32)))
    near = answer["points"].numpy().astype(np.float64) + centre
    return near, answer["primitive_ids"].numpy().astype(np.int64)


def smooth_field(points: FloatArray, length: float, rng: np.random.Generator, features: int = 256) -> FloatArray:
    """A random field (n,), unit variance, correlation ``exp(-(r / length)^2)`` (random Fourier features)."""
    waves = rng.normal(0, np.sqrt(2) / length, (3, features)).astype(np.float32)
    phases = rng.uniform(0, 2 * np.pi, features).astype(np.float32)
    sizes = rng.rayleigh(1.0, features).astype(np.float32) / np.float32(np.sqrt(features))
    return _waves_summed(points, waves, phases, sizes)


def cast_texture(points: FloatArray, seed: int) -> FloatArray:
    """The rough as-cast surface: a random field (n,) with wavelengths of 1 to 6 mm and unit variance."""
    rng = np.random.default_rng([seed, 77])
    length = np.exp(rng.uniform(np.log(1.0), np.log(6.0), 220))
    direction = rng.normal(size=(3, 220))
    waves = (2 * np.pi / length * direction / np.linalg.norm(direction, axis=0)).astype(np.float32)
    phases = rng.uniform(0, 2 * np.pi, 220).astype(np.float32)
    sizes = rng.rayleigh(1.0, 220).astype(np.float32) / np.float32(np.sqrt(220))
    return _waves_summed(points, waves, phases, sizes)


def _waves_summed(points: FloatArray, waves: Floats32, phases: Floats32, sizes: Floats32) -> FloatArray:
    values = np.empty(len(points))
    places = points.astype(np.float32)
    for start in range(0, len(points), 8192):
        part = slice(start, start + 8192)
        values[part] = np.cos(places[part] @ waves + phases) @ sizes
    return values
