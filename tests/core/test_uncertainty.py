"""The bound against closed forms, numerical integrals and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from rejoin.core.alignment import adjust
from rejoin.core.contact import Pairs, rows
from rejoin.core.records import FloatArray
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import from_vector, identity
from rejoin.core.uncertainty.bounds import _in_words, hull_points, largest_displacements
from rejoin.core.uncertainty.equations import (
    Contact,
    Layout,
    correlated_scores,
    crossed_information,
    firm_motions,
    normal_equations,
    patch_scores,
    shifted,
    statement,
)
from rejoin.core.uncertainty.layers import posterior
from tests.core.plates import block, flat, joint_of, waves


def contact_of(
    residuals: FloatArray, points: FloatArray, slopes: FloatArray, normal_noise: float = 0.0, spacing: float = 0.4
) -> Contact:
    """A joint of a given surface and residuals, with Tukey's limit far away."""
    rng = np.random.default_rng(9)

    def normals() -> FloatArray:
        noisy = np.column_stack([-slopes + normal_noise * rng.standard_normal(slopes.shape), np.ones(len(points))])
        return np.asarray(noisy / np.linalg.norm(noisy, axis=1, keepdims=True))

    count = len(points)
    index = np.arange(count, dtype=np.int32)
    pairs = Pairs(points, points, -normals(), normals(), np.ones(count), np.zeros(count, bool), index)
    scale = float(residuals.std())
    return Contact(0, 1, pairs, np.ones(count), residuals, scale, 1e4 * scale, 0.0, spacing, points.mean(axis=0))


def surface(height, size: int = 44, spacing: float = 0.4) -> tuple[FloatArray, FloatArray]:  # type: ignore[no-untyped-def]
    axis = np.arange(size) * spacing
    x, y = (grid.ravel() for grid in np.meshgrid(axis, axis, indexing="ij"))
    step = 1e-5
    slopes = np.column_stack([height(x + step, y) - height(x, y), height(x, y + step) - height(x, y)]) / step
    return np.column_stack([x, y, height(x, y)]), slopes


def field(points: FloatArray, length: float, seed: int) -> FloatArray:
    """Unit noise with correlation exp(-(r/length)²): random Fourier features."""
    rng = np.random.default_rng(seed)
    waves_ = rng.normal(0, np.sqrt(2) / length, (2, 400))
    return np.asarray(np.sqrt(2 / 400) * np.cos(points[:, :2] @ waves_ + rng.uniform(0, 2 * np.pi, 400)).sum(axis=1))


def test_independent_noise_gives_the_textbook_covariance() -> None:
    """Var(J'r) = sigma² J'J for independent residuals (JCGM 100, 5.1)."""
    points, slopes = surface(waves)
    contact = contact_of(0.03 * np.random.default_rng(1).standard_normal(len(points)), points, slopes)
    jacobian = contact.jacobian()
    textbook = contact.residuals.var() * jacobian.T @ jacobian
    ratio = np.linalg.eigvals(np.linalg.solve(textbook, correlated_scores(contact))).real
    assert 0.99 < ratio.min() and ratio.max() < 1.7 and np.median(ratio) < 1.4


def test_correlated_noise_gives_the_exact_double_sum() -> None:
    """The covariance of J'r is J' C J with the true correlation C, known here."""
    points, slopes = surface(waves)
    length = 1.0
    distance = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=2)
    exact_correlation = np.exp(-((distance / length) ** 2))
    totals = []
    for seed in range(6):
        contact = contact_of(0.03 * field(points, length, seed), points, slopes)
        jacobian = contact.jacobian()
        exact = 0.03**2 * jacobian.T @ exact_correlation @ jacobian
        totals.append(np.trace(np.linalg.solve(exact, correlated_scores(contact))) / 7.0)
        independent = np.trace(np.linalg.solve(exact, 0.03**2 * jacobian.T @ jacobian)) / 7.0
        assert independent < 0.3
    assert np.mean(totals) == pytest.approx(1.0, abs=0.3)


