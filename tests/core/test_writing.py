"""Writing meshes: what is written reads back, here and elsewhere, and a failed write harms nothing.

References: trimesh as an independent reader; the units of 3MF core 1.4 (3MF Consortium).
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rejoin.core.errors import FileTrouble, RejoinError
from rejoin.core.files import UNITS, WRITABLE, read_fragment, write_mesh
from rejoin.core.files.away import write_away
from rejoin.core.meshes import volume
from rejoin.core.records import Mesh
from rejoin.core.settings import ReadSettings
from tests.core.scan_bytes import BALL, nan_ball, put


@pytest.mark.parametrize("suffix", WRITABLE)
@pytest.mark.parametrize("unit", ["mm", "inch", "m"])
def test_what_is_written_reads_back(tmp_path: Path, suffix: str, unit: str) -> None:
    path = write_mesh(BALL, tmp_path / f"whole{suffix}", unit, "pump rocker, joined")
    scan = read_fragment(path, ReadSettings(unit=unit))
    assert volume(scan.mesh) == pytest.approx(volume(BALL), rel=1e-6)
    if suffix in (".ply", ".obj"):
        assert np.abs(scan.mesh.vertices - BALL.vertices).max() < 1e-12
        assert np.array_equal(scan.mesh.triangles, BALL.triangles)
    assert os.listdir(tmp_path) == [path.name]
    other = trimesh.load(path, force="mesh") if suffix != ".3mf" else None
    if other is not None:
        assert other.volume * UNITS[unit] ** 3 == pytest.approx(volume(BALL), rel=1e-6), "an independent reader agrees"


@pytest.mark.parametrize("suffix", [".ply", ".stl", ".obj"])
def test_an_open_surface_may_be_written(tmp_path: Path, suffix: str) -> None:
    """Whatever its corners are shared by, as one side of a part that was split."""
    half = Mesh(BALL.vertices, BALL.triangles[: len(BALL.triangles) // 3])
    scan = read_fragment(write_mesh(half, tmp_path / f"side{suffix}"), ReadSettings(unit="mm"))
    assert len(scan.mesh.triangles) == len(half.triangles)


@pytest.mark.parametrize("suffix", WRITABLE)
def test_the_same_whole_is_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    first, second = (write_mesh(BALL, tmp_path / f"{name}{suffix}", "mm", "pump rocker").read_bytes() for name in "aa")
    assert first == second
    moved = Mesh(BALL.vertices + [0.0, 0.0, 1.0], BALL.triangles)
    assert write_mesh(moved, tmp_path / f"a{suffix}", "mm", "pump rocker").read_bytes() != first


def test_3mf_states_its_unit_in_the_words_of_the_specification(tmp_path: Path) -> None:
    """3MF core 1.4, ST_Unit."""
    import zipfile

    names = {"mm": "millimeter", "inch": "inch", "ft": "foot", "m": "meter", "cm": "centimeter", "micron": "micron"}
    for unit, name in names.items():
        path = write_mesh(BALL, tmp_path / "a.3mf", unit)
        assert f'unit="{name}"'.encode() in zipfile.ZipFile(path).read("3D/3dmodel.model")
        assert read_fragment(path).unit == unit
        assert read_fragment(path, ReadSettings(unit="inch")).unit == unit, "the file's own word counts"


def test_3mf_refuses_open_and_inside_out(tmp_path: Path) -> None:
    for mesh in (Mesh(BALL.vertices, BALL.triangles[1:]), Mesh(BALL.vertices, BALL.triangles[:, ::-1])):
        with pytest.raises(FileTrouble, match="closed solid"):
            write_mesh(mesh, tmp_path / "a.3mf")
        write_mesh(mesh, tmp_path / "a.stl")
    assert os.listdir(tmp_path) == ["a.stl"]


def test_an_stl_too_far_from_its_origin(tmp_path: Path) -> None:
    far = Mesh(BALL.vertices + 1e5, BALL.triangles)
    with pytest.raises(FileTrouble, match="too far"):
        write_mesh(far, tmp_path / "a.stl")
    write_mesh(far, tmp_path / "a.ply")


@pytest.mark.parametrize(
    "path, mesh, unit",
    [
        ("a.doc", BALL, "mm"),
        ("a.stl", BALL, "cubit"),
        ("nowhere/a.stl", BALL, "mm"),
        ("a.stl", Mesh(np.zeros((0, 3)), np.zeros((0, 3))), "mm"),
        ("a.ply", nan_ball(np.nan), "mm"),
        ("folder.ply", BALL, "mm"),
    ],
)
def test_what_cannot_be_written(tmp_path: Path, path: str, mesh: Mesh, unit: str) -> None:
    (tmp_path / "folder.ply").mkdir()
    with pytest.raises(FileTrouble):
        write_mesh(mesh, tmp_path / path, unit)
    assert os.listdir(tmp_path) == ["folder.ply"]


def test_a_header_never_begins_with_solid(tmp_path: Path) -> None:
    assert not write_mesh(BALL, tmp_path / "a.stl", description="solid").read_bytes().startswith(b"solid")


@pytest.mark.parametrize("fails", ["os.replace", "os.fsync"])
def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    path = put(tmp_path, "a.ply", b"the old one")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(fails, full)
    with pytest.raises(FileTrouble, match="No space left"):
        write_mesh(BALL, path)
    assert path.read_bytes() == b"the old one" and os.listdir(tmp_path) == ["a.ply"]


def test_a_disk_that_garbles_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from rejoin.core.files import writing

    for suffix in (".ply", ".stl", ".obj"):
        write, parse, exact = writing._WRITERS[suffix]

        def garbled(mesh: Mesh, path: Path, *rest: str, write: Callable[..., None] = write) -> None:
            write(Mesh(mesh.vertices * [1, 1, 1.001], mesh.triangles), path, *rest)

        monkeypatch.setitem(writing._WRITERS, suffix, (garbled, parse, exact))
        with pytest.raises(RejoinError, match="not what was read back"):
            write_mesh(BALL, tmp_path / f"a{suffix}")
    assert os.listdir(tmp_path) == []


def test_reading_a_large_scan_is_quick(tmp_path: Path) -> None:
    """0.2 million vertices; the limit is ten times what was measured, to allow for a busy machine."""
    steps = np.arange(450)
    u, v = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
    a, b = u * 450 + v, (u + 1) % 450 * 450 + v
    c, d = (u + 1) % 450 * 450 + (v + 1) % 450, u * 450 + (v + 1) % 450
    turn, roll = 2 * np.pi * u / 450, 2 * np.pi * v / 450
    points = np.stack(
        [(40 + 15 * np.cos(roll)) * np.cos(turn), (40 + 15 * np.cos(roll)) * np.sin(turn), 15 * np.sin(roll)], 1
    )
    path = write_mesh(
        Mesh(points, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])), tmp_path / "torus.ply"
    )
    started = time.process_time()
    scan = read_fragment(path)
    assert time.process_time() - started < 1.0
    # Closed form of the torus' volume: 2 pi² R r².
    assert volume(scan.mesh) == pytest.approx(2 * np.pi**2 * 40 * 15**2, rel=1e-3)


def test_distances_as_a_table_in_the_files_unit_without_what_was_not_measured(tmp_path: Path) -> None:
    path = tmp_path / "map.csv"
    write_away(path, np.array([[25.4, 0.0, -50.8], [1.0, 2.0, 3.0]]), np.array([0.125, np.nan]), "clearance_mm", "inch")
    assert path.read_text().splitlines() == [
        "x_inch,y_inch,z_inch,clearance_mm", "1.000000,0.000000,-2.000000,0.125000"
    ]
    with pytest.raises(FileTrouble):
        write_away(tmp_path / "nowhere" / "map.csv", np.zeros((1, 3)), np.zeros(1))
