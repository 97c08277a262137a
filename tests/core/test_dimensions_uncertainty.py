"""U of sizes is neither half nor twice what it should be: Monte Carlo on shapes whose size is known, closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from rejoin.core.dimensions.bores import bore_sizes
from rejoin.core.dimensions.figures import Figure
from rejoin.core.dimensions.growing import ground_of
from rejoin.core.dimensions.least_squares import polished, scattered
from rejoin.core.dimensions.placing import body_of
from rejoin.core.dimensions.scatter import coverage_factor, joint_freedom
from rejoin.core.dimensions.sizes import measure, to_zero
from rejoin.core.dimensions.spread import half_width
from rejoin.core.noise import ScanNoise
from rejoin.core.records import FloatArray, LayerDoubt, Mesh, Placement
from tests.makers.scanning import smooth_field

NOISE = 0.02
AXIS = Figure("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 5.0)
WHITE = ScanNoise(NOISE, np.zeros(7), 1.0)


def right(errors: FloatArray, u95: FloatArray) -> bool:
    """Whether U / 2 is the errors' scatter, to a quarter: their number tells it to some 9 %."""
    return bool(0.75 < np.sqrt(np.mean(np.square(errors))) / np.sqrt(np.mean(np.square(u95 / 2.0))) < 1.33)


def errs(points: FloatArray, alike: bool, rng: np.random.Generator) -> FloatArray:
    """Noise (n,) of one sigma, white or three quarters of it alike over 3 mm."""
    white = NOISE * rng.normal(size=len(points))
    return 0.5 * white + np.sqrt(0.75) * NOISE * smooth_field(points, 3.0, rng) if alike else white


@pytest.mark.parametrize("alike", [False, True])
def test_points_on_two_sheets(alike: bool) -> None:
    """Sheets at z = 0 and 10 of 1 mm grid: 81 distances whose neighbourhoods do not meet."""
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(64), np.arange(64)))
    k = np.array([r * 64 + c for r in range(63) for c in range(63)])
    up = np.vstack([np.column_stack([k, k + 1, k + 64]), np.column_stack([k + 1, k + 65, k + 64])])
    flat = np.vstack([np.column_stack([x, y, np.zeros(4096)]), np.column_stack([x, y, np.full(4096, 10.0)])])
    rng = np.random.default_rng(11)
    flat[:, 2] += np.concatenate([errs(flat[:4096], alike, rng), errs(flat[4096:], alike, rng)])
    body = body_of(ground_of(Mesh(flat, np.vstack([up[:, ::-1], up + 4096]).astype(np.int32))), NOISE)
    places = [(i, j) for i in range(4, 64, 7) for j in range(4, 64, 7)]
    found = [measure("points", np.array([[i, j, 0.0], [i, j, 10.0]]), [body, body]) for i, j in places]
    assert right(np.array([size.value - 10.0 for size in found]), np.array([size.u95 for size in found]))


def on_tube(rng: np.random.Generator, radius: FloatArray | float = 5.0) -> tuple[FloatArray, FloatArray]:
    """Points (256, 3) of a bore in even rows, and their radius before noise."""
    turn, height = (a.ravel() for a in np.meshgrid(np.arange(32) * np.pi / 16, np.linspace(-6, 6, 8)))
    away = radius(turn, height) if callable(radius) else np.full(len(turn), radius)
    r = away + NOISE * rng.normal(size=len(turn))
    return np.column_stack([r * np.cos(turn), r * np.sin(turn), height]), turn


def test_a_round_bore_is_as_good_as_its_points() -> None:
    """Closed form: of n independent points on all sides the mean diameter is good to 2 sigma / sqrt(n)."""
    rng = np.random.default_rng(3)
    errors, stated, oval = [], [], 0
    for _ in range(60):
        points, _ = on_tube(rng)
        figure = polished(AXIS, points)
        sizes = bore_sizes(figure, points, True, scattered(figure, points, WHITE)[1])
        assert sizes.two_point is not None and sizes.mean_sd is not None
        errors.append(sizes.two_point - 10.0)
        stated.append(2.0 * sizes.mean_sd)
        oval += sizes.form_sd > 0.0
    assert np.median(stated) == pytest.approx(4.0 * NOISE / np.sqrt(256), rel=0.15)
    assert right(np.array(errors), np.array(stated))
    assert oval <= 0.2 * 60


def test_form_of_a_bore_in_closed_form() -> None:
    """An oval of d = 10 + 0.2 cos 2t strays by 0.2 / sqrt(2), a taper of 0.2 from end to end by 0.2 / sqrt(12)."""
    rng = np.random.default_rng(5)
    for away, usual in ((lambda t, z: 5 + 0.1 * np.cos(2 * t), 0.2 / 2**0.5),
                        (lambda t, z: 5 + z / 120.0, 0.2 / 12**0.5)):  # fmt: skip
        points, _ = on_tube(rng, away)
        figure = polished(AXIS, points)
        sizes = bore_sizes(figure, points, True, scattered(figure, points, WHITE)[1])
        assert sizes.form_sd == pytest.approx(usual, rel=0.12)


