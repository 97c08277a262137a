"""How two faces lie where part of one has been rubbed or battered down: firmly on the rest.

A face that lost a layer in one place only gapes there. A least squares of all of it
hangs the piece askew between the two, with gaps and overlaps everywhere; but solids
do not overlap, and a gap needs a cause, which one place that has lost something is.
So the face is tried without one region after the other, and the seat in which least
has to be explained is taken; what gapes there no longer counts. Where none explains
plainly more than the whole face does, all seats stay open, and the bound allows for them.
Slow errors of a scanner gape everywhere a little: what gapes must stand apart from the rest.

Sources: rounds on what fits best, from several starts, are those of least trimmed squares
(Rousseeuw and Van Driessen, 1999, from memory); likeness of neighbours (Moran, 1950, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.alignment.solver import Solver
from rejoin.core.alignment.state import NothingOpposite, Poses, State
from rejoin.core.contact import Mask
from rejoin.core.records import FloatArray, IntArray
from rejoin.core.robust import sigma_of
from rejoin.core.settings import silent
from rejoin.core.transforms import apply, displacement, inverse
from rejoin.core.uncertainty.equations import Contact
from rejoin.core.uncertainty.noise import BLOCK, blocks

LOOKED_AT = 2_500
"""Vertices of each face that are looked at."""

UNLIKE = 1.2
"""Misfit of the whole face over that within patches, below which noise is all there is."""

BESIDE, NEIGHBOURLY = 6, 0.45
"""Patches beside each one; the correlation of its gap with theirs from which gaps hang together over more than a
patch (noise does not, see `OF_A_PATCH`)."""

OF_A_PATCH = 0.7
"""Scatter of a patch's median over that of its pairs: noise hangs together over some three spacings, and slow
errors of the scanner come on top."""

GAPES, OVERLAPS = 2.0, 5.0
"""Sigmas of a patch beyond which a gap, or an overlap, costs no more: the one is a place that lost something,
the other could be no more than a burr."""

REGIONS = 6
"""Regions without which the face is tried."""

REGION = 0.4
"""Share of the face that such a region takes."""

FEWEST = 20
"""Pairs in a patch, at least."""

PATCHES = 12
"""Patches that a face must have: of fewer, leaving some out proves nothing."""

PLAINLY = 0.85
"""Of what has to be explained, what another seat must leave at most to be taken."""

MOST_LOST, FEW = 0.5, 0.1
"""Share of the face that may gape at most: more of it lies otherwise, and is no place that lost something; and share
that turns the face so little that it needs no further proof."""

TWO_GROUPS = 0.75
"""Share of the scatter of patches' gaps that lies between the two groups of them that differ most (Otsu, 1979, from
memory), at least: that of an even spread. Slow errors of a scanner, or of what smoothed its scan, leave less."""

ROUNDS = 8

HOPELESS = 1.2
"""Times what must be explained at most, above which a seat is given up half way."""


@dataclass(frozen=True)
class Gape:
    """The share of a joint that gapes while the rest lies firmly, and how far (median, mm)."""

    share: float
    apart_mm: float

    @property
    def sentence(self) -> str:
        return (
            f"Over {100 * self.share:.0f} % of the joint the faces stand {self.apart_mm:.2f} mm apart while the rest "
            "lies firmly: one of them has been rubbed or battered there. The fragment was placed by the rest."
        )


@dataclass(frozen=True)
class Unsettled:
    """How far apart the seats are, mm, of which none explains a misfit plainly better."""

    apart_mm: float

    @property
    def sentence(self) -> str:
        return (
            "The faces of the joint gape or overlap in places by more than their noise explains, and it is not clear "
            f"on which part of them they rest: the fragment could stand {self.apart_mm:.2f} mm otherwise. Its 95 % "
            "bound allows for that; a dimension across the joint would tell."
        )


@dataclass(frozen=True, eq=False)
class Patches:
    """The pairs of a contact in compact patches.

    Attributes
    ----------
    of : (k,)
        The patch of each pair.
    middles : (p, 3)
        In the scan frame of fragment a.
    gaps, shares : (p,)
        Median gap, mm; share of the area.
    scatter_mm : float
        1 sigma of the pairs about their patch's median.
    """

    of: IntArray
    middles: FloatArray
    gaps: FloatArray
    shares: FloatArray
    scatter_mm: float


def patches_of(contact: Contact, poses: Poses, thinned: float) -> Patches:
    """The patches of a contact whose pairs are one in ``thinned``."""
    places = apply(inverse(poses[contact.a]), contact.pairs.middles)
    groups = blocks(places, max(FEWEST, int(BLOCK / thinned)))
    of = np.empty(len(places), np.int32)
    for number, group in enumerate(groups):
        of[group] = number
    gaps = np.array([np.median(contact.residuals[group]) for group in groups])
    middles = np.array([places[group].mean(axis=0) for group in groups])
    areas = np.bincount(of, contact.shares)
    return Patches(of, middles, gaps, areas / areas.sum(), sigma_of(contact.residuals - gaps[of]))


def unexplained(gaps: FloatArray, shares: FloatArray, sigma_mm: float) -> float:
    """Mean square of what the patches' gaps leave to be explained, in sigmas."""
    limits = np.where(gaps > 0.0, GAPES, OVERLAPS) * sigma_mm
    return float(shares @ np.square(np.minimum(np.abs(gaps), limits) / sigma_mm))


