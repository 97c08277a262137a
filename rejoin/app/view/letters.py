"""Where each fragment's letter stands: over it as it is seen, and never on another letter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from scipy.spatial import ConvexHull, QhullError
from vtkmodules.vtkRenderingCore import vtkCamera

from rejoin.core.records import FloatArray, IntArray

LETTER = 26
"""Size of a letter, display pixels."""
ROOM = 0.8
"""Height of a letter's middle over the fragment's highest point, in letters."""


def outermost(points: FloatArray) -> IntArray:
    """The points (k,) farthest out in 26 directions all around."""
    ways = np.array([way for way in product((-1.0, 0.0, 1.0), repeat=3) if any(way)])
    return np.unique([(points @ way).argmax() for way in ways]).astype(np.int32)


def letter_places(camera: vtkCamera, high: int, outlines: Sequence[FloatArray]) -> list[FloatArray]:
    """A place (3,) for each fragment's letter, world frame.

    Over its fragment; where another one is seen there, a little higher, beside it or below: a letter that lies on a
    fragment is taken for that one's.

    Parameters
    ----------
    camera : vtkCamera
    high : int
        Height of the view in display pixels.
    outlines : sequence of (k, 3)
        Outermost points of the fragments, world frame.
    """
    eye, forward = np.array(camera.GetPosition()), np.array(camera.GetDirectionOfProjection())
    right = np.cross(forward, np.array(camera.GetViewUp()))
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(right, forward)])
    letter = LETTER * 2.0 * float(np.tan(np.deg2rad(camera.GetViewAngle()) / 2.0)) / max(high, 1)
    aways = [float(((points - eye) @ forward).mean()) for points in outlines]
    flats = []  # as seen: across and up, where the picture lies one millimetre before the eye
    for points, away in zip(outlines, aways, strict=True):
        depth = np.maximum((points - eye) @ forward, max(0.05 * abs(away), 1e-9))
        flats.append((points - eye) @ axes.T / depth[:, None])
    borders = [_border(flat) for flat in flats]
    taken: list[FloatArray] = []
    for number, flat in enumerate(flats):
        others = [border for other, border in enumerate(borders) if other != number]
        highest = max((float(one[:, 1].max()) for one in flats), default=0.0)
        spots = [_beside(spot, taken, letter) for spot in _spots(flat, highest, letter)]
        free = (spot for spot in spots if not any(_covered(spot, border, letter) for border in others))
        taken.append(next(free, spots[0]))
    return [eye + away * (forward + spot @ axes) for away, spot in zip(aways, taken, strict=True)]


def _spots(flat: FloatArray, highest: float, letter: float) -> list[FloatArray]:
    """Where a fragment's letter may stand, the best first."""
    (left, low), (right, top) = flat.min(axis=0), flat.max(axis=0)
    across, along, off = 0.5 * (left + right), 0.5 * (low + top), ROOM * letter
    raised = [(across, top + off * step) for step in (1.0, 1.6, 2.2)]
    around = [(left - off, along), (right + off, along), (across, low - off), (across, highest + off)]
    return [np.array(spot) for spot in (*raised, *around)]


def _beside(spot: FloatArray, taken: Sequence[FloatArray], letter: float) -> FloatArray:
    """The spot, or the next one to the right on which no letter stands."""
    while any(np.abs(spot - other).max() < letter for other in taken):
        spot = spot + [letter, 0.0]
    return spot


def _border(flat: FloatArray) -> FloatArray:
    """Half planes (k, 3) that enclose a fragment as it is seen; none where it is seen as a line."""
    try:
        return np.asarray(ConvexHull(flat).equations)
    except QhullError:
        return np.empty((0, 3))


def _covered(spot: FloatArray, border: FloatArray, letter: float) -> bool:
    """Whether a letter lies on what a border encloses."""
    corners = spot + 0.4 * letter * np.array([[0, 0], [-1, -1], [-1, 1], [1, -1], [1, 1]])
    return len(border) > 0 and bool((corners @ border[:, :2].T + border[:, 2] <= 0.0).all(axis=1).any())
