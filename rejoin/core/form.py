"""The form of two faces that lie together, beyond a plane: whether they share one, as only two sides of a break do."""

from __future__ import annotations

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import gamma

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.surfaces import Facing, Surface
from rejoin.core.transforms import apply
from rejoin.core.views import BoolArray, robust_plane

FORM, FINEST = 6, 10
"""Degrees of the polynomials that a face's form is made of, and up to which the scans' noise is measured."""

FEW = 6
"""Waves that carry nearly all of a break's form: two unrelated breaks have so many chances to look alike."""


def shared_form(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, seen: Facing, clear: BoolArray,
    ways: list[IntArray],
) -> float:  # fmt: skip
    """Information (nats) in the form beyond a plane that both faces share: -log of its chance; infinite if untold.

    On two plane faces, or two unrelated ones, the mean and half the difference
    of the heights are equally large, however the scans' noise hangs together.
    The form of a break is in the mean only, and most of it in the longest
    waves, which stand out of the noise even where no single place does. (F
    tests, Fisher 1924; several together, Fisher 1925; from memory.)

    Parameters
    ----------
    first, second : Surface
    b_from_a : (4, 4)
    chosen : (n,)
        Vertices of a that ``seen`` is of.
    seen : Facing
    clear : (k,)
        Which of those seen touch, and are clear of the rim.
    ways : list of (m,)
        The smooth patches of what faces, as indices into ``seen``.
    """
    nodes_a, nodes_b = first.nodes, second.nodes
    of_a, of_b = nodes_a.of_vertex[chosen[seen.index]], nodes_b.of_vertex[seen.nearest]
    points = apply(b_from_a, nodes_a.points[of_a]), nodes_b.points[of_b]
    found: list[FloatArray] = []
    for way in ways:
        facet = way[clear[way]]
        finest = max((d for d in range(2, FINEST + 1) if 2 * (d + 1) * (d + 2) <= len(facet)), default=0)
        if finest:
            plane = robust_plane(points[1][facet], seen.normals[facet].mean(axis=0), np.ones(len(facet)))
            a, b = (plane.coordinates(p[facet]) for p in points)
            waves = _waves(0.5 * (a + b)[:, :2], finest)
            degree = np.repeat(np.arange(2, finest + 1), np.arange(3, finest + 2))
            mean, half = (0.5 * waves.T @ (a[:, 2] + sign * b[:, 2]) for sign in (1.0, -1.0))
            found.append(np.stack([degree, np.square(mean), np.square(half)]))
    return _form_information(*np.concatenate(found, axis=1)) if found else float("inf")


def _form_information(degree: FloatArray, mean: FloatArray, half: FloatArray) -> float:
    """Nats by which the squares of the mean's waves stand out from those of half the difference."""
    chances = []
    for d in range(2, min(FORM, int(degree.max())) + 1):
        here = degree == d
        count, alone, usual = np.count_nonzero(here), float(half[here].mean()), float(half.mean())
        noise = max(alone, usual, 1e-30)
        known = count if alone > usual else len(half)
        chances.append(f_distribution.logsf(float(mean[here].mean()) / noise, count, known))
    low = degree <= FORM
    together = f_distribution.logsf(float(mean[low].mean()) / max(float(half[low].mean()), 1e-30), FEW, FEW)
    one_by_one = gamma.logsf(-np.sum(chances), len(chances))
    # The better of two tests.
    return max(float(-min(together, one_by_one)) - float(np.log(2.0)), 0.0)


def _waves(xy: FloatArray, finest: int) -> FloatArray:
    """Orthogonal polynomials (n, k) at places (n, 2), from the second degree on, by rising degree."""
    x, y = (2.0 * (part - part.mean()) / max(float(np.ptp(part)), 1e-12) for part in xy.T)
    terms = [x ** (d - k) * y**k for d in range(finest + 1) for k in range(d + 1)]
    return np.asarray(np.linalg.qr(np.stack(terms, axis=1))[0][:, 3:])