def seat(solver: Solver, state: State) -> dict[int, Gape | Unsettled]:
    """Leave out where faces gape that lie firmly on the rest, and doubt what does so nowhere; says of which joints."""
    found = {}
    for number in range(len(solver.joints)):
        try:
            told = _uneven(solver, number, state)
        except NothingOpposite:
            # What does not stay together without some of itself tells nothing of that.
            told = None
        if told is not None:
            found[number] = told
    return found


def _uneven(solver: Solver, number: int, state: State) -> Gape | Unsettled | None:
    """What the misfit of one joint's faces tells, once its solver heeds it; None where there is only noise."""
    one = solver.alone(number)
    thinned = max(1.0, max(len(side.points) for side in one.sides[0]) / LOOKED_AT)
    pressed = State({n: state.poses[n] for n in one.poses}, np.zeros(1), [], [], False)
    contact, patches = _looked_at(one, pressed, thinned)
    if not _has_form(contact, patches):
        return None
    # A layer missing all over would leave such a pattern too, and explain it with less.
    loose = one.settle(pressed.poses, pressed.layers, free=True, report=silent)
    contact, whole = _looked_at(one, loose, thinned)
    if not _has_form(contact, whole):
        return None
    sigma = OF_A_PATCH * whole.scatter_mm
    most = PLAINLY * unexplained(whole.gaps, whole.shares, sigma)
    tried = [_seated(one, loose, without, thinned, sigma, most) for without in _regions(whole)]
    seats = [one_seat for one_seat in tried if one_seat is not None]
    costs = [unexplained(patches.gaps, patches.shares, sigma) for _, _, patches in seats]
    apart = [_stands_apart(patches, patches.gaps > GAPES * sigma) for _, _, patches in seats]
    if not seats or min(costs) > most or not apart[int(np.argmin(costs))]:
        likely = [found for (found, _, _), own in zip(seats, apart, strict=True) if own]
        return _doubted(solver, number, pressed, [loose, *likely], contact.centre)
    best, contact, patches = seats[int(np.argmin(costs))]
    gapes = patches.gaps > GAPES * sigma
    if not gapes.any():
        return None
    solver.leave_out(number, _vertices(one, best, contact, gapes[patches.of]))
    return Gape(float(patches.shares[gapes].sum()), float(np.median(patches.gaps[gapes])))


def _stands_apart(patches: Patches, gapes: Mask) -> bool:
    """Whether what gapes is one place that lost something, not one end of a misfit that is everywhere."""
    share = float(patches.shares[gapes].sum())
    return share <= FEW or (share <= MOST_LOST and between_two_groups(patches.gaps, patches.shares) > TWO_GROUPS)


def between_two_groups(values: FloatArray, shares: FloatArray) -> float:
    """The largest share of the variance of ``values`` (k,) that lies between two groups below and above a bound."""
    order = np.argsort(values)
    values, shares = values[order], shares[order] / shares.sum()
    mean = float(shares @ values)
    below, sums = np.cumsum(shares)[:-1], np.cumsum(shares * values)[:-1]
    between = np.square(mean * below - sums) / np.maximum(below * (1.0 - below), 1e-12)
    return float(between.max() / max(float(shares @ np.square(values - mean)), 1e-30))


