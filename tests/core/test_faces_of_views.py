"""Where a fragment made of views broke: its noise is not the same all over, for a view sees some places aslant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core.faces import find_fracture_faces
from rejoin.core.records import FloatArray, Fragment, Mesh, Scan, ScanView
from rejoin.core.settings import FaceSettings, silent
from tests.makers.scanning import smooth_field

STEP, SIDE, NOISE = 0.3, 30.0, 0.03


def relief(x: FloatArray, y: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Waves of 1.5 to 15 mm, the higher the longer they are, as a break's (0.05 mm at 3 mm)."""
    length = np.exp(rng.uniform(np.log(1.5), np.log(15.0), 60))
    way, phase = rng.uniform(0, np.pi, 60), rng.uniform(0, 2 * np.pi, 60)
    height = 0.05 * (length / 3.0) ** 0.75 / np.sqrt(60 / 4)
    along = (np.cos(way) * x[:, None] + np.sin(way) * y[:, None]) / length
    return np.asarray((height * np.sin(2 * np.pi * along + phase)).sum(axis=1))


def corner(views: tuple[ScanView, ...]) -> Fragment:
    """Six walls apart, each facing its own way: the first broken, the second scanned aslant, the others quiet."""
    rng, number = np.random.default_rng(3), int(SIDE / STEP) + 1
    x, y = (c.ravel() for c in np.meshgrid(STEP * np.arange(number), STEP * np.arange(number), indexing="ij"))
    a = (np.arange(number - 1)[:, None] * number + np.arange(number - 1)).ravel()
    flat = np.concatenate([np.stack([a, a + number, a + number + 1], 1), np.stack([a, a + number + 1, a + 1], 1)])
    points, triangles = [], []
    for wall in range(6):
        sheet = np.stack([x, y, np.zeros(len(x))], axis=1)
        noise = np.sqrt(0.5) * (smooth_field(sheet, 3.0 * STEP, rng) + rng.normal(size=len(x)))
        sheet[:, 2] = (1.9 if wall == 1 else 1.0) * NOISE * noise + (relief(x, y, rng) if wall == 0 else 0.0)
        turned = np.roll(sheet, wall // 2, axis=1) * (1.0 if wall % 2 == 0 else -1.0)
        points.append(turned + 100.0 * wall)
        triangles.append((flat if wall % 2 == 0 else flat[:, ::-1]) + wall * len(x))
    mesh = Mesh(np.concatenate(points), np.concatenate(triangles).astype(np.int32))
    scan = replace(Scan("corner", ("corner.ply",), mesh, "mm", True, False, ("",)), views=views)
    return Fragment(scan, mesh, STEP, NOISE, (), 0, False, ())


def broken_share(fragment: Fragment) -> float:
    """Of the most promising face, the share that lies on the broken wall."""
    first = find_fracture_faces(fragment, 0, FaceSettings(), silent)[0]
    return float((first.triangles < len(fragment.mesh.triangles) // 6).mean())


def test_noise_of_a_view_aslant_does_not_pass_for_a_break() -> None:
    view = ScanView("view", np.eye(4), 1000, 0.0, 0.0, 0.03)
    assert broken_share(corner((view, view))) > 0.99
    assert broken_share(corner(())) < 0.01
