"""Whether the original surfaces of two fragments run on into each other all round a crack, and where they do best.

A break leaves what was one surface on either side of it. On faces too flat to
tell how they belong together, the original surfaces beside them still do: they
meet in place and in slope all round the rim, in one position only unless the
part repeats itself there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.contact import Side, Skirt, facing_triangles, rows, side_and_skirt
from rejoin.core.contact.across import crossings
from rejoin.core.contact.skirts import FAR
from rejoin.core.records import FloatArray, Fragment
from rejoin.core.robust import sigma_of, tukey
from rejoin.core.surfaces import touching_limit
from rejoin.core.transforms import from_vector, inverse, orthonormal

FEWEST_STRETCHES = 12
"""Stretches round a rim that must be there to be judged: four times the motions they are to tell."""

DOUBTED = 0.1
"""Share of the stretches that may fail even on a true break: a chip, a fillet, a burr."""

NEVER_BETTER = 0.05, float(np.deg2rad(1.0))
"""Least standard deviation of a step, in spacings, and of a bend: what the scan's triangles do to a curved surface."""

SHARED = 4.0
"""Stretches worth one independent one: each is asked from either side, and neighbours share points and noise."""

HALF = 0.5
"""Share of the rim along which surfaces that were one run on at least: worn and chipped ones do along more."""

ASIDE, PLAINLY = 0.5, 25.0
"""Spacings by which a position must be off, and nats by which they must tell it, to speak against a position."""

ROUNDS = 16


@dataclass(frozen=True, eq=False)
class Running:
    """How the original surfaces run on in a pose.

    Attributes
    ----------
    a_from_b : (4, 4)
        The pose after sliding along the face to where they run on best.
    share : float
        Of the stretches round both rims, those that run on.
    stretches : int
        How many were there to be judged.
    told : float
        Nats by which the stretches speak for one surface and against two.
    slid_mm : float
        How far the farthest stretch was moved.
    aside : float
        Nats by which they would have it slid, where that is by more than half a spacing.
    lever : float
        How much of a turn in the plane the stretches feel, 0 to 1: next to nothing round a circle, wherever
        its centre is.
    radius_mm : float
        Of the rim about its middle, root mean square.
    """

    a_from_b: FloatArray
    share: float
    stretches: int
    told: float
    slid_mm: float
    aside: float
    lever: float
    radius_mm: float

    @property
    def against(self) -> str:
        """What speaks against the pose that was given, in words; empty where nothing does."""
        if self.share < HALF:
            return f"the original surfaces run on along {100 * self.share:.0f} % of the rim only"
        if self.aside > PLAINLY:
            return f"the original surfaces beside the crack would line up {self.slid_mm:.2f} mm away"
        return ""


def running_on(first: Fragment, second: Fragment, a_from_b: FloatArray) -> Running | None:
    """Slide along a nearly flat crack to where the original surfaces run on, and tell how far they do.

    Parameters
    ----------
    first, second : Fragment
    a_from_b : (4, 4)
        Within about three spacings of the right place; the faces touch.

    Returns
    -------
    Running or None
        None where too little of a rim is there to be judged.
    """
    chosen = facing_triangles(first.mesh, second.mesh, a_from_b, 3.0 * touching_limit(first, second))
    if min(len(part) for part in chosen) < FEWEST_STRETCHES:
        return None
    faces = [(first, chosen[0]), (second, chosen[1])]
    (side, skirt), (_, other) = abreast(lambda face, _: side_and_skirt(*face), faces)
    return running_across(side, skirt, other, a_from_b)


def running_across(side: Side, a: Skirt, b: Skirt, a_from_b: FloatArray) -> Running | None:
    """The same by a's face and the skirts of both, where they are known already."""
    normal = (side.areas[:, None] * side.normals).sum(axis=0)
    return _slid(a, b, a_from_b, normal / float(np.linalg.norm(normal)))


