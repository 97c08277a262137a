"""The size of a picked dimension, with its uncertainty: what the features are, what lies between them.

The uncertainty is that of GUM (JCGM 100:2008): the features' own covariances and, where they lie on different
fragments, the placements', through the derivative of the size. A feature's covariance is of the scan's noise, which is
alike over several spacings, and of what form the feature has beyond it (`scatter`); a bore's also of how its local
sizes differ (`bores`). u95 is for 95 %: k = 2, and Student's t where few degrees of freedom stand behind a feature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from rejoin.core.dimensions.bores import BoreSizes, bore_sizes
from rejoin.core.dimensions.placing import Body, Placed, both_sides, placed, touched
from rejoin.core.dimensions.regions import feature_at
from rejoin.core.dimensions.rules import RULES
from rejoin.core.dimensions.scatter import coverage_factor, joint_freedom
from rejoin.core.dimensions.shapes import figure_of
from rejoin.core.dimensions.spread import half_width, spread
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Shape

KINDS = {
    "points": 2, "faces": 2, "bore": 1, "shaft": 1, "centres": 2, "angle": 2, "wall": 1, "depth": 2, "ball": 1,
    "taper": 1, "datum": 1,
}  # fmt: skip
"""What can be measured, and the picks it needs."""
DEGREES = ("angle", "taper")
"""Kinds that are in degrees."""
_SOUGHT = {
    "faces": ("plane",), "bore": ("cylinder",), "shaft": ("cylinder",), "centres": ("cylinder",), "depth": ("plane",),
    "angle": ("plane", "cylinder"), "ball": ("sphere",), "taper": ("cone",),
    "datum": ("plane", "cylinder"),
}  # fmt: skip


MOSTLY = 2.0
"""Times the rest from which a layer that may be missing makes most of U."""

RAYLEIGH = float(np.sqrt(-2.0 * np.log(0.0455)))


UNTOLD = 0.5
"""Share of a diameter that its U may be: beyond, it may be none or another half as large."""


@dataclass(frozen=True, eq=False)
class Size:
    """A measured dimension, mm or degrees, with its uncertainty for 95 %.

    ``lines_mm`` (k, 2, 3) and ``shapes`` are in the common frame.
    """

    value: float
    u95: float
    sizes: tuple[tuple[str, float], ...]
    lines_mm: FloatArray
    shapes: tuple[Shape, ...]
    notes: tuple[str, ...] = ()


def measure(kind: str, picks_mm: FloatArray, bodies: Sequence[Body], reach: float = 5.0) -> Size:
    """Measure one dimension.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    picks_mm : (k, 3)
        Each in the mesh frame of its body.
    bodies : sequence of Body
        What each pick lies on.
    reach : float
        How far from the surface a pick may lie, in spacings.

    Returns
    -------
    Size

    Raises
    ------
    WrongUse
        An unknown kind, or a wrong count of picks.
    NoAnswer
        Nothing at a pick, or features between which there is no such size.
    """
    if kind not in KINDS:
        raise WrongUse(f"{kind!r} is nothing that can be measured here.", f"Choose one of: {', '.join(KINDS)}.")
    if len(picks_mm) != KINDS[kind] or len(bodies) != len(picks_mm):
        raise WrongUse(f"A dimension of the kind {kind} needs {KINDS[kind]} picks, not {len(picks_mm)}.",
                       "Pick again.")  # fmt: skip
    if kind == "points":
        found = [touched(body, pick, reach) for body, pick in zip(bodies, picks_mm, strict=True)]
    elif kind == "wall":
        found = both_sides(bodies[0], picks_mm[0], reach)
        bodies = [bodies[0], bodies[0]]
    else:
        found = [
            placed(feature_at(body.ground, pick, _SOUGHT[kind], reach, len(picks_mm) == 1), body, pick)
            for body, pick in zip(bodies, picks_mm, strict=True)
        ]
    return _sized(kind, found, list(bodies))


def _sized(kind: str, found: list[Placed], bodies: list[Body]) -> Size:
    rule = RULES[kind]
    value, lines, notes = rule(found)
    sd, freedom, follows = spread(lambda changed: rule(changed)[0], found, bodies)
    sizes: tuple[tuple[str, float], ...] = ()
    if kind in ("bore", "shaft"):
        one = found[0]
        if one.hollow != (kind == "bore"):
            raise NoAnswer(f"The cylinder at the pick is a {'bore' if one.hollow else 'shaft'}, not a {kind}.",
                           "Pick inside the bore." if kind == "bore" else "Pick on the outside.")  # fmt: skip
        round_one = bore_sizes(figure_of(one.shape), one.points, kind == "bore", one.scatter)
        sizes = _named(round_one, kind)
        if round_one.two_point is not None:
            noise = sd if round_one.mean_sd is None else round_one.mean_sd
            value, sd = round_one.two_point, float(np.hypot(noise, round_one.form_sd))
            freedom = joint_freedom([(noise**2, freedom), (round_one.form_sd**2, float(np.inf))])
        else:
            notes = (*notes, "Too little of it is there for a two-point size; this is the least-squares size.")
    u95 = coverage_factor(freedom) * sd
    if kind == "datum":
        u95 = min(value, _of_noise(bodies[0], found[0].shape.points_used))  # no form is below zero
    if follows:
        fresh, u95 = u95, half_width(0.5 * u95, follows)
        notes = (*notes, *_of_layers(kind, fresh, u95))
    if kind in ("bore", "shaft") and u95 > UNTOLD * value:
        raise NoAnswer(f"The surface at the pick bends too little to tell a diameter: {value:.3g} mm, give or take "
                       f"{u95:.2g} mm.", "Pick where more of the round was scanned.")  # fmt: skip
    if kind in ("angle", "centres"):
        leaning = kind == "angle" and (found[0].shape.kind == "plane") != (found[1].shape.kind == "plane")
        u95 = to_zero(90.0 - value if leaning else value, u95)
    return Size(value, u95, sizes, np.asarray(lines), tuple(one.shape for one in found), notes)


def _of_noise(body: Body, count: int) -> float:
    """Width between the outermost of so many points whose noise is normal: as much of a form deviation may be noise."""
    return 2.0 * float(ndtri(1.0 - 1.0 / (count + 1.0))) * body.ground.noise.sigma_mm


def _of_layers(kind: str, fresh: float, u95: float) -> tuple[str, ...]:
    """What to do where U is mostly of what the faces may have lost."""
    if u95 < MOSTLY * fresh:
        return ()
    unit_, digits = ("deg", 2) if kind in DEGREES else ("mm", 3)
    return (f"Most of this U is what the faces of the break may have lost. Of a fresh break it is {fresh:.{digits}f} "
            f"{unit_}: join without allowing for a missing layer, or state a size across the break.",)  # fmt: skip


def to_zero(value: float, u95: float) -> float:
    """U of a length in two dimensions (axes beside each other, a lean): to zero, where zero is not yet ruled out.

    Of what is zero in truth Rayleigh's distribution is seen, whose 95.45 % lie within sqrt(-2 ln 0.0455) = 2.49 sigma,
    not 2.
    """
    return max(u95, value) if value <= RAYLEIGH / 2.0 * u95 else u95


def _named(found: BoreSizes, kind: str) -> tuple[tuple[str, float], ...]:
    mating = "largest inscribed" if kind == "bore" else "smallest circumscribed"
    rows = (
        ("two-point, mean", found.two_point),
        ("two-point, least", found.least),
        ("two-point, largest", found.largest),
        (mating, found.mating),
        ("least squares", found.least_squares),
    )
    return tuple((name, value) for name, value in rows if value is not None)
