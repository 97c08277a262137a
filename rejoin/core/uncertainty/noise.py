"""How the noise of a joint's pairs hangs together, and least squares that allow for it.

Neighbouring pairs err alike: a scanner smooths over several points. Least
squares that know this (generalised, Aitken 1935, from memory) trust the fine
relief, where that common error is small, more than the level of the face,
where it is not. A face is taken in blocks: within a block the correlation
counts in full, between blocks it is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dpotrf, dtrtrs
from scipy.sparse import coo_matrix
from scipy.spatial import cKDTree

from rejoin.core.contact import Pairs, rows
from rejoin.core.records import FloatArray

Index = npt.NDArray[np.intp]

CORRELATED = 8.0
"""Spacings over which the residuals' own correlation is measured."""

SAMPLED = 1500
"""Pairs whose neighbours are looked at for the correlation: enough for a few per cent."""

INDEPENDENT = 0.5
"""Least share of the variance that counts as independent from pair to pair. What the scan's
triangles cut off the finest relief looks like that relief; trust in it needs a limit."""

BLOCK = 128
"""Pairs in one block: some 8 spacings across, wider than the noise is correlated."""

CELL = 0.35
"""Correlation lengths across the cells within which pairs err alike: 0.9 and more of their noise is common."""

FAINT = 0.01
"""Correlation below which noise counts as independent."""

POWERS = (1.0, 1.5, 2.0)
"""Shapes of the correlation, exp(-(distance / length) ** power), that are tried."""


@dataclass(frozen=True)
class NoiseModel:
    """Noise of a joint's pairs: variances (mm²), correlation length (mm) and power.

    ``doubted`` is the part of ``independent`` that was seen to be correlated
    too: the weights do not rely on it, the covariance has to count it.
    """

    correlated: float
    independent: float
    length_mm: float
    power: float
    doubted: float = 0.0

    def covariance(self, distance_mm: FloatArray) -> FloatArray:
        """Covariance of two different pairs at a distance."""
        return np.asarray(self.correlated * np.exp(-((distance_mm / self.length_mm) ** self.power)))


def white(variance: float, spacing_mm: float) -> NoiseModel:
    """Independent noise."""
    return NoiseModel(0.0, max(variance, 1e-300), spacing_mm, 2.0)


def noise_model(middles: FloatArray, residuals: FloatArray, spacing_mm: float) -> NoiseModel:
    """The model nearest to the residuals' own correlation over distance.

    Parameters
    ----------
    middles : (k, 3)
    residuals : (k,)
        Outliers weighed down, not centred.
    spacing_mm : float
    """
    count = len(middles)
    chosen = np.sort(np.random.default_rng(20190712).choice(count, min(SAMPLED, count), replace=False))
    near = cKDTree(middles[chosen]).sparse_distance_matrix(
        cKDTree(middles), CORRELATED * spacing_mm, output_type="ndarray"
    )
    one, other, distance = chosen[near["i"]], near["j"], near["v"] / spacing_mm
    apart = one != other
    one, other, distance = one[apart], other[apart], distance[apart]
    place = np.floor(2.0 * distance).astype(np.int64)
    number = np.bincount(place, minlength=1)
    variance = float(np.mean(np.square(residuals)))
    if number.sum() == 0:
        return white(variance, spacing_mm)
    held = number > 0
    mean = (np.bincount(place, residuals[one] * residuals[other]) / np.maximum(number, 1))[held]
    at = (np.bincount(place, distance) / np.maximum(number, 1))[held]
    share = number[held] / number.sum()
    best = (np.inf, 0.0, 1.0, 2.0)
    for power in POWERS:
        for length in np.geomspace(0.7, CORRELATED, 25):
            shape = np.exp(-((at / length) ** power))
            size = float(np.clip((share * shape * mean).sum() / (share * shape * shape).sum(), 0.0, variance))
            cost = float((share * np.square(mean - size * shape)).sum())
            if cost < best[0]:
                best = (cost, size, float(length), power)
    _, size, length, power = best
    used = min(size, (1.0 - INDEPENDENT) * variance)
    return NoiseModel(used, max(variance - used, 1e-300), length * spacing_mm, power, size - used)


@dataclass(frozen=True, eq=False)
class Whitened:
    """The generalised least squares of one joint at its present pairs (1/mm² where it is of shifts).

    Attributes
    ----------
    plain, crossed : (7, 7)
        Normal matrix of the common normals, and of one scan's normals times the other's.
    right : (7,)
    scores : (b, 7)
        Each block's share of ``right``, and
    parts : (b, 7, 7)
        of ``plain``.
    pulls : (k, 7)
        By how much each pair's robust residual pulls ``right``.
    """

    plain: FloatArray
    crossed: FloatArray
    right: FloatArray
    scores: FloatArray
    parts: FloatArray
    pulls: FloatArray


