"""How all views of a piece go together: poses of two views put together, the arrangement that closes, and its rival."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from rejoin.core.abreast import abreast
from rejoin.core.merging.close import CLASHING, ODD, Close, Fine, covered, judged
from rejoin.core.merging.closing import FEW, inside
from rejoin.core.merging.coarse import Seen
from rejoin.core.merging.hanging import in_air
from rejoin.core.merging.settling import settled
from rejoin.core.merging.sight import Doubt, Sight, odd_share
from rejoin.core.merging.sliding import LESS, SLIDE
from rejoin.core.records import FloatArray
from rejoin.core.settings import Report
from rejoin.core.transforms import displacement, identity, inverse

WORTH_RESTING = 0.3
"""Share of the best score below which an arrangement is not followed to its end."""
BEAM = 12
"""Arrangements that are followed at a time."""
WORTH = 0.02
"""A view is placed where its pose scores at least this much (`Close.score`)."""
SWAPPED = 3
"""Ways of each two views, the best, that are tried instead of the one that an arrangement holds."""
AMBIGUOUS = 0.65
"""Where another arrangement is worth nearly as much as the best (this share of it), nothing is merged."""
SAME, NEAR = 8.0, 2
"""Spacings within which two arrangements may be one place, held loosely; how many such are adjusted beside the best."""
CHANGED = 6
"""Arrangements with one view placed otherwise that are brought to rest beside the best."""
FAR = 0.3
"""Share of a view's size by which two ways to lay it are apart where the piece repeats itself."""
OPEN = 0.1
"""Share of the surface without an inside at which an arrangement is hardly believed any more beside one that closes."""

ALIKE = 6.0
"""Places asked that err alike: noise hangs together over some five spacings, and every second place is asked."""
A_CLASH = 3.0
"""Nats of a clash of its own: in a right place an edge or clay explains not one in twenty."""
LEAST_LEAD = 8.0
"""Nats by which a place on a slide fits better than the next: odds of some thousand to one."""

BoolArray = npt.NDArray[np.bool_]
Ways = dict[tuple[int, int], list[Close]]


@dataclass(frozen=True, eq=False)
class Known:
    """All views: at full resolution, thinned, and what each would have seen."""

    fine: list[Fine]
    seen: list[Seen]
    sights: list[Sight]


@dataclass(frozen=True, eq=False)
class Arrangement:
    """Some views placed: ``poses`` first_from_view by view, covered rims, agreements and clashes.

    ``squares_mm2`` is the sum of the agreeing places' squared misfits, ``doubts`` what view i says against view j;
    ``worth`` is what the arrangement is worth beside others, once it has come to rest.
    """

    poses: dict[int, FloatArray]
    rims: dict[int, BoolArray]
    agree: int
    clash: int
    squares_mm2: float = 0.0
    doubts: dict[tuple[int, int], Doubt] = field(default_factory=dict)
    worth: float = 0.0

    def lead_over(self, other: Arrangement) -> float:
        """Nats by which its agreeing places fit better than another's and fewer clash."""
        own, theirs = (one.squares_mm2 / max(one.agree, 1) + 1e-18 for one in (self, other))
        fit = 0.5 * min(self.agree, other.agree) / ALIKE * float(np.log(theirs / own))
        return fit + A_CLASH * (other.clash - self.clash) / ALIKE

    @property
    def score(self) -> float:
        share = float(np.mean([rim.mean() if len(rim) else 1.0 for rim in self.rims.values()]))
        return share * self.sound

    @property
    def sound(self) -> float:
        """1 where nothing speaks against it."""
        asked = sum(doubt.asked for doubt in self.doubts.values())
        odd = sum(doubt.below + doubt.unseen for doubt in self.doubts.values()) / max(asked, 1)
        return float(np.exp(-self.clash / max(self.agree + self.clash, 1) / CLASHING - odd / ODD))


@dataclass(frozen=True, eq=False)
class Look:
    """View j in a pose on view i: how they agree, rim vertices of each under which the other runs on, both doubts."""

    told: Close
    over: BoolArray
    under: BoolArray
    doubt: Doubt
    doubt_back: Doubt


class Looks:
    """Two views judged in a pose once, however many arrangements hold them so."""

    def __init__(self, known: Known) -> None:
        self.known = known
        self._looks: dict[tuple[int, int, bytes], Look] = {}

    def at(self, i: int, j: int, i_from_j: FloatArray) -> Look:
        """How view j lies on view i."""
        # Rounded, so that what is told depends on the key alone and not on who asked first.
        pose = np.round(i_from_j, 9)
        key = i, j, pose.tobytes()
        if key not in self._looks:
            (a, b), back = (self.known.fine[n] for n in (i, j)), inverse(pose)
            first, second = self.known.sights[i], self.known.sights[j]
            self._looks[key] = Look(judged(a, b, pose), covered(a, b, pose), covered(b, a, back),
                                    first.doubts(second, pose), second.doubts(first, back))  # fmt: skip
        return self._looks[key]


