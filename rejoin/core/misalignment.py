"""How far original surfaces are out of line across a crack, beyond what the same measure shows where nothing is broken.

At places all along the rim one smooth surface with a step at the crack is fitted to both sides (`stretches`). The same
is done beside the crack, on either fragment alone: what it finds there is noise and form, and is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import near_masks
from rejoin.core.meshes import averaged_normals, compacted, rim_of, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray
from rejoin.core.stretches import FAR, HALF, SMOOTH, Index, Stretch, fitted
from rejoin.core.transforms import apply, turn

EDGE = 2.0
"""Spacings beside the crack that do not count: a scan rounds the very edge."""
BESIDE = FAR + EDGE
"""Spacings from the crack at which the measure is tried on one fragment alone."""
FEWEST, LEAST = 3, 25
"""Places that are needed, and points on either side of one."""
SHARE = 90.0
"""Percentage of the places that are less out of line than is told."""
HIDDEN = 10.0, 0.5
"""Noises, and spacings, that form alone passes for above which it would hide a step, so that none is told."""

DRAWN = 200
"""Times that errors are drawn (Efron 1979), one for two places: neighbouring ones share points."""

Places = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Misalignment:
    """The step of the original surfaces across a crack.

    ``step_mm`` is what 90 % of the places show less than, noise and form taken off; ``u95_mm`` (95 %) is of that
    measure where the fragments stand. ``places`` and ``ways`` (n, 3) are where it was taken and the surface's normals
    there, frame of the first fragment.
    """

    step_mm: float
    u95_mm: float
    places: FloatArray
    ways: FloatArray


@dataclass(frozen=True, eq=False)
class _Beside:
    """Original surface of one fragment beside the crack: points and normals (n, 3)."""

    points: FloatArray
    normals: FloatArray
    tree: cKDTree = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tree", cKDTree(self.points))

    def near(self, place: FloatArray, reach_mm: float) -> Places:
        return np.asarray(self.tree.query_ball_point(place, reach_mm), np.int64)


def misalignment(
    first: Fragment, second: Fragment, faces: tuple[IntArray, IntArray], a_from_b: FloatArray
) -> Misalignment | None:
    """Step of the original surfaces across the crack, of which 90 % of the places show less.

    Parameters
    ----------
    first, second : Fragment
    faces : two (k,) arrays
        Triangles of the first's and the second's fracture face.
    a_from_b : (4, 4)

    Returns
    -------
    Misalignment or None
        A step of 0 where the surfaces are as much in line as either is with itself; None where they do not run on
        from one fragment to the other at three places, or their own form would hide a step.
    """
    spacing = max(first.spacing_mm, second.spacing_mm)
    rim = first.mesh.vertices[rim_of(first.mesh, faces[0])]
    own, other = (_beside(*side, spacing) for side in ((first, faces[0]), (second, faces[1])))
    if min(len(own.points), len(other.points), len(rim)) < LEAST:
        return None
    other = _Beside(apply(a_from_b, other.points), turn(a_from_b, other.normals))
    _, chosen = np.unique(np.floor(rim / (HALF * spacing)).astype(np.int64), axis=0, return_index=True)
    across, alone, ways = list[Stretch](), list[Stretch](), list[FloatArray]()
    for seed in rim[np.sort(chosen)]:
        parts = [side.near(seed, FAR * spacing) for side in (own, other)]
        found = _stretch(seed, (own, other), (parts[0], parts[1]), spacing)
        if found is not None:
            stretch, frame = found
            across.append(stretch)
            ways.append(np.concatenate([seed, frame[:, 2]]))
            beside = (_alone(seed, side, way, frame, spacing) for side, way in ((own, -1.0), (other, 1.0)))
            alone += [one for one in beside if one is not None]
    if len(across) < FEWEST:
        return None
    noise = max(first.noise_mm, second.noise_mm)
    left = max(noise, 2.0 * float(np.median([one.noise_mm for one in across])))
    steps = [np.array([abs(float(one.told[0])) for one in some if one.noise_mm <= left]) for some in (across, alone)]
    step = _beyond(steps[0], steps[1], max(HIDDEN[0] * noise, HIDDEN[1] * spacing))
    if step is None:
        return None
    seen = np.array([way for way, one in zip(ways, across, strict=True) if one.noise_mm <= left])
    return Misalignment(step, _doubt(steps[0], steps[1], step), seen[:, :3], seen[:, 3:])


def _beyond(across: FloatArray, alone: FloatArray, most_mm: float) -> float | None:
    """What is seen across the crack beyond what either side shows alone; None where that is more than ``most_mm``."""
    if len(across) < FEWEST:
        return None
    usual = float(np.percentile(alone, SHARE)) if len(alone) >= FEWEST else 0.0
    if usual > most_mm:
        return None
    return float(np.sqrt(max(float(np.percentile(across, SHARE)) ** 2 - usual**2, 0.0)))


def _doubt(across: FloatArray, alone: FloatArray, step: float) -> float:
    """95 % bound on a step, when what is seen beside the crack is how far each place across it may be wrong.

    Both percentiles make the doubt of the step's square, in which noise and form were taken off.
    """
    if len(alone) < FEWEST:
        return step
    rng = np.random.default_rng(len(across))
    errors = rng.choice(np.concatenate([alone, -alone]), (DRAWN, (len(across) + 1) // 2))
    seen = np.abs(across + np.repeat(errors, 2, axis=1)[:, : len(across)])
    again = rng.choice(alone, (DRAWN, max(FEWEST, len(alone) // 2)))
    sizes = np.percentile(across, SHARE), np.percentile(alone, SHARE)
    spreads = (np.percentile(some, SHARE, axis=1).std() for some in (seen, again))
    doubt = 2.0 * 1.96 * float(np.hypot(*(size * spread for size, spread in zip(sizes, spreads, strict=True))))
    return float(max(np.sqrt(step**2 + doubt) - step, step - np.sqrt(max(step**2 - doubt, 0.0))))


def _stretch(
    seed: FloatArray, sides: tuple[_Beside, _Beside], parts: tuple[Places, Places], spacing: float
) -> tuple[Stretch, FloatArray] | None:
    """Step and bend between two sets of points, and the frame (columns across, along, outward) they are told in."""
    if min(len(part) for part in parts) < LEAST:
        return None
    mean = np.concatenate([side.normals[part] for side, part in zip(sides, parts, strict=True)]).mean(axis=0)
    mean /= max(float(np.linalg.norm(mean)), 1e-12)
    level = [part[side.normals[part] @ mean > SMOOTH] for side, part in zip(sides, parts, strict=True)]
    if min(len(part) for part in level) < LEAST:
        return None
    points = [side.points[part] for side, part in zip(sides, level, strict=True)]
    across = points[1].mean(axis=0) - points[0].mean(axis=0)
    across -= (across @ mean) * mean
    size = float(np.linalg.norm(across))
    if size < EDGE * spacing:
        return None
    frame = np.stack([across / size, np.cross(mean, across / size), mean], axis=1)
    split, last = len(points[0]), len(points[0]) + len(points[1])
    where: list[Index] = [np.arange(split), np.arange(split, last)]
    found = fitted(np.concatenate([*points, seed[None]]), last, frame, where, spacing, np.zeros(3))
    return None if found is None else (found, frame)


def _alone(seed: FloatArray, side: _Beside, way: float, frame: FloatArray, spacing: float) -> Stretch | None:
    """The same beside the crack, where one fragment's surface runs on unbroken."""
    place = side.points[side.tree.query(seed + way * BESIDE * spacing * frame[:, 0])[1]]
    near = side.near(place, FAR * spacing)
    along = (side.points[near] - place) @ frame[:, 0]
    parts = near[along < -EDGE * spacing], near[along > EDGE * spacing]
    found = _stretch(place, (side, side), parts, spacing)
    return None if found is None else found[0]


def _beside(fragment: Fragment, triangles: IntArray, spacing: float) -> _Beside:
    """Original surface beside a fracture face, as far as it is looked at, with normals averaged over neighbours."""
    mesh = fragment.mesh
    on_face = np.zeros(len(mesh.vertices), bool)
    on_face[mesh.triangles[triangles].ravel()] = True
    if not on_face.any() or on_face.all():
        return _Beside(np.empty((0, 3)), np.empty((0, 3)))
    near, _ = near_masks(mesh.vertices, mesh.vertices[on_face], (BESIDE + FAR) * spacing)
    outer = np.flatnonzero(near & ~on_face)
    away = cKDTree(mesh.vertices[on_face]).query(mesh.vertices[outer], workers=2)[0]
    beside = np.zeros(len(mesh.vertices), bool)
    beside[outer[away > EDGE * spacing]] = True
    crop, _ = compacted(mesh, np.flatnonzero(beside[mesh.triangles].all(axis=1)).astype(np.int32))
    return _Beside(crop.vertices, averaged_normals(crop, vertex_normals(crop), 2))