def whitened(
    pairs: Pairs, residuals: FloatArray, robust: FloatArray, centre: FloatArray, model: NoiseModel
) -> Whitened:
    """Normal equations under a noise model; ``robust`` are Tukey's weights (k,)."""
    middles = pairs.middles - centre
    columns = np.concatenate(
        [*(rows(middles, normals, np.zeros(3)) for normals in (pairs.directions, -pairs.normals_a, pairs.normals_b)),
         residuals[:, None]], axis=1,
    )  # fmt: skip
    columns *= np.sqrt(robust)[:, None]
    used = blocks(middles)
    scores, parts, crossed = np.empty((len(used), 7)), np.empty((len(used), 7, 7)), np.zeros((7, 7))
    pulls = np.empty((len(middles), 7))
    for number, index in enumerate(used):
        clear, pulls[index] = _whitening(middles[index], model, columns[index])
        common, first, second, gap = clear[:, :7], clear[:, 7:14], clear[:, 14:21], clear[:, 21]
        parts[number], scores[number] = common.T @ common, -common.T @ gap
        crossed += first.T @ second
    return Whitened(parts.sum(axis=0), 0.5 * (crossed + crossed.T), scores.sum(axis=0), scores, parts, pulls)


def _whitening(middles: FloatArray, model: NoiseModel, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The columns of one block in units of independent noise, and the first seven over the covariance."""
    if model.correlated == 0.0:
        return columns / np.sqrt(model.independent), -columns[:, :7] / model.independent
    square = np.square(middles).sum(axis=1)
    distance = np.sqrt(np.maximum(square[:, None] + square - 2.0 * middles @ middles.T, 0.0))
    covariance = model.covariance(distance)
    covariance[np.diag_indices(len(middles))] += model.independent
    # LAPACK itself: for blocks as small as these the checks around it take longer than it does.
    factor, failed = dpotrf(covariance, lower=True)
    if failed:  # pragma: no cover - the independent share keeps it positive
        whole = model.independent + model.correlated
        return columns / np.sqrt(whole), -columns[:, :7] / whole
    clear = dtrtrs(factor, columns, lower=True)[0]
    return clear, -dtrtrs(factor, clear[:, :7], lower=True, trans=1)[0]


def noise_of_right(middles: FloatArray, pulls: FloatArray, model: NoiseModel) -> FloatArray:
    """Covariance (7, 7) of the right side under all of the noise that hangs together, across blocks too.

    Pairs within a third of the correlation length are taken together.
    """
    shared = model.correlated + model.doubted
    total = (model.independent - model.doubted) * (pulls.T @ pulls)
    if shared <= 0.0:
        return np.asarray(total)
    group = _cells(middles, CELL * model.length_mm)
    both = np.concatenate([middles, pulls], axis=1)
    sums = np.stack([np.bincount(group, column) for column in both.T], axis=1).astype(np.float64)
    places, sums = sums[:, :3] / np.bincount(group)[:, None], sums[:, 3:]
    tree = cKDTree(places)
    reach = model.length_mm * float(np.log(1.0 / FAINT)) ** (1.0 / model.power)
    near = tree.query_pairs(reach, output_type="ndarray")
    one, other = near.T
    square = np.zeros(len(near))
    for axis in np.ascontiguousarray(places.T):
        square += np.square(axis[one] - axis[other])
    weight = np.exp(-((np.sqrt(square) / model.length_mm) ** model.power))
    between = sums.T @ (coo_matrix((weight, (one, other)), (len(places),) * 2) @ sums)
    return np.asarray(total + shared * (sums.T @ sums + between + between.T))


def _cells(points: FloatArray, size_mm: float) -> Index:
    """A number (k,) for each point, the same for all in one cell of a grid."""
    cells = np.floor((points - points.min(axis=0)) / size_mm).astype(np.int64)
    wide = cells.max(axis=0) + 1
    return np.unique((cells[:, 0] * wide[1] + cells[:, 1]) * wide[2] + cells[:, 2], return_inverse=True)[1]


def blocks(points: FloatArray, size: int = BLOCK) -> list[Index]:
    """Indices of compact blocks of at most ``size`` points: halved again and again across their longest side."""
    waiting: list[Index] = [np.arange(len(points))]
    done: list[Index] = []
    while waiting:
        index = waiting.pop()
        if len(index) <= size:
            if len(index):
                done.append(np.sort(index))
            continue
        axis = int(np.ptp(points[index], axis=0).argmax())
        half = len(index) // 2
        order = np.argpartition(points[index, axis], half)
        waiting += [index[order[:half]], index[order[half:]]]
    return done
