"""Where original surfaces step across the crack by more than a place's bound explains, the bound allows for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core import stepped, steps
from rejoin.core.meshes import vertex_normals
from rejoin.core.placing import place_fragments
from rejoin.core.records import FractureFace, Fragment, Joint, Mesh, Placement, Project, Scan
from rejoin.core.settings import AlignSettings, silent
from tests.makers import Case, make_case, worst_error_mm

LOST_MM = 0.4


def _placed(case: Case, meshes: list[Mesh]) -> Project:
    scans = tuple(Scan(f"f{n}", (f"f{n}",), mesh, "mm", True, False, (str(n),)) for n, mesh in enumerate(meshes))
    return steps.align(steps.match(steps.find_faces(steps.clean(Project(scans=scans)))))


def _off_mm(case: Case, project: Project) -> float:
    poses = [place.part_from_scan for place in project.placements]
    return worst_error_mm(case, 1, poses[1], 0, poses[0])


@pytest.fixture(scope="module")
def case() -> Case:
    return make_case("bracket", 31, spacing_mm=0.5)


@pytest.fixture(scope="module")
def sound(case: Case) -> Project:
    return _placed(case, list(case.fragments))


def test_a_sound_break_is_told_nothing_of_steps(case: Case, sound: Project) -> None:
    assert _off_mm(case, sound) < (sound.placements[1].u95_mm or 0.0) < 0.3
    assert not any("step" in note for place in sound.placements for note in place.notes)


def test_a_face_that_lost_a_layer_all_one_way_is_told_by_the_original_surfaces(case: Case, sound: Project) -> None:
    """The faces still match all over, only half a millimetre aside: nothing but what lies beside them shows it."""
    joint, mesh = sound.joints[0], sound.fragments[1].mesh
    assert (joint.a, joint.b) == (0, 1)
    face = np.unique(mesh.triangles[joint.face_b.triangles])
    normal = vertex_normals(mesh)[face].mean(axis=0)
    aside = np.linalg.svd(normal[None])[2][1]
    moved = mesh.vertices.copy()
    moved[face] += LOST_MM * aside
    worn = _placed(case, [sound.fragments[0].mesh, Mesh(moved, mesh.triangles)])
    off, place = _off_mm(case, worn), worn.placements[1]
    plain = place_fragments(worn.fragments, worn.joints, AlignSettings(), silent)[1][1]
    assert off > 0.5 * LOST_MM > (plain.u95_mm or 0.0)
    assert place.u95_mm is not None and off < place.u95_mm < 4.0 * off
    assert any("step by" in note and "a dimension across the joint" in note for note in place.notes)


def test_steps_add_up_along_the_least_way(sound: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four pieces in a ring, one at its end: 0 - 1 - 2 - 3 - 0, 3 - 4; either piece at a step may be the one."""
    found = {(0, 1): 0.3, (1, 2): 0.2, (2, 3): 0.0, (0, 3): 0.0, (3, 4): 0.1}
    face = FractureFace(0, np.zeros(0, np.int32), 0.0, 1.0, "program")
    joints = [Joint(a, b, face, face, np.eye(4), sound.joints[0].evidence) for a, b in found]
    sizes = iter([*found.values(), *(5.0 * size for size in found.values())])
    monkeypatch.setattr(stepped, "step_across", lambda *_: (next(sizes), 0.05))
    places = [Placement(np.eye(4), "program", u95_mm=0.1 * (n > 0)) for n in range(5)]
    fragments: list[Fragment] = [sound.fragments[0]] * 5
    wider = stepped.allowed_for_steps(fragments, joints, places)
    assert [round(place.u95_mm or 0.0, 3) for place in wider] == [0.0, 0.45, 0.35, 0.25, 0.25]
    assert [len(place.notes) for place in wider] == [0, 1, 1, 1, 1]
    far = stepped.allowed_for_steps(fragments, joints, places)  # beyond 1.5 spacings a step is form: 0.5 is left
    assert [round(place.u95_mm or 0.0, 3) for place in far] == [0.0, 0.1, 0.1, 0.65, 0.65]


def test_a_step_is_measured_once_while_nothing_moves(sound: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    measure = stepped.misalignment
    monkeypatch.setattr(stepped, "misalignment", lambda *some: asked.append(some) or measure(*some))
    joint = sound.joints[0]
    stepped._known.pop(joint, None)
    both = [stepped.step_across(sound.fragments, sound.placements, joint) for _ in range(2)]
    assert len(asked) == 1 and both[0] == both[1] is not None
    aside = np.eye(4)
    aside[0, 3] = 0.3
    first, second = sound.placements
    assert second.part_from_scan is not None
    moved = replace(second, part_from_scan=aside @ second.part_from_scan)
    apart = stepped.step_across(sound.fragments, (first, moved), joint)
    assert len(asked) == 2 and apart != both[0]
