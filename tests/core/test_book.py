"""A joint opened like a book: both faces towards the person, what touched at equal height, mirrored."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.book import opened_like_a_book
from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import triangle_crosses
from rejoin.core.records import FloatArray, Joint, Mesh
from rejoin.core.transforms import apply, inverse, turn
from tests.app import made_up


def opened() -> tuple[Mesh, Mesh, Joint, FloatArray, FloatArray]:
    project = made_up.joined()
    joint = project.joints[0]
    a, b = (project.fragments[n].mesh for n in (joint.a, joint.b))
    up = inverse(project.placements[joint.a].part_from_scan)[:3, :3] @ np.array([0.0, 0.0, 1.0])
    return a, b, joint, *opened_like_a_book(a, b, joint, up)


def test_both_faces_look_at_the_person_side_by_side() -> None:
    a, b, joint, of_a, of_b = opened()
    for mesh, face, pose in ((a, joint.face_a, of_a), (b, joint.face_b, of_b)):
        assert np.allclose(pose[:3, :3] @ pose[:3, :3].T, np.eye(3)) and np.linalg.det(pose) == pytest.approx(1.0)
        way = turn(pose, triangle_crosses(mesh)[face.triangles]).sum(axis=0)
        assert -way[1] / np.linalg.norm(way) > 0.99, "towards the person, who looks along y"
        corners = apply(pose, mesh.vertices[np.unique(mesh.triangles[face.triangles])])
        high, wide = np.ptp(corners[:, 2]), np.ptp(corners[:, 0])
        assert high > wide, "the longest direction stands upright"
        assert apply(pose, mesh.vertices)[:, 1].mean() > corners[:, 1].mean(), "the body lies behind its face"
    right_of_a, left_of_b = apply(of_a, a.vertices)[:, 0].max(), apply(of_b, b.vertices)[:, 0].min()
    assert right_of_a < 0.0 < left_of_b and left_of_b == pytest.approx(-right_of_a)


def test_what_touched_lies_at_equal_height_and_mirrored() -> None:
    a, _, joint, of_a, of_b = opened()
    touching = a.vertices[np.unique(a.triangles[joint.face_a.triangles])]
    on_a, on_b = apply(of_a, touching), apply(of_b @ inverse(joint.a_from_b), touching)
    assert np.allclose(on_a[:, 2], on_b[:, 2])
    assert np.allclose(on_a[:, 0] + on_b[:, 0], (on_a[:, 0] + on_b[:, 0])[0])
    assert np.allclose(on_a[:, 1] + on_b[:, 1], (on_a[:, 1] + on_b[:, 1])[0]), "a hill lies opposite its hollow"


def test_up_says_which_end_is_above() -> None:
    a, b, joint, of_a, _ = opened()
    hinge = of_a[:3, :3].T @ np.array([0.0, 0.0, 1.0])
    over, _ = opened_like_a_book(a, b, joint, -hinge)
    assert np.allclose(over[:3, :3].T @ [0.0, 0.0, 1.0], -hinge)


def test_faces_that_face_no_way_are_refused() -> None:
    a, b, joint, *_ = opened()
    nothing = np.empty(0, np.int32)
    empty = replace(joint, face_a=replace(joint.face_a, triangles=np.array([0], np.int32)),
                    face_b=replace(joint.face_b, triangles=nothing))  # fmt: skip
    flat = Mesh(np.zeros_like(a.vertices), a.triangles)
    with pytest.raises(NoAnswer, match="face no way"):
        opened_like_a_book(flat, b, empty, np.array([0.0, 0.0, 1.0]))
