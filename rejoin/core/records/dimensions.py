"""Dimensions: fitted shapes, the caliper's readings, what they prove, what a welder needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, Record


@dataclass(frozen=True, eq=False)
class Shape(Record):
    """A plane, line, circle, sphere, cylinder or cone fitted to points by least squares.

    Attributes
    ----------
    kind : str
    point_mm : (3,), or (2,) for a figure of two-column points
        Of a plane, line or axis: the point beside the middle of the data; of a circle or sphere: the centre.
    direction : (3,) or (2,), optional
        Unit normal or axis; that of a cone points to where it widens. None for a sphere and a plane circle.
    radius_mm : float, optional
        Of a cone: the radius at ``point_mm``.
    half_angle_deg : float, optional
    rms_mm, form_deviation_mm : float
        Root mean square of the orthogonal distances, and from the lowest to the highest (least squares criterion).
    minimum_zone_mm : float, optional
        The same by the minimum zone criterion (ISO 1101).
    used_share : float
        Share of the points that belong to the figure; the others are strays.
    points_used : int
    sigma_mm : float
        Scale of the residuals, 1 sigma, the fitted numbers allowed for.
    covariance : (8, 8), optional
        Of point, direction, radius and half angle in rad.
    """

    kind: str
    point_mm: FloatArray
    direction: FloatArray | None
    radius_mm: float | None
    half_angle_deg: float | None
    rms_mm: float
    form_deviation_mm: float
    minimum_zone_mm: float | None
    used_share: float
    points_used: int
    sigma_mm: float
    covariance: FloatArray | None = None
    _arrays = {"point_mm": np.float64, "direction": np.float64, "covariance": np.float64}


@dataclass(frozen=True, eq=False)
class Reading(Record):
    """A dimension that was picked, with what the caliper read on the real part, where it did.

    Attributes
    ----------
    name, kind : str
        ``kind`` is one of `rejoin.core.dimensions.sizes.KINDS`.
    picks_mm : (k, 3)
        The picked points, each in the frame of what it lies on.
    on : tuple of int
        What each pick lies on: a fragment, or -1 for the whole.
    value, limit : float, optional
        The reading, and the limit of error of the instrument (plus or minus). Millimetres; degrees for angles,
        grams for a weight.
    low, high : float, optional
        Limits that a drawing sets, in the same unit.
    unit : str
        In which the person wrote it.
    note : str
    mating, mating_limit : float, optional
        Of a bore or shaft: the size of what it goes with, and how far that may be off.
    fit_low, fit_high : float, optional
        Limits of the clearance, below zero for interference.
    """

    name: str
    kind: str
    picks_mm: FloatArray
    on: tuple[int, ...]
    value: float | None = None
    limit: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = "mm"
    note: str = ""
    mating: float | None = None
    mating_limit: float | None = None
    fit_low: float | None = None
    fit_high: float | None = None
    _arrays = {"picks_mm": np.float64}


@dataclass(frozen=True, eq=False)
class DimensionCheck(Record):
    """A dimension as measured on the scans, beside its reading and its limits.

    Attributes
    ----------
    name, kind : str
        As in the `Reading` of the same place in the project.
    value, u95 : float, optional
        Millimetres or degrees; None where it could not be measured (``sentence`` says why).
    sizes : tuple of (criterion, value)
        Other sizes of the same feature, named after ISO 14405-1 where they are of a bore or shaft.
    lines_mm : (k, 2, 3)
        Dimension lines to draw, in ``frame``.
    shapes : tuple of Shape
        What was fitted around each pick, in ``frame``.
    frame : int
        -1: the part's frame; else that fragment's scan frame.
    reading, reading_u95 : float, optional
    difference, normalised_error : float, optional
        Scan minus reading, and |d| / sqrt(U1^2 + U2^2) (ISO/IEC 17043).
    agreement : str
        "agrees", "disagrees", "far off" or "not read".
    verdict : str
        Against the limits: "pass", "fail", "not proven" or "no limits".
    scale_proven : bool
    sentence : str
    clearance, clearance_u95 : float, optional
        With the mating size, + open, - interference; ``fit`` says it in a sentence, its limits with it.
    """

    name: str
    kind: str
    value: float | None
    u95: float | None
    sizes: tuple[tuple[str, float], ...]
    lines_mm: FloatArray
    shapes: tuple[Shape, ...]
    frame: int
    reading: float | None
    reading_u95: float | None
    difference: float | None
    normalised_error: float | None
    agreement: str
    verdict: str
    scale_proven: bool
    sentence: str
    clearance: float | None = None
    clearance_u95: float | None = None
    fit: str = ""
    _arrays = {"lines_mm": np.float64}


@dataclass(frozen=True, eq=False)
class ScaleCheck(Record):
    """The scale of one scan (-1: of the whole) by its readings.

    ``factor`` times a length of the scan is the length of the part; ``u95`` is of the factor. ``state`` is "proven",
    "off" (a correction is called for), "contradictory" or "not proven".
    """

    on: int
    factor: float | None
    u95: float | None
    readings: int
    state: str
    sentence: str


@dataclass(frozen=True, eq=False)
class FitUp(Record):
    """What a welder needs to know of one joint (index ``joint``) before its fracture faces are ground away.

    Attributes
    ----------
    step_mm, step_u95_mm, angle_deg, angle_u95_deg : float, optional
        Linear (507) and angular (508 of ISO 6520-1) misalignment of the original surfaces across the crack, each
        with its 95 % bound.
    gap_low_mm, gap_high_mm : float, optional
        The gap along the crack, 5 to 95 % of its length.
    length_mm, section_mm2 : float
        Length of the crack on the surface, and area of the section along the mean direction of the joint.
    wall_mm : tuple of (least, median, largest), optional
        Thickness of the wall along the crack.
    marks_a_mm, marks_b_mm : (k, 3)
        Pairs of gauge marks, each in its fragment's scan frame.
    target_mm, target_u95_mm : (k,)
        Their distances when the fragments stand right.
    direction : (3,)
        Part frame: the way fragment b comes off a, and opposite to which it goes in.
    blocked_share : float
        Share of the joint that is in the way even so.
    limits_mm : tuple of (quality level, limit of the step)
        ISO 5817, only where the metal is in its scope.
    notes, cautions : tuple of str
    """

    joint: int
    step_mm: float | None
    angle_deg: float | None
    gap_low_mm: float | None
    gap_high_mm: float | None
    length_mm: float
    section_mm2: float
    wall_mm: tuple[float, float, float] | None
    marks_a_mm: FloatArray
    marks_b_mm: FloatArray
    target_mm: FloatArray
    target_u95_mm: FloatArray
    direction: FloatArray
    blocked_share: float
    limits_mm: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    step_u95_mm: float | None = None
    angle_u95_deg: float | None = None
    _arrays = {
        "marks_a_mm": np.float64,
        "marks_b_mm": np.float64,
        "target_mm": np.float64,
        "target_u95_mm": np.float64,
        "direction": np.float64,
    }


@dataclass(frozen=True, eq=False)
class StatedSize(Record):
    """A distance known from elsewhere between a point of fragment ``a`` and one of ``b``, (3,) in their scans' frames.

    ``limit_mm`` is half the width of its tolerance.
    """

    a: int
    point_a_mm: FloatArray
    b: int
    point_b_mm: FloatArray
    value_mm: float
    limit_mm: float
    _arrays = {"point_a_mm": np.float64, "point_b_mm": np.float64}
