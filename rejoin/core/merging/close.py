"""The last word on a pose of two views: do they agree to within their noise wherever both saw the piece?

A piece that is nearly the same from both sides lets one view be laid upon the other wrongly, over a large area and
with few coarse clashes. To the noise it never fits: the break, a boss, a casting mark stand off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import border_vertices
from rejoin.core.meshes import averaged_normals, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray
from rejoin.core.robust import robust_scale
from rejoin.core.transforms import apply, from_vector, inverse, orthonormal

BoolArray = npt.NDArray[np.bool_]

SAMPLE = 4000
"""Vertices of the one view that are asked."""
AGREES, CLASHES = 6.0, 12.0
"""Times the noise of both views: nearer, they agree; farther off and facing the same way, they clash."""
INNER = 1.3
"""Spacings from its border within which a view is not believed."""
CLASHING = 0.06
"""Share of clashes at which a pose is hardly believed any more."""
ODD = 0.005
"""Share of places that cannot be where a pose puts them, at which it is hardly believed any more."""
HOLDS = 0.02
"""Hold of the weakest motion (1: as firm as the strongest could be) below which a pose is less worth."""
FEW = 4
"""Every so-manyth of them is enough while two views only come closer."""
ENOUGH = 50
"""Of them must meet, or all are asked."""
ROUNDS, FINALS = 14, 5
"""Rounds in which two views come closer; so many at least are left for all places that are asked."""
RIM = 2500
"""Rim vertices of each view that are asked."""


@dataclass(frozen=True, eq=False)
class Fine:
    """A view at full resolution: points and normals (n, 3), which are well inside its border, and their tree."""

    points: FloatArray
    normals: FloatArray
    inner: BoolArray
    tree: cKDTree
    spacing_mm: float
    noise_mm: float
    size_mm: float
    rim: IntArray

    @property
    def asked_rim(self) -> IntArray:
        """Vertices of the rim that are asked whether another view's surface runs on under them."""
        return np.asarray(self.rim[:: max(1, len(self.rim) // RIM)])

    @cached_property
    def asked(self) -> tuple[FloatArray, FloatArray]:
        """Points and normals (k, 3), spread over the view well inside its border, that are asked."""
        asked = np.flatnonzero(self.inner)
        asked = asked[:: max(1, len(asked) // SAMPLE)]
        return self.points[asked], self.normals[asked]


@dataclass(frozen=True, eq=False)
class Close:
    """A pose ``a_from_b``, judged: vertices asked that agree and that clash, hold of the weakest motion, misfit.

    ``odd`` is the share of places that cannot be where the pose puts them (`sight`). What a person ``pointed_out`` is
    worth trying however little the two share.
    """

    a_from_b: FloatArray
    agree: int
    clash: int
    held: float
    misfit_mm: float
    share: float
    covered: float = 0.0
    odd: float = 0.0
    pointed_out: bool = False

    @property
    def clash_share(self) -> float:
        return self.clash / max(self.agree + self.clash, 1)

    @property
    def score(self) -> float:
        """Rim of either view that the other's surface runs on under: two views of different sides close each other.

        A piece that is nearly the same from both sides can be laid upon itself over a large area, rim on rim.
        """
        against = self.clash_share / CLASHING + self.odd / ODD
        return self.covered * float(np.exp(-against)) * min(1.0, self.held / HOLDS)


def fine_of(view: Fragment) -> Fine:
    mesh = view.mesh
    normals = averaged_normals(mesh, vertex_normals(mesh), 2)
    rim = np.flatnonzero(border_vertices(mesh)).astype(np.int32)
    inner = np.ones(len(mesh.vertices), bool)
    if len(rim):
        reach = INNER * view.spacing_mm
        inner = np.isinf(cKDTree(mesh.vertices[rim]).query(mesh.vertices, distance_upper_bound=reach)[0])
    size = float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    return Fine(mesh.vertices, normals, inner, cKDTree(mesh.vertices), view.spacing_mm, view.noise_mm, size, rim)


def closer(a: Fine, b: Fine, a_from_b: FloatArray, start_mm: float) -> Close:
    """The pose brought into contact on the full views, and judged."""
    points, normals = b.asked
    spacing, noise = units_of(a, b)
    reach, last = start_mm, False
    for turn in range(ROUNDS):
        for every in (1,) if last else (FEW, 1):
            found = met(a, points[::every], normals[::every], a_from_b, reach, spacing)
            good = found[5] > 0.7
            if np.count_nonzero(good) >= ENOUGH:
                break
        _, place, ways, height, theirs, _ = found
        if np.count_nonzero(good) < 12:
            break
        scale = max(robust_scale(height[good], np.ones(np.count_nonzero(good))), 0.5 * noise)
        good &= np.abs(height) < 4.0 * scale
        middle = place[good].mean(axis=0)
        # The mean of both normals: curvature then does not matter (Rusinkiewicz, 2019).
        both = ways[good] + theirs[good]
        both /= np.maximum(np.linalg.norm(both, axis=1, keepdims=True), 1e-12)
        rows = np.concatenate([np.cross(place[good] - middle, both), both], axis=1)
        weight = np.square(1.0 - np.square(height[good] / (4.0 * scale)))
        matrix = (rows * weight[:, None]).T @ rows
        unit = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
        answer = unit * np.linalg.solve(
            matrix * unit[:, None] * unit + 1e-6 * np.eye(6), -unit * (rows.T @ (weight * height[good]))
        )
        a_from_b = orthonormal(from_vector(answer, middle) @ a_from_b)
        moved = float(np.linalg.norm(answer[3:]) + 0.5 * b.size_mm * np.linalg.norm(answer[:3]))
        reach = max(0.6 * reach, 1.5 * spacing)
        if last and moved < 0.05 * noise:
            break
        last = last or turn + 1 >= ROUNDS - FINALS or (reach < 2.0 * spacing and moved < 0.3 * noise)
    rims = [covered(a, b, a_from_b), covered(b, a, inverse(a_from_b))]
    share = float(sum(rim.mean() for rim in rims if len(rim)))
    return replace(judged(a, b, a_from_b), covered=share)


def units_of(a: Fine, b: Fine) -> tuple[float, float]:
    """Spacing and noise by which two views are compared."""
    return max(a.spacing_mm, b.spacing_mm), float(np.hypot(a.noise_mm, b.noise_mm))


def covered(a: Fine, b: Fine, a_from_b: FloatArray, every: int = 1) -> BoolArray:
    """Under which of b's asked rim vertices, one of ``every`` so many (k,), a's surface runs on."""
    spacing, noise = units_of(a, b)
    rim = b.asked_rim[::every]
    result = np.zeros(len(rim), bool)
    if not len(result):
        return result
    which, _, _, height, _, alike = met(a, b.points[rim], b.normals[rim], a_from_b, 3.0 * spacing, spacing)
    # A rim is seen at a slant, so it is worse than the rest.
    result[which[(np.abs(height) < 2.0 * AGREES * float(np.hypot(noise, 0.02 * spacing))) & (alike > 0.6)]] = True
    return result


def met(
    a: Fine, points: FloatArray, normals: FloatArray, a_from_b: FloatArray, reach: float, spacing: float
) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Which points of b meet a's inner surface within reach: places, normals, height over a, a's normals, likeness."""
    place, ways = apply(a_from_b, points), normals @ a_from_b[:3, :3].T
    distance, nearest = a.tree.query(place, distance_upper_bound=float(np.hypot(reach, spacing)))
    hit = np.flatnonzero(np.isfinite(distance))
    hit = hit[a.inner[nearest[hit]]]
    theirs = a.normals[nearest[hit]]
    both = ways[hit] + theirs
    both /= np.maximum(np.linalg.norm(both, axis=1, keepdims=True), 1e-12)
    offset = place[hit] - a.points[nearest[hit]]
    alike = np.einsum("ij,ij->i", ways[hit], theirs)
    height = np.einsum("ij,ij->i", offset, np.where((alike > 0.3)[:, None], both, theirs))
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - height**2, 0.0))
    near = (aside < 1.2 * spacing) & (np.abs(height) < reach)
    return hit[near], place[hit][near], ways[hit][near], height[near], theirs[near], alike[near]


def judged(a: Fine, b: Fine, pose: FloatArray, every: int = 1) -> Close:
    """How two views agree in a pose ``a_from_b``, by one of ``every`` so many of the places that are asked."""
    (points, normals), (spacing, noise) = (part[::every] for part in b.asked), units_of(a, b)
    _, place, ways, height, _, alike = met(a, points, normals, pose, 12.0 * spacing, spacing)
    # Unequal sampling of rough relief adds a little of the spacing.
    unit = float(np.hypot(noise, 0.02 * spacing))
    agree = (alike > 0.8) & (np.abs(height) < AGREES * unit)
    clash = (alike > 0.5) & (np.abs(height) > CLASHES * unit)
    clash |= (alike < -0.7) & (np.abs(height) < AGREES * unit)
    count = int(np.count_nonzero(agree))
    if count < 12:
        return Close(pose, count, int(np.count_nonzero(clash)), 0.0, np.inf, 0.0)
    on = place[agree]
    centred = (on - on.mean(axis=0)) / (0.5 * a.size_mm)
    rows = np.concatenate([np.cross(centred, ways[agree]), ways[agree]], axis=1)
    weakest = float(np.linalg.eigvalsh(rows.T @ rows / count)[0])
    misfit = robust_scale(height[agree], np.ones(count))
    return Close(pose, count, int(np.count_nonzero(clash)), float(np.sqrt(max(weakest, 0.0))), misfit,
                 count / len(points))  # fmt: skip