def _doubted(solver: Solver, number: int, pressed: State, seats: list[State], centre: FloatArray) -> Unsettled:
    """The solver's bound allows for all the seats from now on."""
    one = solver.alone(number)
    moves = np.array([one.motion_seen(0, centre, pressed, found) for found in seats])
    # How far they are set apart is for the missing layer's own doubt.
    moves[:, 6] = 0.0
    solver.doubt(number, moves)
    b, side = one.joints[0].b, one.sides[0][1]
    apart = [displacement(pressed.poses[b], found.poses[b], side.points).max() for found in seats]
    return Unsettled(float(max(apart)))


def _looked_at(one: Solver, state: State, thinned: float) -> tuple[Contact, Patches]:
    contact = one.contact(0, state, LOOKED_AT, False)
    return contact, patches_of(contact, state.poses, thinned)


def _has_form(contact: Contact, patches: Patches) -> bool:
    """Whether the misfit has a form that noise has not: patches beside each other gape alike."""
    if len(patches.gaps) < PATCHES or contact.scale_mm < UNLIKE * patches.scatter_mm:
        return False
    if np.ptp(patches.gaps) == 0.0:
        return False
    count = max(2, min(BESIDE, len(patches.gaps) // 10))
    _, beside = cKDTree(patches.middles).query(patches.middles, k=count + 1)
    most = OVERLAPS * patches.scatter_mm
    gaps = np.clip(patches.gaps - np.median(patches.gaps), -most, most)
    return bool(np.corrcoef(gaps, gaps[beside[:, 1:]].mean(axis=1))[0, 1] > NEIGHBOURLY)


Region = tuple[FloatArray, float]
"""Middle and radius, in the frame of fragment a."""


def _regions(patches: Patches) -> list[Region | None]:
    """None, and places far from each other with `REGION` of the face around each."""
    found: list[Region | None] = [None]
    far = np.linalg.norm(patches.middles - np.average(patches.middles, axis=0, weights=patches.shares), axis=1)
    for _ in range(REGIONS):
        middle = patches.middles[int(far.argmax())]
        away = np.linalg.norm(patches.middles - middle, axis=1)
        far = np.minimum(far, away) if len(found) > 1 else away
        order = np.argsort(away)
        last = int(np.searchsorted(np.cumsum(patches.shares[order]), REGION))
        found.append((middle, float(away[order[min(last, len(order) - 1)]])))
    return found


def _seated(
    one: Solver, state: State, without: Region | None, thinned: float, sigma_mm: float, most: float
) -> tuple[State, Contact, Patches] | None:
    """Rounds in which only what does not gape counts, the first of them without a region; None where that is too
    little to lie on, or leaves far more than ``most`` to be explained."""
    for turn in range(ROUNDS):
        contact, patches = _looked_at(one, state, thinned)
        kept = patches.gaps < GAPES * sigma_mm
        if without is not None and turn < 2:
            kept = np.linalg.norm(patches.middles - without[0], axis=1) > without[1]
        if kept.sum() < PATCHES / 2:
            return None
        chosen = kept[patches.of]
        some = replace(contact, pairs=contact.pairs.where(chosen), residuals=contact.residuals[chosen],
                       shares=contact.shares[chosen])  # fmt: skip
        state, moved = one.approached(state, [some], free=True)
        if turn == 3 and unexplained(patches.gaps, patches.shares, sigma_mm) > HOPELESS * most:
            return None
        if turn >= 2 and moved < 10.0 * one.finest:
            break
    return state, *_looked_at(one, state, thinned)


def _vertices(one: Solver, state: State, contact: Contact, gapes: Mask) -> tuple[Mask, Mask]:
    """The vertices of both faces whose nearest pair gapes."""
    tree = cKDTree(contact.pairs.middles)
    ends = zip(one.sides[0], (contact.a, contact.b), strict=True)
    first, second = (gapes[tree.query(apply(state.poses[n], side.points))[1]] for side, n in ends)
    return first, second
