"""Shapes fitted to points: certified answers, strays, published circles, real scans, and what cannot be told."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize

from rejoin.core.dimensions import fit_shape, shape_content
from rejoin.core.dimensions.figures import Figure, distances, moved, system
from rejoin.core.dimensions.least_squares import covariance_of, minimum_zone, polished
from rejoin.core.dimensions.shapes import figure_of
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Shape
from tests.core.fitsets import certified, on_figure

CHECKS = Path(__file__).resolve().parents[3] / "shared" / "checks"
needs_checks = pytest.mark.skipif(not CHECKS.is_dir(), reason="the reference data beside this repository is absent")


def off(shape: Shape, truth: Figure) -> float:
    """The largest difference of what settles the two figures: radius, angle, place, direction."""
    found = figure_of(shape)
    worst = 0.0
    if truth.direction is None:
        worst = float(np.abs(found.point - truth.point).max())
        return max(worst, abs(found.radius - truth.radius))
    assert found.direction is not None
    away = found.point - truth.point
    worst = float(np.linalg.norm(np.cross(found.direction, truth.direction)))
    if truth.kind == "plane":
        return max(worst, abs(float(away @ truth.direction)))
    slid = float((truth.point - found.point) @ found.direction)
    radius = found.radius + slid * np.tan(found.half_angle)
    angle = np.degrees(abs(found.half_angle - truth.half_angle))
    return max(worst, float(np.linalg.norm(np.cross(away, truth.direction))), abs(radius - truth.radius), angle)


@pytest.mark.parametrize("kind", ["plane", "sphere", "cylinder", "cone"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_certified_fits_made_here(kind: str, seed: int) -> None:
    truth, points = certified(kind, seed)
    shape = fit_shape(kind, points)
    assert shape.used_share == 1.0
    assert shape.rms_mm == pytest.approx(0.05, abs=1e-9)
    assert off(shape, truth) < 1e-6


@pytest.mark.parametrize("arc", [np.pi / 2, np.pi])
def test_certified_part_of_a_cylinder(arc: float) -> None:
    truth, points = certified("cylinder", 5, arc=arc, rms=0.02)
    assert off(fit_shape("cylinder", points), truth) < 1e-6


@needs_checks
def test_certified_sets() -> None:
    answers = json.loads((CHECKS / "fitsets" / "certified.json").read_text(encoding="utf-8"))
    assert len(answers) >= 9
    for name, answer in answers.items():
        points = np.loadtxt(CHECKS / "fitsets" / f"{name}.xyz")
        shape = fit_shape(answer["kind"], points)
        place = next(answer[key] for key in ("point", "center", "axis_point") if key in answer)
        direction = answer.get("normal") or answer.get("axis_dir")
        truth = Figure(answer["kind"], np.array(place), None if direction is None else np.array(direction),
                       answer.get("radius", answer.get("radius_at_point", 0.0)),
                       np.radians(answer.get("half_angle_deg", 0.0)))  # fmt: skip
        assert off(shape, truth) < 1e-6, name
        assert shape.used_share == 1.0, name
        if "rms" in answer:
            assert shape.rms_mm == pytest.approx(answer["rms"], abs=1e-9)
            assert shape.form_deviation_mm == pytest.approx(answer["max_dev"] - answer["min_dev"], abs=1e-9)


def test_the_circle_of_gander_golub_and_strebel() -> None:
    """BIT 34 (1994), 558-578: centre (4.7398, 2.9835), radius 4.7142 (the points from memory)."""
    points = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], float)
    shape = fit_shape("circle", points)
    assert np.abs(shape.point_mm - [4.7398, 2.9835]).max() < 5e-5
    assert shape.radius_mm == pytest.approx(4.7142, abs=5e-5)

    def total(x: FloatArray) -> float:
        return float(np.square(np.hypot(*(points - x[:2]).T) - x[2]).sum())

    other = minimize(total, [5, 3, 5], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-14}).x
    assert np.abs(other - [*shape.point_mm, shape.radius_mm]).max() < 1e-6


@needs_checks
@pytest.mark.parametrize("number", range(101, 107))
def test_real_scans_of_spheres(number: int) -> None:
    """Laser scans by NIST (US public domain), nominal radius 50 mm, a third and more of the points strays."""
    points = 1000.0 * np.loadtxt(CHECKS / "data" / "nist_sphere" / f"SPH{number}.xyz")
    shape = fit_shape("sphere", points, zone=False)
    assert shape.radius_mm == pytest.approx(50.0, abs=0.5)
    assert 0.5 < shape.used_share < 0.7


@pytest.mark.parametrize("kind", ["plane", "sphere", "cylinder", "cone", "line", "circle"])
def test_strays_are_left_out_whatever_the_noise(kind: str) -> None:
    """Truth known by making: 35 % strays, the noise changed tenfold, nothing told to the fit."""
    angle = 0.3 if kind == "cone" else 0.0
    direction = None if kind == "sphere" else np.array([0.48, 0.6, 0.64])
    truth = Figure(kind, np.array([5.0, -7.0, 30.0]), direction, 0.0 if kind in ("plane", "line") else 25.0, angle)
    for noise in (0.005, 0.05):
        rng = np.random.default_rng(8)
        points, normals = on_figure(truth, 500, rng, 4.0, 40.0) if kind not in ("line", "circle") else _thin(truth, rng)
        points = points + noise * rng.normal(size=(500, 1)) * normals
        strays = truth.point + rng.uniform(-60, 60, (270, 3))
        shape = fit_shape(kind, np.vstack([points, strays]), zone=False)
        assert 0.6 < shape.used_share < 0.7
        assert off(shape, truth) < 0.4 * noise + (0.01 if kind == "cone" else 0.0)


def _thin(truth: Figure, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    from rejoin.core.dimensions.figures import frame_of

    assert truth.direction is not None
    u, v = frame_of(truth.direction)
    t = rng.uniform(0, 2 * np.pi, 500)
    out = np.cos(t)[:, None] * u + np.sin(t)[:, None] * v
    if truth.kind == "line":
        return truth.point + rng.uniform(-50, 50, (500, 1)) * truth.direction, out
    return truth.point + truth.radius * out, out


def test_none_is_dropped_within_four_sigma_and_one_beyond_is() -> None:
    truth, points = certified("sphere", 9, count=200)
    assert fit_shape("sphere", points).points_used == 200
    points[17] += 0.05 * 12 * (points[17] - truth.point) / truth.radius
    assert fit_shape("sphere", points).points_used == 199


@pytest.mark.parametrize("kind", ["plane", "line", "circle", "sphere", "cylinder", "cone"])
def test_derivatives_are_those_of_the_residuals(kind: str) -> None:
    rng = np.random.default_rng(1)
    figure = Figure(kind, rng.normal(size=3), None if kind == "sphere" else np.array([0.6, 0.0, 0.8]), 3.0, 0.2)
    points = rng.normal(size=(20, 3)) * 5
    slopes = system(figure, points)[1]
    for k in range(slopes.shape[1]):
        x = np.zeros(slopes.shape[1])
        x[k] = 1e-6
        numeric = (distances(moved(figure, x), points) - distances(moved(figure, -x), points)) / 2e-6
        exact = slopes[:, k]
        if kind in ("line", "circle"):
            residual = system(figure, points)[0]
            both = residual * exact
            exact = (both[:20] + both[20:]) / np.hypot(residual[:20], residual[20:])
        assert np.abs(numeric - exact).max() < 1e-6


def test_the_covariance_is_the_scatter_of_repeated_fits() -> None:
    """Simulation: 300 fits of the same points with fresh noise."""
    rng = np.random.default_rng(4)
    truth = Figure("cylinder", np.zeros(3), np.array([0.0, 0.0, 1.0]), 20.0)
    points, normals = on_figure(truth, 80, rng, 2.5, 40.0)
    sets = [points + 0.05 * rng.normal(size=(80, 1)) * normals for _ in range(300)]
    fits = [polished(truth, one) for one in sets]
    scatter = np.std([fit.radius for fit in fits])
    tilt = np.std([fit.direction[0] for fit in fits])  # type: ignore[index]
    stated = [covariance_of(fit, one) for fit, one in zip(fits, sets, strict=True)]
    assert np.sqrt(np.mean([c[6, 6] for c in stated if c is not None])) == pytest.approx(scatter, rel=0.15)
    assert np.sqrt(np.mean([c[3, 3] for c in stated if c is not None])) == pytest.approx(tilt, rel=0.15)


def test_how_sure_a_plane_circle_is_by_simulation_and_in_closed_form() -> None:
    """Evenly all round, U of the radius is 2 sigma / sqrt n; of an arc it is what 400 fits scatter by."""
    rng = np.random.default_rng(8)
    for arc in (2 * np.pi, 1.8):
        turn = np.arange(90) * arc / 90
        ring = 12.5 * np.column_stack([np.cos(turn), np.sin(turn)])
        shapes = [fit_shape("circle", ring * (1 + 0.02 / 12.5 * rng.normal(size=(90, 1))), zone=False, strays=False)
                  for _ in range(400)]  # fmt: skip
        scatter = 2 * float(np.std([shape.radius_mm for shape in shapes]))
        stated = float(np.mean([shape_content(shape)["radius_u95_mm"] for shape in shapes]))
        assert stated == pytest.approx(scatter, rel=0.12)
        assert arc < 6 or stated == pytest.approx(0.04 / 90**0.5, rel=0.05)


def test_the_minimum_zone_of_points_whose_zone_is_known() -> None:
    """Closed form: between the planes z = 0 and z = 0.3, touched so that no narrower pair of planes holds them."""
    rng = np.random.default_rng(3)
    flat = rng.uniform([-20, -20, 0.02], [20, 20, 0.28], (60, 3))
    flat[:6, 2] = 0.0
    flat[:6, :2] = [[-20, -20], [20, -20], [0, 20], [-20, 20], [20, 20], [0, -20]]
    flat[6] = [0, 0, 0.3]
    shape = fit_shape("plane", flat)
    assert shape.minimum_zone_mm == pytest.approx(0.3, abs=1e-9)
    assert shape.form_deviation_mm > 0.3
    found = minimum_zone(figure_of(shape), flat)
    assert found is not None and abs(abs(found[0].direction[2]) - 1.0) < 1e-9  # type: ignore[index]


@pytest.mark.parametrize("kind, points, sentence", [
    ("cylinder", certified("plane", 1)[1], "in one plane"),
    ("sphere", certified("plane", 2)[1], "in one plane"),
    ("cone", certified("plane", 3)[1], "in one plane"),
    ("cylinder", certified("plane", 4, rms=1e-13)[1], "in one plane"),
    ("plane", np.outer(np.arange(30.0), [1, 2, 3]), "on one line"),
    ("plane", np.outer(np.arange(30.0), [1, 2, 3]) + np.random.default_rng(0).normal(0, 0.01, (30, 3)), "on one line"),
    ("circle", np.outer(np.arange(9.0), [1, 2]), "on one line"),
    ("circle", certified("plane", 5)[1], "do not lie on a circle"),
    ("sphere", np.random.default_rng(1).normal(size=(90, 3)), "do not lie on a sphere"),
    ("line", certified("plane", 5)[1], "do not lie on a line"),
    ("line", np.random.default_rng(2).normal(size=(90, 2)), "do not lie on a line"),
    ("plane", certified("sphere", 1)[1], "do not lie on a plane"),
    ("sphere", np.eye(3), "too few"),
    ("plane", np.ones((50, 3)), "too few"),
    ("cylinder", certified("cylinder", 1, count=60)[1][:5], "too few"),
])  # fmt: skip
def test_what_cannot_be_told_is_a_sentence(kind: str, points: FloatArray, sentence: str) -> None:
    with pytest.raises(NoAnswer, match=sentence):
        fit_shape(kind, points)


def test_a_sphere_is_not_asked_of_plane_points() -> None:
    with pytest.raises(WrongUse, match="two columns"):
        fit_shape("sphere", np.random.default_rng(0).normal(size=(20, 2)))
    with pytest.raises(WrongUse, match="no shape"):
        fit_shape("torus", np.random.default_rng(0).normal(size=(20, 3)))
