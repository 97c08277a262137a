"""From what the joints say to a bound in millimetres and a sentence, for each fragment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from rejoin.core.records import FloatArray, Fragment, LayerDoubt
from rejoin.core.transforms import apply, mean_square_move, small_moves
from rejoin.core.uncertainty.equations import Contact, Layout, Statement
from rejoin.core.uncertainty.layers import Layer, scaled_inverse

SAMPLES = 4000
"""Poses drawn for the 95 % quantile: it is then known to about 1 %."""

HULL_FROM = 20_000
"""Vertices the hull is taken of: a motion varies linearly, so the last spacing does not matter."""


UNSEEN = 1.3
"""Times the variance that neither the noise model nor the blocks account for (sampling of the finest relief,
the triangles' own error): from this program's trials on made castings, some of them the ones it was then tried on."""

MOST_CORNERS = 200
"""Corners of the hull that are followed: their directions are 16 degrees apart, so at most 1 % is missed."""
UNSEEN_LAYER = 2.0
"""So many times wider than without a missing layer, a bound is mostly that layer's."""


@dataclass(frozen=True, eq=False)
class Certainty:
    """Of one fragment, as in `Placement`: ``covariance`` (6, 6), ``u95_mm``, ``weakest``, ``layers``, ``shared``.

    ``fresh_u95_mm`` is what the bound would be were nothing missing between the faces; None where they were set apart.
    """

    covariance: FloatArray
    u95_mm: float
    weakest: str | None
    layers: tuple[LayerDoubt, ...] = ()
    shared: FloatArray | None = None
    fresh_u95_mm: float | None = None

    @property
    def if_fresh(self) -> str:
        """What is to be said where it is mostly the layer that makes the bound."""
        if self.fresh_u95_mm is None or self.u95_mm < UNSEEN_LAYER * self.fresh_u95_mm:
            return ""
        return (f"If the break is fresh, with nothing lost unseen, it is good to {self.fresh_u95_mm:.2f} mm (without "
                "the setting missing layer).")  # fmt: skip


def certainties(
    fragments: Sequence[Fragment],
    poses: dict[int, FloatArray],
    layout: Layout,
    contacts: list[Contact],
    statements: list[Statement],
    layers: list[Layer],
    known: FloatArray,
) -> tuple[dict[int, Certainty], FloatArray]:
    """The certainty of each fragment against the one that was held.

    Parameters
    ----------
    fragments : sequence of Fragment
    poses : dict of int to (4, 4)
        part_from_scan.
    layout, contacts, statements, layers
        Of the adjustment.
    known : (size, size)
        Information of the stated dimensions.

    Returns
    -------
    certainty : dict of int to Certainty
        For the movable fragments.
    covariance : (n, n)
        Of all their poses together.
    """
    covariance = pose_covariance(layout, contacts, statements, known)
    leads = layer_leads(layout, contacts, statements, known)
    whole = with_layers(covariance, leads, layers)
    rng = np.random.default_rng(20080100)
    noise = rng.standard_normal((SAMPLES, len(covariance))) @ _root(covariance).T
    drawn = np.stack([layer.sampled(SAMPLES, rng) - layer.apart_mm for layer in layers], axis=1)
    samples = noise + drawn @ leads.T
    # A scan that is made of several may be bent by as much as its views are out of place.
    between = float(np.sqrt(sum(fragments[n].scan.views_u95_mm ** 2 for n in poses)))
    found = {}
    for fragment in layout.movable:
        place = layout.pose(fragment)
        outline = apply(poses[fragment], hull_points(fragments[fragment])) - layout.centres[fragment]
        reach = largest_displacements(samples[:, place], outline)
        own = whole[place, place]
        words = _in_words(own, outline, _crack(fragment, layout, contacts))
        u95, fresh = float(np.hypot(np.quantile(reach, 0.95), between)), None
        moving = [layer for k, layer in enumerate(layers) if np.any(leads[place, k])]
        if not any(layer.apart_mm > 0.0 for layer in moving):
            reach = largest_displacements(noise[:, place], outline)
            fresh = float(np.hypot(np.quantile(reach, 0.95), between))
        doubts = (one.doubt(leads[place, k], k) for k, one in enumerate(layers) if one.sd_mm > 0.0)
        shared = np.zeros((len(fragments), 6, 6))
        for other in layout.movable:
            shared[other] = whole[place, layout.pose(other)]
        found[fragment] = Certainty(own, u95, words, tuple(d for d in doubts if np.any(d.move)), shared, fresh)
    return found, whole


def holding(layout: Layout, contacts: list[Contact], covariance: FloatArray) -> list[float]:
    """How firmly each joint is held in its weakest motion: one spacing over three sigma of slip along its faces, root
    mean square over the contact. ``covariance`` (n, n) is of all poses."""
    found = []
    for number, contact in enumerate(contacts):
        columns = layout.columns(contact, number)[:6, layout.poses]
        moves, normals = small_moves(contact.pairs.middles - contact.centre), contact.pairs.directions
        away = np.einsum("ni,nia->na", normals, moves) / np.linalg.norm(normals, axis=1, keepdims=True)
        flat = moves.reshape(-1, 6)
        root = _root((flat.T @ flat - away.T @ away) / len(moves))
        weakest = float(np.linalg.eigvalsh(root.T @ columns @ covariance @ columns.T @ root)[-1])
        found.append(contact.spacing_mm / 3.0 / float(np.sqrt(max(weakest, 1e-12))))
    return found


def with_layers(covariance: FloatArray, leads: FloatArray, layers: list[Layer]) -> FloatArray:
    """(n, n) covariance of all poses, with what is not known of the missing layers."""
    spread = np.array([layer.sd_mm**2 for layer in layers])
    return np.asarray(covariance + (leads * spread) @ leads.T)


def pose_covariance(
    layout: Layout, contacts: list[Contact], statements: list[Statement], known: FloatArray
) -> FloatArray:
    """(n, n) covariance of all poses with the layers held: correlated noise plus patches."""
    part = layout.poses
    rims = layout.assembled(contacts, [s.rim for s in statements])
    information = layout.assembled(contacts, [s.held(s.pose) for s in statements]) + known + rims
    scatter = [s.held(s.noise[:6, :6] + s.patches[:6, :6]) for s in statements]
    meat = layout.assembled(contacts, scatter) + known + rims
    bread = scaled_inverse(information[part, part])
    return np.asarray(UNSEEN * bread @ meat[part, part] @ bread)


def layer_leads(
    layout: Layout, contacts: list[Contact], statements: list[Statement], known: FloatArray
) -> FloatArray:
    """(n, joints): how the poses follow each joint's layer."""
    plain = layout.assembled(contacts, [s.held(s.plain) for s in statements]) + known
    plain += layout.assembled(contacts, [s.rim for s in statements])
    part = layout.poses
    return np.asarray(-scaled_inverse(plain[part, part]) @ plain[part, part.stop :])


def _root(covariance: FloatArray) -> FloatArray:
    """A square root of a covariance of mixed units."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / scale[:, None] / scale)
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def hull_points(fragment: Fragment) -> FloatArray:
    """Corners (k, 3) of the fragment's convex hull, scan frame."""
    points = fragment.mesh.vertices
    points = points[:: max(1, len(points) // HULL_FROM)]
    try:
        points = np.asarray(points[np.sort(ConvexHull(points).vertices)])
    except QhullError:
        pass
    if len(points) <= MOST_CORNERS:
        return points
    # A round body has thousands of corners; those farthest out in directions all around will do.
    height = 1.0 - (2.0 * np.arange(MOST_CORNERS) + 1.0) / MOST_CORNERS
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(MOST_CORNERS)
    around = np.stack([np.cos(turn), np.sin(turn)], axis=1) * np.sqrt(1.0 - np.square(height))[:, None]
    return np.asarray(points[np.unique((points @ np.column_stack([around, height]).T).argmax(axis=0))])


def largest_displacements(samples: FloatArray, outline: FloatArray) -> FloatArray:
    """Largest displacement (s,) over the outline (k, 3) under small motions (s, 6) about the origin."""
    moves = small_moves(outline)
    largest = np.zeros(len(samples))
    for start in range(0, len(outline), 64):
        part = moves[start : start + 64]
        moved = np.square(samples @ part.reshape(-1, 6).T).reshape(len(samples), len(part), 3)
        np.maximum(largest, (moved[:, :, 0] + moved[:, :, 1] + moved[:, :, 2]).max(axis=1), out=largest)
    return np.sqrt(largest)


def _crack(fragment: int, layout: Layout, contacts: list[Contact]) -> tuple[FloatArray, FloatArray]:
    """Middle (3,) of the fragment's cracks about its centre, and their mean normal (3,)."""
    own = [c for c in contacts if fragment in (c.a, c.b)]
    middle = np.mean([c.centre for c in own], axis=0) - layout.centres[fragment]
    # Cracks of one fragment may face any way: the axis of their normals, not their mean.
    spread = sum(c.pairs.directions.T @ (c.shares[:, None] * c.pairs.directions) for c in own)
    return middle, np.asarray(np.linalg.eigh(spread)[1][:, -1])


def _in_words(covariance: FloatArray, outline: FloatArray, crack: tuple[FloatArray, FloatArray]) -> str:
    """The motion that matters most, as it shows at the crack."""
    middle, normal = crack
    root = _root(mean_square_move(outline))
    values, vectors = np.linalg.eigh(root.T @ covariance @ root)
    motion = np.linalg.solve(root.T, vectors[:, -1]) * 1.96 * np.sqrt(max(float(values[-1]), 0.0))
    shift = motion[3:] + np.cross(motion[:3], middle)
    farthest = float(np.linalg.norm(np.cross(motion[:3], outline - middle), axis=1).max())
    if farthest > np.linalg.norm(shift):
        about = abs(float(motion[:3] @ normal)) / float(np.linalg.norm(motion[:3]))
        verb = "turn" if about > 0.7 else "tip"
        return f"may {verb} by {farthest:.2f} mm at its far end"
    if abs(float(shift @ normal)) > 0.7 * np.linalg.norm(shift):
        return f"may stand {np.linalg.norm(shift):.2f} mm closer or farther across the crack"
    return f"may slip {np.linalg.norm(shift):.2f} mm along the crack"
