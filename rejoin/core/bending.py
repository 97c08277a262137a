"""How much a mended part is bent: one side of the place where it gave is the datum, the other is measured from there.

A best fit over all of a bent part spreads the bend over both its sides, so that each looks less than half as far off as
the bend is. Laid on one side alone, the other tells all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.records import FloatArray
from rejoin.core.robust import sigma_of, tukey

BoolArray = npt.NDArray[np.bool_]

CUTS = np.linspace(0.15, 0.85, 29)
"""Shares of the part on one side of the places where it may have given."""
LEAST = 1 / 3
"""Share of the part that the datum is at least."""
REST = 0.03
"""Share of the part that must stand off the datum: less is a dent, or a place that was built up."""
SURE = 3.0
"""Sigmas of noise beyond which a place stands off."""
FORM = 0.9, 2.5
"""Share of a side that kept its form that lies within so many sigmas of one motion."""
ALONG = np.cos(np.deg2rad(35.0))
"""Cosine between the turn's axis and the way from the datum to the rest above which the part is twisted, not bent."""


@dataclass(frozen=True, eq=False)
class Bend:
    """How the rest of a part stands, seen from the side that is its datum.

    ``share`` of the surface is the datum; ``off_mm`` is how far the rest is off at its farthest, ``at_mm`` (3,) where;
    ``u95_mm`` is its bound and ``turn_deg`` how far it is turned, both None where it did not move as one piece: then
    ``off_mm`` is a least figure. ``twisted``: turned about the way from the one to the other.
    """

    share: float
    off_mm: float
    u95_mm: float | None
    at_mm: FloatArray
    turn_deg: float | None
    twisted: bool
    sentence: str


@dataclass(frozen=True, eq=False)
class _Side:
    """Places of one side (n,), the motion (6,) that explains their distances, its covariance, whether it kept its form,
    and how far 95 % of them lie from it at most."""

    on: BoolArray
    motion: FloatArray
    covariance: FloatArray
    kept: bool
    strays_mm: float


@dataclass(frozen=True, eq=False)
class _Cut:
    """A plane: its normal (3,) and place along it."""

    axis: FloatArray
    edge_mm: float

    def before(self, points: FloatArray) -> BoolArray:
        return np.asarray(points @ self.axis < self.edge_mm)


def bend_of(
    points: FloatArray, normals: FloatArray, away_mm: FloatArray, sigma_mm: float, alone: float, vertices: FloatArray
) -> Bend | None:
    """How much a part is bent, from levelled distances at places all over it.

    Parameters
    ----------
    points, normals : (n, 3)
        Places of the new scan laid on the whole.
    away_mm : (n,)
        Distance of each from the whole, + outside, noise evened out.
    sigma_mm : float
        What noise leaves in one of them.
    alone : float
        How many of the places do not share their noise with others.
    vertices : (m, 3)
        Of the new scan: the farthest is sought among them.

    Returns
    -------
    Bend or None
        None where nothing stands off beyond the noise, or neither side of any cut kept its form.
    """
    if len(points) < 50 or sigma_mm <= 0.0:
        return None
    rows, middle, size = _rows(points, normals)
    cuts = _cuts(points)

    def sides(cut: _Cut) -> tuple[_Side, _Side]:
        """Both sides of a cut, first the larger that kept its form."""
        first = cut.before(points)
        both = [_side(one, rows, away_mm, sigma_mm, alone * float(one.mean())) for one in (first, ~first)]
        datum, rest = sorted(both, key=lambda side: (not side.kept, -int(side.on.sum())))
        return datum, rest

    best = min(cuts, key=lambda cut: _cost(cut.before(points), rows, away_mm))
    datum, rest = sides(best)
    one_place = datum.kept
    if not one_place:
        # Bent more and more, it has no one place where it gave: as much as kept its form is the datum.
        datum, rest = min((sides(cut) for cut in cuts), key=lambda both: (not both[0].kept, -int(both[0].on.sum())))
    if not datum.kept or datum.on.mean() < LEAST:
        return None
    left = away_mm - rows @ datum.motion
    loose = np.sqrt(np.einsum("ij,jk,ik->i", rows, datum.covariance, rows))
    off = rest.on & (np.abs(left) > SURE * np.hypot(sigma_mm, loose))
    if off.mean() < REST:
        return None
    if one_place and rest.kept:
        before = bool(best.before(points)[np.argmax(rest.on)])
        return _as_one(points, (middle, size), datum, rest, vertices[best.before(vertices) == before])
    sizes = np.abs(left[off])
    value = float(np.quantile(sizes, 0.99))
    far = int(np.argmin(np.abs(sizes - value)))
    text = f"bends away from it more and more, at its farthest by {value:.2f} mm or more."
    return Bend(float(datum.on.mean()), value, None, points[off][far], None, False, _words(datum, text))


