"""The mended part against the whole: noise that is alike from point to point is no distortion, a bend is one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from manifold3d import Manifold

from rejoin.core.bending import bend_of
from rejoin.core.cleaning import clean_scan
from rejoin.core.distortion import Distortion, _away, distortion_of
from rejoin.core.merging.close import Close
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Mesh, Scan
from rejoin.core.transforms import rigid
from tests.makers import make_case
from tests.makers.breaking import as_mesh
from tests.makers.views import _meshed

pytestmark = pytest.mark.usefixtures("fewer_tries")
SPACING, NOISE = 1.6, 0.06


def wavy(points: FloatArray, length_mm: float, rng: np.random.Generator) -> FloatArray:
    """Noise of 1 sigma, alike over a length."""
    ways, phases = rng.normal(size=(150, 3)) / length_mm, rng.uniform(0.0, 2.0 * np.pi, 150)
    return np.cos(points @ ways.T + phases).sum(axis=1) * np.sqrt(2.0 / 150)


def compared(bend_mm: float, scale: float = 1.0, shape: str = "knob") -> Distortion:
    intact, rng = make_case(shape, 3, spacing_mm=SPACING).intact, np.random.default_rng(0)
    scans = []
    for bent in (0.0, bend_mm):
        mesh = _meshed(intact, SPACING, rng)
        noise = NOISE * wavy(mesh.vertices, 4.0 * SPACING, rng)
        points = mesh.vertices + vertex_normals(mesh) * noise[:, None]
        long = int(np.argmax(np.ptp(mesh.vertices, axis=0)))
        along = points[:, long] - np.quantile(points[:, long], 0.6)
        over = np.maximum(along, 0.0)
        turn = bent / over.max()  # the outer part turns about a line across
        points[:, (long + 1) % 3] += turn * over
        points[:, long] -= turn * mesh.vertices[:, (long + 1) % 3] * (over > 0.0)
        scans.append(Scan("part", ("part.ply",), Mesh(points, mesh.triangles), "mm", True, False, ("",)))
    last = scans[1].mesh
    scans[1] = replace(scans[1], mesh=Mesh(scale * last.vertices, last.triangles))
    whole, rescan = (clean_scan(scan) for scan in scans)
    return distortion_of(whole.mesh, whole.noise_mm, rescan)


def test_noise_alike_over_some_spacings_is_no_distortion() -> None:
    found = compared(0.0)
    assert not found.distorted and "no distortion" in found.sentence and found.bend is None
    assert 0.6 < found.u95_mm / (1.96 * np.sqrt(2.0) * NOISE) < 1.5


def test_a_bend_beyond_the_noise_is_one() -> None:
    found = compared(1.2, shape="rocker")
    assert found.distorted and found.worst_mm < 0.5  # half of it and less
    assert "scale" not in found.sentence
    assert found.bend is not None and found.bend.u95_mm is not None and not found.bend.twisted
    assert abs(found.bend.off_mm - 1.2) < found.bend.u95_mm < 0.6
    assert found.sentence.startswith("The mended part is bent. Laid on the side that kept its form")


@pytest.mark.parametrize(("scale", "told"), [(1.008, "larger"), (0.992, "smaller")])
def test_a_scan_of_another_scale_is_not_only_called_distorted(scale: float, told: str) -> None:
    found = compared(0.0, scale)
    assert found.distorted
    shown = re.search(r"Scale may tell most of it: the new scan is (\d\.\d+) % (\w+) all over", found.sentence)
    assert shown and shown[2] == told and abs(float(shown[1]) - 0.8) < 0.1


def bar(rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Places and normals on the sides of a bar 100 by 20 by 12 mm, and on a lug beside it."""
    points, normals = [], []
    for axis, half in enumerate((50.0, 10.0, 6.0)):
        for side in (-1.0, 1.0):
            some = rng.uniform(-1, 1, (260, 3)) * [50, 10, 6]
            some[:, axis] = side * half
            points.append(some)
            normals.append(np.tile(side * np.eye(3)[axis], (260, 1)))
    return np.concatenate(points), np.concatenate(normals)


def seen_off(moves: FloatArray, normals: FloatArray, noise: float, rng: np.random.Generator) -> FloatArray:
    return np.einsum("ij,ij->i", moves, normals) + noise * rng.normal(size=len(moves))


@pytest.mark.parametrize("what", ["bent", "twisted", "bent on", "sound", "dented", "shifted as a whole"])
def test_how_far_one_side_is_off_the_other_is_told_from_the_side_that_kept_its_form(what: str) -> None:
    """Closed form: a turn of 0.01 about an edge 5 mm off the middle moves the far end by 0.01 times its distance."""
    rng = np.random.default_rng(3)
    points, normals = bar(rng)
    over = np.maximum(points[:, 0] - 5.0, 0.0)
    beyond = (over > 0.0)[:, None]
    turns = {"bent": [0.0, 0.0, 0.01], "twisted": [0.01, 0.0, 0.0]}
    moves = beyond * np.cross(turns.get(what, [0.0, 0.0, 0.0]), points - [5.0, 0.0, 0.0])
    if what == "bent on":
        moves = np.outer(0.0006 * over**2, [0.0, 1.0, 0.0])
    elif what == "dented":
        moves = np.outer(np.linalg.norm(points - [20.0, 10.0, 0.0], axis=1) < 3.0, [0.0, -0.5, 0.0])
    elif what == "shifted as a whole":
        moves = np.cross([0.004, 0.002, -0.003], points) + [0.1, -0.2, 0.05]
    found = bend_of(points, normals, seen_off(moves, normals, 0.02, rng), 0.02, 300.0, points)
    if what in ("sound", "dented", "shifted as a whole"):
        assert found is None
        return
    assert found is not None and found.twisted == (what == "twisted")
    true = float(np.linalg.norm(moves, axis=1).max())
    if what == "bent on":
        assert found.off_mm < true and (found.u95_mm is None or found.off_mm + found.u95_mm > 0.8 * true)
        return
    assert found.turn_deg == pytest.approx(np.rad2deg(0.01), abs=0.06) and found.u95_mm is not None
    assert abs(found.off_mm - true) < found.u95_mm < 0.12 and 0.5 < found.share < 0.6


def test_where_neither_side_kept_its_form_no_bend_is_told() -> None:
    rng = np.random.default_rng(3)
    points, normals = bar(rng)
    moves = np.outer(0.4 * np.sin(points[:, 0] / 7.0), [0.0, 1.0, 0.0])
    assert bend_of(points, normals, seen_off(moves, normals, 0.02, rng), 0.02, 300.0, points) is None


def test_a_bent_plate_is_not_laid_on_itself_the_wrong_way_round() -> None:
    """Its broad faces would agree in more places than those of the bent plate do, its boss in none."""
    plate = Manifold.cube((80.0, 50.0, 6.0), True) + Manifold.cylinder(14.0, 6.0).translate((28.0, 12.0, 0.0))
    whole = as_mesh(plate.refine_to_length(2.0))
    here, turned = (Close(pose, agree, 0, 0.1, 0.05, 0.6) for pose, agree in
                    ((np.eye(4), 600), (rigid(np.diag([-1.0, -1.0, 1.0]), np.zeros(3)), 900)))  # fmt: skip
    lifted = np.outer(0.01 * np.maximum(whole.vertices[:, 0], 0.0), [0.0, 0.0, 1.0])
    bent = Mesh(whole.vertices + lifted, whole.triangles)
    assert _away(here, whole, bent, 30.0) < 0.5 * _away(turned, whole, bent, 30.0)
