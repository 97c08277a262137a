"""Scale and weights of residuals among which some are no noise."""

from __future__ import annotations

import numpy as np

from rejoin.core.records import FloatArray

SIGMA = 1.4826
"""1 sigma of a normal distribution over its median absolute value."""


def sigma_of(residuals: FloatArray) -> float:
    """1 sigma from the median ABSOLUTE residual (never centred: a uniform gap must count); 0 of none."""
    return SIGMA * float(np.median(np.abs(residuals))) if len(residuals) else 0.0


def robust_scale(residuals: FloatArray, weights: FloatArray) -> float:
    """The same from the weighted median, of 20,000 residuals at most."""
    step = max(1, len(residuals) // 20_000)
    sizes, weights = np.abs(residuals[::step]), weights[::step]
    order = np.argsort(sizes, kind="stable")
    total = np.cumsum(weights[order])
    return float(SIGMA * sizes[order[np.searchsorted(total, 0.5 * total[-1])]])


def tukey(residuals: FloatArray, limit: float) -> FloatArray:
    """Tukey's biweight: 1 at 0, 0 from ``limit`` on."""
    return np.square(np.clip(1.0 - np.square(residuals / limit), 0.0, None))
