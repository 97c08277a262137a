"""The shells of a fused mesh, and the checks that fusing makes on its own output."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.records import FloatArray, Mesh

Indices = npt.NDArray[np.int64]


def outer_triangles(mesh: Mesh, seeds: Indices | None = None) -> tuple[Indices, int]:
    """Triangles of the outer shells, and how many shells were left out.

    Left out are shells that enclose a void (negative volume) or are smaller
    than a thousandth of the largest.
    """
    number, piece = meshes.components(mesh)
    owner = piece[mesh.triangles[:, 0]]
    volume = np.bincount(owner, meshes.cone_volumes(mesh), number)
    good = volume > 1e-3 * volume.max()
    used = np.bincount(owner, minlength=number) > 0
    return np.flatnonzero(good[owner]), int((used & ~good).sum())


def output_checks(
    volume_mm3: float, added: FloatArray, parts: list[Mesh], expected_mm3: float, allowed_mm3: float, far_mm: float
) -> tuple[str, ...]:
    """Sentences for each check that fails: volume near what is expected, no added vertex far from every fragment."""
    found = []
    if abs(volume_mm3 - expected_mm3) > allowed_mm3:
        found.append(
            f"The whole's volume, {volume_mm3:.1f} mm³, differs from the fragments' {expected_mm3:.1f} mm³ "
            "by more than the crack explains."
        )
    tree = cKDTree(np.concatenate([part.vertices for part in parts]))
    far = np.isinf(tree.query(added, distance_upper_bound=far_mm, workers=-1)[0])
    if far.any():
        found.append(f"{int(far.sum())} vertices of the whole lie farther than {far_mm:.2f} mm from every fragment.")
    return tuple(found)
