"""A shape from points: consensus, least squares, and a sentence where the points cannot tell such a shape."""

from __future__ import annotations

from typing import Any

import numpy as np

from rejoin.core.dimensions.consensus import BELONGS, Fitted, fit_among_strays, with_all
from rejoin.core.dimensions.figures import FEWEST, FREE_IN_PLANE, Figure, distances, free
from rejoin.core.dimensions.least_squares import best_fit, covariance_of, minimum_zone, zone_of
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Shape

KINDS = ("plane", "line", "circle", "sphere", "cylinder", "cone")

CLEARLY = 10.0
"""Ratio of variances (F) from which a curved figure explains the points clearly better than a flat one."""

SURE = 0.25
"""Largest standard uncertainty of a radius, and scatter about it, as a share of it, at which it is still an answer."""

THICK = 0.6
"""Scatter about a line or plane, as a share of its reach (both rms), from which its direction is chance."""

__all__ = ["KINDS", "figure_of", "fit_shape", "shape_content"]


def fit_shape(
    kind: str,
    points: FloatArray,
    normals: FloatArray | None = None,
    zone: bool = True,
    strays: bool = True,
) -> Shape:
    """Fit a shape to points, strays among them left out.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    points : (n, 3), or (n, 2) for a line or circle in the plane
        Millimetres.
    normals : (n, 3), optional
        Surface normals, which settle the axis of a cylinder or cone.
    zone : bool
        Whether to work out the minimum zone as well.
    strays : bool
        Whether some of the points may belong to something else; False uses all.

    Returns
    -------
    Shape

    Raises
    ------
    WrongUse
        An unknown kind, or a shape in space asked of points in the plane.
    NoAnswer
        Too few points, or points that cannot tell such a shape: on one line, in one plane, too small a part of it.
    """
    _check_wish(kind, points)
    spread = _spread(points)
    _check_spread(kind, points, spread)
    plain = best_fit(kind, points, normals)
    if plain is not None and _without_strays(plain, points):
        _check_curved(points, plain)
    if not strays:
        fitted = None if plain is None else with_all(plain, points)
    else:
        fitted = fit_among_strays(kind, points, normals, plain)
    if fitted is None:
        raise _flat(kind, points, spread)
    _check_curved(points[fitted.used], fitted.figure)
    _check_scatter(points[fitted.used], fitted.figure)
    if strays:
        _check_thin(points[fitted.used], fitted.figure)
    return _shape(fitted, points, zone)


def _check_wish(kind: str, points: FloatArray) -> None:
    if kind not in KINDS:
        raise WrongUse(f"{kind!r} is no shape known here.", f"Choose one of: {', '.join(KINDS)}.")
    if points.shape[1] == 2 and kind not in FREE_IN_PLANE:
        raise WrongUse(f"A {kind} cannot be fitted to points in a plane (two columns).",
                       "Ask for a line or a circle, or give points with three columns.")  # fmt: skip
    if not np.isfinite(points).all():
        raise NoAnswer("Some of the points are not numbers.", "Leave them out, or export the points again.")
    distinct = len(np.unique(points, axis=0))
    if distinct < FEWEST[kind]:
        raise NoAnswer(f"There are too few different points for a {kind} ({distinct}).",
                       f"Give at least {FEWEST[kind]}, better many more.")  # fmt: skip


def _spread(points: FloatArray) -> FloatArray:
    """Root-mean-square size along the main directions, the largest first."""
    q = points - points.mean(axis=0)
    return np.asarray(np.linalg.svd(q, compute_uv=False) / np.sqrt(len(points)))


def _check_spread(kind: str, points: FloatArray, spread: FloatArray) -> None:
    """Points on one line tell no shape but a line; strays do not matter here, only what is exactly or nearly so."""
    rounding = 1e-9 * spread[0] + 1e-15 * float(np.abs(points).max())
    if kind == "line" or spread[1] > rounding:
        narrow = len(spread) == 3 and kind != "line" and spread[1] < 0.01 * spread[0] and spread[1] < 3.0 * spread[2]
        if not narrow:
            return
    raise NoAnswer(f"These points lie on one line, so no {kind} can be told from them.",
                   "Pick points spread over the surface.")  # fmt: skip


def _flat(kind: str, points: FloatArray, spread: FloatArray) -> NoAnswer:
    flat, where = ("line", "on one line") if points.shape[1] == 2 or kind == "circle" else ("plane", "in one plane")
    text = f"These points lie {where} to {spread[-1]:.2g} mm (rms), so no {kind} can be told from them."
    return NoAnswer(text, f"Ask for a {flat}, or give points from more of the {kind}.")


def shows(figure: Figure, points: FloatArray) -> bool:
    """Whether the points tell such a figure from a flat one."""
    try:
        _check_curved(points, figure)
    except NoAnswer:
        return False
    return True


def _without_strays(figure: Figure, points: FloatArray) -> bool:
    away = np.abs(distances(figure, points))
    return float(away.max()) <= BELONGS * float(np.sqrt(np.mean(np.square(away))))


