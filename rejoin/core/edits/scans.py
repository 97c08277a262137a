"""Edits of the list of scans: names, units, what belongs to the job."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rejoin.core.edits.dimensions import picks_scaled, readings_without
from rejoin.core.edits.tuples import put, without
from rejoin.core.errors import WrongUse
from rejoin.core.project import changed
from rejoin.core.records import FractureFace, Fragment, Mesh, Placement, Project, ScanView
from rejoin.core.settings import UNITS


def rename(project: Project, fragment: int, name: str) -> Project:
    """Give a fragment another name; nothing that was worked out is forgotten."""
    name = name.strip()
    if not name:
        raise WrongUse("A fragment needs a name.", "Type at least one letter.")
    scans = put(project.scans, fragment, replace(project.scans[fragment], name=name))
    fragments = project.fragments
    if fragment < len(fragments):
        fragments = put(fragments, fragment, replace(fragments[fragment], scan=scans[fragment]))
    return replace(project, scans=scans, fragments=fragments)


def state_unit(project: Project, scans: tuple[int, ...], unit: str) -> Project:
    """Say in which unit the files of ``scans`` are; their sizes follow."""
    if unit not in UNITS:
        raise WrongUse(f"{unit!r} is no unit known here.", f"Choose one of: {', '.join(UNITS)}.")
    scaled = list(project.scans)
    for number in scans:
        scan = scaled[number]
        factor = UNITS[unit] / UNITS[scan.unit]
        mesh = scan.mesh if factor == 1.0 else Mesh(scan.mesh.vertices * factor, scan.mesh.triangles)
        views = scan.views if factor == 1.0 else tuple(_view_scaled(view, factor) for view in scan.views)
        notes = tuple(note for note in scan.read_notes if note.kind != "unit")  # it asked for what is stated now
        scaled[number] = replace(scan, mesh=mesh, unit=unit, unit_stated=True, views=views, read_notes=notes,
                                 views_u95_mm=scan.views_u95_mm * factor)  # fmt: skip
    stated = tuple(s for s in project.stated if s.a not in scans and s.b not in scans)
    readings = picks_scaled(project.readings, {n: UNITS[unit] / UNITS[project.scans[n].unit] for n in scans})
    return changed(replace(project, stated=stated, readings=readings), scans=tuple(scaled))


def _view_scaled(view: ScanView, factor: float) -> ScanView:
    pose = np.array(view.scan_from_view)
    pose[:3, 3] *= factor
    return replace(view, scan_from_view=pose, support_mm2=view.support_mm2 * factor**2,
                   foreign_mm2=view.foreign_mm2 * factor**2, misfit_mm=view.misfit_mm * factor)  # fmt: skip


ROLES = ("fragment", "reference", "mating")
"""What a scan may be of: a piece of the broken part, a whole part of the same pattern, what the part fits to."""


def set_role(project: Project, number: int, role: str, mirrored: bool = False) -> Project:
    """Say what a scan is of; what was worked out with it in another role is forgotten.

    Parameters
    ----------
    project : Project
    number : int
    role : str
        One of `ROLES`.
    mirrored : bool
        A reference of the opposite hand: its surface is used mirrored.

    Raises
    ------
    WrongUse
        Another role, no such scan, or a fragment to be mirrored.
    """
    if role not in ROLES or not 0 <= number < len(project.scans):
        raise WrongUse(f"Scan {number} cannot be a {role}.", f"Choose a listed scan, and one of: {', '.join(ROLES)}.")
    if mirrored and role != "reference":
        raise WrongUse("Only a reference can be of the opposite hand.", "Say first that this scan is a reference.")
    scan = project.scans[number]
    if (scan.role, scan.mirrored) == (role, mirrored):
        return project
    changed_scan = replace(scan, role=role, mirrored=mirrored)
    faces = tuple(face for face in project.faces if face.fragment != number)
    joints = tuple(joint for joint in project.joints if number not in (joint.a, joint.b))
    stated = tuple(one for one in project.stated if number not in (one.a, one.b))
    fragments = project.fragments
    if number < len(fragments) and mirrored == scan.mirrored:
        fragments = put(fragments, number, replace(fragments[number], scan=changed_scan))
        return changed(replace(project, stated=stated), scans=put(project.scans, number, changed_scan),
                       fragments=fragments, faces=faces, joints=joints)  # fmt: skip
    return changed(replace(project, stated=stated), scans=put(project.scans, number, changed_scan))


def remove_fragment(project: Project, fragment: int) -> Project:
    """Take a fragment out, and forget what depended on it.

    Faces and joints of the others stay. Their placements, gaps and the whole
    stay too where the fragment had no part in them: it was not placed.
    """
    if not 0 <= fragment < len(project.scans):
        raise WrongUse(f"There is no fragment {fragment}.", f"Choose 0 to {len(project.scans) - 1}.")

    def moved(number: int) -> int:
        return number - (number > fragment)

    def moved_face(face: FractureFace) -> FractureFace:
        return replace(face, fragment=moved(face.fragment))

    kept = [n for n, joint in enumerate(project.joints) if fragment not in (joint.a, joint.b)]
    joints = tuple(
        replace(j, a=moved(j.a), b=moved(j.b), face_a=moved_face(j.face_a), face_b=moved_face(j.face_b))
        for j in (project.joints[number] for number in kept)
    )
    values: dict[str, Any] = {}
    placements = project.placements
    if len(placements) == len(project.fragments) and fragment < len(placements):
        if placements[fragment].part_from_scan is None:
            renumbered = {number: place for place, number in enumerate(kept)}
            fits = tuple(replace(fit, joint=renumbered[fit.joint]) for fit in project.fits if fit.joint in renumbered)
            left = tuple(_unshared(one, fragment) for one in without(placements, fragment))
            values = {"placements": left, "fits": fits, "whole": project.whole}
    stated = tuple(
        replace(s, a=moved(s.a), b=moved(s.b)) for s in project.stated if fragment not in (s.a, s.b)
    )
    return changed(
        replace(project, stated=stated, readings=readings_without(project.readings, fragment)),
        scans=without(project.scans, fragment),
        fragments=without(project.fragments, fragment),
        faces=tuple(moved_face(face) for face in project.faces if face.fragment != fragment),
        joints=joints,
        **values,
    )


def _unshared(placement: Placement, fragment: int) -> Placement:
    """The placement, of which nothing is told any more of how it goes with a fragment that was taken away."""
    known = placement.shared
    if known is None or fragment >= len(known):
        return placement
    return replace(placement, shared=np.delete(known, fragment, axis=0))


def clear_of(project: Project, number: int) -> Project:
    """Without what hangs on one fragment: its faces, joints, stated sizes and readings; what others have stays."""
    return replace(
        project,
        faces=tuple(face for face in project.faces if face.fragment != number),
        joints=tuple(joint for joint in project.joints if number not in (joint.a, joint.b)),
        stated=tuple(size for size in project.stated if number not in (size.a, size.b)),
        readings=tuple(reading for reading in project.readings if number not in reading.on),
    )


def exchange_fragment(project: Project, number: int, fragment: Fragment) -> Project:
    """Put a scan's surface, cleaned another way, in place of the one before; what the others have stays."""
    faces = tuple(face for face in project.faces if face.fragment != number)
    joints = tuple(joint for joint in project.joints if number not in (joint.a, joint.b))
    return changed(project, fragments=put(project.fragments, number, fragment), faces=faces, joints=joints)
