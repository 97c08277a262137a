"""Single points that stand far out of a surface which is whole and even around them: errors of the scanner."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rejoin.core.cleaning.work import Work
from rejoin.core.records import FloatArray

Indices = npt.NDArray[np.int64]

SLIM = 4.0
"""Around a stray point all triangles are slim: of the squared lengths of their sides the others are so many times the
shortest at least."""
FAR_OUT = 3.0
"""A point is stray that stands out by so many times the spacing around it: no surface sampled so closely has it."""
FEWEST = 4
"""A point with fewer neighbours shows no plane."""


def set_back(work: Work) -> None:
    """Move stray points to the middle of their neighbours; how many and how far out they stood is noted.
    """
    points = _candidates(work)
    if not len(points):
        return
    around = _Around(work, points)
    middles = {int(point): middle for point in points if (middle := around.middle_if_stray(point)) is not None}
    if not middles:
        return
    stray, back = np.array(list(middles)), np.array(list(middles.values()))
    farthest = float(np.linalg.norm(work.vertices[stray] - back, axis=1).max())
    work.move(stray, back)
    told = f"{farthest:.2g} mm out of the surface and"
    work.note(
        "stray", len(stray), f"1 stray point stood {told} was set back among its neighbours",
        f"{{}} stray points stood up to {told} were set back among their neighbours",
    )  # fmt: skip


def _candidates(work: Work) -> Indices:
    """Points all of whose triangles are slim, and point at them."""
    squares = work.sizes().squares
    one, two, three = squares.T
    bound = SLIM * np.minimum(np.minimum(one, two), three)
    # Two sides are longer than a bound where of any two the longer one is (quicker than a median).
    longer = [np.maximum(a, b) > bound for a, b in ((one, two), (two, three), (three, one))]
    slim = np.flatnonzero(longer[0] & longer[1] & longer[2])
    # Side k runs from corner k to the next, so the corner that faces it is the one after.
    tips = work.triangles[slim, (squares[slim].argmin(axis=1) + 2) % 3]
    count = np.bincount(tips, minlength=len(work.vertices))
    maybe = count >= FEWEST
    near = work.triangles[maybe[work.triangles].any(axis=1)]
    return np.flatnonzero(maybe & (count == np.bincount(near.ravel(), minlength=len(count))))


class _Around:
    """The triangles around some points and around their neighbours."""

    def __init__(self, work: Work, points: Indices) -> None:
        self._vertices = work.vertices
        near = np.zeros(len(work.vertices), bool)
        near[points] = True
        near[work.triangles[near[work.triangles].any(axis=1)]] = True
        own = np.flatnonzero(near[work.triangles].any(axis=1))
        self._triangles, self._squares = work.triangles[own], work.sizes().squares[own]
        corners = self._triangles.ravel()
        self._order = np.argsort(corners, kind="stable")
        self._sorted = corners[self._order]

    def middle_if_stray(self, point: int) -> FloatArray | None:
        """The middle (3,) of the neighbours of a point, where it is stray."""
        own = self._of(np.array([point]))
        ring = np.setdiff1d(self._triangles[own], point)
        beside = np.setdiff1d(self._of(ring), own)
        outer = np.setdiff1d(self._triangles[beside], ring)
        if len(outer) == 0:
            return None
        spacing = np.sqrt(max(np.median(self._squares[beside]), np.median(self._squares[own].min(axis=1))))
        middle: FloatArray = self._vertices[ring].mean(axis=0)
        axes = np.linalg.svd(self._vertices[ring] - middle)[2]
        tip, near, beyond = ((self._vertices[some] - middle) @ axes.T for some in (point, ring, outer))
        # The surface goes on around the ring; under the tip of a pyramid its base goes in.
        goes_on = np.hypot(*beyond[:, :2].T).min() > np.hypot(*near[:, :2].T).min()
        height = abs(tip[2])
        return middle if goes_on and height > FAR_OUT * spacing else None

    def _of(self, points: Indices) -> Indices:
        """The triangles that have a corner among some points."""
        first, last = (np.searchsorted(self._sorted, points, side) for side in ("left", "right"))
        corners = np.concatenate([self._order[a:b] for a, b in zip(first, last, strict=True)])
        return np.unique(corners // 3)
