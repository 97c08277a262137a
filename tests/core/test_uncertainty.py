"""The bound against closed forms, numerical integrals and Monte Carlo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from rejoin.core.alignment import adjust
from rejoin.core.contact import Pairs, rows
from rejoin.core.records import FloatArray, FractureFace, Joint
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import displacement, from_vector, identity
from rejoin.core.uncertainty.bounds import Certainty, _in_words, holding, hull_points, largest_displacements
from rejoin.core.uncertainty.equations import (
    Contact,
    Layout,
    crossed_information,
    crossed_matrix,
    firm_motions,
    heard,
    normal_equations,
    patch_scores,
    relief_information,
    shifted,
    statement,
)
from rejoin.core.uncertainty.layers import CALLED, UNEVEN_WEAR, posterior, weighed_layers
from rejoin.core.uncertainty.noise import NoiseModel, blocks, noise_model, noise_of_right, white, whitened
from rejoin.core.uncertainty.steps import step_equations
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
    return Contact(0, 1, pairs, np.ones(count), residuals, scale, 1e4 * scale, spacing, points.mean(axis=0))


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


@pytest.mark.parametrize("usual", [0.5, 2.0, 10.0])
def test_of_a_hundred_clean_joints_two_are_called_worn_at_most(usual: float) -> None:
    drawn = np.random.default_rng(1).normal(size=20_000)
    called = np.mean([posterior(float(free), 1.0, usual).apart_mm > 0.0 for free in drawn])
    assert called < 0.022


def test_independent_noise_gives_the_textbook_least_squares() -> None:
    """J'J / sigma² and J'r / sigma² for independent residuals (JCGM 100, 5.1)."""
    points, slopes = surface(waves)
    contact = contact_of(0.03 * np.random.default_rng(1).standard_normal(len(points)), points, slopes)
    told = heard(contact, white(0.03**2, 0.4))
    jacobian = contact.jacobian()
    np.testing.assert_allclose(told.plain, jacobian.T @ jacobian / 0.03**2, rtol=1e-6)
    np.testing.assert_allclose(told.right, -jacobian.T @ contact.residuals / 0.03**2, rtol=1e-6)
    np.testing.assert_allclose(told.scores.sum(axis=0), told.right)


def test_within_a_block_the_correlation_counts_in_full() -> None:
    """The closed form of generalised least squares, J' inv(C) J, with the exact inverse of a known C (Aitken 1935)."""
    points, slopes = surface(waves, size=11)
    contact = contact_of(0.03 * field(points, 1.0, 3), points, slopes)
    assert len(blocks(points)) == 1
    model = NoiseModel(0.75e-3, 0.25e-3, 1.0, 2.0)
    distance = np.linalg.norm(points[:, None] - points[None], axis=2)
    exact = np.linalg.inv(model.covariance(distance) + 0.25e-3 * np.eye(len(points)))
    weighted = contact.jacobian() * np.sqrt(contact.robust)[:, None]
    told = heard(contact, model)
    np.testing.assert_allclose(told.plain, weighted.T @ exact @ weighted, rtol=1e-6)


def test_blocks_hold_every_point_once_and_are_compact() -> None:
    points = np.random.default_rng(2).uniform(size=(1000, 3)) * [30.0, 20.0, 0.1]
    parts = blocks(points)
    assert sorted(np.concatenate(parts)) == list(range(1000)) and max(len(part) for part in parts) <= 128
    assert max(np.ptp(points[part], axis=0).max() for part in parts) < 13.0


@pytest.mark.parametrize("length", [0.8, 1.2, 1.8])
def test_the_noise_model_is_found_from_the_residuals(length: float) -> None:
    """Noise of known correlation exp(-(r / length)²): its size and reach come back."""
    points, _ = surface(waves)
    reach, share = [], []
    for seed in range(6):
        mixed = field(points, length, seed) + np.random.default_rng(seed).standard_normal(len(points))
        found = noise_model(points, 0.03 * mixed, 0.4)
        assert found.correlated + found.independent == pytest.approx(np.mean(np.square(0.03 * mixed)))
        reach.append(found.length_mm)
        share.append(found.correlated / (found.correlated + found.independent))
    assert np.median(reach) == pytest.approx(length, rel=0.35)
    assert np.median(share) == pytest.approx(0.5, abs=0.12)


