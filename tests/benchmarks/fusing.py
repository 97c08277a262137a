"""Fusing beside a plain exact union and screened Poisson: ``python -m tests.benchmarks.fusing --parts N --seed S``.

True placements are used, so that only fusing is judged.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing import fuse_fragments
from rejoin.core.libraries.solids import unite
from rejoin.core.records import Mesh, Placement, Scan
from tests.makers import SHAPES, Case, make_case


def poisson(parts: list[Mesh], spacing_mm: float) -> Mesh:
    """Screened Poisson surface (open3d; Kazhdan and Hoppe 2013) of all placed vertices."""
    import open3d

    cloud = open3d.geometry.PointCloud()
    points = np.concatenate([part.vertices for part in parts])
    cloud.points = open3d.utility.Vector3dVector(points)
    cloud.normals = open3d.utility.Vector3dVector(np.concatenate([meshes.vertex_normals(part) for part in parts]))
    depth = int(np.clip(np.ceil(np.log2(np.ptp(points, axis=0).max() / spacing_mm)), 6, 10))
    made, _ = open3d.geometry.TriangleMesh.create_from_point_cloud_poisson(cloud, depth=depth)
    return Mesh(np.asarray(made.vertices).copy(), np.asarray(made.triangles).copy())


def line(name: str, mesh: Mesh, case: Case, seconds: float, rest: str) -> None:
    closed = meshes.is_closed(mesh)
    genus = str(meshes.genus(mesh)) if closed else "-"
    error = 100.0 * (meshes.volume(mesh) / case.intact_volume_mm3 - 1.0)
    shells = int(np.count_nonzero(np.bincount(meshes.components(mesh)[1][mesh.triangles[:, 0]])))
    print(
        f"  {name:8s} closed {closed!s:5s} shells {shells:4d} genus {genus:>4s} (intact {case.intact_genus}) "
        f"volume {error:+.3f} % {seconds:.1f} s {rest}",
        flush=True,
    )


def seam_p95(mesh: Mesh, triangles: np.ndarray, intact: Mesh) -> float:
    """95 % of the seam's vertices lie within this of the intact surface, mm."""
    import open3d

    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        open3d.core.Tensor(intact.vertices.astype(np.float32)), open3d.core.Tensor(intact.triangles.astype(np.uint32))
    )
    points = mesh.vertices[np.unique(mesh.triangles[triangles])].astype(np.float32)
    return float(np.percentile(scene.compute_distance(open3d.core.Tensor(points)).numpy(), 95)) if len(points) else 0.0


def one(shape: str, seed: int, chips: int, pieces: int) -> None:
    case = make_case(shape, seed, chips=chips, pieces=pieces)
    fragments = [
        clean_scan(Scan(f"f{k}", (), mesh, "mm", True, False, ())) for k, mesh in enumerate(case.fragments)
    ]
    print(f"{case.note}: {sum(len(f.mesh.vertices) for f in fragments)} vertices", flush=True)
    placements = [Placement(np.array(matrix), "truth") for matrix in case.part_from_scan]
    started = time.perf_counter()
    whole = fuse_fragments(fragments, placements, (), ())
    seconds = time.perf_counter() - started
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    seam = seam_p95(whole.mesh, whole.seam_triangles, case.intact)
    rest = f"seam 95 % {seam:.3f} mm moved {whole.original_moved_mm} crossing {whole.crossing_pairs} {memory:.1f} GB"
    line("fused", whole.mesh, case, seconds, rest)
    parts = [meshes.placed(f.mesh, p.part_from_scan) for f, p in zip(fragments, placements, strict=True)]
    started = time.perf_counter()
    try:
        union = unite(parts).mesh
        line("union", union, case, time.perf_counter() - started, "")
    except NoAnswer as trouble:
        print(f"  union    {trouble}", flush=True)
    started = time.perf_counter()
    line("poisson", poisson(parts, case.spacing_mm), case, time.perf_counter() - started, "")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--parts", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chips", type=int, default=0)
    parser.add_argument("--pieces", type=int, default=2)
    options = parser.parse_args()
    names = sorted(SHAPES)
    for number in range(options.parts):
        one(names[(options.seed + number) % len(names)], options.seed + number, options.chips, options.pieces)


if __name__ == "__main__":
    main()
