"""Matter where another view saw air: an outline that reaches out over a wall that the other view shows.

Surfaces that lie on each other do not tell a plate's one side from the other; its outline does. Just under a view's
surface there is matter. Where that stands close before a surface that another view saw, one of the two is out of place
(or it is clay). Farther off nothing is said: across a slot there may be another wall that was in shadow.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np

from rejoin.core.merging.close import CLASHES, SAMPLE, Fine, units_of
from rejoin.core.records import FloatArray
from rejoin.core.transforms import apply, inverse

UNDER = 2.0
"""Spacings under a view's surface at which its matter is asked."""
NEAR = 6.0
"""Spacings within which it is looked for before the other's surface: no scanner sees into a narrower slot."""


def in_air(poses: dict[int, FloatArray], fine: list[Fine]) -> float:
    """Share of the places just under the views' surfaces, and near another view's, where that one saw air.

    Parameters
    ----------
    poses : dict of int to (4, 4)
        first_from_view of each view.
    fine : list of Fine
        All views.
    """
    counts = np.array([_asked(fine[i], fine[j], inverse(poses[i]) @ poses[j]) for i, j in permutations(poses, 2)])
    hanging, near = counts.reshape(-1, 2).sum(axis=0)
    return float(hanging) / max(int(near), 1)


def _asked(a: Fine, b: Fine, a_from_b: FloatArray) -> tuple[int, int]:
    """How many places under b's surface stand before a's inner surface, and how many are near it."""
    spacing, noise = units_of(a, b)
    asked = np.flatnonzero(b.inner)
    asked = asked[:: max(1, len(asked) // SAMPLE)]
    places = apply(a_from_b, b.points[asked] - UNDER * spacing * b.normals[asked])
    distance, nearest = a.tree.query(places, distance_upper_bound=NEAR * spacing)
    hit = np.isfinite(distance)
    places, nearest = places[hit], nearest[hit]
    offset = places - a.points[nearest]
    height = np.einsum("ij,ij->i", offset, a.normals[nearest])
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - height**2, 0.0))
    before = (height > max(CLASHES * noise, spacing)) & (aside < 1.2 * spacing) & a.inner[nearest]
    return int(np.count_nonzero(before)), len(places)
