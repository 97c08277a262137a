"""The values that pass between the steps: frozen, in millimetres, in named frames.

Arrays are read-only (`frozen`). A matrix is named for where it goes:
``part_from_scan`` takes scan coordinates to the part's frame, and inner names
meet: ``part_from_a @ a_from_b``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]


def frozen(values: npt.ArrayLike, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """A C-contiguous read-only array; the input is copied only where it must be."""
    array = np.asarray(values, dtype=dtype, order="C")
    if array.flags.writeable:
        array = array.view() if array is not values else array.copy()
        array.flags.writeable = False
    return array


class Record:
    """Base of all records: freezes the array fields that `_arrays` names.

    Pickle loses the read-only flag, so unpickling runs the constructor again.
    """

    _arrays: ClassVar[dict[str, npt.DTypeLike]] = {}

    def __post_init__(self) -> None:
        for name, dtype in self._arrays.items():
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, frozen(value, dtype))

    def __reduce__(self) -> tuple[Any, ...]:
        names = self.__dataclass_fields__  # type: ignore[attr-defined]
        return type(self), tuple(getattr(self, name) for name in names)


@dataclass(frozen=True, eq=False)
class Mesh(Record):
    """A triangle mesh: ``vertices`` (n, 3) in mm, ``triangles`` (m, 3), outward counter-clockwise."""

    vertices: FloatArray
    triangles: IntArray
    _arrays = {"vertices": np.float64, "triangles": np.int32}


@dataclass(frozen=True, eq=False)
class Repair(Record):
    """One thing that cleaning changed, or found and left, with how often."""

    kind: str
    count: int
    sentence: str


@dataclass(frozen=True, eq=False)
class ScanView(Record):
    """One of several scans that a fragment's scan was made of.

    ``scan_from_view`` (4, 4) places it; ``support_mm2`` and ``foreign_mm2`` were cut away (the plate it lay on; what
    another view saw through); ``misfit_mm`` is 1 sigma of the distance to the other views, at its worst overlap.
    """

    name: str
    scan_from_view: FloatArray
    points: int
    support_mm2: float
    foreign_mm2: float
    misfit_mm: float
    _arrays = {"scan_from_view": np.float64}


@dataclass(frozen=True, eq=False)
class Scan(Record):
    """A scan as read, never edited; ``mesh`` is in mm, in the scan's own frame.

    ``unit`` is the file's unit; ``unit_stated`` tells whether the file or the
    person said so (else mm was taken). ``from_points`` marks a surface that
    was made from bare points.

    A scan made of several has its ``views``, and ``views_u95_mm`` bounds how far any two of them may be out of place
    (95 %). ``role`` is "fragment", "reference" (a whole part of the same pattern) or "mating" (what the part fits
    to); a ``mirrored`` reference is of the opposite hand.
    """

    name: str
    files: tuple[str, ...]
    mesh: Mesh
    unit: str
    unit_stated: bool
    from_points: bool
    sha256: tuple[str, ...]
    read_notes: tuple[Repair, ...] = ()
    views: tuple[ScanView, ...] = ()
    views_u95_mm: float = 0.0
    role: str = "fragment"
    mirrored: bool = False


@dataclass(frozen=True, eq=False)
class Hole(Record):
    """A closed border loop of a scan: ``loop`` (k,) vertex indices along the border."""

    loop: IntArray
    across_mm: float
    centre_mm: FloatArray
    _arrays = {"loop": np.int32, "centre_mm": np.float64}


@dataclass(frozen=True, eq=False)
class ScanFault(Record):
    """Something that makes a scan less good than it could be, in the scan's frame.

    ``kind`` is "covered", "hole", "double wall", "coarse", "drowned", "smoothed" or "warp"; ``place_mm`` (3,) is None
    where it has no place; ``size_mm`` is how large it is.
    """

    kind: str
    sentence: str
    place_mm: FloatArray | None
    size_mm: float
    _arrays = {"place_mm": np.float64}


@dataclass(frozen=True, eq=False)
class Fragment(Record):
    """A cleaned scan, in the scan's own frame.

    ``spacing_mm`` is the median edge length, ``noise_mm`` the scan's own
    noise (1 sigma, along the normal). ``mesh`` is the scan's mesh itself
    where nothing had to be repaired. ``faults`` is what the scan was found to
    lack, None where nobody has looked.
    """

    scan: Scan
    mesh: Mesh
    spacing_mm: float
    noise_mm: float
    holes: tuple[Hole, ...]
    specks: int
    closed: bool
    repairs: tuple[Repair, ...]
    faults: tuple[ScanFault, ...] | None = None


@dataclass(frozen=True, eq=False)
class FractureFace(Record):
    """A face the break made: ``triangles`` (k,) indices into the fragment's triangles.

    ``chosen_by`` is "program" or "person"; ``confidence`` is 0 to 1;
    ``roughness_mm`` is None where it was not measured.
    """

    fragment: int
    triangles: IntArray
    area_mm2: float
    confidence: float
    chosen_by: str
    roughness_mm: float | None = None
    _arrays = {"triangles": np.int32}


@dataclass(frozen=True, eq=False)
class Evidence(Record):
    """Why a joint is believed, and how far ahead of the runner-up it is.

    Attributes
    ----------
    score : float
        Information in the contact (nats): independent contact cells times
        log(relief / residual), summed. Higher is better.
    runner_up : float
        The score of the best pose that is clearly another one (0 if none).
    contact_area_mm2, touching_share, rms_mm : float
        Area in contact, its share of the facing surface, robust residual.
    overlap_mm : float
        Depth to which the fragments run into each other (95 % of the contact).
    held : float
        How firmly the relief holds the weakest of the six degrees of freedom:
        the ratio of the slip that would be noticed to the slip that matters,
        at least 1 when held.
    good : bool
        True only where the evidence excludes the runner-up.
    reason : str
        One sentence in plain words.
    """

    score: float
    runner_up: float
    contact_area_mm2: float
    touching_share: float
    rms_mm: float
    overlap_mm: float
    held: float
    good: bool
    reason: str


@dataclass(frozen=True, eq=False)
class Joint(Record):
    """Two mating fracture faces and the pose that brings them together.

    ``a`` and ``b`` index the fragments; ``a_from_b`` (4, 4) takes b's scan
    frame to a's. ``state`` is "found", "pinned" or "rejected". The missing
    layer is what the adjustment believes worn off both faces together.
    """

    a: int
    b: int
    face_a: FractureFace
    face_b: FractureFace
    a_from_b: FloatArray
    evidence: Evidence
    state: str = "found"
    found_by: str = "program"
    missing_layer_mm: float = 0.0
    missing_layer_sd_mm: float = 0.0
    _arrays = {"a_from_b": np.float64}


@dataclass(frozen=True, eq=False)
class Placement(Record):
    """Where a fragment stands in the part's frame, or why it stands nowhere.

    ``part_from_scan`` is (4, 4) rigid, or None with ``why``. ``covariance``
    (6, 6) is of (rotation vector about the fragment's centroid in rad,
    translation in mm), part frame. ``u95_mm`` bounds the displacement of the
    worst point relative to the first placed fragment (95 %). ``notes`` tell of
    stated dimensions that the scans contradict.
    """

    part_from_scan: FloatArray | None
    placed_by: str
    why: str | None = None
    covariance: FloatArray | None = None
    u95_mm: float | None = None
    weakest: str | None = None
    notes: tuple[str, ...] = ()
    _arrays = {"part_from_scan": np.float64, "covariance": np.float64}


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
    _arrays = {
        "vertices_a": np.int32,
        "vertices_b": np.int32,
        "gap_a_mm": np.float64,
        "gap_b_mm": np.float64,
    }


@dataclass(frozen=True, eq=False)
class Fill(Record):
    """Material that no scan measured: a closed scan hole or a healed chip."""

    kind: str
    across_mm: float
    volume_mm3: float
    centre_mm: FloatArray
    _arrays = {"centre_mm": np.float64}


@dataclass(frozen=True, eq=False)
class ByNumber(Record):
    """A feature of the whole that a person put in by number: no scan measured it.

    ``kind`` is "bore", "boss" or "plane"; ``size_mm`` a diameter, or how far a plane was moved out of the material.
    """

    kind: str
    size_mm: float
    point_mm: FloatArray
    direction: FloatArray
    sentence: str
    _arrays = {"point_mm": np.float64, "direction": np.float64}


@dataclass(frozen=True, eq=False)
class Whole(Record):
    """The fused mesh, in the part's frame.

    Attributes
    ----------
    seam_triangles, filled_triangles : (k,)
        Made at the crack; closing what no scan measured. Both index ``mesh.triangles``.
    fills : tuple of Fill
        Of kind "scan hole" or "chip".
    crossing_pairs, scan_crossing_pairs : int
        Triangle pairs that run through each other: with one made at the crack; with none.
    original_moved_mm : float
        How far vertices of the scans stand from where the placement put them.
    size_mm : (3,), optional
        Along the axes of the frame.
    thinnest_mm : float, optional
        Thinnest wall at the seam, straight through the material.
    farthest_in_band_mm, farthest_outside_mm : float, optional
        Largest distance to the scans: of what is new at the crack (fills left out), and of the rest.
    open_holes : tuple of Fill
        Scan holes left open; their volume is what a smooth closing would have added.
    reduced_mm : float, optional
        Largest distance between the scans' own triangles and the reduced ones; None where nothing was reduced.
    by_number : tuple of ByNumber
        Features that a person put in by number; ``number_triangles`` (k,) are theirs.
    """

    mesh: Mesh
    volume_mm3: float
    area_mm2: float
    closed: bool
    shells: int
    genus: int
    seam_triangles: IntArray
    filled_triangles: IntArray
    filled_mm3: float
    fills: tuple[Fill, ...]
    crossing_pairs: int
    original_moved_mm: float
    notes: tuple[str, ...]
    size_mm: FloatArray | None = None
    thinnest_mm: float | None = None
    farthest_in_band_mm: float | None = None
    farthest_outside_mm: float | None = None
    open_holes: tuple[Fill, ...] = ()
    scan_crossing_pairs: int = 0
    reduced_mm: float | None = None
    by_number: tuple[ByNumber, ...] = ()
    number_triangles: IntArray | None = None
    _arrays = {
        "seam_triangles": np.int32,
        "filled_triangles": np.int32,
        "size_mm": np.float64,
        "number_triangles": np.int32,
    }


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
    step_mm, angle_deg : float, optional
        Linear (507) and angular (508 of ISO 6520-1) misalignment of the original surfaces across the crack.
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
    _arrays = {
        "marks_a_mm": np.float64,
        "marks_b_mm": np.float64,
        "target_mm": np.float64,
        "target_u95_mm": np.float64,
        "direction": np.float64,
    }


@dataclass(frozen=True, eq=False)
class StepRecord(Record):
    """That a step ran, with which settings, and how long it took."""

    step: str
    settings: tuple[tuple[str, Any], ...]
    seconds: float


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


@dataclass(frozen=True, eq=False)
class MakePick(Record):
    """A face picked on the whole, and what is done with it when something is made.

    Attributes
    ----------
    what : str
        "restore", "fit", "stock", "solid", "core" or "draft".
    point_mm : (3,)
        Frame of the whole.
    amount : float
        Millimetres along the face's own normal, + adds (restore, fit, stock; core: stock per side); degrees (draft).
    name, note : str
    shape : str
        "auto", "plane", "round" or "free".
    diameter_mm : float, optional
        The bore or shaft is brought to this diameter instead (restore).
    print_mm : float, optional
        Length of a core print.
    way : str
        "add" or "take" (draft).
    revision : str
        From which revision on it counts.
    """

    what: str
    point_mm: FloatArray
    amount: float = 0.0
    name: str = ""
    note: str = ""
    shape: str = "auto"
    diameter_mm: float | None = None
    print_mm: float | None = None
    way: str = "add"
    revision: str = "A"
    _arrays = {"point_mm": np.float64}


@dataclass(frozen=True, eq=False)
class MadeStep(Record):
    """One step of the fixed order, done or left out: its name, what was done in a sentence, its figures."""

    name: str
    done: bool
    sentence: str
    figures: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True, eq=False)
class MadeBody(Record):
    """One solid to make, as it lies in the file, and ``file_from_part`` (4, 4), affine: the factors are in it."""

    name: str
    mesh: Mesh
    shells: int
    volume_mm3: float
    file_from_part: FloatArray
    _arrays = {"file_from_part": np.float64}


@dataclass(frozen=True, eq=False)
class MadePart(Record):
    """What was made of the whole.

    Attributes
    ----------
    purpose, title, revision : str
        ``title`` says what it is: "pattern, grey iron, +1.04 %, revision A".
    mesh : Mesh
        Undivided, in its place on the part, factors included.
    bodies : tuple of MadeBody
        What goes into the file.
    steps : tuple of MadeStep
        All steps of the fixed order.
    draft_deg : (m,), optional
        Draft of each triangle of ``mesh``; below 0 it would lock in the sand.
    walls : tuple of (thickness_mm, x, y, z)
        The thinnest walls found, on ``mesh``.
    notes, cautions : tuple of str
    """

    purpose: str
    title: str
    revision: str
    mesh: Mesh
    bodies: tuple[MadeBody, ...]
    steps: tuple[MadeStep, ...]
    draft_deg: FloatArray | None
    walls: tuple[tuple[float, float, float, float], ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    _arrays = {"draft_deg": np.float64}


@dataclass(frozen=True, eq=False)
class Attachment(Record):
    """Something that belongs to the job's papers: a note, a photograph, the original file of a scan.

    ``kind`` is one of `rejoin.core.edits.papers.KINDS`. A file is known by ``name`` and ``sha256``; ``data`` (k,) are
    its bytes where it is kept inside the project, else None.
    """

    kind: str
    text: str
    name: str = ""
    sha256: str = ""
    data: npt.NDArray[np.uint8] | None = None
    _arrays = {"data": np.uint8}


@dataclass(frozen=True, eq=False)
class Project(Record):
    """All that is known of one broken part. Each step returns a new one.

    ``placements`` and ``fragments`` are parallel to ``scans``; ``fits`` are
    of the joints that hold the placed fragments together. ``stated`` are sizes
    that the person knows; the adjustment observes them.
    """

    scans: tuple[Scan, ...] = ()
    fragments: tuple[Fragment, ...] = ()
    faces: tuple[FractureFace, ...] = ()
    joints: tuple[Joint, ...] = ()
    placements: tuple[Placement, ...] = ()
    fits: tuple[FitReport, ...] = ()
    whole: Whole | None = None
    history: tuple[StepRecord, ...] = ()
    readings: tuple[Reading, ...] = ()
    checks: tuple[DimensionCheck, ...] = ()
    scales: tuple[ScaleCheck, ...] = ()
    fit_ups: tuple[FitUp, ...] = ()
    stated: tuple[StatedSize, ...] = ()
    picks: tuple[MakePick, ...] = ()
    made: tuple[MadePart, ...] = ()
    attachments: tuple[Attachment, ...] = ()


@dataclass(frozen=True, eq=False)
class ReplayRound(Record):
    """One round of an alignment, as it was on the way.

    Attributes
    ----------
    stage : str
        What the rounds around this one do, in a few words.
    poses : (n, 4, 4)
        part_from_scan of the fragments that `Replay.fragments` names, in that order.
    misfit_mm : float
        Half of the faces lie nearer to each other than this.
    points_a, points_b : (k, 3)
        Some of the pairs that lie opposite each other, part frame.
    """

    stage: str
    poses: FloatArray
    misfit_mm: float
    points_a: FloatArray
    points_b: FloatArray
    _arrays = {"poses": np.float64, "points_a": np.float64, "points_b": np.float64}


@dataclass(frozen=True, eq=False)
class Replay(Record):
    """An alignment, round by round; ``off_mm`` is how far its end lies from the placements of the project."""

    fragments: tuple[int, ...]
    rounds: tuple[ReplayRound, ...]
    off_mm: float
    noise_mm: float


@dataclass(frozen=True, eq=False)
class FaceScore(Record):
    """A fragment's fracture faces against the true ones.

    ``covered`` is the share of the true area that was taken, ``wrong`` the share of what was taken that lies off
    them; ``by`` says whose faces these are: "person", "program" or "nobody".
    """

    fragment: int
    by: str
    covered: float
    wrong: float
    sentence: str


@dataclass(frozen=True, eq=False)
class PlacementScore(Record):
    """How far the worst point of a fragment is from its true place, seen from the first placed fragment."""

    fragment: int
    off_mm: float | None
    turned_deg: float | None
    sentence: str


@dataclass(frozen=True, eq=False)
class Score(Record):
    """A job against the known answer of its sample."""

    sample: str
    faces: tuple[FaceScore, ...]
    placements: tuple[PlacementScore, ...]