def test_leaving_patches_out_agrees_with_the_exact_double_sum() -> None:
    points, slopes = surface(waves)
    distance = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=2)
    correlation = np.exp(-(distance**2))
    ratios = []
    for seed in range(8):
        contact = contact_of(0.03 * field(points, 1.0, 50 + seed), points, slopes)
        jacobian = contact.jacobian()[:, :6]
        exact = 0.03**2 * jacobian.T @ correlation @ jacobian
        ratios.append(np.trace(np.linalg.solve(exact, patch_scores(contact))) / 6.0)
    assert 0.6 < np.mean(ratios) < 1.8


def test_noise_in_the_normals_is_not_taken_for_relief() -> None:
    points, slopes = surface(flat)
    contact = contact_of(0.01 * field(points, 1.0, 7), points, slopes, normal_noise=0.08)
    plain, _ = normal_equations(contact)
    crossed = crossed_information(contact, 6)
    assert crossed[3, 3] < 0.2 * plain[3, 3] and crossed[4, 4] < 0.2 * plain[4, 4]
    assert crossed[5, 5] == pytest.approx(contact.slope * plain[5, 5], rel=0.02)


def test_a_flat_face_holds_three_motions_and_relief_all_six() -> None:
    points, slopes = surface(flat)
    noise = 0.01 * np.random.default_rng(2).standard_normal(len(points))
    assert np.linalg.matrix_rank(firm_motions(contact_of(noise, points, slopes, 0.05), False)[:6, :6], tol=1e-6) == 3
    points, slopes = surface(waves)
    np.testing.assert_allclose(firm_motions(contact_of(noise, points, slopes, 0.05), True), np.eye(7), atol=1e-9)


def test_a_motion_about_one_centre_is_the_same_motion_about_another() -> None:
    rng = np.random.default_rng(3)
    points, first, second, motion = rng.normal(size=(9, 3)), rng.normal(size=3), rng.normal(size=3), rng.normal(size=6)
    directions = np.eye(3)[rng.integers(0, 3, 9)]
    about_first = rows(points, directions, first)[:, :6] @ motion
    about_second = rows(points, directions, second)[:, :6] @ (shifted(second - first) @ motion)
    np.testing.assert_allclose(about_first, about_second, atol=1e-12)


def test_the_layout_carries_each_fragment_with_its_sign() -> None:
    points, slopes = surface(waves, size=12)
    contact = contact_of(0.01 * field(points, 1.0, 7), points, slopes)
    layout = Layout((1,), {0: np.zeros(3), 1: np.array([1.0, 2.0, 3.0])}, 1)
    columns = layout.columns(contact, 0)
    np.testing.assert_allclose(columns[:6, :6], -shifted(contact.centre - [1.0, 2.0, 3.0]))
    assert columns[6, layout.layer(0)] == 1.0 and columns[6, :6].max() == 0.0


@pytest.mark.parametrize("free, sd, usual", [(0.15, 0.04, 0.4), (0.02, 0.05, 0.4), (-0.03, 0.03, 0.4), (0.4, 0.3, 0.5)])
def test_the_layer_s_posterior_is_the_numerical_integral(free: float, sd: float, usual: float) -> None:
    found = posterior(free, sd, usual, hold=0.1)
    layer = np.linspace(0, 8 * usual, 400_001)
    step = layer[1] - layer[0]
    density = norm.pdf(free, layer, found.free_sd_mm) * 2 * norm.pdf(layer, 0, usual)
    mass, none = density.sum() * step, norm.pdf(free, 0, sd)
    probability = mass / (mass + none)
    mean = probability * (layer * density).sum() * step / mass
    square = probability * (layer**2 * density).sum() * step / mass
    assert found.probability == pytest.approx(probability, abs=2e-4)
    assert found.mean_mm == pytest.approx(mean, abs=2e-4)
    assert found.sd_mm == pytest.approx(np.sqrt(square - mean**2), abs=1e-3)
    drawn = found.sampled(200_000, np.random.default_rng(4))
    assert drawn.mean() == pytest.approx(mean, abs=0.003)
    assert drawn.std() == pytest.approx(found.sd_mm, abs=0.004)