def arranged(known: Known, ways: Ways, report: Report) -> tuple[Arrangement, float, list[Arrangement]]:
    """The arrangement of as many views as can be placed that closes best and against which least speaks.

    Returns
    -------
    best : Arrangement
    rival : float
        Worth of the next best that is clearly another, over that of the best.
    near : list of Arrangement
        Places hardly apart from the best and nearly as good: whether they are others shows in the adjustment.
    """
    fine, looks = known.fine, Looks(known)
    beam = _begun(ways, looks)
    if not beam:
        return _alone(fine, int(np.argmax([len(f.points) for f in fine]))), 0.0, []
    for placed in range(2, len(fine)):
        report(placed / len(fine), "Looking how all views go together")
        longer = [grown for some in abreast(lambda one, _: _grown(one, looks, ways), beam) for grown in some]
        longer.sort(key=lambda one: -one.score)
        if not longer:
            break
        beam = _unlike(longer, fine, BEAM)
    report(1.0, "Looking whether they go together in another way too")
    worth = [one for one in beam if one.score > WORTH_RESTING * beam[0].score]
    beam = _ranked(abreast(lambda one, _: _rested(one, looks), worth), fine)
    others = changed(beam[0], ways, looks)
    beam = _ranked([*beam, *abreast(lambda one, _: _rested(one, looks), others)], fine)
    beam = [one for one in beam if not any(_worse_place(one, other, fine) for other in beam)]
    best, *others = beam
    near = [one for one in others if one.poses.keys() == best.poses.keys() and apart(one, best, fine) < SAME]
    rival = max((one.worth for one in others if one not in near), default=0.0) / max(best.worth, 1e-12)
    return best, rival, [one for one in near if one.worth > AMBIGUOUS * best.worth][:NEAR]


def _ranked(some: list[Arrangement], fine: list[Fine]) -> list[Arrangement]:
    return _unlike(sorted(some, key=lambda one: -one.worth), fine, BEAM)


def changed(one: Arrangement, ways: Ways, looks: Looks) -> list[Arrangement]:
    """The arrangement with one view placed otherwise: as another view holds it, or as the piece repeats itself.

    A view that shares little with the others in its right place is not found there by what it shares. But where the
    piece is nearly the same from two sides, two views show it: they go together in two ways, and the motion from the
    one to the other brings every view to where it could stand as well.
    """
    fine, found, best = looks.known.fine, list[Arrangement](), {pair: some[:SWAPPED] for pair, some in ways.items()}
    for number in one.poses:
        rest = arrangement_of({n: pose for n, pose in one.poses.items() if n != number}, looks)
        found += [other for other in _grown(rest, looks, best) if number in other.poses]
        for motion in _repeats(one, ways, fine):
            found.append(_with(rest, number, motion @ one.poses[number], looks))
    worth = {id(other): _closes(other, looks.known) for other in found}
    found.sort(key=lambda other: -worth[id(other)])
    return [other for other in _unlike([one, *found], fine, CHANGED + 1) if other is not one]


def _closes(one: Arrangement, known: Known) -> float:
    """What an arrangement is worth before it has come to rest: a little apart, surfaces that belong together clash."""
    odd = sum(doubt.below + doubt.unseen for doubt in one.doubts.values())
    share = odd / max(sum(doubt.asked for doubt in one.doubts.values()), 1)
    return inside(one.poses, known.seen, FEW) - OPEN * share / ODD


