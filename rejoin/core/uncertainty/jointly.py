"""How far sizes may be off that several placed fragments make together.

What moves two fragments alike changes no size between them: their covariances are not simply added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.contact import rows
from rejoin.core.records import FloatArray, Fragment, LayerDoubt, Placement
from rejoin.core.transforms import apply

Follows = tuple[float, LayerDoubt]
"""By how much a size follows each mm of a layer, and what is known of that."""


@dataclass(frozen=True, eq=False)
class Lever:
    """How sizes (n,) follow the motion of one placed fragment: ``slopes`` (n, 6), motion as in `Placement.covariance`.

    ``fragment`` is its number.
    """

    fragment: int
    placement: Placement
    slopes: FloatArray


def levers_between(
    fragments: Sequence[Fragment], placements: Sequence[Placement], ends: tuple[int, int],
    points: tuple[FloatArray, FloatArray], ways: FloatArray,
) -> list[Lever]:  # fmt: skip
    """Of distances (n,) along ``ways`` (n, 3), from points (n, 3) on the first of two placed fragments to those on the
    second; all in the part's frame."""
    levers = []
    for number, places, sign in zip(ends, points, (-1.0, 1.0), strict=True):
        pose = placements[number].part_from_scan
        assert pose is not None
        centre = apply(pose, fragments[number].mesh.vertices.mean(axis=0)[None])[0]
        levers.append(Lever(number, placements[number], sign * rows(places, ways, centre)[:, :6]))
    return levers


def variance(levers: Sequence[Lever]) -> FloatArray:
    """Of each size (n,), mm², by all these placements, correlated inputs as in JCGM 100:2008, 5.2."""
    total = np.zeros(len(levers[0].slopes)) if levers else np.zeros(0)
    for one in levers:
        for other in levers:
            shared = _shared(one, other)
            if shared is not None:
                total += np.einsum("ni,ij,nj->n", one.slopes, shared, other.slopes)
    return np.maximum(total, 0.0)


def without_layers(levers: Sequence[Lever]) -> tuple[list[list[Follows]], FloatArray]:
    """How each size (n,) follows the layers of joints, and its variance without them."""
    rest = variance(levers)
    follows: list[list[Follows]] = [[] for _ in rest]
    for by, doubt in _followed(levers):
        rest = rest - np.square(by * doubt.rms_mm)
        for own, k in zip(follows, by, strict=True):
            own.append((float(k), doubt))
    return follows, np.maximum(rest, 0.0)


def _shared(one: Lever, other: Lever) -> FloatArray | None:
    """(6, 6) covariance of two fragments' motions; None where nothing is known of it."""
    if one is other:
        return one.placement.covariance
    known = one.placement.shared
    if known is None or other.placement.shared is None or max(one.fragment, other.fragment) >= len(known):
        return None
    return np.asarray(known[other.fragment])


def _followed(levers: Sequence[Lever]) -> list[tuple[FloatArray, LayerDoubt]]:
    """By how much the sizes (n,) follow each layer: what is missing in one joint moves many fragments."""
    found: dict[int, tuple[FloatArray, LayerDoubt]] = {}
    for lever in levers:
        for doubt in lever.placement.layers:
            by = lever.slopes @ doubt.move
            named = doubt.joint >= 0 and lever.placement.shared is not None
            key = doubt.joint if named else -1 - len(found)
            found[key] = (found[key][0] + by if key in found else by, doubt)
    return list(found.values())
