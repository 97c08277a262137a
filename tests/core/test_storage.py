"""The project file and the recovery copy: round trips, damage, attacks, failing disks."""

from __future__ import annotations

import io
import json
import os
import pickle
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rejoin.core.codec import array_key
from rejoin.core.errors import FileTrouble
from rejoin.core.files import WRITABLE, read_fragment, write_mesh
from rejoin.core.files.placing import ABANDONED_S, written_whole
from rejoin.core.records import Project
from rejoin.core.settings import ReadSettings
from rejoin.core.storage import VERSION, load_project, load_recovery, save_project, save_recovery
from tests.core.scan_bytes import ball
from tests.core.test_codec import full_project, same


def test_a_project_comes_back_bit_for_bit(tmp_path: Path) -> None:
    project = full_project()
    path = save_project(project, tmp_path / "rocker")
    assert path.name == "rocker.rejoin" and os.listdir(tmp_path) == ["rocker.rejoin"]
    back = load_project(path)
    assert same(project, back) and back.scans[0].mesh is back.fragments[0].mesh
    assert same(load_project(save_project(Project(), tmp_path / "empty 2.5")), Project())


def test_an_array_is_stored_once(tmp_path: Path) -> None:
    names = zipfile.ZipFile(save_project(full_project(), tmp_path / "a")).namelist()
    project = full_project()
    assert names.count(f"{array_key(project.scans[0].mesh.vertices)}.npy") == 1


def rewritten(path: Path, change: Callable[[dict[str, bytes]], None], packing: int = zipfile.ZIP_STORED) -> Path:
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    with zipfile.ZipFile(path, "w", packing) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


def npy(array: np.ndarray, allow_pickle: bool = False) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=allow_pickle)
    return buffer.getvalue()


def first_array(members: dict[str, bytes]) -> str:
    return next(name for name in members if name.endswith(".npy"))


class Trap:
    """Unpickling it would leave a trace."""

    def __reduce__(self) -> tuple[Callable[[str], None], tuple[str]]:
        return os.mkdir, ("sprung",)


def _json(change: Callable[[dict[str, object]], object]) -> Callable[[dict[str, bytes]], None]:
    def edit(members: dict[str, bytes]) -> None:
        content = json.loads(members["project.json"])
        change(content)
        members["project.json"] = json.dumps(content).encode()

    return edit


@pytest.mark.parametrize(
    "change, words",
    [
        (lambda m: m.pop("project.json"), "no project file"),
        (lambda m: m.update({"project.json": b"{"}), "damaged"),
        (lambda m: m.update({"project.json": b"[]"}), "no project file"),
        (lambda m: m.update({"project.json": b"[" * 100_000}), "damaged"),
        (_json(lambda c: c.update(version=VERSION + 1)), "newer version"),
        (_json(lambda c: c.update(version="1")), "damaged"),
        (_json(lambda c: c.update(format="other")), "no project file"),
        (lambda m: m.pop(first_array(m)), "damaged"),
        (lambda m: m.update({"../escape.npy": npy(np.zeros(3))}), "damaged"),
        (lambda m: m.update({"extra.py": b"x"}), "damaged"),
        (lambda m: m.update({"a" * 40 + ".npy": npy(np.zeros(3))}), "damaged"),
        (lambda m: m.update({first_array(m): m[first_array(m)][:-8]}), "damaged"),
        (lambda m: m.update({first_array(m): b"\x93NUMPY"}), "damaged"),
        (lambda m: m.update({first_array(m): b""}), "damaged"),
        (lambda m: m.update({first_array(m): npy(np.zeros(3)).replace(b", }", b", (")}), "damaged"),
        (lambda m: m.update({first_array(m): npy(np.zeros(3)).replace(b"(3,), ", b"(3L,),")}), "damaged"),
        (lambda m: m.update({first_array(m): npy(np.array([Trap()]), True)}), "damaged"),
        (lambda m: m.update({first_array(m): pickle.dumps(Trap())}), "damaged"),
        (lambda m: m.update({first_array(m): npy(np.zeros(3)).replace(b"(3,)", b"(999999999999,)")}), "damaged"),
        (lambda m: m.update({first_array(m): npy(np.zeros(3)).replace(b"(3,), ", b"(-3,),")}), "damaged"),
    ],
)
def test_a_damaged_or_hostile_project_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[dict[str, bytes]], None], words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FileTrouble, match=words):
        load_project(rewritten(save_project(full_project(), tmp_path / "a"), change))
    assert os.listdir(tmp_path) == ["a.rejoin"]


def test_a_member_that_would_swell_is_refused(tmp_path: Path) -> None:
    path = save_project(full_project(), tmp_path / "a")
    bomb = npy(np.zeros(3_000_000))
    with pytest.raises(FileTrouble, match="damaged"):
        load_project(rewritten(path, lambda m: m.update({"b" * 40 + ".npy": bomb}), zipfile.ZIP_DEFLATED))