def _check_curved(points: FloatArray, figure: Figure) -> None:
    """Refuse a curved figure where a flat one explains the points as well, or its radius is anybody's guess."""
    kind = figure.kind
    if kind in ("plane", "line"):
        return
    flat = best_fit("line" if kind == "circle" else "plane", points)
    assert flat is not None
    curved_sum, flat_sum = (float(np.square(distances(one, points)).sum()) for one in (figure, flat))
    left, more = len(points) - free(figure), free(figure) - free(flat)
    if kind == "circle" and points.shape[1] == 3:
        left, more = 2 * len(points) - free(figure), 2
    spread, size = _spread(points), float(np.ptp(points, axis=0).max())
    rounding = len(points) * (1e-9 * size + 1e-15 * float(np.abs(points).max())) ** 2
    better = (flat_sum - curved_sum) / max(more, 1) * max(left, 1)
    slight = better <= 0.0 or figure.radius > size or kind == "cone"
    if flat_sum <= rounding or (left > 0 and slight and better < CLEARLY * curved_sum):
        raise _flat(kind, points, spread)
    if figure.radius > 1e4 * size or (kind == "cone" and np.degrees(figure.half_angle) > 89.5):
        raise _flat(kind, points, spread)
    sd = _radius_sd(figure, points)
    if sd is not None and sd > SURE * figure.radius and kind != "cone":
        raise NoAnswer(f"These points show too little of a {kind}: its radius of {figure.radius:.3g} mm is uncertain "
                       f"by {2 * sd:.2g} mm.", f"Give points from more of the {kind}.")  # fmt: skip


def _check_scatter(points: FloatArray, figure: Figure) -> None:
    """Refuse a round figure which the points merely surround: a disc is no circle."""
    scatter = float(np.sqrt(np.mean(np.square(distances(figure, points)))))
    if figure.kind in ("circle", "sphere", "cylinder") and scatter > SURE * figure.radius:
        raise NoAnswer(f"These points do not lie on a {figure.kind}: they stray from the nearest one, of radius "
                       f"{figure.radius:.3g} mm, by {scatter:.2g} mm (rms).",
                       "Ask for the shape that they lie on, or leave out what does not belong to it.")  # fmt: skip


def _check_thin(points: FloatArray, figure: Figure) -> None:
    """Refuse a line or plane through a cloud that is nearly as thick as it is wide: its direction is chance."""
    if figure.kind not in ("line", "plane"):
        return
    spread, wide = _spread(points), 0 if figure.kind == "line" else 1
    if spread[wide + 1] > THICK * spread[wide]:
        raise NoAnswer(f"These points do not lie on a {figure.kind}: they stray from the nearest one by "
                       f"{spread[wide + 1]:.2g} mm (rms) and reach only {spread[wide]:.2g} mm along it.",
                       "Ask for the shape that they lie on, or leave out what does not belong to it.")  # fmt: skip


def _radius_sd(figure: Figure, points: FloatArray) -> float | None:
    if len(figure.point) == 2:
        return None  # published circles of six points are an answer, however unsure
    covariance = covariance_of(figure, points)
    return None if covariance is None else float(np.sqrt(max(covariance[6, 6], 0.0)))


def _shape(fitted: Fitted, points: FloatArray, zone: bool) -> Shape:
    figure, used = fitted.figure, points[fitted.used]
    away = distances(figure, used)
    narrowest = minimum_zone(figure, used) if zone else None
    left = max(len(used) - free(figure), 1)
    return Shape(
        kind=figure.kind,
        point_mm=figure.point,
        direction=figure.direction,
        radius_mm=None if figure.kind in ("plane", "line") else figure.radius,
        half_angle_deg=float(np.degrees(figure.half_angle)) if figure.kind == "cone" else None,
        rms_mm=float(np.sqrt(np.mean(np.square(away)))),
        form_deviation_mm=zone_of(figure, used),
        minimum_zone_mm=None if narrowest is None else narrowest[1],
        used_share=float(fitted.used.mean()),
        points_used=int(fitted.used.sum()),
        sigma_mm=float(np.sqrt(away @ away / left)),
        covariance=covariance_of(figure, used),
    )


def figure_of(shape: Shape) -> Figure:
    """The shape as the solvers take it."""
    angle = 0.0 if shape.half_angle_deg is None else float(np.radians(shape.half_angle_deg))
    return Figure(shape.kind, shape.point_mm, shape.direction, shape.radius_mm or 0.0, angle)


def shape_content(shape: Shape) -> dict[str, Any]:
    """A shape as plain numbers, in millimetres and degrees, ready for JSON."""
    point, radius = shape.point_mm.tolist(), shape.radius_mm
    direction = None if shape.direction is None else shape.direction.tolist()
    params: dict[str, Any] = {
        "plane": {"point": point, "normal": direction},
        "line": {"point": point, "direction": direction},
        "circle": {"center": point, "radius": radius, **({} if direction is None else {"normal": direction})},
        "sphere": {"center": point, "radius": radius},
        "cylinder": {"axis_point": point, "axis_dir": direction, "radius": radius},
        "cone": {"axis_point": point, "axis_dir": direction, "radius_at_point": radius,
                 "half_angle_deg": shape.half_angle_deg},
    }[shape.kind]  # fmt: skip
    covariance = shape.covariance
    return {
        "shape": shape.kind,
        "unit": "mm",
        "params": params,
        "rms_mm": shape.rms_mm,
        "form_deviation_mm": shape.form_deviation_mm,
        "form_criterion": "least squares",
        "minimum_zone_mm": shape.minimum_zone_mm,
        "used_share": shape.used_share,
        "points_used": shape.points_used,
        "radius_u95_mm": None if radius is None or covariance is None else 2.0 * float(np.sqrt(covariance[6, 6])),
        "scale": "not proven",
    }
