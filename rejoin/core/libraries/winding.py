"""Generalised winding number of triangle soups (libigl; Jacobson and others 2013, Barill and others 2018)."""

from __future__ import annotations

import numpy as np

from rejoin.core.records import FloatArray, IntArray


class WindingField:
    """The winding number of a set of triangles, open or closed; built once, asked often.

    Parameters
    ----------
    vertices : (n, 3) array, mm
    triangles : (m, 3) array
    """

    def __init__(self, vertices: FloatArray, triangles: IntArray) -> None:
        import igl

        self._tree = igl.FastWindingNumberBVH()
        self._tree.init(np.array(vertices, np.float64), np.array(triangles, np.int64))

    def __call__(self, points: FloatArray) -> FloatArray:
        """Winding number (k,) at ``points`` (k, 3): about 1 inside, 0 outside, between them at openings."""
        if len(points) == 0:
            return np.zeros(0)
        return np.asarray(self._tree.winding_number(np.ascontiguousarray(points, np.float64)), np.float64).ravel()
