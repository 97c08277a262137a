"""Fracture faces chosen, painted, rubbed out and cleared by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from rejoin.core.edits.tuples import without
from rejoin.core.errors import WrongUse
from rejoin.core.meshes import triangle_areas
from rejoin.core.project import changed
from rejoin.core.records import FractureFace, IntArray, Mesh, Project


def choose_face(project: Project, fragment: int, triangles: npt.ArrayLike) -> Project:
    """Make ``triangles`` (k,) of a fragment a fracture face of its own.

    The person's word stands above the program's: the faces that the program
    held for possible on this fragment are dropped, and a new search leaves
    the fragment alone. Triangles of the person's other faces go over to this one.
    """
    wanted = _checked(project, fragment, triangles)
    if not len(wanted):
        raise WrongUse("A fracture face needs triangles.", "Click on the broken surface.")
    others = _others(project, fragment, wanted, spared=None)
    return changed(project, faces=(*others, made_face(project, fragment, wanted)))


def add_triangles(project: Project, face: int, triangles: npt.ArrayLike) -> Project:
    """Add ``triangles`` (k,) to an existing face, which thereby becomes the person's choice."""
    fragment = project.faces[face].fragment
    more = _checked(project, fragment, triangles)
    wanted = _checked(project, fragment, np.concatenate([project.faces[face].triangles, more]))
    others = _others(project, fragment, wanted, spared=face)
    return changed(project, faces=(*others, made_face(project, fragment, wanted)))


def _others(project: Project, fragment: int, wanted: IntArray, spared: int | None) -> tuple[FractureFace, ...]:
    """Faces of other fragments, and the person's own on this one without ``wanted``."""
    faces: list[FractureFace] = []
    taken = _among(project, fragment, wanted)
    for number, face in enumerate(project.faces):
        if face.fragment != fragment:
            faces.append(face)
        elif number != spared and face.chosen_by == "person":
            rest = face.triangles[~taken[face.triangles]]
            faces += [made_face(project, fragment, rest)] if len(rest) else []
    return tuple(faces)


def remove_triangles(project: Project, fragment: int, triangles: npt.ArrayLike) -> Project:
    """Take ``triangles`` (k,) out of every face of a fragment; a face left empty disappears."""
    unwanted = _among(project, fragment, _checked(project, fragment, triangles))
    faces: list[FractureFace] = []
    for face in project.faces:
        if face.fragment != fragment:
            faces.append(face)
            continue
        rest = face.triangles[~unwanted[face.triangles]]
        if len(rest) == len(face.triangles):
            faces.append(face)
        elif len(rest):
            less = made_face(project, fragment, rest)
            faces.append(replace(less, chosen_by=face.chosen_by, confidence=face.confidence))
    return changed(project, faces=tuple(faces))


def area_of(project: Project, fragment: int, triangles: npt.ArrayLike) -> float:
    """Area of some triangles (k,) of a fragment, mm²."""
    mesh = project.fragments[fragment].mesh
    return float(triangle_areas(Mesh(mesh.vertices, mesh.triangles[np.asarray(triangles, np.int32)])).sum())


def clear_face(project: Project, face: int) -> Project:
    """Forget one fracture face."""
    return changed(project, faces=without(project.faces, face))


def _checked(project: Project, fragment: int, triangles: npt.ArrayLike) -> IntArray:
    if not 0 <= fragment < len(project.fragments):
        raise WrongUse(f"There is no fragment {fragment}.", "Choose one that is listed.")
    wanted = np.asarray(triangles, np.int32)
    count = len(project.fragments[fragment].mesh.triangles)
    if len(wanted) and not (0 <= wanted.min() and wanted.max() < count):
        raise WrongUse("There is no such triangle on this fragment.", f"Triangles count from 0 to {count - 1}.")
    return np.flatnonzero(_among(project, fragment, wanted)).astype(np.int32)


def _among(project: Project, fragment: int, triangles: IntArray) -> npt.NDArray[np.bool_]:
    """Which of a fragment's triangles (m,) are among those given (much quicker than sorting a million numbers)."""
    among = np.zeros(len(project.fragments[fragment].mesh.triangles), bool)
    among[triangles] = True
    return among


def made_face(project: Project, fragment: int, triangles: npt.ArrayLike) -> FractureFace:
    chosen = np.asarray(triangles, np.int32)
    return FractureFace(fragment, chosen, area_of(project, fragment, chosen), 1.0, "person")
