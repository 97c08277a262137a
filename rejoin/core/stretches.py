"""Steps and bends of an original surface at places all along a seam, with how the scan's noise is common to them.

At each place one smooth surface of the third order, with a step and a bend at the seam, is fitted to the points within
`FAR` on both sides. Neighbouring fits share points, and neighbouring points err alike: what all the fits say therefore
has one covariance, not one variance each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core import meshes
from rejoin.core.contact import rows
from rejoin.core.noise import LENGTHS, scan_noise
from rejoin.core.records import FloatArray, Fragment
from rejoin.core.uncertainty.noise import NoiseModel, noise_of_right

Index = npt.NDArray[np.integer]

FAR, HALF = 9.0, 8.0
"""Spacings from the seam to which a stretch reaches, and between stretches."""
SMOOTH = np.cos(np.deg2rad(30.0))
"""Surface that turns farther than this over a stretch is not one smooth surface."""


@dataclass(frozen=True, eq=False)
class Stretch:
    """Step and bend of the original surface at one place of the seam.

    ``rows`` (2, 6) are of side b's motion, ``told`` (2,) what it should be; ``gains`` (n, 2) by how much each of the
    ``vertices`` (n,), moved outward, changes that; ``noise_mm`` is what the fit left.
    """

    rows: FloatArray
    told: FloatArray
    vertices: Index
    gains: FloatArray
    noise_mm: float


def stretches_of(
    fragment: Fragment, sides: tuple[Index, Index], height_mm: FloatArray, normal: FloatArray, middle_mm: FloatArray,
    clear_mm: float = 0.0,
) -> list[Stretch]:  # fmt: skip
    """One smooth surface with a step and a bend at the seam, fitted at places all along it.

    Parameters
    ----------
    fragment : Fragment
    sides : two (k,) indices
        Vertices of sides a and b.
    height_mm : (n,)
        Of all vertices over the seam.
    normal, middle_mm : (3,)
        The seam's normal from a to b, and the point about which b's motion turns.
    clear_mm : float
        Distance from the seam within which the sides hold no vertices: a stretch reaches so much farther.
    """
    mesh, unit = fragment.mesh, fragment.spacing_mm
    normals = meshes.averaged_normals(mesh, meshes.vertex_normals(mesh), 2)
    on = np.flatnonzero(np.abs(height_mm) < unit)
    cells = np.floor(mesh.vertices[on] / (HALF * unit)).astype(np.int64)
    _, first = np.unique(cells, axis=0, return_index=True)
    trees = [cKDTree(mesh.vertices[side]) for side in sides]
    found = []
    for seed in on[np.sort(first)]:
        near = [side[tree.query_ball_point(mesh.vertices[seed], FAR * unit + clear_mm)]
                for side, tree in zip(sides, trees, strict=True)]  # fmt: skip
        if min(len(index) for index in near) < 25:
            continue
        mean = normals[np.concatenate(near)].mean(axis=0)
        mean /= max(float(np.linalg.norm(mean)), 1e-12)
        near = [index[normals[index] @ mean > SMOOTH] for index in near]
        across = normal - (normal @ mean) * mean
        size = float(np.linalg.norm(across))
        if size < 0.3 or min(len(index) for index in near) < 25:
            continue
        frame = np.stack([across / size, np.cross(mean, across / size), mean], axis=1)
        one = fitted(mesh.vertices, int(seed), frame, near, unit, middle_mm)
        if one is not None:
            found.append(one)
    limit = 2.0 * float(np.median([one.noise_mm for one in found])) if found else 0.0
    return [one for one in found if one.noise_mm <= max(limit, fragment.noise_mm)]


def fitted(
    points: FloatArray, seed: int, frame: FloatArray, parts: list[Index], unit: float, middle: FloatArray
) -> Stretch | None:
    """Step and bend of one stretch; ``frame`` columns are across the seam, along it, outward."""
    place, index = points[seed], np.concatenate(parts)
    x, t, z = ((points[index] - place) @ frame / unit).T
    beyond = np.repeat([0.0, 1.0], [len(part) for part in parts])
    # All of the third order: a round surface whose radius changes along x bends as x t t, which looks like a step.
    bent = [x**i * t ** (n - i) / FAR ** (n - 1) for n in (2, 3) for i in range(n + 1)]
    design = np.stack([np.ones_like(x), x, t, beyond, beyond * x, *bent], axis=1)
    information = design.T @ design
    if np.ptp(x[beyond == 0]) < 0.4 * FAR or np.ptp(x[beyond == 1]) < 0.4 * FAR or np.linalg.cond(information) > 1e9:
        return None
    answers = np.linalg.solve(information, design.T)
    answer = answers @ z
    noise = unit * float(np.sqrt(np.square(z - design @ answer).sum() / (len(x) - design.shape[1])))
    upright = frame @ np.array([-answer[1], -answer[2], 1.0])
    upright /= np.linalg.norm(upright)
    step = rows(place[None], upright[None], middle)[0, :6]
    bend = np.concatenate([frame[:, 1], np.zeros(3)])
    gains = np.stack([-float(frame[:, 2] @ upright) * answers[3], answers[4] / unit], axis=1)
    return Stretch(np.stack([step, bend]), unit * z @ gains, index, gains, noise)


def usual_misfit(fragment: Fragment, found: Sequence[Stretch]) -> float:
    """What the fits leave, mm, at least the scan's noise."""
    return max([fragment.noise_mm, *([float(np.median([one.noise_mm for one in found]))] if found else [])])


def covariance_of(fragment: Fragment, found: Sequence[Stretch]) -> FloatArray:
    """Covariance (2 s, 2 s) of what all the stretches tell.

    What the fits leave beyond the scan's noise is form that they could not follow: it is taken for noise that is common
    to as many neighbours as noise ever is.
    """
    mesh = fragment.mesh
    used = np.unique(np.concatenate([one.vertices for one in found]))
    pulls = np.zeros((len(used), 2 * len(found)))
    for number, one in enumerate(found):
        pulls[np.searchsorted(used, one.vertices), 2 * number : 2 * number + 2] = one.gains
    noise = scan_noise(mesh, meshes.adjacency(mesh), fragment.spacing_mm)
    shares = noise.shares * fragment.noise_mm**2
    shares[-1] += usual_misfit(fragment, found) ** 2 - fragment.noise_mm**2
    alone = max(1.0 - float(noise.shares.sum()), 0.0) * fragment.noise_mm**2
    points = mesh.vertices[used]
    total = alone * (pulls.T @ pulls)
    for length, share in zip(LENGTHS, shares, strict=True):
        if share > 0.0:
            model = NoiseModel(share, 0.0, float(np.sqrt(2.0)) * length * fragment.spacing_mm, 2.0)
            total += noise_of_right(points, pulls, model)
    return total
