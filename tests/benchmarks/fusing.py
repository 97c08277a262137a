"""Fusing beside a plain exact union and screened Poisson: ``python -m tests.benchmarks.fusing --parts N --seed S``.

True placements are used, so that only fusing is judged.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing import fuse_fragments
from rejoin.core.libraries.solids import unite
from rejoin.core.records import Evidence, FractureFace, Fragment, Joint, Mesh, Placement, Scan, Whole
from rejoin.core.transforms import inverse
from tests.makers import SHAPES, Case, make_case

T = TypeVar("T")
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


HEAD = (
    "| way | closed | shells | genus (intact) | volume, % | seam 95 %, mm | beyond 99 %, mm | filled 95 %, mm "
    "| outside, mm3 | moved, mm | crossing, ours / theirs | thinnest, mm | s of processor |"
)
"""Seam: vertices within `SEAM` spacings of the fused seam; beyond: farther than `FAR`; outside: fill over the part."""
SEAM, FAR = 2.0, 8.0
OVER_MM = 0.3


def row(name: str, mesh: Mesh, case: Case, processor: float, near: cKDTree | None, rest: str = "| | | | | |") -> str:
    """A line of the table: what is measured on every way's mesh, then ``rest``."""
    closed = meshes.is_closed(mesh)
    genus = str(meshes.genus(mesh)) if closed else "-"
    error = 100.0 * (meshes.volume(mesh) / case.intact_volume_mm3 - 1.0)
    shells = int(np.count_nonzero(np.bincount(meshes.components(mesh)[1][mesh.triangles[:, 0]])))
    used = mesh.vertices[np.unique(mesh.triangles)]
    off = np.zeros(len(used)) if near is None else near.query(used, distance_upper_bound=FAR * case.spacing_mm)[0]
    away = np.abs(outside(used, case.intact))
    seam, beyond = (float(np.percentile(away[which], share)) if which.any() else 0.0
                    for which, share in ((off < SEAM * case.spacing_mm, 95), (np.isinf(off), 99)))  # fmt: skip
    return (
        f"| {name} | {closed} | {shells} | {genus} ({case.intact_genus}) | {error:+.3f} | {seam:.3f} | {beyond:.3f} "
        f"{rest} {processor:.1f} |"
    )


def outside(points: np.ndarray, intact: Mesh) -> np.ndarray:
    """Distance of points (n,) from the intact surface, + outside the part, mm."""
    import open3d

    scene = open3d.t.geometry.RaycastingScene()
    scene.add_triangles(
        open3d.core.Tensor(intact.vertices.astype(np.float32)), open3d.core.Tensor(intact.triangles.astype(np.uint32))
    )
    asked = open3d.core.Tensor(np.ascontiguousarray(points, dtype=np.float32))
    return np.asarray(scene.compute_signed_distance(asked).numpy())


def told(whole: Whole, case: Case) -> str:
    """What only the fused whole tells: its fills against the truth, what moved, crossings, the thinnest wall."""
    fill = Mesh(whole.mesh.vertices, whole.mesh.triangles[whole.filled_triangles])
    over = outside(meshes.triangle_centres(fill), case.intact) if len(fill.triangles) else np.zeros(0)
    false = float((meshes.triangle_areas(fill) * over)[over > OVER_MM].sum()) if len(over) else 0.0
    spots = whole.mesh.vertices[np.unique(fill.triangles)]
    filled = f"{np.percentile(np.abs(outside(spots, case.intact)), 95):.3f}" if len(spots) else "-"
    crossing = f"{whole.crossing_pairs} / {whole.scan_crossing_pairs}"
    return f"| {filled} | {false:.2f} | {whole.original_moved_mm:g} | {crossing} | {whole.thinnest_mm or 0:.2f} |"


def true_joints(case: Case, fragments: list[Fragment]) -> tuple[Joint, ...]:
    """Joints with the true fracture faces (chips not among them), as matching would find them."""
    result = []
    for a in range(len(fragments)):
        for b in range(a + 1, len(fragments)):
            faces = [true_face(case, fragments, k) for k in (a, b)]
            placed = [meshes.placed(fragments[k].mesh, case.part_from_scan[k]) for k in (a, b)]
            spots = [p.vertices[np.unique(p.triangles[face.triangles])] for p, face in zip(placed, faces, strict=True)]
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
    fragments = [clean_scan(Scan(f"f{k}", (), mesh, "mm", True, False, ())) for k, mesh in enumerate(case.fragments)]
    print(f"{case.note}: {sum(len(f.mesh.vertices) for f in fragments)} vertices", flush=True)
    placements = [Placement(np.array(matrix), "truth") for matrix in case.part_from_scan]
    print(HEAD + "\n" + "|---" * HEAD.count(" |") + "|", flush=True)
    whole, seconds = timed(lambda: fuse_fragments(fragments, placements, true_joints(case, fragments)))
    near = cKDTree(whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.seam_triangles])])
    print(row("fused", whole.mesh, case, seconds, near, told(whole, case)), flush=True)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    parts = [meshes.placed(f.mesh, at) for f, at in zip(fragments, case.part_from_scan, strict=True)]
    try:
        union, seconds = timed(lambda: unite(parts).mesh)
        print(row("union", union, case, seconds, near), flush=True)
    except NoAnswer as trouble:
        print(f"| union | {trouble} |", flush=True)
    mesh, seconds = timed(lambda: poisson(parts, case.spacing_mm))
    print(row("poisson", mesh, case, seconds, near), flush=True)
    print(f"{len(whole.fills)} fills, {memory:.1f} GB {' '.join(whole.notes)}\n", flush=True)


def timed(work: Callable[[], T]) -> tuple[T, float]:
    """What some work gives, and its seconds of processor."""
    started = time.process_time()
    result = work()
    return result, time.process_time() - started


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
