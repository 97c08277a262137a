"""Robust ICP of one fragment's surface on another's, from a pose that is nearly right.

Point to plane along the normals of both surfaces (Rusinkiewicz, 2019), outliers
weighed down by Tukey's function; damped, so that a flat face stays where it is
along itself.
"""

from __future__ import annotations

import numpy as np

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.relief import clear_of_rim
from rejoin.core.surfaces import Surface, faced, touching_limit
from rejoin.core.transforms import from_vector, inverse, orthonormal

ROUNDS = 8
"""Rounds of refining: the reach comes down to one spacing in four of them."""


SHRINKING = 0.8
"""Reach of a round of the approach, by that of the round before: down to one and a half spacings."""


def approached(
    first: Surface, second: Surface, a_from_b: FloatArray, seed: IntArray, reach_mm: float
) -> FloatArray:
    """The pose after ICP of the one face that led to it, on a sample of its vertices ``seed``."""
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    seed = seed[:: max(1, len(seed) // 1200)]
    b_from_a = inverse(a_from_b)
    least = 1.5 * spacing
    rounds = max(6, 1 + int(np.ceil(np.log(max(reach_mm / least, 1.0)) / -np.log(SHRINKING))))
    for _ in range(rounds):
        b_from_a = icp_round(first, second, b_from_a, seed, reach_mm)
        reach_mm = max(SHRINKING * reach_mm, least)
    return inverse(orthonormal(b_from_a))


def refined(first: Surface, second: Surface, a_from_b: FloatArray, with_rims: int = ROUNDS) -> FloatArray:
    """The pose after robust ICP of whatever of the fragments comes into contact.

    In the last rounds, from number ``with_rims`` on, rims are left out: a scanner may have rounded them off.
    """
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    b_from_a = inverse(a_from_b)
    reach = 2.0 * spacing
    for number in range(ROUNDS):
        reach = max(0.75 * reach, 1.0 * spacing)
        b_from_a = icp_round(first, second, b_from_a, first.samples, reach, within=number >= with_rims)
    return inverse(orthonormal(b_from_a))


def settled(first: Surface, second: Surface, a_from_b: FloatArray) -> FloatArray:
    """The pose after a few rounds of ICP over whatever is in contact."""
    reach = 3.0 * touching_limit(first.fragment, second.fragment)
    b_from_a = inverse(a_from_b)
    for _ in range(6):
        b_from_a = icp_round(first, second, b_from_a, first.samples, reach)
    return inverse(orthonormal(b_from_a))


def icp_round(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, reach: float, within: bool = False
) -> FloatArray:
    """One round of point-to-plane ICP along symmetric normals, Tukey weights of width ``reach``.

    ``within`` leaves out the rim of what touches, where much is left: a scanner rounds edges off.
    """
    seen = faced(first, second, b_from_a, chosen, 2.0 * reach)
    weight = np.square(np.clip(1 - np.square(seen.gap / reach), 0, None)) * (seen.facing < -0.4)
    if within:
        weight = weight * clear_of_rim(first, chosen, seen, weight > 0.0)
    if np.count_nonzero(weight) < 12:
        return b_from_a
    centre = np.average(seen.points, axis=0, weights=weight)
    jacobian = np.hstack([np.cross(seen.points - centre, seen.normals), seen.normals])
    matrix = jacobian.T @ (weight[:, None] * jacobian)
    size = np.sqrt(np.average(np.square(seen.points - centre).sum(axis=1), weights=weight))
    damping = 1e-4 * weight.sum() * np.array([size**2] * 3 + [1.0] * 3)
    move = -np.linalg.solve(matrix + np.diag(damping), jacobian.T @ (weight * seen.gap))
    limit = max(np.linalg.norm(move[:3]) * size, np.linalg.norm(move[3:])) / (2 * reach)
    return orthonormal(from_vector(move / max(1.0, limit), centre) @ b_from_a)
