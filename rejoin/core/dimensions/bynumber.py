"""Worn or unscannable features put in by number: a bore, boss or face restored to a nominal size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core.dimensions.figures import distances, frame_of
from rejoin.core.dimensions.growing import Ground
from rejoin.core.dimensions.regions import Feature
from rejoin.core.dimensions.shapes import figure_of
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.libraries.restoring import Restored, hull_of, worked
from rejoin.core.meshes import compacted, edges, genus, is_closed, triangle_areas, volume
from rejoin.core.records import ByNumber, FloatArray, IntArray, Mesh, Whole

SAG_MM = 0.001
"""How far the flats of a restored round feature may lie inside its circle."""

UNLIKE = 0.5
"""A nominal size that differs by more than this share from what is there is held for a slip."""


def restored_bore(
    whole: Whole, ground: Ground, bore: Feature, diameter_mm: float, depth_mm: float | None = None, note: str = ""
) -> Whole:
    """The whole with a bore of the nominal diameter on the axis of the picked one.

    Parameters
    ----------
    whole : Whole
        Closed.
    ground : Ground
        Of the whole's mesh.
    bore : Feature
        The picked cylinder, in the frame of the whole.
    diameter_mm : float
        The nominal size; larger or smaller than what was scanned.
    depth_mm : float, optional
        From its open end, where the scanner did not see the bottom; by default as far as the wall was scanned.
    note : str
        Such as the thread that is to be cut into it.

    Returns
    -------
    Whole
        Its new triangles in ``number_triangles``.

    Raises
    ------
    NoAnswer, WrongUse
    """
    _check(bore, diameter_mm, hollow=True)
    bore = _to_the_rims(ground, bore)
    axis, radius, spacing = _axis(bore), 0.5 * diameter_mm, ground.spacing_mm
    t = (bore.points_mm - axis[0]) @ axis[1]
    low, high = float(t.min()), float(t.max())
    open_low, open_high = (not _inside(whole.mesh, axis[0] + end * axis[1]) for end in
                           (low - 0.5 * spacing, high + 0.5 * spacing))  # fmt: skip
    steps = []
    if radius < float(np.max(_radii(bore, axis))):
        steps.append(("add", hull_of(_swollen(bore, axis, 2.0 * spacing))))
    start, end = low - (2.0 * spacing if open_low else 0.0), high + (2.0 * spacing if open_high else 0.0)
    if depth_mm is not None:
        if not open_low and not open_high:
            raise NoAnswer("Neither end of this bore is open.", "Pick the bore from its open end.")
        start, end = (start, low + depth_mm) if open_low else (high - depth_mm, end)
    steps.append(("cut", round_bar(axis[0] + start * axis[1], axis[0] + end * axis[1], radius)))
    deep = "" if depth_mm is None else f", {depth_mm:g} mm deep"
    was = 2.0 * (bore.shape.radius_mm or 0.0)
    text = f"By number: bore of {diameter_mm:g} mm{deep} in place of {was:.2f} mm as scanned."
    return _finished(whole, worked(whole.mesh, steps), ByNumber("bore", diameter_mm, *axis, _with(text, note)))


def restored_boss(whole: Whole, ground: Ground, boss: Feature, diameter_mm: float, note: str = "") -> Whole:
    """The whole with a boss or journal of the nominal diameter on the axis of the picked one."""
    _check(boss, diameter_mm, hollow=False)
    boss = _to_the_rims(ground, boss)
    axis, spacing = _axis(boss), ground.spacing_mm
    t = (boss.points_mm - axis[0]) @ axis[1]
    low, high = float(t.min()), float(t.max())
    sunk = [spacing if _inside(whole.mesh, axis[0] + end * axis[1]) else 0.0 for end in
            (low - 0.5 * spacing, high + 0.5 * spacing)]  # fmt: skip
    bar = round_bar(axis[0] + (low - sunk[0]) * axis[1], axis[0] + (high + sunk[1]) * axis[1], 0.5 * diameter_mm)
    steps = [("cut", hull_of(_swollen(boss, axis, 2.0 * spacing))), ("add", bar)]
    was = 2.0 * (boss.shape.radius_mm or 0.0)
    text = f"By number: boss of {diameter_mm:g} mm in place of {was:.2f} mm as scanned."
    return _finished(whole, worked(whole.mesh, steps), ByNumber("boss", diameter_mm, *axis, _with(text, note)))


def restored_plane(whole: Whole, ground: Ground, face: Feature, move_mm: float, note: str = "") -> Whole:
    """The whole with a picked face made flat, ``move_mm`` out of the material (negative: into it)."""
    if face.normal is None:
        raise NoAnswer("This is no face.", "Pick a flat face.")
    face = _to_the_rims(ground, face)
    assert face.normal is not None
    normal, point, spacing = face.normal, face.shape.point_mm, ground.spacing_mm
    patch, kept = _patch(whole.mesh, face.vertices)
    height = (patch.vertices - point) @ normal
    size = float(np.ptp(patch.vertices, axis=0).max())
    if abs(move_mm) > UNLIKE * size:
        raise WrongUse(f"Moving a face of {size:.3g} mm by {move_mm:g} mm is held for a slip.", "Look at the number.")
    flat = patch.vertices + (move_mm - height)[:, None] * normal
    low, high = float(height.min()), float(height.max())
    if max(move_mm - low, high - move_mm) <= 0.5 * spacing:
        made = _pressed(whole.mesh, patch, kept, flat)
    else:
        steps = []
        if low < move_mm:
            below = patch.vertices + (min(low, move_mm) - spacing - height)[:, None] * normal
            steps.append(("add", _prism(patch, below, flat)))
        if high > move_mm:
            above = patch.vertices + (max(high, move_mm) + spacing - height)[:, None] * normal
            steps.append(("cut", _prism(patch, flat, above)))
        made = worked(whole.mesh, steps)
    text = f"By number: face made flat, {move_mm:+g} mm from where it was scanned."
    return _finished(whole, made, ByNumber("plane", move_mm, point, normal, _with(text, note)))


def _with(text: str, note: str) -> str:
    return f"{text} {note}".strip()


def _check(feature: Feature, diameter_mm: float, hollow: bool) -> None:
    wanted = "bore" if hollow else "boss"
    if feature.shape.kind != "cylinder" or feature.hollow != hollow or feature.shape.radius_mm is None:
        raise NoAnswer(f"This is no {wanted}.", f"Pick the wall of a {wanted}.")
    was = 2.0 * feature.shape.radius_mm
    if not abs(diameter_mm - was) <= UNLIKE * was:
        raise WrongUse(f"A {wanted} of {was:.2f} mm is not restored to {diameter_mm:g} mm: that is held for a slip.",
                       "Look at the number and the unit.")  # fmt: skip


def _axis(feature: Feature) -> tuple[FloatArray, FloatArray]:
    assert feature.shape.direction is not None
    return feature.shape.point_mm, feature.shape.direction


def _to_the_rims(ground: Ground, feature: Feature) -> Feature:
    """The feature with the points on its rims, which the search leaves out: they face another way."""
    rows = feature.vertices.astype(np.int64)
    figure = figure_of(feature.shape)
    for _ in range(10 if figure.kind == "plane" else 2):
        wider = np.union1d(rows, ground.neighbours[rows].indices)
        away = np.abs(distances(figure, ground.mesh.vertices[wider]))
        rows = wider[away < 0.4 * ground.spacing_mm]
    own = rows[rows < ground.own].astype(np.int32)
    return replace(feature, points_mm=ground.mesh.vertices[rows], vertices=own)


def _radii(feature: Feature, axis: tuple[FloatArray, FloatArray]) -> FloatArray:
    q = feature.points_mm - axis[0]
    return np.asarray(np.linalg.norm(q - (q @ axis[1])[:, None] * axis[1], axis=1))


def _swollen(feature: Feature, axis: tuple[FloatArray, FloatArray], by_mm: float) -> FloatArray:
    """The region's points moved away from the axis: what is filled reaches into the wall around it."""
    q = feature.points_mm - axis[0]
    along = (q @ axis[1])[:, None] * axis[1]
    out = q - along
    length = np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)
    return np.asarray(axis[0] + along + out * (1.0 + by_mm / length))


