"""Where fragments stand, and how the joints between them fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, IntArray, Record


@dataclass(frozen=True, eq=False)
class LayerDoubt(Record):
    """What may be missing between the faces of one joint, and how a fragment would follow.

    ``move`` (6,) is the fragment's motion for each mm of the layer, as in `Placement.covariance`. With
    ``probability`` there is a layer, of the normal distribution of ``likely_mm`` and ``likely_sd_mm`` above 0, else
    none. The faces are set apart by ``taken_mm``; ``rms_mm`` is the root mean square of what that is off by.
    ``joint`` tells the layers of one adjustment apart.
    """

    move: FloatArray
    probability: float
    likely_mm: float
    likely_sd_mm: float
    taken_mm: float
    rms_mm: float
    joint: int = -1
    _arrays = {"move": np.float64}


@dataclass(frozen=True, eq=False)
class Placement(Record):
    """Where a fragment stands in the part's frame, or why it stands nowhere.

    ``part_from_scan`` is (4, 4) rigid, or None with ``why``. ``covariance``
    (6, 6) is of (rotation vector about the fragment's centroid in rad,
    translation in mm), part frame. ``u95_mm`` bounds the displacement of the
    worst point relative to the first placed fragment (95 %). ``notes`` tell of
    stated dimensions that the scans contradict. ``layers`` are in the covariance
    too, but are no normal distribution: a bound needs their own. ``shared``
    (fragments, 6, 6) is the covariance of this pose with each fragment's of the
    same adjustment, its own among them; 0 for what was held or not placed.
    """

    part_from_scan: FloatArray | None
    placed_by: str
    why: str | None = None
    covariance: FloatArray | None = None
    u95_mm: float | None = None
    weakest: str | None = None
    notes: tuple[str, ...] = ()
    layers: tuple[LayerDoubt, ...] = ()
    shared: FloatArray | None = None
    _arrays = {"part_from_scan": np.float64, "covariance": np.float64, "shared": np.float64}


@dataclass(frozen=True, eq=False)
class FitReport(Record):
    """The gap over one joint (index ``joint``): + open, - overlapping, mm.

    ``gap_a_mm`` and ``gap_b_mm`` belong to ``vertices_a`` and ``vertices_b``,
    indices into the fragments' vertices; NaN where nothing lies opposite.
    """

    joint: int
    vertices_a: IntArray
    vertices_b: IntArray
    gap_a_mm: FloatArray
    gap_b_mm: FloatArray
    area_mm2: float
    gap_median_mm: float
    gap_p95_mm: float
    overlap_max_mm: float
    touching_share: float
    step_mm: float | None
    missing_layer_mm: float
    missing_layer_sd_mm: float
    verdict: str
    sentence: str
    step_u95_mm: float | None = None
    _arrays = {
        "vertices_a": np.int32,
        "vertices_b": np.int32,
        "gap_a_mm": np.float64,
        "gap_b_mm": np.float64,
    }