def test_knowing_the_correlation_errs_less_and_says_how_much() -> None:
    """Monte Carlo of the estimate: its spread is the closed-form covariance, below that of ordinary least squares."""
    points, slopes = surface(lambda x, y: waves(x, y) + 0.1 * np.sin(5.0 * x + 2.0 * y) * np.cos(4.5 * y), size=33)
    quiet = contact_of(0.01 * np.random.default_rng(1).standard_normal(len(points)), points, slopes)
    model = NoiseModel(0.5 * 0.03**2, 0.5 * 0.03**2, 1.0, 2.0)
    jacobian, flat_weights = quiet.jacobian()[:, :6], np.ones(len(points))
    general, ordinary = [], []
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        noise = 0.03 * np.sqrt(0.5) * (field(points, 1.0, 300 + seed) + rng.standard_normal(len(points)))
        told = whitened(quiet.pairs, noise, flat_weights, quiet.centre, model)
        general.append(np.linalg.solve(told.plain[:6, :6], told.right[:6]))
        ordinary.append(-np.linalg.lstsq(jacobian, noise, rcond=None)[0])
    said = np.linalg.inv(told.plain[:6, :6])
    spread = np.mean([x @ np.linalg.solve(said, x) for x in general]) / 6.0
    assert 0.7 < spread < 1.6
    size = np.mean(np.square(general), axis=0) / np.mean(np.square(ordinary), axis=0)
    assert size.max() < 1.1 and np.median(size) < 0.8


def test_noise_that_hangs_together_across_blocks_counts() -> None:
    """The exact double sum over all pairs, P' C P (Conley 1999), where the blocks alone see less than half of it."""
    points, slopes = surface(waves)
    contact = contact_of(0.03 * field(points, 1.0, 3), points, slopes)
    model = NoiseModel(0.45e-3, 0.55e-3, 1.1, 2.0, 0.3e-3)
    told = heard(contact, model)
    np.testing.assert_allclose(told.right, told.pulls.T @ (np.sqrt(contact.robust) * contact.residuals), rtol=1e-6)
    distance = np.linalg.norm(points[:, None] - points[None], axis=2)
    covariance = 0.75e-3 * np.exp(-np.square(distance / 1.1)) + 0.25e-3 * np.eye(len(points))
    exact = told.pulls.T @ covariance @ told.pulls
    found = noise_of_right(points, told.pulls, model)
    size = np.sqrt(np.outer(np.diag(exact), np.diag(exact)))
    np.testing.assert_allclose(found / size, exact / size, atol=0.06)
    assert exact[5, 5] > 1.9 * told.plain[5, 5], "the level of the face, in which neighbours err together"
    alone = noise_of_right(points, told.pulls, white(1e-3, 0.4))
    np.testing.assert_allclose(alone, 1e-3 * told.pulls.T @ told.pulls, rtol=1e-9)


def test_leaving_blocks_out_agrees_with_the_exact_double_sum() -> None:
    points, slopes = surface(waves)
    distance = np.linalg.norm(points[:, None, :2] - points[None, :, :2], axis=2)
    correlation = np.exp(-(distance**2))
    ratios = []
    for seed in range(8):
        contact = contact_of(0.03 * field(points, 1.0, 50 + seed), points, slopes)
        told = heard(contact, white(1.0, 0.4))
        jacobian = contact.jacobian()
        exact = 0.03**2 * jacobian.T @ correlation @ jacobian
        ratios.append(np.trace(np.linalg.solve(exact, patch_scores(told.scores, told.parts))) / 7.0)
    assert 0.6 < np.mean(ratios) < 1.8


def test_noise_in_the_normals_is_not_taken_for_relief() -> None:
    points, slopes = surface(flat)
    contact = contact_of(0.01 * field(points, 1.0, 7), points, slopes, normal_noise=0.08)
    plain, _ = normal_equations(contact)
    crossed = crossed_information(crossed_matrix(contact)[0][:6, :6], plain[:6, :6])
    assert crossed[3, 3] < 0.2 * plain[3, 3] and crossed[4, 4] < 0.2 * plain[4, 4]
    assert crossed[5, 5] == pytest.approx(plain[5, 5], rel=0.02)


