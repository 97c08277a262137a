"""Places that a person pointed out on two views: they hold the views to each other, as nearly as a hand can point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import Fine
from rejoin.core.records import FloatArray, SamePlaces, Scan
from rejoin.core.transforms import apply, displacement, from_marks, inverse

STEADY = 2.0
"""Spacings within which a place is pointed out twice at best."""
STEADY_SHARE = 0.01
"""The same as a share of the piece's size: it is shown as large as the view allows, and a pointer is so wide."""
STRAY = 6.0
"""Marks that lie farther apart than so many times that are not of the same places."""
LOOSE = 0.2
"""Share of a view's size to which marks must tell where it lies: half of what a quarter turn would move it."""


@dataclass(frozen=True, eq=False)
class Pointed:
    """View ``b`` on view ``a`` as marked: ``a_from_b`` (4, 4), true to about ``within_mm`` anywhere on b.

    ``on_a`` and ``on_b`` (k, 3) are the marks, each pointed out to ``steady_mm``.
    """

    a: int
    b: int
    a_from_b: FloatArray
    within_mm: float
    on_a: FloatArray
    on_b: FloatArray
    steady_mm: float

    def allows(self, a_from_b: FloatArray, b: Fine) -> bool:
        """Whether a pose of the two is where they were marked."""
        points = b.points[:: max(1, len(b.points) // 60)]
        return bool(displacement(self.a_from_b, a_from_b, points).max() < self.within_mm)


    def nats(self, a_from_b: FloatArray) -> float:
        """How likely the marks are in a pose, as the log of a normal density without its constant."""
        away = np.linalg.norm(apply(a_from_b, self.on_b) - self.on_a, axis=1)
        return -0.5 * float(np.square(away / self.steady_mm).sum())


def pointed(marks: Sequence[SamePlaces], scans: Sequence[Scan], fine: Sequence[Fine]) -> list[Pointed]:
    """What marks say of the views' poses.

    Raises
    ------
    WrongUse
        Fewer than three marks, or marks on one line.
    NoAnswer
        Where the marks on both views are not of the same places, or too near to one line.
    """
    return [_pointed(one, scans, fine) for one in marks]


def _pointed(one: SamePlaces, scans: Sequence[Scan], fine: Sequence[Fine]) -> Pointed:
    a, b = fine[one.a], fine[one.b]
    a_from_b = from_marks(one.on_a, one.on_b)
    away = np.linalg.norm(apply(a_from_b, one.on_b) - one.on_a, axis=1)
    steady = max(STEADY * max(a.spacing_mm, b.spacing_mm), STEADY_SHARE * max(a.size_mm, b.size_mm))
    if away.max() > STRAY * steady:
        raise NoAnswer(f"The marks on {scans[one.a].name} and {scans[one.b].name} are not of the same places: laid on "
                       f"each other, they are up to {away.max():.1f} mm apart.",
                       "Mark the same places on both again, in the same order.")  # fmt: skip
    spread = np.linalg.svd(one.on_b - one.on_b.mean(axis=0), compute_uv=False)[1] / np.sqrt(len(one.on_b))
    within = float(max(steady, away.max()) * (1.0 + 0.5 * b.size_mm / max(spread, 1e-9)))
    if within > LOOSE * b.size_mm:
        raise NoAnswer(f"The marks on {scans[one.b].name} lie too near to one line or to each other to tell its place.",
                       "Mark places far apart, as the corners of a wide triangle.")  # fmt: skip
    return Pointed(one.a, one.b, a_from_b, within, one.on_a, one.on_b, float(steady))


def between(held: Sequence[Pointed], i: int, j: int) -> list[Pointed]:
    """What is marked of view j on view i."""
    turned = [Pointed(one.b, one.a, inverse(one.a_from_b), one.within_mm, one.on_b, one.on_a, one.steady_mm)
              for one in held]  # fmt: skip
    return [one for one in (*held, *turned) if (one.a, one.b) == (i, j)]


def tied(held: Sequence[Pointed], views: Sequence[int]) -> bool:
    """Whether marks alone hold all of these views together."""
    linked = set(views[:1])
    for _ in held:
        linked |= {n for one in held if linked & {one.a, one.b} for n in (one.a, one.b)}
    return len(views) > 1 and set(views) <= linked
