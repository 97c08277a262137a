"""Plain measurements of a triangle mesh: normals, areas, volume, edges, components, topology."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from rejoin.core.records import FloatArray, IntArray, Mesh
from rejoin.core.transforms import apply


def placed(mesh: Mesh, a_from_b: FloatArray) -> Mesh:
    """The mesh moved from frame b to frame a."""
    return made(apply(a_from_b, mesh.vertices), mesh.triangles)


def made(vertices: FloatArray, triangles: IntArray) -> Mesh:
    """A mesh of arrays that nobody else will change: they are frozen, not copied."""
    vertices.flags.writeable = triangles.flags.writeable = False
    return Mesh(vertices, triangles)


def mirrored(mesh: Mesh) -> Mesh:
    """The surface of the opposite hand (x turned round)."""
    return Mesh(mesh.vertices * [-1.0, 1.0, 1.0], np.ascontiguousarray(mesh.triangles[:, ::-1]))


def triangle_crosses(mesh: Mesh) -> FloatArray:
    """Edge cross products (m, 3): direction is the normal, length twice the area."""
    corners = [np.take(mesh.vertices, np.ascontiguousarray(mesh.triangles[:, corner]), axis=0) for corner in range(3)]
    one, two = (corners[1] - corners[0]).T, (corners[2] - corners[0]).T
    crosses = np.empty((len(mesh.triangles), 3))
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        crosses[:, axis] = one[u] * two[v] - one[v] * two[u]
    return crosses


def triangle_areas(mesh: Mesh) -> FloatArray:
    """Areas (m,), mm²."""
    x, y, z = triangle_crosses(mesh).T
    return np.asarray(0.5 * np.sqrt(x * x + y * y + z * z))


def triangle_centres(mesh: Mesh) -> FloatArray:
    """Centroids (m, 3), mm."""
    return np.asarray(mesh.vertices[mesh.triangles].mean(axis=1))


def vertex_normals(mesh: Mesh) -> FloatArray:
    """Area-weighted unit normals (n, 3); zero where a vertex has no triangle."""
    return _vertex_normals(mesh, triangle_crosses(mesh))


def vertex_areas(mesh: Mesh) -> FloatArray:
    """A third of the area around each vertex (n,), mm²."""
    shares = np.repeat(triangle_areas(mesh) / 3.0, 3)
    return np.asarray(np.bincount(mesh.triangles.ravel(), shares, len(mesh.vertices)), float)


def vertex_normals_and_areas(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Both of them, for little more than one."""
    crosses = triangle_crosses(mesh)
    shares = np.repeat(np.sqrt(np.einsum("ij,ij->i", crosses, crosses)) / 6.0, 3)
    areas = np.bincount(mesh.triangles.ravel(), shares, len(mesh.vertices))
    return _vertex_normals(mesh, crosses), np.asarray(areas, float)


def _vertex_normals(mesh: Mesh, crosses: FloatArray) -> FloatArray:
    corners = mesh.triangles.ravel()
    sums = np.stack([np.bincount(corners, np.repeat(crosses[:, i], 3), len(mesh.vertices)) for i in range(3)], axis=1)
    length = np.linalg.norm(sums, axis=1, keepdims=True)
    return np.asarray(sums / np.where(length > 0, length, 1.0))


def averaged_normals(mesh: Mesh, normals: FloatArray, rounds: int) -> FloatArray:
    """Vertex normals (n, 3) averaged with those of neighbours that face the same way, so many times over."""
    graph = adjacency(mesh).astype(np.float64)
    row, col = np.repeat(np.arange(len(normals), dtype=np.int32), np.diff(graph.indptr)), graph.indices
    for _ in range(rounds):
        x, y, z = np.ascontiguousarray(normals.T)
        graph.data = (x[row] * x[col] + y[row] * y[col] + z[row] * z[col] > 0.8).astype(np.float64)
        sums = normals + graph @ normals
        normals = sums / np.maximum(np.linalg.norm(sums, axis=1, keepdims=True), 1e-300)
    return np.asarray(normals)


