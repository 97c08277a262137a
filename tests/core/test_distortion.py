"""The mended part against the whole: noise that is alike from point to point is no distortion, a bend is one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.cleaning import clean_scan
from rejoin.core.distortion import Distortion, distortion_of
from rejoin.core.meshes import vertex_normals
from rejoin.core.records import FloatArray, Mesh, Scan
from tests.makers import make_case
from tests.makers.views import _meshed

pytestmark = pytest.mark.usefixtures("fewer_tries")
SPACING, NOISE = 1.6, 0.06


def wavy(points: FloatArray, length_mm: float, rng: np.random.Generator) -> FloatArray:
    """Noise of 1 sigma, alike over a length."""
    ways, phases = rng.normal(size=(150, 3)) / length_mm, rng.uniform(0.0, 2.0 * np.pi, 150)
    return np.cos(points @ ways.T + phases).sum(axis=1) * np.sqrt(2.0 / 150)


def compared(bend_mm: float, scale: float = 1.0) -> Distortion:
    intact, rng = make_case("knob", 3, spacing_mm=SPACING).intact, np.random.default_rng(0)
    scans = []
    for bent in (0.0, bend_mm):
        mesh = _meshed(intact, SPACING, rng)
        along = (mesh.vertices[:, 2] - mesh.vertices[:, 2].min()) / np.ptp(mesh.vertices[:, 2])
        noise = NOISE * wavy(mesh.vertices, 4.0 * SPACING, rng)
        points = mesh.vertices + vertex_normals(mesh) * noise[:, None]
        points = points + np.outer(bent * np.clip(along - 0.4, 0.0, None) / 0.6, [1.0, 0.0, 0.0])
        scans.append(Scan("part", ("part.ply",), Mesh(points, mesh.triangles), "mm", True, False, ("",)))
    last = scans[1].mesh
    scans[1] = replace(scans[1], mesh=Mesh(scale * last.vertices, last.triangles))
    whole, rescan = (clean_scan(scan) for scan in scans)
    return distortion_of(whole.mesh, whole.noise_mm, rescan)


def test_noise_alike_over_some_spacings_is_no_distortion() -> None:
    found = compared(0.0)
    assert not found.distorted and "no distortion" in found.sentence
    assert 0.6 < found.u95_mm / (1.96 * np.sqrt(2.0) * NOISE) < 1.5


def test_a_bend_beyond_the_noise_is_one() -> None:
    found = compared(1.2)
    assert found.distorted and 0.2 < found.worst_mm < 1.2
    assert "scale" not in found.sentence


@pytest.mark.parametrize(("scale", "told"), [(1.008, "larger"), (0.992, "smaller")])
def test_a_scan_of_another_scale_is_not_only_called_distorted(scale: float, told: str) -> None:
    found = compared(0.0, scale)
    assert found.distorted
    shown = re.search(r"Scale may tell most of it: the new scan is (\d\.\d+) % (\w+) all over", found.sentence)
    assert shown and shown[2] == told and abs(float(shown[1]) - 0.8) < 0.1