def _slid(a: Skirt, b: Skirt, a_from_b: FloatArray, normal: FloatArray) -> Running | None:
    seen = crossings(a, b, a_from_b)
    count = len(seen.steps) + seen.ended
    if count < FEWEST_STRETCHES or len(seen.steps) < FEWEST_STRETCHES // 2:
        return None
    centre = seen.places.mean(axis=0)
    u = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    u /= np.linalg.norm(u)
    ways = np.zeros((6, 3))
    ways[:3, 0], ways[3:, 1], ways[3:, 2] = normal, u, np.cross(normal, u)
    jacobian = rows(seen.places, seen.normals, centre)[:, :6] @ ways
    step_sd = np.hypot(seen.step_sd, NEVER_BETTER[0] * seen.spacing_mm)
    bend_sd = np.hypot(seen.bend_sd, NEVER_BETTER[1])
    slide, tells = _slide(jacobian, seen.steps, step_sd)
    left = seen.steps + jacobian @ slide
    motion = ways @ slide
    moved = np.linalg.norm(motion[3:] + np.cross(motion[:3], seen.places - centre), axis=1)
    pose = orthonormal(inverse(from_vector(motion, centre)) @ a_from_b)
    odds = _odds(left / step_sd, seen.bends / bend_sd, step_sd, bend_sd, seen.spacing_mm)
    share = float((odds / (DOUBTED + odds)).sum()) / count
    told = float(np.log(DOUBTED + odds).sum() + seen.ended * np.log(DOUBTED)) / SHARED
    radius = float(np.sqrt(np.square(seen.places - centre).sum(axis=1).mean()))
    slid = float(moved.max())
    aside = tells if slid > ASIDE * seen.spacing_mm else 0.0
    return Running(pose, share, count, told, slid, aside, _lever(jacobian) / radius, radius)


def _lever(jacobian: FloatArray) -> float:
    """How far, root mean square, a turn by 1 about whichever centre they feel it least moves the stretches, mm."""
    turn, shifts = jacobian[:, 0], jacobian[:, 1:]
    return float(np.sqrt(np.square(turn - shifts @ np.linalg.lstsq(shifts, turn, rcond=None)[0]).mean()))


def _slide(jacobian: FloatArray, steps: FloatArray, sd: FloatArray) -> tuple[FloatArray, float]:
    """Turn and both shifts in the plane (3,) that close most of the steps, and the nats by which they tell them.

    Least squares, stragglers weighed down by and by: half of the stretches, along two straight sides, may not feel
    a slide that all the others do (graduated non-convexity: Blake and Zisserman 1987).
    """
    size = np.array([max(float(np.sqrt(np.square(jacobian[:, 0]).mean())), 1e-9), 1.0, 1.0])
    scaled, told = jacobian / size / sd[:, None], -steps / sd
    answer = np.zeros(3)
    widest = 2.0 * float(np.abs(told).max())
    for number in range(ROUNDS):
        left = told - scaled @ answer
        spread = max(sigma_of(left), 1.0)
        weight = tukey(left, max(5.0 * spread, widest / 2.0**number))
        matrix = scaled.T @ (weight[:, None] * scaled)
        # What no stretch holds, such as the turn of a round bar, stays as it is.
        ridge = 1e-2 * np.trace(matrix) / 3.0 * np.eye(3)
        answer = answer + np.linalg.solve(matrix + ridge, scaled.T @ (weight * left))
    return answer / size, float(answer @ matrix @ answer) / (2.0 * SHARED * spread**2)


def _odds(
    steps: FloatArray, bends: FloatArray, step_sd: FloatArray, bend_sd: FloatArray, spacing: float
) -> FloatArray:
    """Odds (k,) that each stretch is one surface to two that meet by chance, from its step and bend over their sd."""
    one = np.exp(-0.5 * (np.square(steps) + np.square(bends))) / (2.0 * np.pi * step_sd * bend_sd)
    return np.asarray((1.0 - DOUBTED) * one * (FAR * spacing) * (np.pi / 2.0))
