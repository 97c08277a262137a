"""Doorway to open3d's iterative closest point: a first refinement of a joint."""

from __future__ import annotations

from threading import Thread

import numpy as np
from scipy.spatial.transform import Rotation

from rejoin.core.libraries.quiet import the_open3d
from rejoin.core.records import FloatArray
from rejoin.core.transforms import rigid


def warm_up() -> None:
    """Load the library in the background: it takes a second or two, which earlier steps can cover.

    The program's end waits for it: a thread that is cut off while it imports spoils the exit code.
    """
    Thread(target=the_open3d, daemon=False).start()


def refined(
    points_a: FloatArray,
    points_b: FloatArray,
    normals_b: FloatArray,
    b_from_a: FloatArray,
    reach_mm: float,
    scale_mm: float,
    iterations: int,
    quantum_mm: float,
) -> tuple[FloatArray, float]:
    """Point-to-plane ICP of a's points on b's, with Tukey's loss.

    open3d adds its sums up in the order in which threads finish, so the last
    bits differ from run to run; the answer is rounded to ``quantum_mm`` so that
    what follows always starts from the same pose.

    Parameters
    ----------
    points_a, points_b, normals_b : (n, 3)
        Each in its own frame.
    b_from_a : (4, 4)
        Start.
    reach_mm : float
        Farthest pair.
    scale_mm : float
        Residual at which the loss rejects a pair.
    iterations : int
    quantum_mm : float
        Grid of the answer; turns are rounded to this over the size of the faces.

    Returns
    -------
    b_from_a : (4, 4)
    share : float
        Share of a's points that found a partner.
    """
    o3d = the_open3d()
    middle_a, middle_b = points_a.mean(axis=0), points_b.mean(axis=0)
    to_middle_a, from_middle_b = rigid(np.eye(3), middle_a), rigid(np.eye(3), -middle_b)
    source, target = o3d.geometry.PointCloud(), o3d.geometry.PointCloud()
    source.points = o3d.utility.Vector3dVector(np.array(points_a - middle_a))
    target.points = o3d.utility.Vector3dVector(np.array(points_b - middle_b))
    target.normals = o3d.utility.Vector3dVector(np.array(normals_b))
    methods = o3d.pipelines.registration
    estimate = methods.TransformationEstimationPointToPlane(methods.TukeyLoss(scale_mm))
    stop = methods.ICPConvergenceCriteria(relative_fitness=1e-7, relative_rmse=1e-7, max_iteration=iterations)
    answer = methods.registration_icp(
        source, target, reach_mm, from_middle_b @ b_from_a @ to_middle_a, estimate, stop
    )
    size = float(np.linalg.norm(np.ptp(points_a, axis=0)))
    moved = _rounded(np.array(answer.transformation), quantum_mm, size)
    return np.linalg.inv(from_middle_b) @ moved @ rigid(np.eye(3), -middle_a), float(answer.fitness)


def _rounded(matrix: FloatArray, quantum_mm: float, size_mm: float) -> FloatArray:
    vector = Rotation.from_matrix(matrix[:3, :3]).as_rotvec()
    step = quantum_mm / size_mm
    return rigid(Rotation.from_rotvec(np.round(vector / step) * step).as_matrix(),
                 np.round(matrix[:3, 3] / quantum_mm) * quantum_mm)


def local_shapes(points: FloatArray, normals: FloatArray, radius_mm: float) -> FloatArray:
    """Descriptors (n, 33) of the shape around each point (fast point feature histograms: Rusu and others, 2009)."""
    o3d = the_open3d()
    cloud = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.array(points - points.mean(axis=0))))
    cloud.normals = o3d.utility.Vector3dVector(np.array(normals))
    search = o3d.geometry.KDTreeSearchParamHybrid(radius_mm, 150)
    return np.array(o3d.pipelines.registration.compute_fpfh_feature(cloud, search).data).T
