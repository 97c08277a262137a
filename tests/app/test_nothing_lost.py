"""What the window says and keeps where a project file cannot be saved, or is no longer what it was."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from rejoin.app.bench.session import Session
from tests.app import made_up
from tests.app.person import Person


def test_a_file_changed_by_another_program_is_not_written_over(window, tmp_path: Path):
    person, session = Person(window), window.bench.session
    session.apply("Open scans", made_up.cleaned())
    person.save_project(tmp_path / "lever")
    path = tmp_path / "lever.rejoin"
    path.write_bytes(b"another program's")
    session.apply("Join", made_up.joined())
    assert window.save_project() is False
    assert "changed by another program" in person.troubles[-1]
    assert path.read_bytes() == b"another program's" and session.modified
    window.bench.save(str(tmp_path / "second.rejoin"))
    person.wait_until_done()
    assert not session.modified and session.path == tmp_path / "second.rejoin"
    assert window.save_project() is True  # its own saving is no change by another program
    person.wait_until_done()
    assert path.read_bytes() == b"another program's"


def test_the_stamp_follows_opening_and_saving(qapp, tmp_path: Path):
    path, session = tmp_path / "a.rejoin", Session()
    session.saved(path)
    assert not session.changed_outside, "a file that is gone is no other file"
    path.write_bytes(b"one")
    session.replace(made_up.scans(), path)
    assert not session.changed_outside
    os.utime(path, ns=(1, 1))
    assert session.changed_outside
    session.saved(path)
    assert not session.changed_outside


@pytest.mark.parametrize("place", ["gone/lever.rejoin", "file.txt/lever.rejoin", "/proc/lever.rejoin"])
def test_where_it_cannot_be_saved_is_said_and_the_work_stays(window, tmp_path: Path, place: str):
    """A drive that was taken out, a folder that is none, a folder that refuses even its owner."""
    (tmp_path / "file.txt").write_text("x")
    person, session = Person(window), window.bench.session
    session.apply("Open scans", made_up.cleaned())
    before = session.project
    assert window.bench.save(str(tmp_path / place))
    person.wait_until_done()
    assert "cannot be written" in person.troubles[-1]
    assert session.project is before and session.modified and session.path is None


def test_a_full_disk_does_not_end_the_recovery_thread(window, monkeypatch: pytest.MonkeyPatch):
    keeper, session = window.bench.recovery.keeper, window.bench.session

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, "fsync", full)
        session.apply("Open scans", made_up.cleaned())
        assert keeper.wait()
        assert not (keeper.folder / "project.json").exists()
    session.apply("Join", made_up.joined())
    assert keeper.wait() and (keeper.folder / "project.json").exists()
