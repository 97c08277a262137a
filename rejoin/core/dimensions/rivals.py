"""Whether another shape explains the surface at a pick better than the one that was asked for."""

from __future__ import annotations

import numpy as np

from rejoin.core.dimensions.figures import Figure, distances
from rejoin.core.dimensions.growing import Ground, Rows, grown
from rejoin.core.dimensions.shapes import CLEARLY
from rejoin.core.errors import NoAnswer

RIVALS = {"plane": ("cylinder", "sphere", "cone"), "sphere": ("plane", "cylinder", "cone"),
          "cylinder": ("plane", "sphere", "cone"), "cone": ("plane", "cylinder", "sphere")}  # fmt: skip
"""What else the surface may be, the simplest first."""

WIDER = 2.0
"""How many times the surface another shape must explain, no worse, to be what is there."""

TAPER_DEG = 3.0
"""Up to this half angle a tapered bore is still called a bore: foundry draft (common practice, no source)."""

ROUND = float(np.cos(np.radians(20.0)))
"""A face that turns by more than 40 degrees between its ends is not called flat: its normals lean this far, as a
cosine, from their mean."""

NO_WORSE = 1.5
"""Times the other's mean square up to which a figure explains the same points no worse."""

STRAIGHT = 1.15
"""A cone that brings the mean square of a cylinder down by less than this has no taper that the surface shows."""


def refuse_others(ground: Ground, seed: int, found: Figure, region: Rows, asked: tuple[str, ...]) -> None:
    """Refuse a figure where another one is what is there.

    The other one must explain the common surface clearly better (the mean squares differ by `CLEARLY`), or no worse
    and `WIDER` times as much. Kinds that were ``asked`` for are not held against it.

    Raises
    ------
    NoAnswer
        Saying what the surface is.
    """
    better: tuple[Figure, Rows] | None = None
    for kind in RIVALS[found.kind]:
        other = None if kind in asked else grown(ground, seed, kind)
        if other is None or (better is not None and len(other[1]) <= len(better[1])):
            continue
        if _is_what_is_there(ground, found, region, *other):
            better = other
            if kind == "plane":
                break
    if better is not None:
        raise NoAnswer(f"At the pick the surface is {_called(better[0])}, so it is no {found.kind}.",
                       "Ask for that, or pick another place.")  # fmt: skip


def explains_no_worse(ground: Ground, figure: Figure, than: Figure, shared: Rows) -> bool:
    """Whether a figure lies as near to vertices as another one does."""
    points = ground.mesh.vertices[shared]
    own, its = (float(np.square(distances(one, points)).mean()) for one in (figure, than))
    return own <= NO_WORSE * its + (1e-6 * ground.spacing_mm) ** 2


def _called(figure: Figure) -> str:
    if figure.kind == "plane":
        return "flat"
    if figure.kind == "cone":
        return f"a cone of {np.degrees(2.0 * figure.half_angle):.3g} degrees"
    told = "a ball" if figure.kind == "sphere" else "round like a bore or shaft"
    return f"{told} of {2.0 * figure.radius:.4g} mm diameter"


def _is_what_is_there(ground: Ground, found: Figure, region: Rows, other: Figure, its: Rows) -> bool:
    shared = np.intersect1d(region, its)
    if len(shared) < 0.3 * len(region):
        return False
    points = ground.mesh.vertices[shared]
    own, theirs = (float(np.square(distances(one, points)).mean()) for one in (found, other))
    floor = (1e-6 * ground.spacing_mm) ** 2
    if found.kind == "plane" and not _turns(ground, its):
        return False
    if other.kind == "plane":
        return own > CLEARLY * theirs + floor
    if found.kind == "cone" and other.kind == "cylinder" and theirs <= STRAIGHT * own + floor:
        return True
    if other.kind == "cone" and np.degrees(other.half_angle) < TAPER_DEG and found.kind == "cylinder":
        return False
    return own > CLEARLY * theirs + floor or (len(its) > WIDER * len(region) and theirs <= NO_WORSE * own + floor)


def _turns(ground: Ground, region: Rows) -> bool:
    """Whether a region bends farther than any flat face."""
    normals = ground.normals[region]
    mean = normals.mean(axis=0)
    length = float(np.linalg.norm(mean))
    return length < 1e-3 or float(np.quantile(normals @ mean / length, 0.1)) < ROUND
