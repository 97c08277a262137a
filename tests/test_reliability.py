"""A small run of the reliability benchmark, and that its measures can fail."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rejoin.core.errors import FileTrouble
from rejoin.core.files import read_fragment
from rejoin.core.records import Mesh
from tests.benchmarks import reliability
from tests.benchmarks.mutating import mutated, plausible, valid_files
from tests.core.scan_bytes import ball, binary_stl

posix = pytest.mark.skipif(os.name != "posix", reason="processes are killed as POSIX does it")


@posix
@pytest.mark.parametrize("recovery", [False, True])
def test_a_save_killed_at_any_moment_leaves_the_old_file_or_the_new(tmp_path: Path, recovery: bool) -> None:
    counts = reliability.killed_saves(10, tmp_path, recovery)
    assert counts["kills"] == 10 and counts["neither"] == 0
    assert counts["old"] + counts["new"] + counts["between two saves"] == 10 and counts["old"] > 0


@posix
def test_a_file_written_in_place_would_be_found_out(tmp_path: Path) -> None:
    """The benchmark's own check: half a file is neither the old nor the new one."""
    reliability.save_project(reliability._version(1), tmp_path / "part.rejoin")
    data = (tmp_path / "part.rejoin").read_bytes()
    (tmp_path / "part.rejoin").write_bytes(data[: len(data) // 2])
    with pytest.raises(FileTrouble):
        reliability.load_project(tmp_path / "part.rejoin")
    mixed = replace(reliability._version(1), scans=reliability._version(1).scans[:1])
    assert reliability.version_of(reliability._version(4)) == 4 and reliability.version_of(mixed) == -1


@posix
def test_damaged_files_are_read_or_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    tried = reliability.damaged_files(2000, tmp_path / "in", seed=7, most_seconds=6.0)
    assert tried.failures == []
    assert tried.inputs.total() > 40 and tried.read.total() > 2 and tried.refused.total() > 20


def test_the_same_number_is_the_same_damage() -> None:
    files = valid_files()
    assert [mutated(files, 1, n) for n in range(40)] == [mutated(files, 1, n) for n in range(40)]
    assert mutated(files, 1, 3) != mutated(files, 2, 3)


def test_what_should_not_pass_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    mesh = ball(10, 1)
    path = tmp_path / "a.stl"
    path.write_bytes(binary_stl(mesh))
    assert reliability.judged(path) == ("read", "")
    assert plausible(ball(10, 3), 500, False) is not None
    broken = np.array(mesh.vertices)
    broken[0] = np.nan
    assert plausible(Mesh(broken, mesh.triangles), 10_000, False) == "a vertex is no number"

    def fails(path: Path) -> None:
        raise OverflowError("too large")

    monkeypatch.setattr(reliability, "read_fragment", fails)
    assert reliability.judged(path) == ("failure", "OverflowError: too large")
    assert len(read_fragment(path).mesh.triangles) == len(mesh.triangles)
