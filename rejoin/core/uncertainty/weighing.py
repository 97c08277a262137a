"""Whether weights by the noise's correlation may be believed.

Such weights trust the finest relief most. What a scan's triangles cut off that relief is no noise: it follows the
pairs, so that each new pairing looks as good as the last and the rounds creep away. Where the noise model holds,
weighing all pairs alike errs about the same truth, only by more; where the two answers lie farther apart than the noise
so modelled makes them, the model does not hold (Hausman 1978, from memory), and all pairs weigh alike.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.linalg import eigh
from scipy.special import chdtri

from rejoin.core.records import FloatArray
from rejoin.core.uncertainty.equations import Contact, normal_equations
from rejoin.core.uncertainty.noise import NoiseModel, Whitened, noise_of_right

CHANCE = 1e-3
"""Chance below which the two answers are not of one noise."""


def evenly(model: NoiseModel) -> NoiseModel:
    """The same noise, on whose correlation the weights no longer rely; the covariance still counts it."""
    total = model.correlated + model.independent
    return replace(model, correlated=0.0, independent=total, doubted=model.correlated + model.doubted)


def contradicted(contact: Contact, told: Whitened, model: NoiseModel, firm: FloatArray, free: bool) -> bool:
    """Whether the weighted answer and that of plain least squares lie farther apart than one noise makes them.

    The pose is asked, not the layer: wear is uneven, and what it leaves is no noise either.

    Parameters
    ----------
    contact : Contact
    told : Whitened
        The joint's least squares under ``model``.
    model : NoiseModel
    firm : (7, 7)
        Projector onto the motions that the relief holds.
    free : bool
        Whether the layer is free.
    """
    if model.correlated == 0.0:
        return False
    size = 7 if free else 6
    matrix, right = normal_equations(contact)
    jacobian = contact.jacobian() * (contact.shares * np.sqrt(contact.robust))[:, None]
    base = _held(firm[:size, :size])
    plain, weighted = (
        base @ np.linalg.pinv(base.T @ one[:size, :size] @ base) @ base.T for one in (matrix, told.plain)
    )
    motions = _held(firm[:6, :6])
    apart = motions.T @ (plain @ right[:size] - weighted @ told.right[:size])[:6]
    # `told.right` is + its pulls times the residuals, `right` - the jacobian times them.
    pulls = (jacobian[:, :size] @ plain.T + told.pulls[:, :size] @ weighted.T)[:, :6] @ motions
    spread = noise_of_right(contact.pairs.middles, pulls, model)
    return bool(apart @ np.linalg.pinv(spread) @ apart > chdtri(motions.shape[1], CHANCE))


def _held(firm: FloatArray) -> FloatArray:
    """Orthonormal columns of what a projector, or a part of one, keeps."""
    base, held, _ = np.linalg.svd(firm)
    return np.asarray(base[:, held > 0.5 * max(held[0], 1e-12)])


def evened(told: Whitened, middles: FloatArray, model: NoiseModel) -> Whitened:
    """Least squares in which all pairs weigh alike, worth no more than pairs that err together are."""
    noise = noise_of_right(middles, told.pulls, model)
    ridge = 1e-9 * np.diag(np.diag(told.plain)) + 1e-12 * np.trace(told.plain) * np.eye(7)
    worth = 1.0 / max(1.0, float(eigh(noise, told.plain + ridge, eigvals_only=True).mean()))
    return Whitened(*(worth * part for part in (told.plain, told.crossed, told.right, told.scores, told.parts,
                                                told.pulls)))  # fmt: skip
