"""Slow errors of a scan: what they make of a joint's pose, told from what of them the pose could not take up.

A scanner that is out of calibration, or a program that smooths, errs in waves far longer than the noise. Waves about
as long as a joint's face mostly tilt and shift it, which no misfit shows; what is left of them does. The errors are
taken for a random field of the sizes and lengths under which the misfit that is left, with the pose taken out, is
likely (restricted maximum likelihood: Patterson and Thompson, 1971, from memory). Where noise alone is nearly as
likely, nothing is told.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import eigh, qr
from scipy.spatial.distance import cdist

from rejoin.core.records import FloatArray
from rejoin.core.uncertainty.equations import Contact
from rejoin.core.uncertainty.noise import Index, NoiseModel, Whitened, blocks

PAIRS, MOST, FEWEST = 32, 100, 16
"""Pairs in one block, at least; blocks at most, and at least."""
ASKED = 8
"""Pairs of each block from which it is told how its noise hangs together with the others'."""
LENGTHS = (1.0, 1.5)
"""Lengths of the field that are tried, in radii of the face."""
SHORT, LONG = (0.0, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0), 1.5
"""Variances, in the noise's, of a misfit that hangs together over two blocks and is no slow error (rims, uneven wear);
a slow one is longer by so much at least."""
FLOOR = 0.1
"""Of the noise that hangs together so much counts for each pair alone too: no noise is without it."""
SIZES = np.logspace(-1.0, 4.0, 21)
"""Variances of the field that are tried, in those of a block's noise."""
LIKELIER = 6.6
"""Twice the logarithm of how much likelier a field must be than none: by chance in a hundredth of all joints."""


def slow_errors(contact: Contact, told: Whitened, model: NoiseModel) -> FloatArray:
    """Covariance (7, 7) of a joint's right side by slow errors of both scans.

    Parameters
    ----------
    contact : Contact
        At the answer.
    told : Whitened
        Its least squares there.
    model : NoiseModel
        Of the noise that hangs together over some spacings.
    """
    weights, middles = contact.shares * contact.robust, contact.pairs.middles
    groups = blocks(middles, max(PAIRS, -(-len(middles) // MOST)))
    groups = [group for group in groups if weights[group].sum() > 0.0]
    if len(groups) < FEWEST:
        return np.zeros((7, 7))

    def means(values: FloatArray) -> FloatArray:
        return np.array([np.average(values[group], axis=0, weights=weights[group]) for group in groups])

    places, gaps, columns = means(middles), means(contact.residuals), means(contact.jacobian())
    pulls = np.array([told.pulls[group].sum(axis=0) for group in groups])
    apart = cdist(places, places)
    radius = float(np.sqrt(2.0 * np.square(places - places.mean(axis=0)).sum(axis=1).mean()))
    wide = 2.0 * float(np.median(np.sort(apart, axis=1)[:, 1]))
    left = qr(columns)[0][:, columns.shape[1] :]
    gaps = left.T @ gaps
    if not gaps.any():
        return np.zeros((7, 7))
    noise = left.T @ _noise(middles, groups, model) @ left
    short = left.T @ _alike(apart, wide) @ left
    size = np.trace(noise) / np.trace(short)
    nulls = [noise + share * size * short for share in SHORT]
    least = min(_unlikely(gaps, null) for null in nulls)
    told_of, spreads = list[float](), list[FloatArray]()
    for length in (radius * share for share in LENGTHS if radius * share > LONG * wide):
        alike = _alike(apart, length)
        for null in nulls:
            unlikely, variance = _likeliest(gaps, left.T @ alike @ left, null)
            told_of.append(least - unlikely)
            spreads.append(variance * pulls.T @ alike @ pulls)
    if not told_of or max(told_of) < LIKELIER:
        return np.zeros((7, 7))
    weights = np.exp(0.5 * (np.array(told_of) - max(told_of)))
    return np.asarray(np.tensordot(weights / weights.sum(), spreads, 1))


def _alike(apart: FloatArray, length_mm: float) -> FloatArray:
    return np.asarray(np.exp(-((apart / length_mm) ** 1.5)))


def _unlikely(gaps: FloatArray, noise: FloatArray) -> float:
    """Twice the negative log of the likelihood of noise of this form, whatever its size."""
    _, logs = np.linalg.slogdet(noise)
    return float(len(gaps) * np.log(gaps @ np.linalg.solve(noise, gaps) / len(gaps)) + logs)


def _noise(middles: FloatArray, groups: list[Index], model: NoiseModel) -> FloatArray:
    """Covariance (b, b) of blocks' means by noise; what of it hangs together from `ASKED` pairs of each."""
    some = np.concatenate([middles[group[np.linspace(0, len(group) - 1, ASKED).astype(int)]] for group in groups])
    each = model.alike(cdist(some, some)).reshape(len(groups), ASKED, len(groups), ASKED).mean(axis=(1, 3))
    shared, alone = model.correlated + model.doubted, model.independent - model.doubted
    own = [(alone + FLOOR * shared) / len(group) for group in groups]
    return np.asarray(shared * each + np.diag(own))


def _likeliest(gaps: FloatArray, alike: FloatArray, noise: FloatArray) -> tuple[float, float]:
    """As `_unlikely`, with a field of the likeliest variance besides, and that variance."""
    sizes, ways = eigh(alike, noise)
    square, most = np.square(ways.T @ gaps), max(float(sizes.max()), 1e-30)
    each = np.maximum(sizes, 0.0)[None] * (SIZES[:, None] / most) + 1.0
    scale = (square[None] / each).mean(axis=1)
    unlikely = len(gaps) * np.log(scale) + np.log(each).sum(axis=1) + np.linalg.slogdet(noise)[1]
    at = int(unlikely.argmin())
    return float(unlikely[at]), float(SIZES[at] / most * scale[at])
