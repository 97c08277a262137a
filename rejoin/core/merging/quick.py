"""Many poses of one view on another judged quickly: the nearest point of a place is looked up in a lattice of cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from rejoin.core.merging.air import Air
from rejoin.core.records import FloatArray

BoolArray = npt.NDArray[np.bool_]

FAR = 5
"""Cells from the surface beyond which nothing is near."""
CHUNK = 2048
"""Poses that are judged at a time."""


@dataclass(frozen=True, eq=False)
class Cells:
    """A lattice of ``step_mm`` around a surface: the point nearest to each cell, -1 where none is near."""

    low: FloatArray
    step_mm: float
    nearest: npt.NDArray[np.int32]

    def asked(self, places: npt.NDArray[np.float32]) -> npt.NDArray[np.int32]:
        """Index of the point near each place (n, 3), -1 for none; right to about a cell."""
        at = ((places - self.low.astype(np.float32)) * np.float32(1.0 / self.step_mm)).astype(np.int32)
        at = np.clip(at, 0, np.array(self.nearest.shape, np.int32) - 1)
        spans = self.nearest.shape
        return np.asarray(self.nearest.ravel()[(at[:, 0] * spans[1] + at[:, 1]) * spans[2] + at[:, 2]])


def cells_of(points: FloatArray, step_mm: float) -> Cells:
    """The lattice of points (n, 3); a border of empty cells all round stands for all that is far away."""
    low = points.min(axis=0) - (FAR + 1) * step_mm
    at = np.floor((points - low) / step_mm).astype(np.int64)
    owner = np.full(at.max(axis=0) + FAR + 2, -1, np.int32)
    owner[tuple(at.T)] = np.arange(len(points))
    away, index = distance_transform_edt(owner < 0, return_indices=True)
    nearest = owner[tuple(index)]
    nearest[away > FAR] = -1
    return Cells(low, step_mm, nearest)


@dataclass(frozen=True, eq=False)
class Probe:
    """Some points of a view: places, normals (n, 3), which lie on its rim, which may show a prop."""

    points: FloatArray
    normals: FloatArray
    rim: BoolArray
    prop: BoolArray


@dataclass(frozen=True, eq=False)
class Ground:
    """A view on which others are laid: its cells, points, normals (n, 3), which lie at its rim, and the air it saw."""

    cells: Cells
    points: FloatArray
    normals: FloatArray
    rim: BoolArray
    air: Air | None = None


def tried(ground: Ground, probe: Probe, poses: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How a view lies on another in each pose.

    Returns
    -------
    agree, clash : (k,)
        Points of the probe within it that lie on the other's surface; that stand off it, face against it or hang in
        the air that it saw.
    covered : (k,)
        Rim points under which the other's surface runs on.
    """
    step = ground.cells.step_mm
    points, normals = ground.points.astype(np.float32), ground.normals.astype(np.float32)
    result = np.empty((3, len(poses)))
    for start in range(0, len(poses), CHUNK):
        some = poses[start : start + CHUNK].astype(np.float32)
        turns, shifts = some[:, :3, :3], some[:, None, :3, 3]
        places = (np.matmul(probe.points.astype(np.float32), turns.transpose(0, 2, 1)) + shifts).reshape(-1, 3)
        ways = np.matmul(probe.normals.astype(np.float32), turns.transpose(0, 2, 1)).reshape(-1, 3)
        near = ground.cells.asked(places)
        hit = np.flatnonzero(near >= 0)
        theirs, offset = normals[near[hit]], places[hit] - points[near[hit]]
        height = np.abs(np.einsum("ij,ij->i", offset, theirs))
        aside = np.einsum("ij,ij->i", offset, offset) - height**2
        alike = np.einsum("ij,ij->i", ways[hit], theirs)
        inner = ~ground.rim[near[hit]]
        on = aside < (1.8 * step) ** 2
        rim = np.tile(probe.rim, len(some))[hit]
        agree = on & (height < 0.5 * step) & (alike > 0.85)
        clash = on & inner & ~rim & (((height > 0.9 * step) & (alike > 0.5)) | ((height < 0.3 * step) & (alike < -0.7)))
        pose = hit // len(probe.points)
        for row, which in enumerate((agree & ~rim, clash, agree & inner & rim)):
            result[row, start : start + len(some)] = np.bincount(pose[which], minlength=len(some))
        if ground.air is not None:
            far = np.flatnonzero((near < 0) & ~np.tile(probe.rim | probe.prop, len(some)))
            hangs = far[ground.air.shows(places[far], ways[far])]
            result[1, start : start + len(some)] += np.bincount(hangs // len(probe.points), minlength=len(some))
    return result[0], result[1], result[2]