def test_only_motions_that_the_relief_holds_are_firm() -> None:
    points, slopes = surface(flat)
    noise = 0.01 * field(points, 1.0, 7)
    loose = firm_motions(*crossed_matrix(contact_of(noise, points, slopes, 0.05)), False)
    assert np.linalg.matrix_rank(loose[:6, :6], tol=1e-6) == 3
    points, slopes = surface(waves)
    firm = firm_motions(*crossed_matrix(contact_of(noise, points, slopes, 0.05)), True)
    np.testing.assert_allclose(firm, np.eye(7), atol=1e-9)


def test_steps_of_the_original_surface_give_the_motion_that_made_them() -> None:
    """Four sides of a square bar: a known motion shows as steps, and all but the slide along the bar comes back."""
    from rejoin.core.contact import Steps

    rng = np.random.default_rng(8)
    side, along = np.repeat(np.arange(4), 12), np.tile(np.linspace(-5, 5, 12), 4)
    normals = np.array([[1.0, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0]])[side]
    places = 6.0 * normals + along[:, None] * np.roll(normals, 1, axis=1)
    places[:, 2] = 2.0 * rng.standard_normal(48)
    motion = np.array([0.002, -0.001, 0.003, 0.05, -0.03, 0.0])
    told = rows(places, normals, np.zeros(3))[:, :6] @ motion + 0.003 * rng.standard_normal(48)
    told[5] += 1.0

    def noisy() -> FloatArray:
        tilted = normals + 0.01 * rng.standard_normal(normals.shape)
        return np.asarray(tilted / np.linalg.norm(tilted, axis=1, keepdims=True))

    steps = Steps(places, noisy(), told, np.full(48, 0.2), np.full(48, 0.03), noisy(), noisy())
    matrix, right = step_equations(steps, 0.001, np.zeros(3))
    values = np.linalg.eigvalsh(matrix)
    assert values[0] < 1e-9 * values[-1] < 1e-4 * values[-1] < values[1]
    found = np.linalg.lstsq(matrix, right, rcond=1e-6)[0]
    np.testing.assert_allclose(found, -motion, atol=0.004)


def test_two_stretches_that_agree_only_with_each_other_do_not_move_what_the_relief_holds() -> None:
    """Two faces of a bar tell of all but the slide along it; of that only two lone stretches, wrongly."""
    from rejoin.core.contact import Steps

    rng = np.random.default_rng(9)
    side = np.repeat([0, 1], 12)
    normals = np.vstack([np.array([[1.0, 0, 0], [0, 1, 0]])[side], [[0, 0, 1.0], [0, 0, 1]]])
    places = rng.normal(0.0, 4.0, (26, 3))
    told = rows(places, normals, np.zeros(3))[:, :6] @ np.array([0.0, 0.0, 0.0, 0.4, -0.4, 0.0])
    told += 0.01 * rng.standard_normal(26)
    told[-2:] += 1.2
    steps = Steps(places, normals, told, np.full(26, 0.2), np.full(26, 0.03), normals, normals)
    alone = np.linalg.lstsq(*step_equations(steps, 0.01, np.zeros(3)), rcond=1e-6)[0]
    assert abs(alone[5]) > 1.0
    held = np.diag([0.0, 0.0, 0.0, 0.0, 0.0, 1 / 0.03**2])
    matrix, right = step_equations(steps, 0.01, np.zeros(3), held)
    assert matrix[5, 5] < 1e-6 * matrix[3, 3]
    found = np.linalg.solve(matrix + held + 1e-3 * np.eye(6), right)
    np.testing.assert_allclose(found[3:], [-0.4, 0.4, 0.0], atol=0.02)


def test_the_relief_tells_of_a_slide_only_where_there_is_some() -> None:
    """Waves hold all six motions; of a plane, noise in the normals pretends to hold the slides."""
    points, slopes = surface(waves)
    wavy = relief_information(contact_of(0.01 * field(points, 1.0, 7), points, slopes))
    assert np.linalg.eigvalsh(wavy[3:, 3:])[0] > 1e3
    level, flat_slopes = surface(lambda x, y: 0.0 * x)
    noisy = contact_of(0.01 * field(level, 1.0, 7), level, flat_slopes, 0.05)
    told = np.linalg.eigvalsh(relief_information(noisy)[3:, 3:])
    plain = np.linalg.eigvalsh(crossed_matrix(noisy)[1][3:6, 3:6])
    assert plain[1] > 1e-3 * plain[2] and told[1] < 1e-5 * told[2]


