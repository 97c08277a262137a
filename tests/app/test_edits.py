"""Hand work: each edit gives a new project and forgets what it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rejoin.app.view.growing import grow_face_to_rim, surface_of
from rejoin.app.work import tasks
from rejoin.core import edits
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import triangle_areas
from rejoin.core.settings import silent
from rejoin.core.transforms import apply, from_marks, inverse
from tests.app import made_up


def test_rename_forgets_nothing():
    project = made_up.whole()
    after = edits.rename(project, 1, " eye ")
    assert after.scans[1].name == "eye" and after.fragments[1].scan is after.scans[1]
    assert after.whole is project.whole and after.fits is project.fits
    with pytest.raises(WrongUse):
        edits.rename(project, 0, "  ")


def test_stating_inches_makes_it_larger_and_forgets_the_fragment():
    project = made_up.cleaned()
    after = edits.state_unit(project, (1,), "inch")
    size = np.ptp(project.scans[1].mesh.vertices, axis=0)
    assert np.allclose(np.ptp(after.scans[1].mesh.vertices, axis=0), 25.4 * size)
    assert after.scans[0] is project.scans[0] and after.fragments == (project.fragments[0],)
    same = edits.state_unit(project, (0,), "mm")
    assert same.scans[0].mesh is project.scans[0].mesh and same.scans[0].unit_stated
    with pytest.raises(WrongUse):
        edits.state_unit(project, (0,), "furlong")


def test_removing_a_fragment_keeps_the_others_faces_and_renumbers_them():
    project = made_up.joined()
    after = edits.remove_fragment(project, 0)
    assert [f.fragment for f in after.faces] == [0] and after.fragments == (project.fragments[1],)
    assert after.joints == () and after.placements == () and after.fits == ()
    with pytest.raises(WrongUse):
        edits.remove_fragment(project, 2)


def test_a_chosen_face_drops_the_finds_on_that_fragment_only():
    project = made_up.joined()
    after = edits.choose_face(project, 0, [5, 3, 3, 4])
    mine = [f for f in after.faces if f.fragment == 0]
    assert len(mine) == 1 and mine[0].chosen_by == "person" and mine[0].triangles.tolist() == [3, 4, 5]
    area = triangle_areas(project.fragments[0].mesh)[3:6].sum()
    assert mine[0].area_mm2 == pytest.approx(area, rel=1e-12)
    assert project.faces[1] in after.faces and after.joints == () and after.fits == ()
    second = edits.choose_face(after, 0, [5, 6])
    assert sorted(f.triangles.tolist() for f in second.faces if f.fragment == 0) == [[3, 4], [5, 6]]
    for wrong in ([], [10**6], [-1]):
        with pytest.raises(WrongUse):
            edits.choose_face(project, 0, wrong)


def test_adding_and_removing_triangles():
    project = edits.choose_face(made_up.with_faces(), 0, [3, 4, 5])
    number = next(i for i, f in enumerate(project.faces) if f.fragment == 0)
    more = edits.add_triangles(project, number, [9])
    assert [f.triangles.tolist() for f in more.faces if f.fragment == 0] == [[3, 4, 5, 9]]
    less = edits.remove_triangles(more, 0, [4, 9, 100])
    assert [f.triangles.tolist() for f in less.faces if f.fragment == 0] == [[3, 5]]
    assert not [f for f in edits.remove_triangles(less, 0, [3, 5]).faces if f.fragment == 0]
    untouched = edits.remove_triangles(made_up.with_faces(), 0, [])
    assert untouched.faces[0].chosen_by == "program"


def test_pin_reject_free():
    project = made_up.whole()
    for edit, state in ((edits.pin_joint, "pinned"), (edits.reject_joint, "rejected"), (edits.free_joint, "found")):
        after = edit(project, 0)
        assert after.joints[0].state == state and after.placements == () and after.whole is None
        assert after.joints[0].face_a is project.joints[0].face_a


@pytest.mark.parametrize("state", ["pinned", "rejected"])
def test_what_the_person_said_of_a_joint_outlives_faces_that_are_found_for_others(state: str):
    """Join looks for the faces of the fragments that have none yet."""
    before = made_up.joined()
    said = replace(before.joints[0], state=state)
    one_face = replace(before, joints=(said,), faces=before.faces[:1])
    after = tasks.join(one_face, silent)
    assert len({face.fragment for face in after.faces}) == 2
    assert [joint.state for joint in after.joints if joint.state != "found"] == [state]


def test_a_click_takes_the_broken_face_to_its_rim():
    """Truth: the triangles that were made on the broken side of the block."""
    project = made_up.cleaned()
    for part in (0, 1):
        truth = made_up.block(part)[1]
        mesh = project.fragments[part].mesh
        taken = grow_face_to_rim(mesh, surface_of(mesh), int(truth[len(truth) // 3]))
        both = len(np.intersect1d(truth, taken))
        assert both / len(truth) > 0.9 and both / len(taken) > 0.97


def test_a_click_on_a_flat_side_takes_that_side():
    project = made_up.cleaned()
    mesh = project.fragments[0].mesh
    broken = made_up.block(0)[1]
    side = np.setdiff1d(np.arange(len(mesh.triangles)), broken)[40]
    taken = grow_face_to_rim(mesh, surface_of(mesh), int(side))
    assert side in taken and not len(np.intersect1d(taken, broken)) > 0.02 * len(taken)


def test_marks_give_the_motion_they_were_made_with():
    rng = np.random.default_rng(4)
    marks_b = rng.uniform(-30, 30, (4, 3))
    a_from_b = made_up.true_poses()[1]
    found = from_marks(apply(a_from_b, marks_b), marks_b)
    assert np.allclose(found, a_from_b, atol=1e-9)
    noisy = apply(a_from_b, marks_b) + rng.normal(0, 0.5, (4, 3))
    turn, _ = Rotation.align_vectors(noisy - noisy.mean(0), marks_b - marks_b.mean(0))  # scipy, an own solver
    assert np.allclose(from_marks(noisy, marks_b)[:3, :3], turn.as_matrix(), atol=1e-9)
    with pytest.raises(WrongUse):
        from_marks(marks_b[:2], marks_b[:2])
    line = np.outer(np.arange(4.0), [1.0, 2.0, 3.0])
    with pytest.raises(WrongUse):
        from_marks(line, line)


def test_joining_by_hand_takes_the_faces_that_meet():
    project = made_up.with_faces()
    a, b = made_up.true_poses()
    after = edits.join_by_hand(project, 0, 1, inverse(a) @ b)
    joint = after.joints[0]
    assert (joint.state, joint.found_by, joint.evidence.good) == ("pinned", "person", False)
    assert joint.face_a is project.faces[0] and joint.face_b is project.faces[1]
    bare = edits.join_by_hand(replace(project, faces=()), 0, 1, inverse(a) @ b).joints[0]
    truth = made_up.block(0)[1]
    assert len(np.intersect1d(bare.face_a.triangles, truth)) > 0.95 * len(truth)
    far = b.copy()
    far[0, 3] += 500.0
    with pytest.raises(NoAnswer):
        edits.join_by_hand(replace(project, faces=()), 0, 1, inverse(a) @ far)


def test_placing_by_hand_and_joining_as_placed():
    project = made_up.with_faces()
    a, b = made_up.true_poses()
    placed = edits.place_by_hand(project, 1, inverse(a) @ b, beside=0)
    assert [p.placed_by for p in placed.placements] == ["person", "person"] and placed.fits == ()
    joined = edits.join_as_placed(placed, 1)
    assert np.allclose(joined.joints[0].a_from_b, inverse(a) @ b)
    again = edits.place_by_hand(made_up.joined(), 1, np.eye(4))
    assert again.placements[0].placed_by == "program" and again.fits == () and again.whole is None


def test_undo_says_what_it_took_back_and_waits_for_running_work(window):
    window.bench.session.apply("Open scans", made_up.cleaned())
    window.next_row.say("Open scans")
    window.bench.edit("Remove B", lambda p: edits.remove_fragment(p, 1))
    assert window.strip.words.text() == ("Next: 10 Scans. Open the scan of another fragment too, or split this "
                                          "one, if it was glued before.")  # fmt: skip
    window.actions_.undo.trigger()
    assert window.strip.words.text() == "Undone: Remove B." and len(window.bench.project.fragments) == 2
    window.actions_.redo.trigger()
    assert len(window.bench.project.fragments) == 1 and not window.actions_.redo.isEnabled()
    window.actions_.undo.trigger()
    assert window.bench.find_faces() and window.actions_.redo.isEnabled()
    window.actions_.redo.trigger()
    assert "still running" in window.strip.words.text() and len(window.bench.project.fragments) == 2
    window.bench.jobs.cancel()
    window.actions_.redo.trigger()
    assert window.strip.words.text() == "Done again: Remove B." and len(window.bench.project.fragments) == 1