def round_bar(start: FloatArray, end: FloatArray, radius_mm: float) -> Mesh:
    """A closed cylinder whose corners lie on the radius, its flats within `SAG_MM` of it."""
    count = max(24, int(np.ceil(np.pi / np.arccos(max(1.0 - SAG_MM / radius_mm, 0.9)))))
    direction = (end - start) / np.linalg.norm(end - start)
    u, v = frame_of(direction)
    angle = np.arange(count) * 2 * np.pi / count
    ring = radius_mm * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v)
    points = np.vstack([start + ring, end + ring, start, end])
    k = np.arange(count)
    after = (k + 1) % count
    low, high = np.full(count, 2 * count), np.full(count, 2 * count + 1)
    triangles = np.vstack([
        np.column_stack([k, after, k + count]), np.column_stack([after, after + count, k + count]),
        np.column_stack([after, k, low]), np.column_stack([k + count, after + count, high]),
    ])  # fmt: skip
    return Mesh(points, triangles.astype(np.int32))


def _patch(mesh: Mesh, vertices: IntArray) -> tuple[Mesh, IntArray]:
    """The triangles whose corners all belong to a region, as a mesh, and their vertices (k,) in the whole."""
    inside = np.zeros(len(mesh.vertices), bool)
    inside[vertices] = True
    kept = np.flatnonzero(inside[mesh.triangles].all(axis=1)).astype(np.int32)
    if not len(kept):
        raise NoAnswer("The picked face is too small.", "Pick a larger one.")
    return compacted(mesh, kept)


