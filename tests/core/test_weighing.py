"""What a scan's triangles cut off the finest relief does not lead two faces away from where all their points lie."""

from __future__ import annotations

from dataclasses import replace

import igl
import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation

from rejoin.core.alignment import Adjustment, adjust
from rejoin.core.meshes import compacted, vertex_normals
from rejoin.core.records import FloatArray, Fragment, Mesh, Scan
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import displacement, from_vector, identity
from rejoin.core.uncertainty.equations import heard
from rejoin.core.uncertainty.noise import NoiseModel, noise_of_right
from rejoin.core.uncertainty.weighing import contradicted, evened, evenly
from tests.core.plates import Block, Height, joint_of, waves
from tests.core.test_uncertainty import contact_of, field, surface

SPACING, NOISE, ALIKE_MM = 0.45, 0.025, 1.5
OFF = from_vector(np.array([0.003, -0.004, 0.002, 0.05, -0.05, 0.08]), np.zeros(3))


def rough(seed: int, step: float = 0.1, count: int = 360, rms: float = 0.5) -> Height:
    """A self-affine break (exponent 0.75) with relief much finer than the scan's spacing."""
    rng = np.random.default_rng(seed)
    waves = np.hypot(*np.meshgrid(*2 * [np.fft.fftfreq(count, step)], indexing="ij"))
    height = np.fft.ifft2(np.fft.fft2(rng.normal(size=(count, count))) * (waves**2 + 1.0 / 15.0**2) ** -0.875).real
    height *= rms / height.std()

    def of(x: FloatArray, y: FloatArray) -> FloatArray:
        places = np.stack([x, y]) / step + count / 2
        return np.asarray(map_coordinates(height, places, order=1, mode="nearest"))

    return of


def wavy(points: FloatArray, rng: np.random.Generator) -> FloatArray:
    ways, phases = rng.normal(size=(120, 3)) / ALIKE_MM, rng.uniform(0.0, 2.0 * np.pi, 120)
    together = np.cos(points @ ways.T + phases).sum(axis=1) * np.sqrt(2.0 / 120)
    return np.asarray(NOISE * (together + 0.25 * rng.standard_normal(len(points))))


def scanned(height: Height, seed: int, upper: bool, half: float = 14.0) -> Block:
    """A sheet cut out of a volume of cells that lie askew, as a scanner's program makes it."""
    rng = np.random.default_rng(seed)
    cell, count = 0.88 * SPACING, int(2.0 * 1.25 * half / SPACING / 0.88)
    turn = Rotation.random(random_state=seed).as_matrix()
    axis = (np.arange(count) - count / 2 + rng.uniform()) * cell
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).transpose(2, 1, 0, 3).reshape(-1, 3)
    places = grid @ turn.T
    over = np.clip(places[:, 2] - height(places[:, 0], places[:, 1]), -2.0, 2.0)
    points, triangles = igl.marching_cubes(over, grid, count, count, count, 0.0)[:2]
    points = points @ turn.T
    kept = triangles[(np.abs(points[triangles]) < [half, half, 5.0]).all(axis=(1, 2))]
    mesh, _ = compacted(Mesh(points, kept.astype(np.int32)), np.arange(len(kept), dtype=np.int32))
    up = np.sign(np.median(vertex_normals(mesh)[:, 2])) * (-1.0 if upper else 1.0)
    triangles = mesh.triangles if up > 0 else mesh.triangles[:, ::-1]
    points = mesh.vertices + np.outer(wavy(mesh.vertices, rng), [0.0, 0.0, 1.0])
    mesh = Mesh(points, triangles)
    scan = Scan("upper" if upper else "lower", (), mesh, "mm", True, False, ())
    fragment = Fragment(scan, mesh, SPACING, NOISE, (), 0, False, ())
    return Block(fragment, np.arange(len(triangles), dtype=np.int32), identity())


def joined(seed: int) -> tuple[Adjustment, Block]:
    height = rough(seed)
    lower, upper = (scanned(height, 2 * seed + up, bool(up)) for up in (0, 1))
    start = OFF @ upper.part_from_scan
    joint = joint_of(lower, upper, start)
    settings = replace(AlignSettings(), missing_layer=False)
    found = adjust((lower.fragment, upper.fragment), [joint], {0: identity(), 1: start}, settings, silent)
    return found, upper


def error(found: Adjustment, upper: Block) -> float:
    return float(displacement(found.part_from_scan[1], upper.part_from_scan, upper.fragment.mesh.vertices).max())


def fine(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(0.1 * np.sin(5.0 * x + 2.0 * y) * np.cos(4.5 * y))


def asked(seed: int, aside_mm: float) -> bool:
    """Whether weights are doubted where the finest relief alone seems to stand aside, under noise of the model."""
    points, slopes = surface(lambda x, y: waves(x, y) + fine(x, y), size=33)
    finest = surface(fine, size=33)[1]
    rng, model = np.random.default_rng(seed), NoiseModel(0.5 * 0.03**2, 0.5 * 0.03**2, 1.0, 2.0)
    noise = 0.03 * np.sqrt(0.5) * (field(points, 1.0, 300 + seed) + rng.standard_normal(len(points)))
    contact = contact_of(noise + aside_mm * finest[:, 0] / np.sqrt(1.0 + np.square(slopes).sum(axis=1)), points, slopes)
    return contradicted(contact, heard(contact, model), model, np.eye(7), False)


def test_weights_are_doubted_where_the_finest_relief_pulls_all_the_pairs_away() -> None:
    doubted = [asked(number, aside) for aside in (0.0, 0.1) for number in range(20)]
    assert sum(doubted[:20]) <= 1 and sum(doubted[20:]) >= 18


def test_pairs_that_weigh_alike_are_worth_what_their_scatter_shows() -> None:
    """Monte Carlo of plain least squares under noise that hangs together: said is what is seen, and no joint of it
    outweighs others as if all its pairs erred by themselves."""
    points, model = surface(waves, size=33)[0], NoiseModel(0.7 * 0.03**2, 0.3 * 0.03**2, 1.0, 2.0)
    even, found, seen = evenly(model), [], []
    for seed in range(60):
        alone = np.random.default_rng(seed).standard_normal(len(points))
        noise = 0.03 * (np.sqrt(0.7) * field(points, 1.0, 300 + seed) + np.sqrt(0.3) * alone)
        contact = contact_of(noise, points, surface(waves, size=33)[1])
        told = evened(heard(contact, even), contact.pairs.middles, even)
        inverse = np.linalg.inv(told.plain)
        said = inverse @ noise_of_right(contact.pairs.middles, told.pulls, even) @ inverse
        found.append(inverse @ told.right)
        seen.append([found[-1] @ np.linalg.solve(said, found[-1]), found[-1] @ told.plain @ found[-1]])
    assert 0.7 < np.mean(seen, axis=0)[0] / 7.0 < 1.5
    assert 0.7 < np.mean(seen, axis=0)[1] / 7.0 < 1.5


def test_doubted_weights_bring_faces_closer_and_the_bound_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    off = []
    for seed in range(4):
        found, upper = joined(seed)
        off.append(error(found, upper))
        assert off[-1] < found.certainty[1].u95_mm
    monkeypatch.setattr("rejoin.core.alignment.solver.contradicted", lambda *_: False)
    assert sum(off) < 0.8 * sum(error(*joined(seed)) for seed in range(4))
