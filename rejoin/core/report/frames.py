"""Where things stand in the common frame: that of the first placed fragment's scan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.meshes import placed, triangle_areas
from rejoin.core.records import FloatArray, Mesh, Project
from rejoin.core.settings import UNITS
from rejoin.core.transforms import identity, inverse, orthonormal

NOT_JOINED = "Nothing was found that joins it to the other fragments."


def settled_placements(
    project: Project, why: str = NOT_JOINED
) -> tuple[tuple[FloatArray | None, str | None, float | None], ...]:
    """Where each scan stands in the common frame: the frame of the first placed fragment's scan.

    Parameters
    ----------
    project : Project
    why : str
        The reason to give for fragments of which the project says nothing.

    Returns
    -------
    tuple of (common_from_scan, why, u95_mm)
        ``common_from_scan`` (4, 4) in mm, or None with the reason. Where no
        two fragments are joined the largest one keeps the identity.
    """
    stands = [p.part_from_scan for p in project.placements] or [None] * len(project.scans)
    reasons = [p.why or why for p in project.placements] or [why] * len(project.scans)
    bounds = [p.u95_mm for p in project.placements] or [None] * len(project.scans)
    if all(matrix is None for matrix in stands) and stands:
        areas = [float(triangle_areas(scan.mesh).sum()) for scan in project.scans]
        stands[int(np.argmax(areas))] = identity()
    common_from_part = common_frame(stands)
    return tuple(
        (None, reason, None) if matrix is None else (_product(common_from_part, matrix), None, bound)
        for matrix, reason, bound in zip(stands, reasons, bounds, strict=True)
    )


def common_frame(stands: Sequence[FloatArray | None]) -> FloatArray:
    """``common_from_part`` (4, 4) for the ``part_from_scan`` of all fragments."""
    first = next((matrix for matrix in stands if matrix is not None), None)
    return identity() if first is None else inverse(first)


def whole_in_common_frame(project: Project) -> Mesh | None:
    """The whole in the frame of the first placed fragment's scan, mm."""
    if project.whole is None:
        return None
    common_from_part = common_frame([p.part_from_scan for p in project.placements])
    if np.array_equal(common_from_part, identity()):
        return project.whole.mesh
    return placed(project.whole.mesh, orthonormal(common_from_part))


def in_unit(matrix_mm: FloatArray, unit: str) -> list[list[float]]:
    """A rigid motion as rows, its translation in ``unit``."""
    rows = orthonormal(matrix_mm)
    rows[:3, 3] /= UNITS[unit]
    return [[float(value) + 0.0 for value in row] for row in rows]


def _product(b_from_a: FloatArray, a_from_scan: FloatArray) -> FloatArray:
    product = np.asarray(b_from_a @ a_from_scan)
    return identity() if np.abs(product - np.eye(4)).max() < 1e-12 else product