def sigma_beside_bends(points: FloatArray, normals: FloatArray, away_mm: FloatArray, alone: float) -> float:
    """One sigma of levelled distances (n,), by what the best two motions leave of them; ``alone`` as in `bend_of`."""
    rows = _rows(points, normals)[0]
    before = min((cut.before(points) for cut in _cuts(points)), key=lambda before: _cost(before, rows, away_mm))
    left = np.concatenate([away_mm[on] - rows[on] @ _motion(rows[on], away_mm[on]) for on in (before, ~before)])
    return sigma_of(left) * float(np.sqrt(alone / max(alone - 12.0, 0.25 * alone)))  # twelve motions were fitted


def _rows(points: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """How each distance changes with the six motions (n, 6), turns about the middle (3,) over the size."""
    middle = points.mean(axis=0)
    size = float(np.linalg.norm(np.ptp(points, axis=0))) / 2.0
    return np.hstack([np.cross((points - middle) / size, normals), normals]), middle, size


def _motion(rows: FloatArray, away: FloatArray) -> FloatArray:
    return np.asarray(_held(rows.T @ rows) @ (rows.T @ away))


def _cuts(points: FloatArray) -> list[_Cut]:
    """Planes square to the part's own main directions."""
    axes = np.linalg.eigh(np.cov(points.T))[1].T
    return [_Cut(axis, float(edge)) for axis in axes for edge in np.quantile(points @ axis, CUTS)]


def _cost(before: BoolArray, rows: FloatArray, away: FloatArray) -> float:
    """What one motion for either side leaves of the distances, squared."""
    cost = 0.0
    for on in (before, ~before):
        cost += float(np.square(away[on] - rows[on] @ _motion(rows[on], away[on])).sum())
    return cost


def _held(information: FloatArray) -> FloatArray:
    """The inverse of what holds a motion, as far as anything does."""
    values, vectors = np.linalg.eigh(information)
    held = values > 1e-4 * values[-1]
    return np.asarray((vectors[:, held] / values[held]) @ vectors[:, held].T)


def _side(on: BoolArray, rows: FloatArray, away: FloatArray, sigma: float, alone: float) -> _Side:
    """The motion of one side, in which dents and built up places count little."""
    rows, away = rows[on], away[on]
    weight = np.ones(len(away))
    for _ in range(8):
        held = _held(rows.T @ (weight[:, None] * rows))
        motion = held @ rows.T @ (weight * away)
        left = away - rows @ motion
        weight = tukey(left, 5.0 * max(sigma_of(left), sigma))
    share, sigmas = FORM
    kept = bool(np.mean(np.abs(left) < sigmas * sigma) > share)
    strays = float(np.quantile(np.abs(left), 0.95))
    return _Side(on, motion, held * sigma**2 * len(away) / max(alone, 1.0), kept, strays)


def _as_one(
    points: FloatArray, frame: tuple[FloatArray, float], datum: _Side, rest: _Side, vertices: FloatArray
) -> Bend:
    """The rest as one piece that moved; what either side strays from its motion is in the bound: it may bend on."""
    middle, size = frame
    motion, covariance = rest.motion - datum.motion, rest.covariance + datum.covariance
    arms = (vertices - middle) / size
    moves = np.cross(np.broadcast_to(motion[:3], arms.shape), arms) + motion[3:]
    far = int(np.argmax(np.linalg.norm(moves, axis=1)))
    value = float(np.linalg.norm(moves[far]))
    way = moves[far] / max(value, 1e-12)
    row = np.concatenate([np.cross(arms[far], way), way])
    bound = float(np.sqrt(1.96**2 * row @ covariance @ row + datum.strays_mm**2 + rest.strays_mm**2))
    between = points[rest.on].mean(axis=0) - points[datum.on].mean(axis=0)
    turn = motion[:3] / size
    twisted = abs(float(turn @ between)) > ALONG * float(np.linalg.norm(turn) * np.linalg.norm(between))
    degrees = float(np.rad2deg(np.linalg.norm(turn)))
    how = f"{'twisted' if twisted else 'turned'} by {degrees:.2f} degrees"
    text = f"stands up to {value:.2f} +- {bound:.2f} mm off, {how}."
    return Bend(float(datum.on.mean()), value, bound, vertices[far], degrees, twisted, _words(datum, text))


def _words(datum: _Side, text: str) -> str:
    return f"Laid on the side that kept its form ({100 * datum.on.mean():.0f} % of it), the rest {text}"
