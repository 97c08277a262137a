"""Fracture that lies bare, and original surface that only lies in the plane of the break: told apart by roughness."""

from __future__ import annotations

import numpy as np

from rejoin.core import meshes
from rejoin.core.fusing.ring import BoolArray, Contact
from rejoin.core.fusing.soundness import Indices
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.views import roughness

ASKED = 400
"""Vertices by which the roughness of a surface is told."""
TELLS = 0.25
"""Fracture face and original surface are told apart where one is rougher by so much (natural logarithm)."""


class Torn:
    """What one part's fracture faces and the rest of it are like.

    Parameters
    ----------
    part : Mesh
    normals : (n, 3)
        Averaged over some neighbours.
    side : Contact
    broken, bare : (n,) bool
        Vertices of the joints' fracture faces; of the patches that are to be told.
    spacing_mm : float
    """

    def __init__(
        self, part: Mesh, normals: FloatArray, side: Contact, broken: BoolArray, bare: BoolArray, spacing_mm: float
    ) -> None:
        self._known = broken
        self._surface = part.vertices, meshes.vertex_normals(part), normals, spacing_mm
        self._broken = self._level(np.flatnonzero(broken))
        self._original = self._level(np.flatnonzero(~broken & ~side.removed & ~bare))

    def __call__(self, patches: list[Indices]) -> list[Indices]:
        """The patches that belong to the fracture faces or are as rough; all where these are as rough as the rest."""
        if abs(np.log(self._broken / self._original)) < TELLS:
            return patches
        middle = 0.5 * np.log(self._broken * self._original)
        rougher = self._broken > self._original
        return [
            patch for patch in patches
            if self._known[patch].mean() > 0.5 or (np.log(self._level(patch)) > middle) == rougher
        ]  # fmt: skip

    def _level(self, members: Indices) -> float:
        """Roughness (mm) of some vertices; a low percentile, so that edges do not count."""
        members = members[:: max(1, len(members) // ASKED)]
        if len(members) == 0:
            return 1.0
        points, own, smooth, spacing = self._surface
        return max(float(np.percentile(roughness(points, own, smooth, spacing, members), 40)), 1e-9)
