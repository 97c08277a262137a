"""Which colour each drawn triangle or vertex of a fragment has."""

from __future__ import annotations

from threading import Lock
from weakref import WeakKeyDictionary, ref

import numpy as np
import numpy.typing as npt

from rejoin.app.parts import colours
from rejoin.app.view.drawn import Drawn
from rejoin.app.words import sentences
from rejoin.app.work.display import Display, display_of
from rejoin.core.records import FloatArray, FractureFace, IntArray, Project

Bytes = npt.NDArray[np.uint8]

PALE = 0.7
"""How far fragments lose their own colour beside a gap map, where a blue one would seem to gape."""


_drawn: WeakKeyDictionary[FractureFace, tuple[ref[Display], IntArray]] = WeakKeyDictionary()
_lock = Lock()


def face_triangles(face: FractureFace, display: Display) -> IntArray:
    """The drawn triangles of a face; remembered, for a large scan has many faces and is coloured often."""
    with _lock:
        known = _drawn.get(face)
    if known is None or known[0]() is not display:
        known = ref(display), display.drawn_triangles(face.triangles)
        with _lock:
            _drawn[face] = known
    return known[1]


def prepare(project: Project) -> None:
    """Work out what colouring this project will ask for; a reader thread does, so that the window need not."""
    of_joints = [(n, face) for j in project.joints for n, face in ((j.a, j.face_a), (j.b, j.face_b))]
    for number, face in [*((face.fragment, face) for face in project.faces), *of_joints]:
        if number < len(project.fragments):
            face_triangles(face, display_of(project.fragments[number].mesh))


def face_colours(drawn: Drawn, faces: list[tuple[FractureFace, float]]) -> Bytes:
    """Triangle colours (m, 3): faces as strongly as wanted, passing tints over them."""
    shown = np.tile(colours.rgb(drawn.colour), (len(drawn.display.mesh.triangles), 1))
    if faces:
        places = [face_triangles(face, drawn.display) for face, _ in faces]
        inks = {strength: colours.blend(drawn.colour, colours.FACE, strength) for strength in {s for _, s in faces}}
        counts = [len(triangles) for triangles in places]
        shown[np.concatenate(places)] = np.repeat([inks[strength] for _, strength in faces], counts, axis=0)
    for triangles in drawn.tints.values():
        shown[triangles] = colours.rgb(colours.FACE_HOVER)
    return shown


def gap_colours(drawn: Drawn, gap_mm: FloatArray, facing: IntArray, limit_mm: float, tolerance_mm: float) -> Bytes:
    """Vertex colours (n, 3) of the gap map, ``gap_mm`` (N,) by vertex of the scan."""
    shown = np.tile(colours.blend(drawn.colour, colours.FRAGMENTS[0], PALE), (len(drawn.display.mesh.vertices), 1))
    places = drawn.display.drawn_vertices(facing)
    shown[places] = colours.gap_colours(gap_mm[drawn.display.vertex_of[places]], limit_mm, tolerance_mm)
    return shown


def strengths(project: Project, number: int, mode: str) -> list[tuple[FractureFace, float]]:
    """Faces of a fragment and how strongly to tint them, faint ones first: the program only ranks its finds."""
    used = [(face, 1.0) for face in sentences.in_joints(project) if face.fragment == number]
    if used or mode == "join":
        return used
    own = [face for face in project.faces if face.fragment == number]
    ranked = [(face, 1.0 if face.chosen_by == "person" else max(0.85 * 0.6**i, 0.1)) for i, face in enumerate(own)]
    return ranked[::-1]


def gaps_of(project: Project, number: int) -> tuple[FloatArray, IntArray]:
    """The gap (N,) at each vertex of a fragment, NaN where none was measured, and the vertices of its joints."""
    gap = np.full(len(project.fragments[number].mesh.vertices), np.nan)
    facing = np.zeros(len(gap), bool)
    for fit in project.fits:
        joint = project.joints[fit.joint]
        for mine, vertices, values in (
            (joint.a == number, fit.vertices_a, fit.gap_a_mm), (joint.b == number, fit.vertices_b, fit.gap_b_mm),
        ):  # fmt: skip
            if mine:
                gap[vertices] = values
                facing[vertices] = True
    return gap, np.flatnonzero(facing).astype(np.int32)
