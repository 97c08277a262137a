"""Large scans: files refused before they are read, coarser copies worked on and told of, by the memory that is free."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rejoin.core import capacity, steps
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import FileTrouble, NoAnswer
from rejoin.core.files import memory_to_read
from rejoin.core.meshes import is_closed, triangle_areas, volume
from rejoin.core.records import Mesh, Project, Scan
from rejoin.core.settings import CleanSettings
from tests.core.scan_bytes import ascii_stl, ball, binary_stl, ply, put

BALL = ball(10, 4)


def scan_of(mesh: Mesh) -> Scan:
    return Scan("ball", ("ball.ply",), mesh, "mm", True, False, ("ball",))


def test_the_free_memory_is_known_here() -> None:
    free = capacity.free_bytes()
    assert free is not None and 1e7 < free < 1e14


@pytest.mark.parametrize("free_mb, scans, most", [
    (1000, [200_000, 300_000], None),
    (1000, [200_000, 300_000, 5_000_000], 357_142),
    (1000, [1_000_000, 3_000_000], 642_857),
    (1000, [5_000_000], 1_000_000),
])  # fmt: skip
def test_small_scans_stay_and_large_ones_share_what_is_left(
    free_mb: int, scans: list[int], most: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capacity, "free_bytes", lambda: free_mb * 10**6)
    found = capacity.most_triangles(scans)
    assert (found is None and most is None) or int(found or 0) == most
    if found is not None:
        worked_on = capacity.BYTES_PER_TRIANGLE * sum(min(found, count) for count in scans)
        assert worked_on + capacity.BESIDE * sum(scans) <= 0.85e6 * free_mb * (1 + 1e-9)


def test_a_system_that_tells_nothing_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capacity, "free_bytes", lambda: None)
    assert capacity.most_triangles([10**9]) is None
    capacity.check_reading(10**15)


def test_too_little_memory_is_a_sentence(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(capacity, "free_bytes", lambda: 10**7)
    with pytest.raises(NoAnswer, match=r"about 3\.5 GB of memory, and 0\.0 GB are free"):
        capacity.most_triangles([10_000_000])
    monkeypatch.setattr(capacity, "free_bytes", lambda: 10**5)
    with pytest.raises(FileTrouble, match="Reading these files takes about"):
        steps.read([put(tmp_path, "ball.ply", ply(BALL))])


def test_a_text_takes_more_to_read_than_numbers(tmp_path: Path) -> None:
    for name, data, times in (("a.ply", ply(BALL), 7), ("b.ply", ply(BALL, ""), 13), ("c.stl", binary_stl(BALL), 7),
                              ("d.stl", ascii_stl(BALL), 13), ("e.xyz", b"1 2 3\n" * 50, 13)):  # fmt: skip
        assert memory_to_read(put(tmp_path, name, data)) == times * len(data), name
    assert memory_to_read(tmp_path / "none.ply") == 0


def test_a_coarser_copy_is_worked_on_and_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    most = len(BALL.triangles) // 4
    fragment = clean_scan(scan_of(BALL), CleanSettings(most_triangles=1e-6 * most))
    mesh = fragment.mesh
    assert 0.5 * most < len(mesh.triangles) <= most and is_closed(mesh) and fragment.closed
    assert set(map(tuple, mesh.vertices)) <= set(map(tuple, BALL.vertices))
    assert volume(mesh) == pytest.approx(volume(BALL), rel=0.02)
    assert triangle_areas(mesh).sum() == pytest.approx(triangle_areas(BALL).sum(), rel=0.02)
    assert fragment.scan.mesh is BALL and "coarser copy" in fragment.repairs[0].sentence
    whole = clean_scan(scan_of(BALL), CleanSettings(most_triangles=1e-6 * len(BALL.triangles)))
    assert whole.mesh is BALL and not whole.repairs
    monkeypatch.setattr(steps, "most_triangles", lambda sizes: float(most))
    project = Project(scans=(scan_of(BALL),))
    (limited,) = steps.clean(project).fragments
    np.testing.assert_array_equal(limited.mesh.vertices, mesh.vertices)
    (asked,) = steps.clean(project, CleanSettings(most_triangles=1.0)).fragments
    assert asked.mesh is BALL  # who asks for more than the memory seems to allow gets it
