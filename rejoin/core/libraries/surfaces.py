"""The doorway to open3d's surface reconstruction: bare points to triangles."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.errors import FileTrouble
from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.meshes import compacted, gathered, triangle_areas
from rejoin.core.records import FloatArray, Mesh

MOST_POINTS = 3_000_000
ORIENTED = 60_000
"""Points whose normals are made to agree with each other; the others follow their nearest one."""
REACH = 3.0
"""Surface farther from every point than this many spacings was made up, and is cut away."""


ALIKE, TRUE, AGREEING = 0.7, 0.9, 0.98
"""A file's own normals are used where those of neighbours that lie in one plane (cosine) point to one side, and where
they are as steep as the points themselves lie, each for this share of the points. Such as are only fitted to the
points, and look to either side by chance, are not."""


def surface_from_points(points: FloatArray, name: str, normals: FloatArray | None = None) -> Mesh:
    """A surface through bare points (screened Poisson, Kazhdan and Hoppe 2013), only where there are points.

    Parameters
    ----------
    points : (n, 3)
        mm.
    name : str
        Of the file, for the messages.
    normals : (n, 3), optional
        As the file gives them: they know which side of a thin wall the scanner saw.

    Returns
    -------
    Mesh
        May have a border and loose parts; which side is out is for the cleaning to settle.

    Raises
    ------
    FileTrouble
        Too many points, or none that make a surface.
    """
    o3d = the_open3d()
    points, kept = np.unique(points, axis=0, return_index=True)
    if not 100 <= len(points) <= MOST_POINTS:
        raise FileTrouble(f"{name} holds {len(points):,} bare points; between 100 and {MOST_POINTS:,} can be used.",
                          "Export a surface (triangles) from the scanner's program.")  # fmt: skip
    middle = points.mean(axis=0)
    tree = cKDTree(points)
    spacing = float(np.median(tree.query(points[:: max(1, len(points) // 20_000)], k=4)[0][:, 1:].mean(axis=1)))
    size = float(np.linalg.norm(np.ptp(points, axis=0)))
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points - middle))
    cloud.estimate_normals(o3d.geometry.KDTreeSearchParamKNN(16))
    fitted = np.array(cloud.normals)
    given = None if normals is None else _usable(normals[kept], fitted, points, tree)
    cloud.normals = o3d.utility.Vector3dVector(_agreeing(np.asarray(cloud.points), fitted) if given is None else given)
    across = min(size / spacing, len(points))  # no surface is longer than a chain of all its points
    depth = int(np.clip(np.ceil(np.log2(1.1 * across)), 5, 11))
    with o3d.utility.VerbosityContextManager(o3d.utility.VerbosityLevel.Error):
        made, _ = o3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=depth, n_threads=1)
    vertices = np.array(made.vertices) + middle
    triangles = np.array(made.triangles, dtype=np.int32)
    near = (
        tree.query(vertices, distance_upper_bound=REACH * spacing)[0] < np.inf if len(vertices) else np.empty(0, bool)
    )
    keep = np.flatnonzero(near[triangles].all(axis=1)) if len(triangles) else np.empty(0, np.int64)
    if len(keep) < 4:
        raise FileTrouble(f"No surface could be made of the points in {name}.", "Export a surface (triangles).")
    return _no_finer(compacted(Mesh(vertices, triangles), keep.astype(np.int32))[0], len(points))


def _no_finer(mesh: Mesh, points: int) -> Mesh:
    """The surface with no more vertices than there were points.

    Between the points it is only guessed, and smooth: finer, it would pass for a finer scan with less noise.
    """
    if len(mesh.vertices) <= points:
        return mesh
    return gathered(mesh, float(np.sqrt(triangle_areas(mesh).sum() / points)))[0]


def _usable(normals: FloatArray, fitted: FloatArray, points: FloatArray, tree: cKDTree) -> FloatArray | None:
    """The file's normals (n, 3), of length one; None where they cannot be those of the points' surface."""
    length = np.linalg.norm(normals, axis=1)
    if not (np.isfinite(length).all() and (length > 0).all()):
        return None
    normals = normals / length[:, None]
    some = slice(None, None, max(1, len(points) // 20_000))
    beside = normals[tree.query(points[some], k=2)[1][:, 1]]
    turn = np.einsum("ij,ij->i", normals[some], beside)
    steep = np.abs(np.einsum("ij,ij->i", normals[some], fitted[some])) > ALIKE
    flat = np.abs(turn) > ALIKE
    good = flat.any() and (turn[flat] > 0).mean() > AGREEING and steep.mean() > TRUE
    return normals if good else None


def _agreeing(points: FloatArray, normals: FloatArray) -> FloatArray:
    """The normals (n, 3), turned so that neighbours agree (minimum spanning tree, Hoppe and others 1992)."""
    o3d = the_open3d()
    chosen = np.random.default_rng(0).permutation(len(points))[:ORIENTED]
    few = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(points[chosen]))
    few.normals = o3d.utility.Vector3dVector(normals[chosen])
    few.orient_normals_consistent_tangent_plane(12)
    nearest = cKDTree(points[chosen]).query(points)[1]
    agree = np.einsum("ij,ij->i", normals, np.asarray(few.normals)[nearest])
    return normals * np.where(agree < 0, -1.0, 1.0)[:, None]