def test_files_that_are_no_projects(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="no project file"):
        load_project(tmp_path / "none.rejoin")
    for data in (b"", b"PK\3\4" + b"\0" * 50, b"text"):
        (tmp_path / "a.rejoin").write_bytes(data)
        with pytest.raises(FileTrouble):
            load_project(tmp_path / "a.rejoin")
    with pytest.raises(FileTrouble):
        load_project(tmp_path)


def test_every_cut_is_noticed(tmp_path: Path) -> None:
    whole = save_project(full_project(), tmp_path / "a").read_bytes()
    rng = np.random.default_rng(0)
    for at in [*rng.integers(0, len(whole), 25), len(whole) - 1]:
        (tmp_path / "cut.rejoin").write_bytes(whole[:at])
        with pytest.raises(FileTrouble):
            load_project(tmp_path / "cut.rejoin")


def test_flipped_bytes_never_give_another_project(tmp_path: Path) -> None:
    project = full_project()
    whole = save_project(project, tmp_path / "a").read_bytes()
    rng = np.random.default_rng(1)
    for at in rng.integers(0, len(whole), 60):
        data = bytearray(whole)
        data[at] ^= 1 << int(rng.integers(8))
        (tmp_path / "b.rejoin").write_bytes(bytes(data))
        try:
            assert same(load_project(tmp_path / "b.rejoin"), project)
        except FileTrouble:
            pass


@pytest.mark.parametrize("fails", ["os.replace", "os.fsync", "numpy.lib.format.write_array"])
def test_a_failed_save_leaves_the_old_project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    path = save_project(Project(), tmp_path / "a")
    before = path.read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(fails, full)
    with pytest.raises(FileTrouble, match="No space left"):
        save_project(full_project(), path)
    assert path.read_bytes() == before and os.listdir(tmp_path) == ["a.rejoin"]
    with pytest.raises(FileTrouble):
        save_recovery(full_project(), tmp_path / "copy")


def test_the_recovery_copy_writes_only_what_changed(tmp_path: Path) -> None:
    folder, project = tmp_path / "deep" / "copy", full_project()
    save_recovery(project, folder)
    assert same(load_recovery(folder), project)
    stamps = {file.name: file.stat().st_mtime_ns for file in folder.glob("*.npy")}
    (folder / ".left-by-a-crash.npy").write_bytes(b"half")
    changed = replace(project, whole=None, scans=project.scans[:1], fragments=project.fragments[:1])
    save_recovery(changed, folder)
    assert same(load_recovery(folder), changed)
    after = {file.name: file.stat().st_mtime_ns for file in folder.iterdir() if file.suffix == ".npy"}
    assert after.items() < stamps.items(), "nothing written again, what is no longer needed is gone"


def test_a_damaged_recovery_copy(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="no recovery copy"):
        load_recovery(tmp_path / "none")
    save_recovery(full_project(), tmp_path)
    victim = next(tmp_path.glob("*.npy"))
    data = bytearray(victim.read_bytes())
    data[-1] ^= 1
    victim.write_bytes(bytes(data))
    with pytest.raises(FileTrouble, match="damaged"):
        load_recovery(tmp_path)


def test_what_a_killed_save_left_is_taken_away_later(tmp_path: Path) -> None:
    """Only of the same target, and only once nobody can be writing it any more."""

    def left_by_a_kill(name: str) -> Path:
        found = []

        def write(beside: Path) -> None:
            beside.write_bytes(b"half")
            found.append(beside)
            os.link(beside, tmp_path / "kept")
            raise OSError(5, "stopped here")

        with pytest.raises(FileTrouble):
            written_whole(tmp_path / name, write)
        os.rename(tmp_path / "kept", found[0])
        return found[0]

    left, other = left_by_a_kill("a.rejoin"), left_by_a_kill("b.rejoin")
    save_project(Project(), tmp_path / "a")
    assert left.exists(), "another process may be writing it"
    for file in (left, other):
        os.utime(file, (file.stat().st_atime, file.stat().st_mtime - ABANDONED_S - 1))
    save_project(Project(), tmp_path / "a")
    assert sorted(os.listdir(tmp_path)) == sorted([other.name, "a.rejoin"])


NAMES = ["Hebel Öl", "рычаг насоса", "揺れ腕", "ذراع", "👍 arm", "a" * 240, "-rf", "a%00b", "e\u0301"]


@pytest.mark.parametrize("name", NAMES)
def test_names_in_every_script(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    path = save_project(full_project(), folder / name)
    assert path.name == f"{name}.rejoin" and same(load_project(path), full_project())
    save_recovery(full_project(), folder / "copy")
    assert same(load_recovery(folder / "copy"), full_project())
    mesh = ball(10, 1)
    for suffix in WRITABLE:
        written = write_mesh(mesh, folder / f"{name}{suffix}")
        assert len(read_fragment(written, ReadSettings(unit="mm")).mesh.triangles) == len(mesh.triangles)
