"""Dimensions by hand: pick one, type its reading, take it back, let the readings set a scan's scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.project import changed
from rejoin.core.records import FloatArray, Mesh, Project, Reading, Repair


def with_readings(project: Project, readings: Sequence[Reading]) -> Project:
    """The project with these dimensions and readings; what was worked out from the former ones is forgotten."""
    for one in readings:
        for on in one.on:
            if not -1 <= on < len(project.scans):
                raise WrongUse(f"{one.name} is picked on a fragment that is not there.", "Pick it again.")
    history = tuple(line for line in project.history if line.step != "check_dimensions")
    return replace(project, readings=tuple(readings), checks=(), scales=(), history=history)


def add_reading(project: Project, reading: Reading) -> Project:
    """Add a picked dimension, with or without the caliper's reading of it."""
    return with_readings(project, (*project.readings, reading))


def change_reading(project: Project, number: int, reading: Reading) -> Project:
    """Put another dimension in the place of one."""
    _checked(project, number)
    return with_readings(project, (*project.readings[:number], reading, *project.readings[number + 1 :]))


def remove_reading(project: Project, number: int) -> Project:
    """Take a dimension back."""
    _checked(project, number)
    return with_readings(project, project.readings[:number] + project.readings[number + 1 :])


def readings_without(readings: Sequence[Reading], fragment: int) -> tuple[Reading, ...]:
    """The readings once a fragment is taken out: those on it go, the others' fragments are counted anew."""
    return tuple(
        replace(one, on=tuple(on - (on > fragment) for on in one.on)) for one in readings if fragment not in one.on
    )


def picks_scaled(readings: Sequence[Reading], factors: Mapping[int, float]) -> tuple[Reading, ...]:
    """The readings with their picks moved as the scans they lie on grow: factor by scan, -1 for the whole."""

    def scaled(one: Reading) -> Reading:
        factor = np.array([factors.get(where, 1.0) for where in one.on])
        return replace(one, picks_mm=one.picks_mm * factor[:, None])

    return tuple(scaled(one) if any(where in factors for where in one.on) else one for one in readings)


def correct_scale(project: Project, on: int) -> Project:
    """Multiply a scan (-1: all scans) by the factor that its readings gave: only where the person agrees.

    The change is noted on the scan. What was made from it is forgotten; picks on it move with it.

    Raises
    ------
    NoAnswer
        Where the readings call for no correction.
    """
    check = next((one for one in project.scales if one.on == on), None)
    if check is None or check.factor is None or check.state != "off":
        raise NoAnswer("The readings call for no correction of this scale.", "Check the dimensions first.")
    factor = check.factor
    scans, moved = list(project.scans), set(range(len(project.scans))) if on < 0 else {on}
    for number in moved:
        scan = scans[number]
        sentence = f"Enlarged by {factor:.6g} after {check.readings} caliper readings."
        scans[number] = replace(scan, mesh=Mesh(scan.mesh.vertices * factor, scan.mesh.triangles),
                                read_notes=(*scan.read_notes, Repair("scale", 1, sentence)))  # fmt: skip
    readings = picks_scaled(project.readings, dict.fromkeys((*moved, on), factor))
    return changed(replace(project, readings=readings), scans=tuple(scans))


def _checked(project: Project, number: int) -> None:
    if not 0 <= number < len(project.readings):
        raise WrongUse(f"There is no dimension {number + 1}.", "Choose one that is listed.")


def restore(
    project: Project, kind: str, pick_mm: FloatArray, size_mm: float, depth_mm: float | None = None, note: str = ""
) -> Project:
    """Put a feature of the whole in by number: "bore", "boss" (diameter) or "plane" (how far out of the material).

    Parameters
    ----------
    project : Project
        With a closed whole.
    kind : str
    pick_mm : (3,)
        On the feature, in the part's frame.
    size_mm : float
    depth_mm : float, optional
        Of a bore, from its open end.
    note : str
        Such as the thread to be cut.

    Raises
    ------
    NoAnswer
        No whole, nothing at the pick, or another feature than was asked for.
    WrongUse
        A size far from what is there.
    """
    from rejoin.core.dimensions.bynumber import restored_bore, restored_boss, restored_plane
    from rejoin.core.dimensions.regions import feature_at
    from rejoin.core.dimensions.remembering import ready_ground

    if kind not in ("bore", "boss", "plane"):
        raise WrongUse(f"{kind!r} cannot be put in by number.", "Choose bore, boss or plane.")
    if project.whole is None or not project.whole.closed:
        raise NoAnswer("There is no closed whole to restore.", "Fuse the fragments first.")
    ground = ready_ground(project.whole.mesh)
    feature = feature_at(ground, pick_mm, ("plane",) if kind == "plane" else ("cylinder",), zone=False)
    if kind == "bore":
        whole = restored_bore(project.whole, ground, feature, size_mm, depth_mm, note)
    elif kind == "boss":
        whole = restored_boss(project.whole, ground, feature, size_mm, note)
    else:
        whole = restored_plane(project.whole, ground, feature, size_mm, note)
    return changed(project, whole=whole)