def test_some_of_the_pairs_tell_about_as_much_as_all() -> None:
    points, slopes = surface(waves)
    contact = contact_of(0.01 * field(points, 1.0, 7), points, slopes)
    few, every = crossed_matrix(contact, 500)[1], crossed_matrix(contact, len(points))[1]
    np.testing.assert_allclose(np.diag(few), np.diag(every), rtol=0.15)


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
    found = posterior(free, sd, usual)
    layer = np.linspace(0, 8 * usual, 400_001)
    step = layer[1] - layer[0]
    density = norm.pdf(free, layer, np.hypot(sd, UNEVEN_WEAR * free)) * 2 * norm.pdf(layer, 0, usual)
    mass, none = density.sum() * step, norm.pdf(free, 0, sd)
    probability = mass / (mass + none)
    inner = (layer * density).sum() * step / mass
    used = inner if probability > 0.8 else 0.0
    off = probability * (np.square(layer - used) * density).sum() * step / mass + (1.0 - probability) * used**2
    assert found.probability == pytest.approx(probability, abs=2e-4)
    assert found.apart_mm == pytest.approx(used, abs=2e-4)
    assert found.sd_mm == pytest.approx(np.sqrt(off), abs=1e-3)
    drawn = found.sampled(200_000, np.random.default_rng(4))
    assert drawn.mean() == pytest.approx(probability * inner, abs=0.003)
    assert np.sqrt(np.mean(np.square(drawn - used))) == pytest.approx(found.sd_mm, abs=0.004)


def test_a_layer_is_called_only_where_it_is_likely() -> None:
    assert posterior(0.2, 0.14, 0.4).apart_mm == 0.0
    assert posterior(0.2, 0.06, 0.4).apart_mm == pytest.approx(0.2, abs=0.02)
    assert posterior(2.7, 1.4, 3.0).probability > CALLED and posterior(2.7, 1.4, 3.0).apart_mm == 0.0
    by_slopes = posterior(0.2, 0.06, 0.4, steep=0.1)
    assert by_slopes.apart_mm == 0.0 and by_slopes.probability > CALLED
    clean = posterior(0.0, 0.05, 0.4)
    assert clean.probability < 0.15 and clean.sd_mm < 0.03


def test_faces_are_set_apart_from_odds_of_three_to_one() -> None:
    seen = [posterior(free, 0.05, 0.4) for free in np.linspace(0.0, 0.3, 61)]
    assert any(0.65 < one.probability < 0.75 for one in seen) and any(0.75 <= one.probability < 0.85 for one in seen)
    assert all((one.apart_mm > 0.0) == (one.probability >= 0.75) for one in seen)


def test_a_layer_s_noise_is_told_by_the_larger_of_model_and_blocks() -> None:
    """Both tell of the same noise: together they are no more than either, and the larger one counts."""
    lower = block(waves, upper=False, noise=0.02, seed=1)
    upper = block(waves, upper=True, noise=0.02, seed=2)
    found = adjust((lower.fragment, upper.fragment), [joint_of(lower, upper, identity())],
                   {0: identity(), 1: identity()}, AlignSettings(), silent)  # fmt: skip
    known = np.zeros((found.layout.size, found.layout.size))
    (told,) = found.statements
    one, none = told.noise, 1e-6 * told.noise

    def sd(noise: FloatArray, patches: FloatArray) -> float:
        statements = [replace(told, noise=noise, patches=patches)]
        return weighed_layers(found.layout, list(found.contacts), statements, np.array([0.1]), known)[0].slab_sd_mm

    assert sd(one, none) == sd(one, one) == sd(none, one)
    assert sd(4.0 * one, one) == sd(one, 4.0 * one) > 1.5 * sd(one, one)


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
    contacts = [contact_of(size * np.random.default_rng(5).standard_normal(len(points)), points, slopes)
                for size in (0.01, 0.03)]  # fmt: skip
    models = [noise_model(points, c.residuals, 0.4) for c in contacts]
    quiet, loud = (statement(c, heard(c, model), model).plain for c, model in zip(contacts, models, strict=True))
    np.testing.assert_allclose(quiet, 9.0 * loud, rtol=1e-6)