def rim_of(mesh: Mesh, triangles: IntArray) -> npt.NDArray[np.int64]:
    """Vertices (k,) at which some of a mesh's triangles meet the rest; one of them where they meet none."""
    inside = np.zeros(len(mesh.triangles), bool)
    inside[triangles] = True
    on = np.zeros((2, len(mesh.vertices)), bool)
    on[0][mesh.triangles[inside]] = True
    on[1][mesh.triangles[~inside]] = True
    both = np.flatnonzero(on[0] & on[1])
    return both if len(both) else np.flatnonzero(on[0])[:1]


def volume(mesh: Mesh) -> float:
    """Enclosed volume, mm³; meaningful for a closed mesh, positive when outward."""
    return float(cone_volumes(mesh).sum())


def cone_volumes(mesh: Mesh) -> FloatArray:
    """Signed volume (m,) between each triangle and the vertices' mean, mm³; over a closed shell they sum to its own."""
    axes = [np.ascontiguousarray(mesh.vertices[:, axis]) for axis in range(3)]
    axes = [axis - axis.mean() for axis in axes]
    corners = [np.ascontiguousarray(mesh.triangles[:, k]) for k in range(3)]
    a, b, c = ([np.take(axis, corner) for axis in axes] for corner in corners)
    terms = [a[i] * (b[j] * c[k] - b[k] * c[j]) for i, j, k in ((0, 1, 2), (1, 2, 0), (2, 0, 1))]
    return np.asarray((terms[0] + terms[1] + terms[2]) / 6.0)


def edges(mesh: Mesh) -> IntArray:
    """Directed edges (3m, 2) in triangle order."""
    return mesh.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)


