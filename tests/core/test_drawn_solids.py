"""Solids as a drawing program writes them: few long triangles, no noise, and fracture faces that are the same surface.

Volumes in closed form, and against trimesh; the broken part against the exact truth of its maker.
"""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh

from rejoin.core import steps
from rejoin.core.cleaning import clean_scan
from rejoin.core.cleaning.dividing import BARE_SHARE, LONGEST_SPACINGS, bare_share, divided
from rejoin.core.cleaning.work import measured
from rejoin.core.meshes import edge_spacing
from rejoin.core.records import Mesh, Project, Scan
from rejoin.core.transforms import apply, inverse
from tests.makers import make_case, worst_error_mm


def _scan(name: str, mesh: Mesh) -> Scan:
    return Scan(name, (), mesh, "mm", True, False, ())


def _bare(mesh: Mesh) -> float:
    sizes = measured(mesh.vertices, mesh.triangles)
    return bare_share(sizes.squares, sizes.areas, edge_spacing(mesh))


def _block() -> Mesh:
    made = manifold3d.Manifold.cube((40.0, 30.0, 20.0)).to_mesh()
    return Mesh(np.asarray(made.vert_properties[:, :3], float), np.asarray(made.tri_verts, np.int32))


def test_a_divided_block_is_the_same_block() -> None:
    block = _block()
    fine = divided(block, 1.0)
    body = trimesh.Trimesh(fine.vertices, fine.triangles, process=False)
    assert body.is_watertight and body.is_winding_consistent and body.euler_number == 2
    assert body.volume == pytest.approx(40 * 30 * 20, rel=1e-12)
    assert body.area == pytest.approx(2 * (40 * 30 + 30 * 20 + 20 * 40), rel=1e-12)
    assert np.array_equal(fine.vertices[: len(block.vertices)], block.vertices)
    assert body.edges_unique_length.max() <= LONGEST_SPACINGS


def test_an_open_sheet_keeps_its_one_border() -> None:
    sheet = Mesh(np.array([[0.0, 0, 0], [50, 0, 0], [50, 1, 0], [0, 1, 0]]), np.array([[0, 1, 2], [0, 2, 3]], np.int32))
    fine = divided(sheet, 0.5)
    body = trimesh.Trimesh(fine.vertices, fine.triangles, process=False)
    assert body.area == pytest.approx(50.0, rel=1e-12)
    assert len(body.outline().entities) == 1
    assert body.outline().length == pytest.approx(102.0, rel=1e-12)


def test_a_scan_is_left_as_it_is_and_a_drawn_solid_is_not() -> None:
    case = make_case("rocker", 61, spacing_mm=0.8, noise_mm=0.05)
    scanned, drawn = case.fragments[0], case.exact[0]
    assert _bare(scanned) == 0.0
    assert clean_scan(_scan("scan", scanned)).mesh is scanned
    assert _bare(drawn) > BARE_SHARE
    cleaned = clean_scan(_scan("drawn", drawn))
    assert any(repair.kind == "divided" for repair in cleaned.repairs)
    assert _bare(cleaned.mesh) == 0.0


def test_a_broken_solid_is_rejoined_from_its_drawing() -> None:
    case = make_case("plate", 62, spacing_mm=0.4, noise_mm=0.03)
    scans = [
        _scan(f"piece {k}", Mesh(apply(inverse(pose), exact.vertices), exact.triangles))
        for k, (pose, exact) in enumerate(zip(case.part_from_scan, case.exact, strict=True))
    ]
    project = steps.join(Project(scans=tuple(scans)))
    poses = [placement.part_from_scan for placement in project.placements]
    assert poses[0] is not None and poses[1] is not None
    assert worst_error_mm(case, 1, poses[1], 0, poses[0]) < 0.02
    assert project.fits[0].verdict == "good" and project.fits[0].touching_share > 0.9
    whole = project.whole
    assert whole is not None and whole.closed and whole.shells == 1 and whole.genus == case.intact_genus
    assert whole.volume_mm3 == pytest.approx(case.intact_volume_mm3, rel=1e-3)
