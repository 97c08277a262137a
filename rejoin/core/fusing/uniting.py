"""Second way to close the crack: the exact union of the fragments and a thin plug along it."""

from __future__ import annotations

import numpy as np

from rejoin.core.fusing.healing import Field
from rejoin.core.fusing.sewing import Sewn
from rejoin.core.libraries.solids import unite
from rejoin.core.records import Mesh


def united(parts: list[Mesh], field: Field | None) -> Sewn:
    """The union of closed fragments and, where a field is given, of the body along the crack.

    Raises
    ------
    NoAnswer
        Where a fragment is not closed.
    """
    bodies = list(parts)
    if field is not None:
        plug = field.surface(closed=True)
        if len(plug.triangles):
            bodies.append(plug)
    union = unite(bodies)
    mesh = union.mesh
    origin = np.full(len(mesh.vertices), -1, np.int64)
    first = 0
    for number, part in enumerate(parts):
        mine = np.flatnonzero(union.source == number)
        corners = mesh.triangles[mine]
        own = part.triangles[union.face[mine]]
        for shift in range(3):
            turned = np.roll(own, shift, axis=1)
            same = (mesh.vertices[corners] == part.vertices[turned]).all(axis=2)
            origin[corners[same]] = first + turned[same]
        first += len(part.vertices)
    return Sewn(mesh, origin)
