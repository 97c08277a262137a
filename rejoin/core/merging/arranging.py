"""How all views of a piece go together: poses of two views put together, the arrangement that closes, and its rival."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.merging.close import CLASHING, ODD, Close, Fine
from rejoin.core.merging.closing import ASKED, FEW
from rejoin.core.merging.hanging import in_air
from rejoin.core.merging.looks import Arrangement, Known, Longer, Looks, Poses, alone, apart, arrangement_of
from rejoin.core.merging.settling import settled
from rejoin.core.merging.sight import odd_share
from rejoin.core.merging.sliding import LESS, SLIDE
from rejoin.core.records import FloatArray
from rejoin.core.settings import Report
from rejoin.core.transforms import displacement, inverse

Ways = dict[tuple[int, int], list[Close]]

WORTH_RESTING = 0.3
"""Share of the best score below which an arrangement is not followed to its end."""
BEAM, HOPELESS = 12, 0.02
"""Arrangements that are followed at a time; the share of the best score below which one is not."""
WORTH = 0.02
"""A view is placed where its pose scores at least this much (`Close.score`)."""
QUICK = 4
"""Every so-manyth place is enough while arrangements only grow."""
SWAPPED = 3
"""Ways of each two views, the best, that are tried instead of the one that an arrangement holds."""
AMBIGUOUS = 0.65
"""Where another arrangement is worth nearly as much as the best (this share of it), nothing is merged."""
SAME, NEAR = 8.0, 2
"""Spacings within which two arrangements may be one place, held loosely; how many such are adjusted beside the best."""
ONE = 0.5
"""Spacings within which two arrangements have come to rest in one place."""
CHANGED = 6
"""Arrangements with one view placed otherwise that are brought to rest beside the best."""
FAR = 0.3
"""Share of a view's size by which two ways to lay it are apart where the piece repeats itself."""
OPEN = 0.1
"""Share of the surface without an inside at which an arrangement is hardly believed any more beside one that closes."""

LEAST_LEAD = 8.0
"""Nats by which a place on a slide fits better than the next: odds of some thousand to one."""


def arranged(known: Known, ways: Ways, report: Report) -> tuple[Arrangement, list[Arrangement], list[Arrangement]]:
    """The arrangement of as many views as can be placed that closes best and against which least speaks.

    Returns
    -------
    best : Arrangement
    rivals : list of Arrangement
        Those that clearly are others, the best first.
    near : list of Arrangement
        Places hardly apart from the best and nearly as good: whether they are others shows in the adjustment.
    """
    fine, looks, quick = known.fine, Looks(known), Looks(known, QUICK)
    beam = _begun(ways, quick)
    if not beam:
        return alone(looks, int(np.argmax([len(f.points) for f in fine]))), [], []
    for placed in range(2, len(fine)):
        report(placed / len(fine), "Looking how all views go together")
        longer = _best([grown for one in beam for grown in _grown(one, ways, known)], quick)
        if not longer:
            break
        beam = longer
    report(1.0, "Looking whether they go together in another way too")
    worth = [one.poses for one in beam if one.score > WORTH_RESTING * beam[0].score]
    beam = _ranked(_rested(worth, [], looks), fine)
    beam = _ranked([*beam, *_rested(changed(beam[0], ways, looks), beam, looks)], fine)
    beam = [one for one in beam if not any(_worse_place(one, other, fine) for other in beam)]
    best, *others = beam
    like = [one for one in others if one.poses.keys() == best.poses.keys()]
    near = [one for one in like if apart(one.poses, best.poses, fine) < SAME]
    rivals = sorted((one for one in others if one not in near), key=lambda one: -told(one, best, known))
    return best, rivals, [one for one in near if one.worth > AMBIGUOUS * best.worth][:NEAR]


def told(one: Arrangement, beside: Arrangement, known: Known) -> float:
    """What an arrangement is worth by its surfaces, and by its marks as another one stands on them."""
    return float(one.worth * np.exp(min(known.nats(one.poses) - known.nats(beside.poses), 0.0)))


def _ranked(some: list[Arrangement], fine: list[Fine]) -> list[Arrangement]:
    return _unlike(sorted(some, key=lambda one: -one.worth), fine, BEAM)


def changed(one: Arrangement, ways: Ways, looks: Looks) -> list[Poses]:
    """An arrangement's poses with one view placed otherwise: as another view holds it, or as the piece repeats itself.

    A view that shares little with the others in its right place is not found there by what it shares. But where the
    piece is nearly the same from two sides, two views show it: they go together in two ways, and the motion from the
    one to the other brings every view to where it could stand as well.
    """
    fine, best, longer = looks.known.fine, {pair: some[:SWAPPED] for pair, some in ways.items()}, list[Longer]()
    motions = _repeats(one, ways, fine)
    for number in one.poses:
        rest = arrangement_of({n: pose for n, pose in one.poses.items() if n != number}, looks)
        longer += [other for other in _grown(rest, best, looks.known) if other.new == number]
        moved = (Longer(rest, number, motion @ one.poses[number]) for motion in motions)
        longer += [other for other in moved if looks.known.allows(other.poses, number)]
    longer = [other for other in longer if not _alike(one.poses, other.poses, fine)]
    worth = abreast(lambda other, _: _closes(other, looks), longer)
    order = sorted(range(len(longer)), key=lambda place: -worth[place])
    found: list[Poses] = []
    for place in order:
        if len(found) < CHANGED and not any(_alike(longer[place].poses, other, fine) for other in found):
            found.append(longer[place].poses)
    return found


