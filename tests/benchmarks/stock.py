"""The usual library recipe for registering two scans, as a yardstick.

    python -m tests.benchmarks.stock OUT.json SPACING FRAGMENT FRAGMENT [...]

Voxel downsampling, fast point feature histograms (Rusu and others 2009) with
one side's normals flipped, since fracture faces look at each other, RANSAC
over feature matches, then point-to-plane ICP. Every fragment is registered
to the first; placements are ``first_from_scan`` in the files' unit.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

VOXEL_SPACINGS = 4.0


def _prepared(file: str, voxel: float) -> tuple[Any, Any, Any]:
    """The full cloud, the thinned cloud, and the thinned cloud's features, normals outward."""
    import open3d as o3d

    mesh = o3d.io.read_triangle_mesh(file)
    mesh.merge_close_vertices(1e-6)
    mesh.compute_vertex_normals()
    cloud = o3d.geometry.PointCloud(mesh.vertices)
    cloud.normals = mesh.vertex_normals
    return cloud, cloud.voxel_down_sample(voxel), mesh


def _features(cloud: Any, voxel: float) -> Any:
    import open3d as o3d

    around = o3d.geometry.KDTreeSearchParamHybrid(radius=5 * voxel, max_nn=100)
    return o3d.pipelines.registration.compute_fpfh_feature(cloud, around)


def register(files: list[str], spacing: float) -> list[list[list[float]]]:
    """``first_from_scan`` (4, 4) of every file, by the recipe."""
    import open3d as o3d

    o3d.utility.random.seed(1)
    registration = o3d.pipelines.registration
    voxel = VOXEL_SPACINGS * spacing
    target, thin_target, _ = _prepared(files[0], voxel)
    target_features = _features(thin_target, voxel)
    placements = [np.eye(4).tolist()]
    for file in files[1:]:
        source, thin, _ = _prepared(file, voxel)
        source.normals = o3d.utility.Vector3dVector(-np.asarray(source.normals))
        thin.normals = o3d.utility.Vector3dVector(-np.asarray(thin.normals))
        rough = registration.registration_ransac_based_on_feature_matching(
            thin,
            thin_target,
            _features(thin, voxel),
            target_features,
            True,
            1.5 * voxel,
            registration.TransformationEstimationPointToPoint(False),
            3,
            [
                registration.CorrespondenceCheckerBasedOnEdgeLength(0.9),
                registration.CorrespondenceCheckerBasedOnDistance(1.5 * voxel),
            ],
            registration.RANSACConvergenceCriteria(100_000, 0.999),
        )
        pose = rough.transformation
        for reach in (voxel, 2 * spacing):
            plane = registration.TransformationEstimationPointToPlane()
            pose = registration.registration_icp(source, target, reach, pose, plane).transformation
        placements.append(np.asarray(pose).tolist())
    return placements


def main(arguments: list[str]) -> None:
    """Write placements and seconds as JSON."""
    started = time.perf_counter()
    placements = register(arguments[2:], float(arguments[1]))
    content = {"placements": placements, "seconds": time.perf_counter() - started}
    Path(arguments[0]).write_text(json.dumps(content), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