def _repeats(one: Arrangement, ways: Ways, fine: list[Fine]) -> list[FloatArray]:
    """Motions in the common frame that take a view from one way on another to a second one far away."""
    motions = []
    for (i, j), some in ways.items():
        sound = [way for way in some if way.score >= WORTH]
        if i not in one.poses or not sound:
            continue
        corners = fine[j].points[:: max(1, len(fine[j].points) // 60)]
        far = next((way for way in sound if displacement(way.a_from_b, sound[0].a_from_b, corners).max()
                    > FAR * fine[j].size_mm), None)  # fmt: skip
        if far is not None:
            motion = one.poses[i] @ far.a_from_b @ inverse(one.poses[i] @ sound[0].a_from_b)
            motions += [motion, inverse(motion)]
    return motions


def _begun(ways: Ways, looks: Looks) -> list[Arrangement]:
    """The best poses of two views."""
    starts = sorted(((way.score, i, j, way) for (i, j), some in ways.items() for way in some), key=lambda s: -s[0])
    return [_with(_alone(looks.known.fine, i), j, way.a_from_b, looks)
            for score, i, j, way in starts[:BEAM] if score >= WORTH]  # fmt: skip


def _unlike(some: list[Arrangement], fine: list[Fine], most: int) -> list[Arrangement]:
    """The first, without arrangements that are nearly another's."""
    kept: list[Arrangement] = []
    for one in some:
        if len(kept) < most and not any(_alike(one, other, fine) for other in kept):
            kept.append(one)
    return kept


def _alike(one: Arrangement, other: Arrangement, fine: list[Fine]) -> bool:
    return one.poses.keys() == other.poses.keys() and apart(one, other, fine) < 4.0


def _worse_place(one: Arrangement, other: Arrangement, fine: list[Fine]) -> bool:
    """Whether an arrangement is a worse place on the slide of another (`sliding`)."""
    if one.poses.keys() != other.poses.keys() or apart(one, other, fine) > 3.0 * SLIDE:
        return False
    if one.agree < LESS * other.agree:
        return one.worth < other.worth and other.lead_over(one) > -LEAST_LEAD
    return LESS * one.agree < other.agree and other.lead_over(one) > LEAST_LEAD


def apart(one: Arrangement, other: Arrangement, fine: list[Fine]) -> float:
    """How far the views of two arrangements stand apart at most, spacings."""
    return max((mm / fine[n].spacing_mm for n, mm in shifts_mm(one.poses, other.poses, fine, 20).items()), default=0.0)


def shifts_mm(
    one: dict[int, FloatArray], other: dict[int, FloatArray], fine: list[Fine], places: int = 60
) -> dict[int, float]:
    """How far each view but the first stands in some poses from where it stands in others, as the first one sees it.

    Parameters
    ----------
    one, other : dict of int to (4, 4)
        common_from_view.
    fine : list of Fine
        Of all views.
    places : int
        So many points of each view are followed.
    """
    root, *others = one
    moved = {}
    for number in others:
        first, second = (inverse(poses[root]) @ poses[number] for poses in (one, other))
        points = fine[number].points
        moved[number] = float(displacement(first, second, points[:: max(1, len(points) // places)]).max())
    return moved


def _rested(one: Arrangement, looks: Looks) -> Arrangement:
    """The arrangement with all its views brought to rest on each other, judged anew and weighed."""
    known = looks.known
    poses = settled(one.poses, known.fine, 6.0 * max(known.fine[n].spacing_mm for n in one.poses))
    result = arrangement_of(poses, looks)
    return replace(result, worth=worth_of(result, known))


def worth_of(one: Arrangement, known: Known) -> float:
    """How far an arrangement closes, less all that speaks against it."""
    against = one.clash / max(one.agree + one.clash, 1) / CLASHING
    against += in_air(one.poses, known.fine) / CLASHING
    against += odd_share(one.poses, known.sights, one.doubts) / ODD
    return float(np.exp(-against - (1.0 - min(inside(one.poses, known.seen), 1.0)) / OPEN))


def _alone(fine: list[Fine], number: int) -> Arrangement:
    return Arrangement({number: identity()}, {number: np.zeros(fine[number].rim_asked, bool)}, 0, 0)


def arrangement_of(poses: dict[int, FloatArray], looks: Looks) -> Arrangement:
    """Views in given poses, judged."""
    first, *others = poses
    result = replace(_alone(looks.known.fine, first), poses={first: poses[first]})
    for number in others:
        result = _with(result, number, poses[number], looks)
    return result


def _grown(one: Arrangement, looks: Looks, ways: Ways) -> list[Arrangement]:
    found = []
    for (i, j), some in ways.items():
        for known, new in ((i, j), (j, i)):
            if known in one.poses and new not in one.poses:
                for way in some:
                    if way.score >= WORTH:
                        known_from_new = way.a_from_b if known == i else inverse(way.a_from_b)
                        found.append(_with(one, new, one.poses[known] @ known_from_new, looks))
    return found


def _with(one: Arrangement, new: int, pose: FloatArray, looks: Looks) -> Arrangement:
    rims, agree, clash, doubts, squares = dict(one.rims), one.agree, one.clash, dict(one.doubts), one.squares_mm2
    own = np.zeros(looks.known.fine[new].rim_asked, bool)
    for number, other in one.poses.items():
        look = looks.at(number, new, inverse(other) @ pose)
        agree, clash = agree + look.told.agree, clash + look.told.clash
        squares += look.told.agree * look.told.misfit_mm**2 if np.isfinite(look.told.misfit_mm) else 0.0
        own, rims[number] = own | look.over, rims[number] | look.under
        doubts[number, new], doubts[new, number] = look.doubt, look.doubt_back
    return Arrangement({**one.poses, new: pose}, {**rims, new: own}, agree, clash, squares, doubts)
