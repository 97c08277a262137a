"""What the original surfaces say of a joint's pose: their steps across the crack, and the planes that run on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.linalg import eigh

from rejoin.core.contact import Level, Steps, rows
from rejoin.core.records import FloatArray
from rejoin.core.robust import sigma_of, tukey
from rejoin.core.uncertainty.layers import scaled_inverse

FEWEST_STEPS = 12
"""Stretches of the rim that must be there: twice the motions that they are to tell."""

SHARED = 2.0
"""Stretches of the rim that are worth one independent one: neighbours share points, and noise that is
correlated over several spacings."""

FIRM_RIM = 0.9
"""The same for the original surfaces beside the crack: noise tilts a stretch and shifts its step at
once, so a motion that they hold by noise in their normals is not only unsure but wrong."""


def step_equations(
    steps: Steps, noise_mm: float, centre: FloatArray, held: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """(6, 6) information and (6,) right side of a joint's pose from steps of the original surface.

    Each stretch of the rim counts by its own leverage; how well one vouches for the next shows in their
    scatter (never better than the noise), and stretches that stand out are left out (Tukey). A few stretches
    that alone tell of some motion agree with each other by themselves: what the faces' relief already
    ``held`` (6, 6 information) shows whether they are to be believed.
    """
    if len(steps.steps) < FEWEST_STEPS:
        return np.zeros((6, 6)), np.zeros(6)
    jacobian = rows(steps.places, steps.normals, centre)[:, :6]
    size = np.sqrt(steps.leverage)
    scaled, told = jacobian / size[:, None], steps.steps / size
    middle = float(np.median(np.linalg.norm(jacobian[:, :3], axis=1))) or 1.0
    ridge = 1e-6 * len(told) * np.diag([middle**2] * 3 + [1.0] * 3) / float(np.median(steps.leverage))
    # The pose is nearly right already: stretches that say otherwise by far are the suspects.
    left = told
    for _ in range(6):
        # The six motions take their share of the scatter.
        spread = sigma_of(left) * np.sqrt(len(told) / max(len(told) - 6.0, 1.0))
        spread = max(spread, noise_mm)
        weights = tukey(left, 5.0 * spread)
        matrix = scaled.T @ (weights[:, None] * scaled)
        known = ridge if held is None else ridge + spread**2 * held
        left = told - scaled @ np.linalg.solve(matrix + known, scaled.T @ (weights * told))
    first, second = (rows(steps.places, n, centre)[:, :6] / size[:, None] for n in (steps.normals_a, steps.normals_b))
    product = first.T @ (weights[:, None] * second)
    values, vectors = eigh(0.5 * (product + product.T), matrix + ridge)
    # Along a straight part the surfaces say nothing of the gap, but the noise in their normals would.
    firm = (vectors * (values > FIRM_RIM)) @ np.linalg.inv(vectors)
    right, trust = -scaled.T @ (weights * told), 1.0 / (SHARED * spread**2)
    return trust * np.asarray(firm.T @ matrix @ firm), trust * np.asarray(firm.T @ right)


APART = 16.3
"""Chi square (three freedoms, one in a thousand) from which two planes are not one, or the part is bent."""

MOST_OF = 2.0 / 3.0
"""Share of the planes that must agree: where more do not, none is believed."""


def level_equations(levels: Sequence[Level], centre: FloatArray, motion: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(6, 6) information and (6,) right side of a joint's pose from planes; ``motion`` (6,) since they were seen."""
    matrix, right = np.zeros((6, 6)), np.zeros(6)
    for level in levels:
        jacobian = level.rows(centre)
        weighted = np.linalg.solve(level.covariance, jacobian).T
        matrix += weighted @ jacobian
        right -= weighted @ (level.apart + jacobian @ motion)
    return 0.5 * (matrix + matrix.T), right


def agreeing_levels(levels: Sequence[Level], centre: FloatArray, covariance: FloatArray) -> list[Level]:
    """The planes that agree with a joint's pose of this covariance (6, 6), and with each other.

    One after the other, the plane that stands out most is left out. Where the
    rest still scatters more than it should, its covariances are widened as
    much (Birge 1932, from memory).
    """
    kept, told = list(levels), scaled_inverse(covariance)
    while kept:
        matrix, right = level_equations(kept, centre, np.zeros(6))
        motion = np.linalg.solve(told + matrix, right)
        among = [_square(level.apart + level.rows(centre) @ motion, level.covariance) for level in kept]
        alone = [_square(level.apart, level.covariance + level.rows(centre) @ covariance @ level.rows(centre).T)
                 for level in kept]  # fmt: skip
        worst = np.maximum(among, alone)
        if worst.max() < APART:
            break
        del kept[int(worst.argmax())]
    if not kept or len(kept) < MOST_OF * len(levels):
        return []
    scatter = (sum(among) + float(motion @ told @ motion)) / (3.0 * len(kept))
    return [replace(level, covariance=max(scatter, 1.0) * level.covariance) for level in kept]


def _square(value: FloatArray, covariance: FloatArray) -> float:
    return float(value @ np.linalg.solve(covariance, value))