@pytest.mark.parametrize("alike", [False, True])
def test_the_height_of_a_small_plane(alike: bool) -> None:
    """Of 400 points, 100 times with fresh noise: the stated scatter is the true one, alike or not."""
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(20), np.arange(20)))
    rng = np.random.default_rng(8)
    shares = np.zeros(7)
    shares[4] = 0.75 if alike else 0.0
    noise = replace(WHITE, shares=shares)
    heights, variances, freedom = [], [], []
    for _ in range(100):
        points = np.column_stack([x, y, np.zeros(400)])
        points[:, 2] = errs(points, alike, rng)
        figure = polished(Figure("plane", points.mean(axis=0), np.array([0, 0, 1.0])), points)
        covariance, scatter = scattered(figure, points, noise)
        heights.append(figure.point[2])
        variances.append(covariance[2, 2])
        freedom.append(scatter.freedom)
    assert right(np.array(heights), 2.0 * np.sqrt(variances))
    # white: n - 3; alike: a few tens of places that err on their own
    assert (np.median(freedom) > 300) if not alike else (10 < np.median(freedom) < 80)


def test_a_face_that_waves_is_less_sure_than_its_noise() -> None:
    """Waves of 3 mm of twice the noise on a face of 30 mm: U of its height grows to what the waves do."""
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(30), np.arange(30)))
    rng = np.random.default_rng(2)
    heights, variances, plain = [], [], []
    for _ in range(12):
        points = np.column_stack([x, y, np.zeros(900)])
        white = errs(points, False, rng)
        for waves, kept in ((0.0, plain), (2.0 * NOISE, variances)):
            points[:, 2] = white + (waves * smooth_field(points, 3.0, rng) if waves else 0.0)
            figure = polished(Figure("plane", points.mean(axis=0), np.array([0, 0, 1.0])), points)
            kept.append(scattered(figure, points, WHITE)[0][2, 2])
        heights.append(figure.point[2])
    assert np.median(variances) > 20.0 * np.median(plain)
    assert 0.6 < np.std(heights) / np.sqrt(np.mean(variances)) < 1.5


def test_a_layer_that_may_be_missing_is_carried_as_the_mixture_that_it_is() -> None:
    """Closed forms: noise alone 2 sigma; a layer for sure, the sum's 2 sigma; of a fifth likely, the tail's share."""
    noise = 0.003
    assert half_width(noise, []) == pytest.approx(2.0 * noise, rel=1e-3)
    unlikely = LayerDoubt(np.zeros(6), 0.02, 0.3, 0.01, 0.0, 0.04)
    assert 2.0 * noise < half_width(noise, [(1.0, unlikely)]) < 2.5 * noise
    sure = LayerDoubt(np.zeros(6), 1.0, 0.3, 0.02, 0.3, 0.02)
    assert half_width(noise, [(-1.0, sure)]) == pytest.approx(2.0 * np.hypot(noise, 0.02), rel=0.03)
    maybe = LayerDoubt(np.zeros(6), 0.2, 0.0, 0.1, 0.0, 0.045)  # half a normal distribution
    share = 0.0455 / 0.2
    assert half_width(1e-6, [(0.5, maybe)]) == pytest.approx(0.5 * 0.1 * float(ndtri(1.0 - share / 2.0)), rel=0.05)


def test_across_a_joint_the_layer_is_told_and_taken_out_where_the_break_is_fresh() -> None:
    """Two sheets across a joint, one of which may stand farther off: U, and what to do about it, in words."""
    x, y = (a.ravel().astype(float) for a in np.meshgrid(np.arange(20), np.arange(20)))
    k = np.array([r * 20 + c for r in range(19) for c in range(19)])
    up = np.vstack([np.column_stack([k, k + 1, k + 20]), np.column_stack([k + 1, k + 21, k + 20])]).astype(np.int32)
    rng = np.random.default_rng(4)
    low, high = (Mesh(np.column_stack([x, y, z + errs(np.column_stack([x, y, x]), False, rng)]), up)
                 for z in (0.0, 10.0))  # fmt: skip
    along = np.array([0.0, 0, 0, 0, 0, 1])
    doubt = LayerDoubt(along, 0.3, 0.1, 0.05, 0.0, 0.06)
    covariance = np.diag([1e-10] * 3 + [1e-8] * 2 + [0.002**2 + 0.06**2])
    first = body_of(ground_of(low), NOISE)
    second = replace(body_of(ground_of(high), NOISE), number=7,
                     placement=Placement(None, "program", covariance=covariance, layers=(doubt,)),
                     centre_mm=np.array([10.0, 10, 10]))  # fmt: skip
    without = Placement(None, "program", covariance=covariance - 0.06**2 * np.outer(along, along))
    fresh = replace(second, placement=without)
    picks = np.array([[10.0, 10, 0], [10, 10, 10.0]])
    wide, tight = (measure("faces", picks, [first, one]) for one in (second, fresh))
    assert 0.1 < wide.u95 < 0.2 and tight.u95 < 0.02 and wide.value == tight.value
    assert any(f"Of a fresh break it is {tight.u95:.3f} mm" in note for note in wide.notes) and not tight.notes


def test_factors_of_coverage_of_the_guide() -> None:
    """JCGM 100:2008, table G.2, for 95.45 %; Welch and Satterthwaite for two alike parts; Rayleigh at zero."""
    assert [round(coverage_factor(n), 2) for n in (3, 5, 10, 50)] == [3.31, 2.65, 2.28, 2.05]
    assert coverage_factor(np.inf) == 2.0
    assert joint_freedom([(1.0, 8.0), (1.0, 8.0)]) == pytest.approx(16.0)
    assert joint_freedom([(1.0, np.inf), (0.0, 3.0)]) == np.inf
    for truth in (0.0, 1.0, 3.0, 10.0):
        x, y = np.random.default_rng(1).normal(size=(2, 4000))
        seen = np.hypot(x + truth, y)
        held = np.mean([abs(value - truth) <= to_zero(value, 2.0) for value in seen])
        assert 0.93 < held < 0.98, truth
