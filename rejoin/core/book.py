"""Both faces of a joint turned towards the person at once, like the pages of an open book."""

from __future__ import annotations

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import FloatArray, IntArray, Joint, Mesh
from rejoin.core.transforms import apply, rigid, turn

SPACE = 0.1
"""Free space between the two pieces, as a share of the face's length."""


def opened_like_a_book(a: Mesh, b: Mesh, joint: Joint, up: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where to show two fragments so that both faces of their joint are seen, side by side.

    The faces part along their longest direction, which then stands upright. What touched lies equally high on both,
    and mirrored about the space between them.

    Parameters
    ----------
    a, b : Mesh
        The joint's fragments, mm, each in its scan's frame.
    joint : Joint
    up : (3,)
        In a's frame: of both ends of that direction the one that is higher so is shown above.

    Returns
    -------
    shown_from_a, shown_from_b : (4, 4), (4, 4)
        Rigid; the shown frame has x to the right, z upwards, and the person looks along y. ``a`` stands left.

    Raises
    ------
    NoAnswer
        Where a face has no side that could be turned to anyone.
    """
    corners = a.vertices[np.unique(a.triangles[joint.face_a.triangles])]
    out = _area_vector(a, joint.face_a.triangles)
    out = out - turn(joint.a_from_b, _area_vector(b, joint.face_b.triangles)[None])[0]
    length = float(np.linalg.norm(out))
    if not length > 0.0:
        raise NoAnswer("The faces of this joint face no way, so they cannot be turned to you.",
                       "Choose the faces in row 20 again.")  # fmt: skip
    out /= length
    middle = corners.mean(axis=0)
    flat = corners - middle
    flat = flat - np.outer(flat @ out, out)
    hinge = np.linalg.svd(flat.T @ flat)[0][:, 0]
    hinge = hinge - (hinge @ out) * out
    hinge *= (-1.0 if hinge @ up < 0.0 else 1.0) / np.linalg.norm(hinge)
    side = np.cross(out, hinge)
    space = 0.5 * SPACE * float(np.ptp(flat @ hinge))
    shown_from_a = _turned(np.stack([-side, -out, hinge]), middle)
    shown_from_b = _turned(np.stack([side, out, hinge]), middle) @ joint.a_from_b
    shown_from_a[0, 3] -= float(apply(shown_from_a, a.vertices)[:, 0].max()) + space
    shown_from_b[0, 3] -= float(apply(shown_from_b, b.vertices)[:, 0].min()) - space
    return shown_from_a, shown_from_b


def _area_vector(mesh: Mesh, triangles: IntArray) -> FloatArray:
    """The sum of a face's normals by area (3,)."""
    return np.asarray(triangle_crosses(Mesh(mesh.vertices, mesh.triangles[triangles])).sum(axis=0))


def _turned(rotation: FloatArray, middle: FloatArray) -> FloatArray:
    return rigid(rotation, -rotation @ middle)