def test_a_face_without_hold_needs_strong_evidence_for_a_layer() -> None:
    assert posterior(0.2, 0.12, 0.4, hold=0.01).mean_mm == 0.0
    assert posterior(0.2, 0.12, 0.4, hold=0.10).mean_mm > 0.0
    assert posterior(0.4, 0.05, 0.4, hold=0.01).mean_mm == pytest.approx(0.4, abs=0.02)


def test_the_largest_displacement_is_that_of_the_farthest_corner() -> None:
    outline = np.array([[10.0, 0, 0], [-2.0, 0, 0], [0, 3.0, 0]])
    samples = np.array([[0, 0, 0.01, 0, 0, 0], [0, 0, 0, 0.3, 0, 0.4], [0, 0, 0.01, 0, 0.1, 0.0]])
    np.testing.assert_allclose(largest_displacements(samples, outline), [0.1, 0.5, 0.2])


@pytest.mark.parametrize("loose, word", [(3, "slip"), (5, "across"), (2, "turn"), (0, "tip")])
def test_the_weakest_motion_is_named(loose: int, word: str) -> None:
    outline = np.array([[x, y, z] for x in (-10.0, 10) for y in (-10.0, 10) for z in (0.0, 30)])
    spread = np.full(6, 1e-9)
    spread[loose] = (0.05 if loose > 2 else 0.005) ** 2
    words = _in_words(np.diag(spread), outline, (np.zeros(3), np.array([0.0, 0, 1.0])))
    assert word in words
    assert (f"{1.96 * 0.05:.2f} mm" in words) == (loose > 2)


def test_the_hull_holds_the_far_corners() -> None:
    corners = hull_points(block(waves, upper=True).fragment)
    points = block(waves, upper=True).fragment.mesh.vertices
    np.testing.assert_allclose(np.ptp(corners, axis=0), np.ptp(points, axis=0))
    assert len(corners) < 0.2 * len(points)


def test_the_predicted_spread_is_the_spread_of_repeated_scans() -> None:
    """Monte Carlo: new points and new noise each time; the bound must cover nearly always and not by much."""
    errors, predicted, bounds = [], [], []
    for seed in range(10):
        lower, upper = (block(waves, upper=up, noise=0.03, seed=100 + 2 * seed + up) for up in (False, True))
        start = from_vector(np.array([0.002, -0.003, 0.002, 0.1, -0.1, 0.1]), np.zeros(3))
        found = adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, start)],
                       {0: identity(), 1: start}, AlignSettings(missing_layer=False), silent)  # fmt: skip
        placement, points = found.placement(1), upper.fragment.mesh.vertices
        pose = found.part_from_scan[1]
        errors.append(np.linalg.norm(points @ (pose[:3, :3] - np.eye(3)).T + pose[:3, 3], axis=1).max())
        assert placement.u95_mm is not None and placement.covariance is not None
        bounds.append(placement.u95_mm)
        predicted.append(np.sqrt(np.trace(placement.covariance[3:, 3:])))
    assert np.mean(np.array(errors) <= bounds) >= 0.9
    assert np.median(np.array(bounds) / errors) < 4.0
    assert np.std(predicted) < 0.5 * np.mean(predicted)


def test_a_joint_of_more_noise_weighs_less() -> None:
    points, slopes = surface(waves)
    quiet, loud = (
        statement(contact_of(size * np.random.default_rng(5).standard_normal(len(points)), points, slopes))
        for size in (0.01, 0.03)
    )
    assert quiet.weight == pytest.approx(9.0 * loud.weight, rel=1e-6)


@pytest.mark.parametrize("spacing, noise", [(0.3, 0.03), (1.0, 0.05)])
def test_the_bound_covers_a_worn_pair_at_any_scale(spacing: float, noise: float) -> None:
    """One run of the coverage benchmark: exact truth, correlated noise, 0.12 mm off each face."""
    from tests.benchmarks.coverage import HEAD, line, trial

    found = trial(50, 0, 0.12, 2.5, spacing, noise)
    assert 0.0 < found.error <= found.bound < 1.2 * spacing
    assert found.limit < 0.2 * spacing
    assert len(line("one", [found])) == len(HEAD)
