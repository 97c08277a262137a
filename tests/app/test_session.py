"""The session: one signal, undo by keeping both values."""

from __future__ import annotations

from pathlib import Path

from rejoin.app.bench.session import Session
from rejoin.core.edits import rename
from tests.app import made_up


def test_undo_brings_back_the_very_same_project(qapp):
    session, seen = Session(), []
    session.changed.connect(lambda before, after: seen.append((before, after)))
    first = session.project
    second, third = made_up.cleaned(), made_up.with_faces()
    session.apply("Open scans", second)
    session.apply("Find fracture faces", third)
    assert session.stack.undoText() == "Find fracture faces"
    session.stack.undo()
    assert session.project is second
    session.stack.undo()
    assert session.project is first
    session.stack.redo()
    assert session.project is second
    assert [after for _, after in seen] == [second, third, second, first, second]
    assert all(b is a for (_, a), (b, _) in zip(seen, seen[1:], strict=False))


def test_the_same_project_is_no_step(qapp):
    session = Session()
    session.apply("Nothing", session.project)
    assert session.stack.count() == 0


def test_steps_with_the_same_key_are_one(qapp):
    session, start = Session(), made_up.cleaned()
    session.apply("Open scans", start)
    for name in ("a", "b", "c"):
        session.apply("Rename", rename(session.project, 0, name), merge_key="rename 0")
    assert session.stack.count() == 2
    session.apply("Rename", rename(session.project, 0, "d"), merge_key="another drag")
    assert session.stack.count() == 3
    session.stack.undo()
    assert session.project.scans[0].name == "c"
    session.stack.undo()
    assert session.project is start


def test_a_hundred_steps_keep_one_copy_of_the_mesh(qapp):
    session = Session()
    session.apply("Open scans", made_up.cleaned())
    mesh = session.project.fragments[1].mesh
    for number in range(100):
        session.apply("Rename", rename(session.project, 0, f"name {number}"))
    session.stack.setIndex(1)
    assert session.project.fragments[1].mesh is mesh


def test_modified_follows_saving_and_undo(qapp):
    session = Session()
    assert not session.modified
    session.apply("Open scans", made_up.cleaned())
    assert session.modified
    session.saved(Path("pump.rejoin"))
    assert not session.modified and session.path == Path("pump.rejoin")
    session.stack.undo()
    assert session.modified
    session.stack.redo()
    assert not session.modified
    session.replace(made_up.scans(), None)
    assert not session.modified and session.path is None and not session.stack.canUndo()
