"""Poses along the motion that an overlap holds least: on walls that run one way a view comes to rest in many places.

Where it rests nearest the truth, most of both surfaces agree. A resting place not far away where clearly less agrees
is no other way to go together, only a worse place on the same slide; where nearly as much agrees it is kept, a rival.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.merging.close import AGREES, CLASHING, Close, Fine, closer, met, units_of
from rejoin.core.records import FloatArray
from rejoin.core.transforms import displacement, from_vector

LOOSE = 0.1
"""Hold of the weakest motion (1: as firm as the strongest could be) below which places along it are tried."""
PLACES = (-4.0, -2.5, -1.0, 1.0, 2.5, 4.0)
"""Steps along it."""
SLIDE = 6.0
"""Steps within which two poses may be places on one slide."""
LESS = 0.92
"""Share of the better place's agreement below which the other is clearly worse."""


def slid(a: Fine, b: Fine, way: Close, step_mm: float) -> list[Close]:
    """A pose, and where the view comes to rest when it starts along its weakest motion."""
    if way.held > LOOSE:
        return [way]
    found, motion, middle = [way], *_weakest(a, b, way)
    corners = b.points[:: max(1, len(b.points) // 60)]
    reach = displacement(from_vector(motion, middle) @ way.a_from_b, way.a_from_b, corners).max()
    if reach < 1e-9:
        return found
    for place in PLACES:
        start = from_vector(place * step_mm / reach * motion, middle) @ way.a_from_b
        found.append(closer(a, b, start, step_mm))
    return found


def _weakest(a: Fine, b: Fine, way: Close) -> tuple[FloatArray, FloatArray]:
    """The motion (6,), turn and shift, about a point (3,), that changes the agreeing surfaces least."""
    spacing, noise = units_of(a, b)
    points, normals = b.points[b.inner], b.normals[b.inner]
    every = max(1, len(points) // 4000)
    _, place, ways, height, _, alike = met(
        a, points[::every], normals[::every], way.a_from_b, AGREES * noise + spacing, spacing
    )
    good = (alike > 0.8) & (np.abs(height) < AGREES * float(np.hypot(noise, 0.02 * spacing)))
    if np.count_nonzero(good) < 12:
        return np.zeros(6), np.zeros(3)
    middle, size = place[good].mean(axis=0), 0.5 * a.size_mm
    rows = np.concatenate([np.cross((place[good] - middle) / size, ways[good]), ways[good]], axis=1)
    motion = np.linalg.eigh(rows.T @ rows)[1][:, 0]
    return np.concatenate([motion[:3] / size, motion[3:]]), middle


def best_places(ways: Sequence[Close], b: Fine, step_mm: float) -> list[Close]:
    """Without poses that are worse places on the slide of another."""
    corners = b.points[:: max(1, len(b.points) // 60)]
    kept: list[Close] = []
    for way in sorted(ways, key=lambda one: -_sound(one)):
        if way.score > 0.0 and not any(
            _sound(way) < LESS * _sound(other)
            and way.score < other.score
            and displacement(way.a_from_b, other.a_from_b, corners).max() < SLIDE * step_mm
            for other in kept
        ):
            kept.append(way)
    return kept


def _sound(way: Close) -> float:
    """What agrees, less where it clashes."""
    return way.agree * float(np.exp(-way.clash_share / CLASHING))