@pytest.mark.parametrize("part, wear, flat_face", [(2, 0.12, False), (12, 0.0, True)])
def test_the_bound_covers_a_broken_part_and_is_no_empty_one(part: int, wear: float, flat_face: bool) -> None:
    """One run of the coverage benchmark: a made casting, exact truth, correlated noise."""
    from tests.benchmarks.coverage import HEAD, Kind, line, trial

    kind = Kind("one", wear, 2.0, flat_face, spacing=0.5)
    found = trial(part, kind, 0)
    assert 0.0 < found.error <= found.bound < 1.5
    assert found.error < 4.0 * found.limit + 2.2 * wear
    assert len(line("one", [found])) == len(HEAD)
    if not flat_face:
        assert found.called and found.layer == pytest.approx(2.0 * wear, abs=0.06)


def test_how_good_it_is_if_the_break_is_fresh_is_told_where_the_unseen_layer_makes_the_bound() -> None:
    from tests.benchmarks.coverage import PROVEN, Kind, broken, joined, scans_of

    def of(kind: Kind, part: int = 3) -> tuple[Certainty, float]:
        case = scans_of(broken(part, kind), kind, 0)
        found, truth, _ = joined(case, kind, np.random.default_rng(1))
        error = displacement(found.part_from_scan[1], truth, case.fragments[1].vertices).max()
        faces = [FractureFace(n, np.zeros(1, np.int32), 1.0, 1.0, "program") for n in (0, 1)]
        joint = Joint(0, 1, faces[0], faces[1], truth, PROVEN)
        assert bool(found.certainty[1].if_fresh) == any("If the break is fresh" in n for n in found.notes([joint], 1))
        return found.certainty[1], float(error)

    even = Kind("flat", flat=True)
    doubted, error = of(even)
    said, _ = of(replace(even, fresh=True))
    assert doubted.fresh_u95_mm is not None and error < doubted.fresh_u95_mm < 0.5 * doubted.u95_mm
    assert f"it is good to {doubted.fresh_u95_mm:.2f} mm" in doubted.if_fresh
    assert said.u95_mm == said.fresh_u95_mm and said.u95_mm == pytest.approx(doubted.fresh_u95_mm, rel=0.3)
    assert said.if_fresh == ""
    worn, _ = of(Kind("worn", 0.2, 2.0, spacing=0.5), 2)
    assert worn.fresh_u95_mm is None and worn.if_fresh == ""


def test_faces_three_points_wide_are_adjusted() -> None:
    """A plate 3 mm thick, scanned at 1 mm: few of the points inside its face have a point of the other's opposite."""
    from tests.benchmarks.coverage import Kind, trial

    found = trial(193, Kind("1 mm scan", spacing=1.0), 0)
    assert 0.0 < found.error <= found.bound


def test_a_joint_is_held_by_one_spacing_over_three_sigma_of_its_weakest_motion() -> None:
    points, slopes = surface(lambda x, y: 0.0 * x)
    contact = contact_of(np.linspace(-0.01, 0.01, len(points)), points, slopes)
    far = contact.centre + [10.0, 0.0, 0.0]
    layout = Layout((1,), {1: far}, 1)
    slid, turned, apart = np.full(6, 1e-8), np.full(6, 1e-8), np.full(6, 1e-8)
    slid[4], turned[2], apart[5] = 0.05**2, 0.01**2, 1.0
    assert holding(layout, [contact], np.diag(apart))[0] > 100.0  # a gap that may be open is no slip
    assert holding(layout, [contact], np.diag(slid)) == pytest.approx([0.4 / 3 / 0.05], rel=1e-3)
    reach = np.sqrt(np.square(points[:, :2] - far[:2]).sum(axis=1).mean())
    assert holding(layout, [contact], np.diag(turned)) == pytest.approx([0.4 / 3 / (0.01 * reach)], rel=1e-3)
