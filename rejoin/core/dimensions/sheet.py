"""The dimensioned sheet for the mill: sections at 1:1, the hole table from the datums, the set-up faces, the notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rejoin.core.dimensions.datums import ORDER, DatumFrame, datum_frame
from rejoin.core.dimensions.figures import unit
from rejoin.core.dimensions.placing import moved_shape
from rejoin.core.dimensions.sections import Outline, Section, section_at
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.files.placing import written_whole
from rejoin.core.meshes import placed
from rejoin.core.records import DimensionCheck, FloatArray, Mesh, Project, Shape

SUFFIXES = (".dxf", ".pdf")
"""What a sheet can be written as."""

NOT_PROVEN = "SCALE NOT PROVEN: no caliper reading agrees with the scan yet."


@dataclass(frozen=True, eq=False)
class Hole:
    """A bore in the datum frame: where its axis meets z = 0, mm; ``lean_deg`` of the axis to z."""

    name: str
    x_mm: float
    y_mm: float
    diameter_mm: float
    lean_deg: float
    note: str = ""


@dataclass(frozen=True, eq=False)
class Sheet:
    """What is drawn: named sections, holes, words about the set-up, notes; ``beside`` are outlines of a mating part in
    the first section."""

    title: str
    sections: tuple[tuple[str, Section], ...]
    holes: tuple[Hole, ...]
    set_up: tuple[str, ...]
    notes: tuple[str, ...]
    beside: tuple[Outline, ...] = ()


def hole_of(name: str, bore: Shape, frame: DatumFrame, note: str = "") -> Hole:
    """A row of the hole table from a fitted cylinder in the part's frame.

    Raises
    ------
    NoAnswer
        Where it is no cylinder, or its axis lies along the datum plane.
    """
    if bore.kind != "cylinder" or bore.radius_mm is None:
        raise NoAnswer(f"{name} is no bore.", "Leave it out of the hole table.")
    moved = moved_shape(bore, frame.datum_from_part)
    direction = moved.direction
    assert direction is not None
    if abs(direction[2]) < 0.2:
        raise NoAnswer(f"The axis of {name} lies along the datum plane.", "Make a sheet from another side for it.")
    at = moved.point_mm - direction * float(moved.point_mm[2] / direction[2])
    lean = float(np.degrees(np.arccos(min(abs(float(direction[2])), 1.0))))
    return Hole(name, float(at[0]), float(at[1]), 2.0 * bore.radius_mm, lean, note)


def set_up_of(features: Sequence[tuple[str, Shape]], frame: DatumFrame) -> tuple[str, ...]:
    """The datums in words: what to sit on, what to stop against, what is left to choose."""
    lines = []
    for letter, order, (name, shape) in zip("ABC", ORDER, features, strict=False):
        zone = "" if shape.minimum_zone_mm is None else f", {shape.minimum_zone_mm:.3f} by minimum zone"
        lines.append(f"Datum {letter} ({order}): {name}, {shape.kind}, form {shape.form_deviation_mm:.3f} mm "
                     f"by least squares{zone}.")  # fmt: skip
    if features and features[0][1].kind == "plane":
        lines.append("The part sits on datum A: z runs from it into the part; x and y are as seen from above.")
    if frame.free:
        lines.append(f"Not settled by a datum: {', '.join(frame.free)}.")
    return (*lines, *frame.notes)


def frame_of_checks(checks: Sequence[DimensionCheck]) -> tuple[DatumFrame, tuple[tuple[str, Shape], ...]]:
    """The datum frame of the rows of the kind datum, in their order, and its features.

    Raises
    ------
    NoAnswer
        Where no datum was picked or found, or they do not settle a frame.
    """
    features = tuple((one.name, one.shapes[0]) for one in checks if one.kind == "datum" and one.shapes)
    if not features:
        raise NoAnswer("No datum was picked.", "Add rows of the kind datum: the face or bore to sit on first.")
    return datum_frame([shape for _, shape in features]), features


def drawing_notes(project: Project) -> tuple[str, ...]:
    """What every drawing of the whole says: that its scale is not proven, and what was put in by number.

    The scale is proven by readings on the whole, or on every one of its fragments.
    """
    own = [one for one in project.scales if one.on < 0]
    proven = {one.on for one in project.scales if one.state == "proven"}
    if -1 in proven or (not own and project.fragments and proven >= set(range(len(project.fragments)))):
        own, missing = [], []
    else:
        missing = [] if own else [NOT_PROVEN]
    by_number = () if project.whole is None else project.whole.by_number
    return (*missing, *(one.sentence for one in own), *(one.sentence for one in by_number))


def sheet_of(title: str, whole: Mesh, checks: Sequence[DimensionCheck], notes: Sequence[str], noise_mm: float) -> Sheet:
    """The sheet of a checked whole: cut across the primary datum's axis half way along the first bore.

    Without a bore the cut lies half way through the part. Bores whose axes lie along the datum plane are named in
    the notes.
    """
    frame, features = frame_of_checks(checks)
    holes, left = [], []
    for one in checks:
        if one.kind == "bore" and one.shapes:
            try:
                holes.append(hole_of(one.name, one.shapes[0], frame))
            except NoAnswer as error:
                left.append(str(error))
    squared = placed(whole, frame.datum_from_part)
    middle = 0.5 * (squared.vertices.min(axis=0) + squared.vertices.max(axis=0))
    bores = [one.shapes[0] for one in checks if one.kind == "bore" and one.shapes]
    height = float(moved_shape(bores[0], frame.datum_from_part).point_mm[2]) if bores else float(middle[2])
    cut = section_at(squared, np.array([0.0, 0.0, height]), np.array([0.0, 0, 1]), np.array([1.0, 0, 0]), noise_mm)
    name = f"at z = {_two(height)}"
    return Sheet(title, ((name, cut),), tuple(holes), set_up_of(features, frame), (*notes, *left))


def section_sheet(
    title: str, mesh: Mesh, point_mm: FloatArray, normal: FloatArray, notes: Sequence[str], noise_mm: float,
    mating: Mesh | None = None,
) -> Sheet:  # fmt: skip
    """A sheet with one section at any plane, its outline dimensioned; a mating part in position is drawn with it.

    Raises
    ------
    NoAnswer
        Where the plane misses the part.
    """
    cut = section_at(mesh, point_mm, normal, None, noise_mm)
    place, way = (", ".join(map(_two, row)) for row in (point_mm, unit(normal)))
    told = [f"Section through ({place}) across ({way}): area {cut.area_mm2:.1f} mm2."]
    beside: tuple[Outline, ...] = ()
    if mating is not None:
        try:
            beside = section_at(mating, point_mm, normal, None, noise_mm).outlines
        except NoAnswer:
            told.append("The plane misses the mating part.")
    return Sheet(title, ((f"through ({place})", cut),), (), tuple(told), tuple(notes), beside)


def write_sheet(sheet: Sheet, path: str | Path) -> Path:
    """Write the sheet as DXF (millimetres) or PDF, both at 1:1.

    Raises
    ------
    WrongUse
        Another suffix, or nothing to draw.
    FileTrouble
        Where nothing can be written there.
    """
    from rejoin.core.libraries.drawings import write_dxf, write_pdf

    path = Path(path)
    if path.suffix.lower() not in SUFFIXES:
        raise WrongUse(f"A sheet cannot be written as {path.name}.", f"Let the name end in {' or '.join(SUFFIXES)}.")
    if not sheet.sections:
        raise WrongUse("There is no section on this sheet.", "Choose where the part is to be cut.")
    views = [(name, _view(section)) for name, section in sheet.sections]
    views[0][1][:0] = [("line", (outline.points.tolist(), outline.closed)) for outline in sheet.beside]
    words = (*sheet.set_up, *sheet.notes)
    table = tuple((h.name, *map(_two, (h.x_mm, h.y_mm, h.diameter_mm)), _noted(h)) for h in sheet.holes)
    write = write_dxf if path.suffix.lower() == ".dxf" else write_pdf
    return written_whole(path, lambda beside: write(beside, sheet.title, views, table, words))


def _two(value: float) -> str:
    """With two decimals; what rounds to nothing has no sign."""
    return f"{round(float(value), 2) + 0.0:.2f}"


def _noted(hole: Hole) -> str:
    lean = f"axis leans {hole.lean_deg:.2f} deg" if hole.lean_deg > 0.2 else ""
    return "; ".join(text for text in (hole.note, lean) if text)


def _view(section: Section) -> list[tuple[str, object]]:
    """A section as things to draw: lines, circles, sizes."""
    drawn: list[tuple[str, object]] = []
    straights = []
    for outline in section.outlines:
        if outline.circle is not None:
            drawn.append(("circle", outline.circle))
        else:
            drawn.append(("line", (outline.points.tolist(), outline.closed)))
            straights += list(outline.straights)
    low, size = section.low_mm, section.size_mm
    drawn.append(("width", (low[0], low[0] + size[0], low[1])))
    drawn.append(("height", (low[1], low[1] + size[1], low[0])))
    straights.sort(key=lambda ends: -float(np.hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1])))
    drawn += [("length", ends) for ends in straights[:8]]
    return drawn
