"""Fusing beside a plain exact union and screened Poisson: ``python -m tests.benchmarks.fusing --parts N --seed S``.

True placements are used, so that only fusing is judged.
"""

from __future__ import annotations

import argparse
import resource
import time
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing import fuse_fragments
from rejoin.core.libraries.solids import unite
from rejoin.core.records import Evidence, FractureFace, Fragment, Joint, Mesh, Placement, Scan
from rejoin.core.transforms import inverse
from tests.makers import SHAPES, Case, make_case

TRUE = Evidence(1.0, 0.0, 1.0, 1.0, 0.0, 0.0, 2.0, True, "truth")


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


def true_joints(case: Case, fragments: list[Fragment]) -> tuple[Joint, ...]:
    """Joints with the true fracture faces (chips not among them), as matching would find them."""
    result = []
    for a in range(len(fragments)):
        for b in range(a + 1, len(fragments)):
            faces = [true_face(case, fragments, k) for k in (a, b)]
            placed = [meshes.placed(fragments[k].mesh, case.part_from_scan[k]) for k in (a, b)]
            spots = [
                p.vertices[np.unique(p.triangles[face.triangles])] for p, face in zip(placed, faces, strict=True)
            ]
            near = cKDTree(spots[0]).query(spots[1], distance_upper_bound=4.0 * case.spacing_mm)[0]
            if np.isfinite(near).mean() > 0.05:
                a_from_b = inverse(case.part_from_scan[a]) @ case.part_from_scan[b]
                result.append(Joint(a, b, faces[0], faces[1], a_from_b, TRUE))
    return tuple(result)


def true_face(case: Case, fragments: list[Fragment], number: int) -> FractureFace:
    mesh = fragments[number].mesh
    nearest = cKDTree(case.fragments[number].vertices).query(mesh.vertices)[1]
    broken = case.fracture[number][nearest][mesh.triangles].all(axis=1)
    return FractureFace(number, np.flatnonzero(broken).astype(np.int32), 0.0, 1.0, "truth")


def one(shape: str, seed: int, chips: int, pieces: int, **options: Any) -> None:
    case = make_case(shape, seed, chips=chips, pieces=pieces, **options)
    fragments = [
        clean_scan(Scan(f"f{k}", (), mesh, "mm", True, False, ())) for k, mesh in enumerate(case.fragments)
    ]
    print(f"{case.note}: {sum(len(f.mesh.vertices) for f in fragments)} vertices", flush=True)
    placements = [Placement(np.array(matrix), "truth") for matrix in case.part_from_scan]
    started = time.perf_counter()
    processor = time.process_time()
    whole = fuse_fragments(fragments, placements, true_joints(case, fragments), ())
    seconds, processor = time.perf_counter() - started, time.process_time() - processor
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    seam = seam_p95(whole.mesh, whole.seam_triangles, case.intact)
    filled = seam_p95(whole.mesh, whole.filled_triangles, case.intact)
    rest = (
        f"({processor:.1f} s of processor) seam 95 % {seam:.3f} mm, filled 95 % {filled:.3f} mm, "
        f"moved {whole.original_moved_mm} mm, crossing {whole.crossing_pairs} ours {whole.scan_crossing_pairs} theirs, "
        f"thinnest {whole.thinnest_mm or 0:.2f} mm, {len(whole.fills)} fills, {memory:.1f} GB {' '.join(whole.notes)}"
    )
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
    parser.add_argument("--shape", choices=sorted(SHAPES))
    parser.add_argument("--spacing-mm", type=float, default=0.3)
    parser.add_argument("--wear-mm", type=float, default=0.0)
    options = parser.parse_args()
    names = sorted(SHAPES)
    for number in range(options.parts):
        shape, seed = options.shape or names[(options.seed + number) % len(names)], options.seed + number
        one(shape, seed, options.chips, options.pieces, spacing_mm=options.spacing_mm, wear_mm=options.wear_mm)


if __name__ == "__main__":
    main()