def _closes(one: Longer, looks: Looks) -> float:
    """What an arrangement is worth before it has come to rest: a little apart, surfaces that belong together clash."""
    doubts = one.doubts(looks).values()
    share = sum(doubt.below + doubt.unseen for doubt in doubts) / max(sum(doubt.asked for doubt in doubts), 1)
    return looks.inside(one.poses, FEW) - OPEN * share / ODD


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
    starts = sorted(((way.score, i, j, way) for (i, j), some in ways.items() for way in some),
                    key=lambda s: (not s[3].pointed_out, -s[0]))  # fmt: skip
    longer = [Longer(alone(looks, i), j, way.a_from_b)
              for _, i, j, way in starts[:BEAM] if _worth_trying(way)]  # fmt: skip
    return abreast(lambda one, _: one.judged(looks), longer)


def _worth_trying(way: Close) -> bool:
    return way.pointed_out or way.score >= WORTH


def _unlike(some: list[Arrangement], fine: list[Fine], most: int) -> list[Arrangement]:
    """The first, without arrangements that are nearly another's."""
    kept: list[Arrangement] = []
    for one in some:
        if len(kept) < most and not any(_alike(one.poses, other.poses, fine) for other in kept):
            kept.append(one)
    return kept


def _alike(one: Poses, other: Poses, fine: list[Fine]) -> bool:
    return one.keys() == other.keys() and apart(one, other, fine) < 4.0


def _worse_place(one: Arrangement, other: Arrangement, fine: list[Fine]) -> bool:
    """Whether an arrangement is a worse place on the slide of another (`sliding`)."""
    if one.poses.keys() != other.poses.keys() or apart(one.poses, other.poses, fine) > 3.0 * SLIDE:
        return False
    if one.agree < LESS * other.agree:
        return one.worth < other.worth and other.lead_over(one) > -LEAST_LEAD
    return LESS * one.agree < other.agree and other.lead_over(one) > LEAST_LEAD


def _rested(some: list[Poses], beside: list[Arrangement], looks: Looks) -> list[Arrangement]:
    """Views brought to rest on each other, judged and weighed: each place once, and none of those ``beside``."""
    fine, places, known = looks.known.fine, list[Poses](), [one.poses for one in beside]
    for rest in abreast(lambda poses, _: settled(poses, fine, 6.0 * max(fine[n].spacing_mm for n in poses)), some):
        same = (rest.keys() == other.keys() and apart(rest, other, fine) < ONE for other in (*known, *places))
        if not any(same):
            places.append(rest)

    return abreast(lambda poses, _: weighed(poses, looks), places)


def weighed(poses: Poses, looks: Looks) -> Arrangement:
    """An arrangement's poses, judged, with what it is worth."""
    result = arrangement_of(poses, looks)
    return replace(result, worth=worth_of(result, looks))


def worth_of(one: Arrangement, looks: Looks) -> float:
    """How far an arrangement closes, less all that speaks against it."""
    against = one.clash / max(one.agree + one.clash, 1) / CLASHING
    against += in_air(one.poses, looks.known.fine) / CLASHING
    against += odd_share(one.poses, looks.known.sights, one.doubts) / ODD
    return float(np.exp(-against - (1.0 - min(looks.inside(one.poses, ASKED), 1.0)) / OPEN))


def _grown(one: Arrangement, ways: Ways, known: Known) -> list[Longer]:
    """Each view that is not placed yet, as each one that is holds it."""
    found = []
    for (i, j), some in ways.items():
        for old, new in ((i, j), (j, i)):
            if old in one.poses and new not in one.poses:
                for way in some:
                    if _worth_trying(way):
                        old_from_new = way.a_from_b if old == i else inverse(way.a_from_b)
                        found.append(Longer(one, new, one.poses[old] @ old_from_new))
    return [longer for longer in found if known.allows(longer.poses, longer.new)]


def _best(longer: list[Longer], looks: Looks) -> list[Arrangement]:
    """The `BEAM` best, best first, of which none is nearly another's; what cannot be among them is not judged fully."""
    found, kept = list[Arrangement](), list[Arrangement]()
    reach = abreast(lambda one, _: one.at_best(looks), longer)
    order = sorted(range(len(longer)), key=lambda place: -reach[place])
    for start in range(0, len(order), BEAM):
        least = kept[-1].score if len(kept) == BEAM else HOPELESS * kept[0].score if kept else 0.0
        some = [place for place in order[start : start + BEAM] if reach[place] >= least]
        if not some:
            break
        found += abreast(lambda place, _: longer[place].judged(looks), some)
        kept = _unlike(sorted(found, key=lambda one: -one.score), looks.known.fine, BEAM)
    return [one for one in kept if one.score >= HOPELESS * kept[0].score]
