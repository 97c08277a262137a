"""Many poses of one view on another judged quickly: the nearest point of a place is looked up in a lattice of cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import distance_transform_edt

from rejoin.core.merging.air import Air
from rejoin.core.records import FloatArray

BoolArray = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float32]
Indices = npt.NDArray[np.int64]

FAR = 5
"""Cells from the surface beyond which nothing is near."""
CHUNK = 100_000
"""Places that are looked up at a time: so many stay in the processor's own memory."""


@dataclass(frozen=True, eq=False)
class Cells:
    """A lattice of ``step_mm`` around a surface: the point nearest to each cell, -1 where none is near."""

    low: FloatArray
    step_mm: float
    nearest: npt.NDArray[np.int32]

    def asked(self, places: Sequence[Floats]) -> npt.NDArray[np.int32]:
        """Index of the point near each place (three arrays, by axis), -1 for none; right to about a cell."""
        index = np.zeros(places[0].shape, np.int32)
        for place, low, span in zip(places, self.low.astype(np.float32), self.nearest.shape, strict=True):
            at = (place - low) * np.float32(1.0 / self.step_mm)
            np.clip(at, 0, span - 1, out=at)
            index *= np.int32(span)
            index += at.astype(np.int32)
        return np.asarray(self.nearest.ravel()[index])


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
    lists = [np.ascontiguousarray(part.T, np.float32) for part in (probe.points, probe.normals)]
    result, each = np.empty((3, len(poses))), max(1, CHUNK // max(len(probe.points), 1))
    for start in range(0, len(poses), each):
        some = poses[start : start + each].astype(np.float32)
        places = [some[:, axis, :3] @ lists[0] + some[:, axis, 3:] for axis in range(3)]
        ways = [some[:, axis, :3] @ lists[1] for axis in range(3)]
        near = ground.cells.asked(places)
        told = list(_compared(ground, probe, near, places, ways))
        if ground.air is not None:
            told[1] = np.concatenate([told[1], _hanging(ground.air, probe, near, places, ways)])
        for row, which in enumerate(told):
            result[row, start : start + len(some)] = np.bincount(which // len(probe.points), minlength=len(some))
    return result[0], result[1], result[2]


def _compared(
    ground: Ground, probe: Probe, near: npt.NDArray[np.int32], places: list[Floats], ways: list[Floats]
) -> tuple[Indices, Indices, Indices]:
    """Which of the places (poses by points, counted on) agree, clash, and are rim under which the other runs on."""
    step, hit = ground.cells.step_mm, np.flatnonzero(near >= 0)
    which = near.ravel()[hit]
    height, apart, alike = np.zeros((3, len(hit)), np.float32)
    for axis in range(3):
        theirs = ground.normals[:, axis].astype(np.float32)[which]
        offset = places[axis].ravel()[hit] - ground.points[:, axis].astype(np.float32)[which]
        height += offset * theirs
        apart += offset * offset
        alike += ways[axis].ravel()[hit] * theirs
    height = np.abs(height)
    on, inner, rim = apart - height * height < (1.8 * step) ** 2, ~ground.rim[which], probe.rim[hit % len(probe.rim)]
    agree = on & (height < 0.5 * step) & (alike > 0.85)
    clash = on & inner & ~rim & (((height > 0.9 * step) & (alike > 0.5)) | ((height < 0.3 * step) & (alike < -0.7)))
    return hit[agree & ~rim], hit[clash], hit[agree & inner & rim]


def _hanging(
    air: Air, probe: Probe, near: npt.NDArray[np.int32], places: list[Floats], ways: list[Floats]
) -> Indices:
    """Which of the places (poses by points, counted on) hang in the air, far from the surface."""
    facing = air.faces(ways) & (near < 0) & ~(probe.rim | probe.prop)
    far = np.flatnonzero(facing)
    return far[air.holds(np.stack([part.ravel()[far] for part in places], axis=1))]
