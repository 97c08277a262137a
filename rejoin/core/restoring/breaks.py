"""Which part of the whole's surface is a break that nothing was joined to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.records import Project
from rejoin.core.transforms import apply

MOSTLY = 0.5
"""Share of a fracture face that a joint must use for the face to count as joined."""
LIKELY = 0.2
"""Confidence below which a face that the program found is no rougher than the scan's noise makes any surface."""


def open_breaks(project: Project) -> npt.NDArray[np.bool_]:
    """Vertices (n,) of the whole on fracture faces without a partner: the person's, else each fragment's likeliest."""
    if project.whole is None:
        return np.zeros(0, bool)
    points = project.whole.mesh.vertices
    broken = np.zeros(len(points), bool)
    for number, (fragment, place) in enumerate(zip(project.fragments, project.placements, strict=True)):
        if place.part_from_scan is None:
            continue
        used = np.zeros(len(fragment.mesh.triangles), bool)
        for joint in project.joints:
            for face in (joint.face_a, joint.face_b):
                if face.fragment == number and joint.state != "rejected":
                    used[face.triangles] = True
        free = [f for f in project.faces if f.fragment == number and np.mean(used[f.triangles]) < MOSTLY]
        # The candidates cover nearly all of a fragment, most likely first; a person's choice is no candidate.
        chosen = [f for f in free if f.chosen_by == "person"] or [f for f in free if f.confidence >= LIKELY][:1]
        if not chosen:
            continue
        corners = np.unique(fragment.mesh.triangles[np.concatenate([f.triangles for f in chosen])])
        far, nearest = cKDTree(apply(place.part_from_scan, fragment.mesh.vertices[corners])).query(points)
        broken |= (far < 0.5 * fragment.spacing_mm) & (nearest < len(corners))
    return broken
