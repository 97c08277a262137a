"""Features put in by number: sizes and volumes in closed form, what is marked, what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from rejoin.core import edits
from rejoin.core.dimensions.bynumber import round_bar
from rejoin.core.dimensions.growing import ground_of
from rejoin.core.dimensions.placing import body_of
from rejoin.core.dimensions.sizes import measure
from rejoin.core.dimensions.told import as_whole
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import is_closed, vertex_normals
from rejoin.core.records import Fragment, Mesh, Project, Scan, Whole
from rejoin.core.report import whole_content
from rejoin.core.storage import load_project, save_project
from tests.core.solids_to_measure import plate
from tests.makers.scanning import evenly_meshed

NOISE = 0.02


def a_whole(noise: float = NOISE) -> Project:
    mesh = plate(noise)
    scan = Scan("plate", ("plate.stl",), mesh, "mm", True, False, ("0",))
    return Project(whole=as_whole(Fragment(scan, mesh, 1.6, noise, (), 0, True, ())))


def size_of(whole: Whole, kind: str, *picks: list[float]) -> float:
    ground = ground_of(whole.mesh)
    return measure(kind, np.array(picks, float), [body_of(ground, 0.0)] * len(picks)).value


def made(project: Project) -> Whole:
    assert project.whole is not None
    assert is_closed(project.whole.mesh)
    return project.whole


@pytest.mark.parametrize("diameter", [19.5, 20.6])
def test_a_bore_to_its_nominal_size(diameter: float) -> None:
    before = made(a_whole())
    whole = made(edits.restore(a_whole(), "bore", np.array([-10.0, 0, 0]), diameter))
    assert size_of(whole, "bore", [-20 + diameter / 2, 0, 0]) == pytest.approx(diameter, abs=0.01)
    taken = np.pi / 4 * (diameter**2 - 20.0**2) * 12
    assert before.volume_mm3 - whole.volume_mm3 == pytest.approx(taken, rel=0.08)
    assert whole.genus == before.genus == 2
    marked = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.number_triangles])]
    assert np.abs(np.linalg.norm(marked[:, :2] - [-20, 0], axis=1) - diameter / 2).max() < 4.5
    told = whole_content(Project(whole=whole), None, "mm")
    assert "By number" in whole.notes[-1] and told is not None and told["by_number"] == [whole.notes[-1]]


def test_a_blind_bore_gets_its_depth_and_a_note() -> None:
    tap = 10.25
    whole = made(edits.restore(a_whole(), "bore", np.array([5.0, 10, 2]), tap, 9.0, "Thread M12 x 1.75 to be cut."))
    assert size_of(whole, "bore", [tap / 2, 10, 2]) == pytest.approx(10.25, abs=0.01)
    new = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.number_triangles])]
    assert new[:, 2].min() == pytest.approx(6.0 - 9.0, abs=0.1)
    assert "M12" in whole.by_number[0].sentence


def test_a_boss_to_its_nominal_size() -> None:
    whole = made(edits.restore(a_whole(), "boss", np.array([4.0, -12, 12]), 8.6))
    assert size_of(whole, "shaft", [4.3, -12, 12]) == pytest.approx(8.6, abs=0.01)
    smaller = made(edits.restore(a_whole(), "boss", np.array([4.0, -12, 12]), 7.4))
    assert size_of(smaller, "shaft", [3.7, -12, 12]) == pytest.approx(7.4, abs=0.01)


@pytest.mark.parametrize("move", [0.5, -0.5])
def test_a_face_is_made_flat_where_it_is_wanted(move: float) -> None:
    whole = made(edits.restore(a_whole(), "plane", np.array([-5.0, -5, 6]), move))
    assert size_of(whole, "faces", [-5.0, -5, 6 + move], [-5.0, -5, -6]) == pytest.approx(12 + move, abs=0.02)
    assert whole.by_number[0].kind == "plane"
    area = 80 * 40 - np.pi * (100 + 36 + 25 + 16)
    assert whole.volume_mm3 - made(a_whole()).volume_mm3 == pytest.approx(move * area, rel=0.05)


def test_a_reader_that_merges_vertices_finds_it_closed() -> None:
    """An independent library (trimesh), in the single precision of a file; evenly meshed as a scan is."""
    rng = np.random.default_rng(1)
    scan = evenly_meshed(plate(), 1.2, rng)
    scan = Mesh(scan.vertices + NOISE * rng.normal(size=(len(scan.vertices), 1)) * vertex_normals(scan), scan.triangles)
    whole = as_whole(Fragment(Scan("s", (), scan, "mm", True, False, ()), scan, 1.2, NOISE, (), 0, True, ()))
    for kind, at, amount in (("bore", [-10.0, 0, 0], 20.6), ("boss", [4.0, -12, 12], 8.4), ("bore", [-10, 0, 0], 19.5),
                             ("plane", [30.0, 10, 6], 0.05), ("plane", [30.0, 10, 6], 1.5)):  # fmt: skip
        mesh = made(edits.restore(Project(whole=whole), kind, np.array(at), amount)).mesh
        read = trimesh.Trimesh(mesh.vertices.astype(np.float32), mesh.triangles, process=True)
        assert read.is_watertight, (kind, amount)


def test_marks_stay_when_a_second_feature_follows_and_in_the_file(tmp_path: Path) -> None:
    once = edits.restore(a_whole(), "bore", np.array([-10.0, 0, 0]), 20.6)
    twice = edits.restore(once, "bore", np.array([26.0, 0, 0]), 12.4)
    whole = made(twice)
    marked = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.number_triangles])]
    assert (marked[:, 0] < -5).any() and (marked[:, 0] > 5).any()
    assert len(whole.by_number) == 2
    again = load_project(save_project(twice, tmp_path / "kept")).whole
    assert again is not None and again.by_number[1].size_mm == 12.4
    assert twice.checks == ()


def test_a_bar_in_closed_form() -> None:
    """trimesh: closed, outward, the volume of a cylinder."""
    bar = round_bar(np.array([1.0, 2, 3]), np.array([1.0, 2, 13]), 5.0)
    solid = trimesh.Trimesh(bar.vertices, bar.triangles)
    assert solid.is_watertight and solid.volume == pytest.approx(np.pi * 25 * 10, rel=1e-3)


@pytest.mark.parametrize("kind, pick, size, error, sentence", [
    ("bore", [-10, 0, 0], 508.0, WrongUse, "held for a slip"),
    ("bore", [4, -12, 12], 8.0, NoAnswer, "no bore"),
    ("boss", [-10, 0, 0], 20.0, NoAnswer, "no boss"),
    ("bore", [500, 0, 0], 20.0, NoAnswer, "no surface at the pick"),
    ("plane", [-5, -5, 6], 60.0, WrongUse, "held for a slip"),
    ("slot", [-5, -5, 6], 6.0, WrongUse, "by number"),
])  # fmt: skip
def test_what_cannot_be_restored(
    kind: str, pick: list[float], size: float, error: type[Exception], sentence: str
) -> None:
    with pytest.raises(error, match=sentence):
        edits.restore(a_whole(), kind, np.array(pick, float), size)


def test_an_open_whole_in_words() -> None:
    with pytest.raises(NoAnswer, match="no closed whole"):
        edits.restore(Project(), "bore", np.zeros(3), 10.0)
