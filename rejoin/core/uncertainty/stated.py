"""Dimensions of the whole part that a person states, as observations in the adjustment.

Sigma of a rectangular limit: limit / sqrt 3 (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.records import FloatArray, Record, StatedSize
from rejoin.core.transforms import apply
from rejoin.core.uncertainty.equations import Contact, Layout, Statement
from rejoin.core.uncertainty.layers import USUAL_LAYER, scaled_inverse

GROSS = 5.0
"""Sigmas from which a stated dimension is a blunder and not an observation."""


@dataclass(frozen=True, eq=False)
class KnownDimension(Record):
    """A stated distance between a point of one fragment and a point of another.

    Attributes
    ----------
    fragment_a, fragment_b : int
    point_a_mm, point_b_mm : (3,)
        Each in its fragment's scan frame.
    value_mm, limit_mm : float
        The dimension and the half width of its limits.
    kind : str
        "points".
    """

    fragment_a: int
    point_a_mm: FloatArray
    fragment_b: int
    point_b_mm: FloatArray
    value_mm: float
    limit_mm: float
    kind: str = "points"
    _arrays = {"point_a_mm": np.float64, "point_b_mm": np.float64}

    @property
    def sigma_mm(self) -> float:
        return max(self.limit_mm, 1e-6) / float(np.sqrt(3.0))


def known_sizes(stated: Sequence[StatedSize]) -> tuple[KnownDimension, ...]:
    """A project's stated sizes as the adjustment takes them."""
    return tuple(KnownDimension(s.a, s.point_a_mm, s.b, s.point_b_mm, s.value_mm, s.limit_mm) for s in stated)


@dataclass(frozen=True, eq=False)
class KnownOutcome(Record):
    """A stated dimension against the rest: ``without_mm`` is what
    everything else says, ``sigmas`` how many standard deviations lie between (over 3: they contradict).
    ``used`` is False where it contradicts so grossly that the adjustment left it out."""

    value_mm: float
    without_mm: float
    sigmas: float
    used: bool


def _row(item: KnownDimension, poses: dict[int, FloatArray], layout: Layout) -> tuple[float, FloatArray]:
    """The distance in the present poses and its derivative (size,)."""
    first = apply(poses[item.fragment_a], item.point_a_mm[None])[0]
    second = apply(poses[item.fragment_b], item.point_b_mm[None])[0]
    length = float(np.linalg.norm(first - second))
    along = (first - second) / max(length, 1e-12)
    row = np.zeros(layout.size)
    for fragment, point, sign in ((item.fragment_a, first, 1.0), (item.fragment_b, second, -1.0)):
        if fragment in layout.movable:
            row[layout.pose(fragment)] += sign * np.append(np.cross(point - layout.centres[fragment], along), along)
    return length, row


def known_equations(
    known: Sequence[KnownDimension], poses: dict[int, FloatArray], layout: Layout
) -> tuple[FloatArray, FloatArray]:
    """Information (size, size) and right side (size,) of the stated dimensions."""
    matrix, right = np.zeros((layout.size, layout.size)), np.zeros(layout.size)
    for item in known:
        length, row = _row(item, poses, layout)
        matrix += np.outer(row, row) / item.sigma_mm**2
        right -= row * (length - item.value_mm) / item.sigma_mm**2
    return matrix, right


def known_outcomes(
    known: Sequence[KnownDimension],
    poses: dict[int, FloatArray],
    layout: Layout,
    contacts: list[Contact],
    statements: list[Statement],
    used: Sequence[KnownDimension],
) -> tuple[KnownOutcome, ...]:
    """Each stated dimension against the faces and the others (deleted residual); ``used`` are in the poses."""
    faces = layout.assembled(contacts, [s.information for s in statements])
    faces += layout.assembled(contacts, [s.rim for s in statements])
    for number, contact in enumerate(contacts):
        faces[layout.layer(number), layout.layer(number)] += 1.0 / (USUAL_LAYER * contact.spacing_mm) ** 2
    everything = faces + known_equations(used, poses, layout)[0]
    outcomes = []
    for item in known:
        length, row = _row(item, poses, layout)
        within = any(item is other for other in used)
        share = float(row @ scaled_inverse(everything) @ row) / item.sigma_mm**2 if within else 0.0
        rest = everything - np.outer(row, row) / item.sigma_mm**2 if within else everything
        sd = float(np.sqrt(max(float(row @ scaled_inverse(rest) @ row), 0.0)))
        off = (length - item.value_mm) / max(1.0 - share, 1e-9)
        sigmas = abs(off) / float(np.hypot(sd, item.sigma_mm))
        outcomes.append(KnownOutcome(item.value_mm, item.value_mm + off, sigmas, within))
    return tuple(outcomes)
