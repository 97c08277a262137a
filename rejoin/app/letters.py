"""Where each fragment's letter stands: over it as it is seen, and never on another letter."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
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
    up = np.cross(right, forward)
    taken: list[tuple[float, float]] = []
    places = []
    for points in outlines:
        seen = points - eye
        away = float((seen @ forward).mean())
        letter = LETTER * 2.0 * away * np.tan(np.deg2rad(camera.GetViewAngle()) / 2.0) / max(high, 1)
        aside = 0.5 * float((seen @ right).min() + (seen @ right).max())
        over = float((seen @ up).max()) + ROOM * letter
        while any(abs(aside - a) < letter and abs(over - o) < letter for a, o in taken):
            aside += letter
        taken.append((aside, over))
        places.append(eye + aside * right + over * up + away * forward)
    return places