def _pressed(mesh: Mesh, patch: Mesh, kept: IntArray, flat: FloatArray) -> Restored:
    """The mesh with a patch's vertices set where they are wanted: for moves so small that nothing folds."""
    vertices = mesh.vertices.copy()
    vertices[kept] = flat
    on_patch = np.zeros(len(vertices), bool)
    on_patch[kept] = True
    source = np.asarray(on_patch[mesh.triangles].all(axis=1), np.int64)
    return Restored(Mesh(vertices, mesh.triangles), source, np.arange(len(mesh.triangles)))


def _prism(patch: Mesh, low: FloatArray, high: FloatArray) -> Mesh:
    """The closed body between two copies of a patch, the second above the first."""
    count = len(low)
    directed = edges(patch).astype(np.int64)
    keys = {(int(a), int(b)) for a, b in directed}
    border = np.array(sorted((a, b) for a, b in keys if (b, a) not in keys), np.int64).reshape(-1, 2)
    a, b = border[:, 0], border[:, 1]
    triangles = np.vstack([
        patch.triangles[:, ::-1], patch.triangles + count,
        np.column_stack([a, b, b + count]), np.column_stack([a, b + count, a + count]),
    ])  # fmt: skip
    return Mesh(np.vstack([low, high]), triangles.astype(np.int32))


def _inside(mesh: Mesh, point: FloatArray) -> bool:
    """Whether a point lies in the material: crossings of a ray (Möller and Trumbore 1997), the majority of three."""
    corners = mesh.vertices[mesh.triangles]
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    votes = 0
    for along in np.array([[0.53, 0.61, 0.59], [-0.71, 0.29, 0.64], [0.33, -0.83, 0.45]]):
        p = np.cross(along, two)
        area = np.einsum("ij,ij->i", one, p)
        with np.errstate(divide="ignore", invalid="ignore"):
            s = (point - corners[:, 0]) / area[:, None]
            u, q = np.einsum("ij,ij->i", s, p), np.cross(s, one)
            v, far = q @ along, np.einsum("ij,ij->i", q, two)
        votes += int(np.count_nonzero((u >= 0) & (v >= 0) & (u + v <= 1) & (far > 0)) % 2)
    return votes >= 2


def _finished(whole: Whole, made: Restored, feature: ByNumber) -> Whole:
    """The whole around the new mesh; which triangles are seam, filling or by number is carried over."""
    mesh = made.mesh
    if not is_closed(mesh):
        raise NoAnswer("The restored whole is not closed.", "Try another size, or restore it in the drawing program.")
    old = made.source == 0

    def carried(triangles: IntArray | None) -> IntArray:
        marked = np.zeros(len(whole.mesh.triangles), bool)
        marked[[] if triangles is None else triangles] = True
        hit = np.zeros(len(mesh.triangles), bool)
        hit[old] = marked[made.face[old]]
        return np.flatnonzero(hit).astype(np.int32)

    before = np.zeros(len(mesh.triangles), bool)
    before[carried(whole.number_triangles)] = True
    numbers = np.flatnonzero(before | ~old).astype(np.int32)
    return replace(
        whole, mesh=mesh, volume_mm3=volume(mesh), area_mm2=float(triangle_areas(mesh).sum()), closed=True,
        genus=genus(mesh), seam_triangles=carried(whole.seam_triangles),
        filled_triangles=carried(whole.filled_triangles),
        size_mm=None if whole.size_mm is None else np.ptp(mesh.vertices, axis=0),
        notes=(*whole.notes, feature.sentence),
        by_number=(*whole.by_number, feature), number_triangles=numbers,
    )  # fmt: skip
