"""The form of two faces that lie together, beyond a plane: whether they share one, as only two sides of a break do."""

from __future__ import annotations

import numpy as np
from scipy.special import fdtrc

from rejoin.core.records import FloatArray, IntArray
from rejoin.core.surfaces import Facing, Surface
from rejoin.core.transforms import apply
from rejoin.core.views import BoolArray, robust_plane, without_fringe

FEWEST = 24
"""Places on a face below which it tells nothing of its form."""

ONE_PLANE = 0.9
"""Share of all patches that must lie in one plane for them to be taken together."""

DEGREES = 6
"""Degrees of the polynomials that a face's form is made of: down to a third of the face."""


def shared_form(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, seen: Facing, clear: BoolArray,
    ways: list[IntArray],
) -> float:  # fmt: skip
    """Information (nats) in the form beyond a plane that both faces share: -log of its chance; infinite if untold.

    On two plane faces, or two unrelated ones, the mean and half the difference
    of the heights are equally large, however the scans' noise hangs together.
    The form of a break is in the mean only, and most of it in the longest
    waves, which stand out of the noise even where no single place does. (F
    test, Fisher 1924, from memory.)

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
    total = np.zeros(3)
    facets = [way[clear[way]] for way in ways]
    for facet in _in_one(facets, points[1], seen.normals, 2.0 * second.fragment.spacing_mm):
        if len(facet) < FEWEST:
            continue
        plane = robust_plane(points[1][facet], seen.normals[facet].mean(axis=0), np.ones(len(facet)))
        a, b = (plane.coordinates(p[facet]) for p in points)
        # A fillet or a flange beside a plane is no form of the plane's.
        kept = without_fringe(0.5 * (a + b))
        total += _shared(0.5 * (a + b)[kept, :2], a[kept, 2], b[kept, 2])
    return _nats(total)


def form_in_common(xy: FloatArray, first: FloatArray, second: FloatArray) -> float:
    """Information (nats) in the form that two heights (n,) over places (n, 2) share, as `shared_form` tells it."""
    return _nats(_shared(xy, first, second))


def _shared(xy: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Squares of the mean and of half the difference of two heights, and of how many waves."""
    finest = max((d for d in range(2, DEGREES + 1) if 2 * (d + 1) * (d + 2) <= len(xy)), default=0)
    if not finest:
        return np.zeros(3)
    waves = _waves(xy, finest)
    mean, half = (np.square(0.5 * waves.T @ height).sum() for height in (first + second, first - second))
    return np.array([mean, half, waves.shape[1]])


def _nats(total: FloatArray) -> float:
    mean, half, count = total
    chance = float(fdtrc(count, count, mean / max(half, 1e-30))) if count else 0.0
    return -float(np.log(chance)) if chance else float("inf")


def _in_one(facets: list[IntArray], points: FloatArray, normals: FloatArray, near_mm: float) -> list[IntArray]:
    """The patches of one plane as one: what they share of its form is how they stand to each other."""
    whole = np.concatenate(facets) if facets else np.empty(0, np.int32)
    if len(facets) < 2 or len(whole) < FEWEST:
        return facets
    plane = robust_plane(points[whole], normals[whole].mean(axis=0), np.ones(len(whole)))
    near = np.abs(plane.coordinates(points[whole])[:, 2]) < near_mm
    return [whole] if near.mean() > ONE_PLANE else facets


def _waves(xy: FloatArray, finest: int) -> FloatArray:
    """Orthogonal polynomials (n, k) at places (n, 2), from the second degree on, by rising degree."""
    x, y = (2.0 * (part - part.mean()) / max(float(np.ptp(part)), 1e-12) for part in xy.T)
    terms = [x ** (d - k) * y**k for d in range(finest + 1) for k in range(d + 1)]
    return np.asarray(np.linalg.qr(np.stack(terms, axis=1))[0][:, 3:])
