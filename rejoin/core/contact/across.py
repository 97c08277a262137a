"""Stretch by stretch round a crack: does the original surface run on, in place and in direction?

Unlike `steps_across`, which measures where the surface is known to run on,
this asks whether it does: a stretch that ends at the crack, or goes on aside
or at another slope, speaks against the pose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.contact.skirts import ALIKE, FAR, FEWEST, HALF_STRETCH, NEAR, Skirt, seeds_of
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, turn

MOST_EACH = 80
"""Stretches that are asked along either rim."""

SURE = 2 * FEWEST
"""Points of a skirt from which it surely is there, so that the other's absence tells."""

WIDER = np.cos(np.deg2rad(45.0))
"""A counterpart may turn by so much and still be measured: the fit tells by how much."""

HANGS = 2.8
"""Times the standard error of independent points that a fit to a scan shows: its noise hangs together."""


@dataclass(frozen=True, eq=False)
class Crossings:
    """Original surface across a crack, in a's frame.

    Attributes
    ----------
    places, normals : (k, 3)
        Middle of each measured stretch on the crack, and the outward normal of the side that asked.
    steps, step_sd : (k,)
        How far a stands out over b, mm, and its standard deviation.
    bends, bend_sd : (k,)
        By how much the slope changes at the crack, rad.
    ended : int
        Stretches that have no counterpart at all.
    """

    places: FloatArray
    normals: FloatArray
    steps: FloatArray
    step_sd: FloatArray
    bends: FloatArray
    bend_sd: FloatArray
    ended: int
    spacing_mm: float


def crossings(a: Skirt, b: Skirt, a_from_b: FloatArray) -> Crossings:
    """The stretches along both rims: those of a, then those of b.

    Parameters
    ----------
    a, b : Skirt
        Each in its own frame.
    a_from_b : (4, 4)
    """
    spacing = max(a.spacing_mm, b.spacing_mm)
    found, ended = [], 0
    if a.tree is not None and b.tree is not None:
        here = _Placed(a.points, a.normals, a.rim, a.tree)
        points = apply(a_from_b, b.points)
        there = _Placed(points, turn(a_from_b, b.normals), apply(a_from_b, b.rim), cKDTree(points))
        for own, other, sign in ((here, there, 1.0), (there, here, -1.0)):
            for place, normal, fit in _asked(own, other, spacing):
                if fit is None:
                    ended += 1
                else:
                    found.append((place, normal, np.array([sign * fit[0], *fit[1:]])))
    if not found:
        none = np.empty(0)
        return Crossings(np.empty((0, 3)), np.empty((0, 3)), none, none, none, none, ended, spacing)
    places, normals, fits = (np.array(column) for column in zip(*found, strict=True))
    return Crossings(places, normals, fits[:, 0], fits[:, 1], fits[:, 2], fits[:, 3], ended, spacing)


@dataclass(frozen=True, eq=False)
class _Placed:
    """A skirt in a's frame."""

    points: FloatArray
    normals: FloatArray
    rim: FloatArray
    tree: cKDTree


Fit = tuple[float, float, float, float]


def _asked(own: _Placed, other: _Placed, spacing: float) -> list[tuple[FloatArray, FloatArray, Fit | None]]:
    """Place, normal and fit of each stretch along one rim that is fit to be asked."""
    reach = float(np.hypot(FAR, HALF_STRETCH)) * spacing
    answers: list[tuple[FloatArray, FloatArray, Fit | None]] = []
    for seed, place in seeds_of(own.points, own.normals, own.rim, spacing, MOST_EACH):
        normal = own.normals[seed]
        across = place - own.points[seed]
        across = across - (across @ normal) * normal
        size = float(np.linalg.norm(across))
        if size < 0.5 * spacing:
            continue
        frame = np.stack([across / size, np.cross(normal, across / size), normal], axis=1)
        mine = _part(own, place, frame, reach, spacing, -1.0, ALIKE)
        if len(mine) < SURE or not _wide(mine):
            continue
        opposite = _part(other, place, frame, reach, spacing, 1.0, WIDER)
        if len(opposite) < FEWEST or not _wide(opposite):
            if not _begins(opposite):
                answers.append((place, normal, None))
            continue
        fit = _fit(mine, opposite, spacing)
        if fit is not None:
            answers.append((place, normal, fit))
    return answers


def _part(
    side: _Placed, place: FloatArray, frame: FloatArray, reach: float, spacing: float, sign: float, alike: float
) -> FloatArray:
    """Points (k, 3) of one side of a stretch: across, along and out of the surface, in spacings."""
    near = np.sort(np.array(side.tree.query_ball_point(place, reach), np.int64))
    local = (side.points[near] - place) @ frame / spacing
    good = (side.normals[near] @ frame[:, 2] > alike) & (np.abs(local[:, 1]) < HALF_STRETCH)
    good &= (np.abs(local[:, 2]) < FAR / 2.0) & (sign * local[:, 0] > 0.5 * NEAR) & (sign * local[:, 0] < FAR)
    return np.asarray(local[good])


def _wide(part: FloatArray) -> bool:
    return bool(np.ptp(part[:, 0]) >= 3.0 and np.ptp(part[:, 1]) >= HALF_STRETCH)


def _begins(part: FloatArray) -> bool:
    """Whether a counterpart is there, if only close to the crack: an edge of the part may end it soon."""
    close = (np.abs(part[:, 0]) < 0.5 * FAR) & (np.abs(part[:, 2]) < NEAR)
    return bool(np.count_nonzero(close) >= FEWEST // 2)


def _fit(mine: FloatArray, opposite: FloatArray, spacing: float) -> Fit | None:
    """Step and bend at the crack, with standard deviations: one smooth surface with a break in it."""
    x, t, z = np.concatenate([mine, opposite]).T
    beyond = np.repeat([-0.5, 0.5], [len(mine), len(opposite)])
    smooth = [np.ones(len(x)), x, t, x * x, x * t, t * t, beyond, x**3 / FAR**2]
    step = _solved(np.stack(smooth, axis=1), z)
    bend = _solved(np.stack([*smooth, np.abs(x) / 2.0], axis=1), z)
    if step is None or bend is None:
        return None
    upright = float(np.sqrt(1.0 + step[0][1] ** 2 + step[0][2] ** 2))
    # What noise is left once the bend is allowed for is the scan's.
    noise = HANGS * bend[2]
    return (
        -spacing * float(step[0][6]) / upright,
        spacing * noise * float(np.sqrt(step[1][6])),
        float(bend[0][8]) / upright**2,
        noise * float(np.sqrt(bend[1][8])) / upright**2,
    )


def _solved(design: FloatArray, heights: FloatArray) -> tuple[FloatArray, FloatArray, float] | None:
    """Coefficients, their variances for unit noise, and the noise; None where they are not told apart."""
    information = design.T @ design
    if len(heights) <= design.shape[1] or np.linalg.cond(information) > 1e10:
        return None
    inverse = np.linalg.inv(information)
    answer = inverse @ (design.T @ heights)
    left = heights - design @ answer
    noise = float(np.sqrt(left @ left / (len(heights) - design.shape[1])))
    return answer, np.diag(inverse), noise
