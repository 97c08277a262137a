"""Views adjusted together: normals that lean to no side, and a bound by leaving blocks of all overlaps out."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rejoin.core.alignment.broad import normals_of_forms
from rejoin.core.alignment.views import patches_together
from rejoin.core.cleaning import clean_scan
from rejoin.core.meshes import averaged_normals, vertex_normals
from rejoin.core.records import Fragment, Mesh, Scan
from rejoin.core.settings import CleanSettings
from rejoin.core.uncertainty.equations import Layout

STEP, RADIUS = 0.3, 12.0


def shell(low: float, high: float, seed: int, noise_mm: float, thick_mm: float = 0.0) -> Fragment:
    """A strip of a round wall, ``low`` to ``high`` along its arc (mm), noise alike over three spacings."""
    rng = np.random.default_rng(seed)
    arc, along = np.meshgrid(np.arange(low, high, STEP), np.arange(0, 24, STEP), indexing="ij")
    white = rng.normal(size=(arc.shape[0] + 8, arc.shape[1] + 8))
    smooth = sum(white[i : i + arc.shape[0], j : j + arc.shape[1]] for i in range(5) for j in range(5)) / 5.0
    radius = (RADIUS + noise_mm * smooth).ravel()
    turn = arc.ravel() / RADIUS
    points = np.stack([radius * np.sin(turn), along.ravel(), radius * np.cos(turn)], axis=1)
    n = arc.shape[1]
    a = (np.arange(arc.shape[0] - 1)[:, None] * n + np.arange(n - 1)).ravel()
    quads = np.stack([a, a + n, a + n + 1, a + 1], axis=1)
    triangles = np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]])
    if thick_mm:
        inward = points * [1.0, 1.0, 1.0] * (1.0 - thick_mm / RADIUS * np.array([1.0, 0.0, 1.0]))
        triangles = np.concatenate([triangles, triangles[:, ::-1] + len(points)])
        points = np.concatenate([points, inward])
    mesh = Mesh(points, triangles.astype(np.int32))
    scan = Scan("wall", ("wall.ply",), mesh, "mm", True, False, ("x",))
    return clean_scan(scan, CleanSettings(flip_inside_out=False))


def lean_deg(normals: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Angle of normals towards larger arcs, against the true ones."""
    turn = np.arctan2(points[:, 0], points[:, 2])
    round_ = np.stack([np.cos(turn), 0 * turn, -np.sin(turn)], axis=1)
    return np.asarray(np.rad2deg(np.einsum("ij,ij->i", normals, round_)))


def test_normals_beside_a_border_lean_to_no_side() -> None:
    view = shell(0.0, 12.0, 1, 0.0)
    points = view.mesh.vertices
    rim = np.arctan2(points[:, 0], points[:, 2]) * RADIUS < 0.7
    even = lean_deg(averaged_normals(view.mesh, vertex_normals(view.mesh), 6), points)[rim].mean()
    assert even > 1.0 and abs(lean_deg(normals_of_forms(view), points)[rim].mean()) < 0.25


def test_normals_of_forms_are_the_same_whether_all_are_asked_for_or_some() -> None:
    one, other = shell(0.0, 12.0, 1, 0.05), shell(0.0, 12.0, 1, 0.05)
    some = np.flatnonzero(one.mesh.vertices[:, 1] < 6.0).astype(np.int32)
    first, rest = normals_of_forms(one, some), normals_of_forms(one)
    assert 0 < len(some) < len(rest) and np.allclose(first, rest[some], atol=1e-12)
    assert np.allclose(rest, normals_of_forms(other), atol=1e-12)


@pytest.mark.parametrize("thick_mm", [0.0, 0.8])
def test_normals_of_forms_are_less_noisy_than_evened_ones_also_on_a_thin_wall(thick_mm: float) -> None:
    view = shell(0.0, 18.0, 2, 0.05, thick_mm)
    points = view.mesh.vertices
    outer = np.hypot(points[:, 0], points[:, 2]) > RADIUS - 0.4
    arc = np.arctan2(points[:, 0], points[:, 2]) * RADIUS
    inner = outer & (arc > 2.0) & (arc < 16.0) & (points[:, 1] > 2.0) & (points[:, 1] < 22.0)
    even = lean_deg(averaged_normals(view.mesh, vertex_normals(view.mesh), 6), points)[inner].std()
    assert lean_deg(normals_of_forms(view), points)[inner].std() < 0.6 * even


def test_blocks_are_left_out_of_all_overlaps_together() -> None:
    """Against solving anew without each block; an overlap of which one block alone holds a motion is no exception."""
    rng = np.random.default_rng(4)
    layout = Layout((1,), {0: np.zeros(3), 1: np.zeros(3)}, 2)
    contacts, told, blocks = [], [], []
    for number in range(2):
        rows = rng.normal(size=(12, 40, 6))
        if number == 1:
            rows[1:, :, 0] = 0.0
        noise = rng.normal(size=(12, 40)) + rng.normal(size=(12, 1))
        parts, scores = np.einsum("bki,bkj->bij", rows, rows), -np.einsum("bki,bk->bi", rows, noise)
        contacts.append(SimpleNamespace(a=1, b=0, centre=np.zeros(3)))
        told.append(SimpleNamespace(plain=np.pad(parts.sum(axis=0), (0, 1)), scores=np.pad(scores, ((0, 0), (0, 1))),
                                    parts=np.pad(parts, ((0, 0), (0, 1), (0, 1)))))  # fmt: skip
        blocks += list(zip(parts, scores, strict=True))
    # The answer stands where all overlaps together pull nowhere.
    matrix, right = sum(part for part, _ in blocks), sum(score for _, score in blocks)
    at = np.linalg.solve(matrix, right)
    for one in told:
        one.scores[:, :6] -= one.parts[:, :6, :6] @ at
    left = np.array([np.linalg.solve(matrix - part, right - score) - at for part, score in blocks])
    found = patches_together(layout, contacts, told)
    whole = np.linalg.inv(matrix)
    spread = whole @ sum(one[:6, :6] for one in found) @ whole
    np.testing.assert_allclose(spread, 11.0 / 12.0 * left.T @ left, rtol=0.1, atol=0.02 * np.abs(spread).max())