def sorted_unique(values: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The distinct values (k,), ascending; by sorting, for hashing is slow on packed grid and edge keys."""
    ordered = np.sort(values, axis=None)
    return ordered[np.concatenate([[True], ordered[1:] != ordered[:-1]])] if len(ordered) else ordered


def border_edges(mesh: Mesh) -> IntArray:
    """Directed edges (k, 2) that have no opposite partner."""
    ends = open_vertices(mesh)[mesh.triangles]
    two = np.flatnonzero((ends[:, 0] & ends[:, 1]) | (ends[:, 1] & ends[:, 2]) | (ends[:, 2] & ends[:, 0]))
    both = ends[two][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).all(axis=1)
    directed = edges(Mesh(mesh.vertices, mesh.triangles[two]))[both]
    wide, count = directed.astype(np.int64), len(mesh.vertices)
    forward, backward = wide[:, 0] * count + wide[:, 1], np.sort(wide[:, 1] * count + wide[:, 0])
    at = np.minimum(np.searchsorted(backward, forward), len(backward) - 1)
    return directed[backward[at] != forward] if len(forward) else directed


def open_vertices(mesh: Mesh) -> npt.NDArray[np.bool_]:
    """Vertices (n,) around which the triangles do not close: every end of a border edge is one.

    Around a closed vertex each neighbour is once the next and once the one
    before, so any numbers given to the vertices cancel; random ones do so
    by chance at one vertex in 2^40. No sorting of edges is needed.
    """
    count = len(mesh.vertices)
    number = np.random.default_rng(0).integers(0, 1 << 40, count).astype(np.float64)
    corners = [np.ascontiguousarray(mesh.triangles[:, k]) for k in range(3)]
    values = [np.take(number, corner) for corner in corners]
    total = np.zeros(count)
    for k in range(3):
        total += np.bincount(corners[k], values[k - 1] - values[k - 2], count)
    return np.asarray(total != 0.0)


def adjacency(mesh: Mesh) -> csr_matrix:
    """Symmetric vertex adjacency (n, n), ones."""
    directed = edges(mesh)
    count = len(mesh.vertices)
    ones = np.ones(len(directed), np.float32)
    graph = coo_matrix((ones, (directed[:, 0], directed[:, 1])), (count, count)).tocsr()
    graph = graph.maximum(graph.T)
    graph.data[:] = 1.0
    return graph


def components(mesh: Mesh) -> tuple[int, IntArray]:
    """Number of connected pieces and the piece (n,) of each vertex (unused vertices are their own)."""
    directed = edges(mesh)
    count = len(mesh.vertices)
    graph = coo_matrix((np.ones(len(directed), bool), (directed[:, 0], directed[:, 1])), (count, count))
    number, labels = connected_components(graph, directed=False)
    return int(number), labels.astype(np.int32)


def compacted(mesh: Mesh, keep_triangles: IntArray | None = None) -> tuple[Mesh, IntArray]:
    """The mesh with only the given triangles and the vertices they use, and the kept vertices' old indices."""
    triangles = mesh.triangles if keep_triangles is None else np.take(mesh.triangles, keep_triangles, axis=0)
    used = np.zeros(len(mesh.vertices), bool)
    used[triangles.ravel()] = True
    new_index = np.cumsum(used, dtype=np.int32) - np.int32(1)
    kept = np.flatnonzero(used).astype(np.int32)
    return made(np.take(mesh.vertices, kept, axis=0), np.take(new_index, triangles)), kept


def gathered(mesh: Mesh, cell_mm: float) -> tuple[Mesh, IntArray, IntArray, IntArray]:
    """A coarser copy: of the vertices in each cell of a grid the one nearest to its middle stands for all.

    Parameters
    ----------
    mesh : Mesh
        Of N vertices.
    cell_mm : float

    Returns
    -------
    copy : Mesh
        Some of the mesh's own vertices (n, 3) and triangles (m, 3); not always a manifold.
    node_of : (N,)
        The copy's vertex that stands for each vertex of the mesh.
    vertex_of, triangle_of : (n,), (m,)
        The mesh's vertex and triangle behind each of the copy's.
    """
    node_of, vertex_of = _nodes(mesh.vertices, cell_mm)
    corners = node_of[mesh.triangles]
    whole = (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
    left = np.flatnonzero(whole)
    ordered = np.sort(corners[left], axis=1).astype(np.int64)
    keys = (ordered[:, 0] * len(vertex_of) + ordered[:, 1]) * len(vertex_of) + ordered[:, 2]
    triangle_of = left[np.unique(keys, return_index=True)[1]].astype(np.int32)
    return Mesh(mesh.vertices[vertex_of], corners[triangle_of]), node_of, vertex_of, triangle_of


def _nodes(vertices: FloatArray, cell: float) -> tuple[IntArray, IntArray]:
    """Vertices gathered in the cells of a grid: the node of each, and the vertex nearest to the middle of each node."""
    places = (vertices - vertices.min(axis=0)) / cell
    cells = places.astype(np.int64)
    size = cells.max(axis=0) + 1
    key = (cells[:, 0] * size[1] + cells[:, 1]) * size[2] + cells[:, 2]
    off = np.square(places - cells - 0.5).sum(axis=1)
    order = np.lexsort((off, key))
    first = np.concatenate([[True], key[order][1:] != key[order][:-1]])
    node_of = np.empty(len(vertices), np.int32)
    node_of[order] = np.cumsum(first, dtype=np.int32) - 1
    return node_of, order[first].astype(np.int32)


def is_closed(mesh: Mesh) -> bool:
    """Every directed edge occurs once and has its opposite: closed and consistently oriented."""
    if len(mesh.triangles) == 0:
        return False
    directed = edges(mesh).astype(np.int64)
    count = len(mesh.vertices)
    forward = np.sort(directed[:, 0] * count + directed[:, 1])
    if np.any(forward[1:] == forward[:-1]):
        return False
    return bool(np.array_equal(forward, np.sort(directed[:, 1] * count + directed[:, 0])))


def genus(mesh: Mesh) -> int:
    """Through-holes of a closed mesh, summed over its shells (Euler: V - E + F = 2 shells - 2 genus)."""
    used = np.bincount(mesh.triangles.ravel(), minlength=len(mesh.vertices)) > 0
    return euler_genus(mesh, int(np.count_nonzero(np.bincount(components(mesh)[1][used]))))


def euler_genus(mesh: Mesh, shells: int) -> int:
    """Through-holes of a closed mesh of which the number of shells is known."""
    count = int(np.count_nonzero(np.bincount(mesh.triangles.ravel(), minlength=len(mesh.vertices))))
    return int((2 * shells - (count - len(mesh.triangles) * 3 // 2 + len(mesh.triangles))) // 2)


def edge_spacing(mesh: Mesh) -> float:
    """Median edge length, mm."""
    directed = edges(mesh)
    step = max(1, len(directed) // 200_000)
    ends = mesh.vertices[directed[::step]]
    return float(np.median(np.linalg.norm(ends[:, 0] - ends[:, 1], axis=1)))
