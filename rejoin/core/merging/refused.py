"""Why views are not made one, and what would help: which hold together, which do not, what speaks against it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from itertools import combinations

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import CLASHING, ODD, Close, judged
from rejoin.core.merging.closing import ASKED
from rejoin.core.merging.looks import Arrangement, Known, Looks, Poses, shifts_mm
from rejoin.core.merging.sight import left
from rejoin.core.records import Fragment
from rejoin.core.transforms import inverse

BY_MARKS = (
    "Or tell how two of them go together: open the scans one by one, mark the same three places on both, and make them "
    "one piece (command line: --marks)."
)
"""What helps where views can be laid on each other by eye only."""
OTHER_PIECES = "If the files are of different fragments, open each by its file, not by the folder."
ON_EDGE = "A thin plate needs a view in which it stands on its edge and both its sides are seen."
THIRD = 1 / 3
"""Share of a view's surface from which it shares enough with another."""
OPEN = 0.1
"""Share of the surface without an inside from which views are said to leave a side open."""
SAME = 8.0
"""Spacings within which a view stands in the same place in two arrangements."""
TURNED_DEG = 5.0
"""Turn from which two ways to lay a view are told by their angle, not by their distance."""

Groups = tuple[list[int], list[int]]


def not_laid() -> NoAnswer:
    """No two views go together."""
    return NoAnswer(
        "No two of the views of this fragment could be laid on each other.",
        "Scan it again, so that each view shares a third of its surface with another, or put only one scan in the "
        f"folder. {ON_EDGE} {OTHER_PIECES} {BY_MARKS}",
    )  # fmt: skip


def not_closed(best: Arrangement, known: Known, views: Sequence[Fragment]) -> NoAnswer:
    """The best arrangement is not believed: what holds together in it, what does not, and what speaks against it."""
    groups, share = weakest_link(best.poses, known)
    told, helps = list[str](), list[str]()
    if groups is not None and share < THIRD:
        more, fewer = (_listed(group, views) for group in groups)
        alone = "are alike" if len(groups[0]) == 1 else "hold together"
        first = f"{more} {alone}; " if len(groups[0]) > 1 else ""
        told.append(f"{first}{fewer} {'shares' if len(groups[1]) == 1 else 'share'} only {100 * share:.0f} % of the "
                    f"surface with {'them' if first else more}")  # fmt: skip
        helps.append(_between(more, fewer))
    lost = [n for n in range(len(views)) if n not in best.poses]
    if lost:
        rest = _listed(best.poses, views)
        told.append(f"{_listed(lost, views)} could be laid on none of {rest}")
        helps.append(_between(rest, _listed(lost, views)))
    if not told:
        told, helps = _against(best, known, views)
    return NoAnswer(f"The views of this fragment could not be laid on each other so that they close it: "
                    f"{'. '.join(_upper(told))}.",
                    f"{' '.join(helps)} {OTHER_PIECES} {BY_MARKS}")  # fmt: skip


def _upper(told: list[str]) -> list[str]:
    return [told[0], *(one[:1].upper() + one[1:] for one in told[1:])]


def _between(more: str, fewer: str) -> str:
    return f"Put one more scan in the folder: one that shows a third of what is seen in {more}, and a third of {fewer}."


def _against(best: Arrangement, known: Known, views: Sequence[Fragment]) -> tuple[list[str], list[str]]:
    """What speaks against an arrangement whose views share enough, and what would help."""
    told, helps = list[str](), list[str]()
    odd, clash = _odd(best, known), _clashing(best, known)
    pair, share = odd if odd[1] / ODD > clash[1] / CLASHING else clash
    if share > (ODD if pair is odd[0] else CLASHING):
        i, j = (views[n].scan.name for n in pair)
        told.append(f"{i} should show {100 * share:.0f} % of what {j} shows, and does not" if pair is odd[0] else
                    f"{i} and {j} contradict each other over {100 * share:.0f} % of what both show")  # fmt: skip
        helps.append(f"Look at {i} and {j}: is one of another piece, or did the piece or its clay move while it was "
                     "scanned? Scan that one again. A piece that is nearly the same from two sides wants something "
                     "uneven stuck to it, that stays in place through all views.")  # fmt: skip
    if not told or 1.0 - Looks(known).inside(best.poses, ASKED) > OPEN:
        told.append("together they leave a side of it open")
        helps.append(f"Put one more scan in the folder, of the side that is in none of them. {ON_EDGE}")
    return told, helps


def _odd(best: Arrangement, known: Known) -> tuple[tuple[int, int], float]:
    """The view that most should show of what another shows, and does not; and what share of it."""
    shares = {
        (i, j): (doubt.below + left(doubt, i, j, best.poses, known.sights).unseen) / max(doubt.asked, 1)
        for (i, j), doubt in best.doubts.items()
    }
    return max(shares.items(), key=lambda one: one[1], default=((0, 0), 0.0))


def _clashing(best: Arrangement, known: Known) -> tuple[tuple[int, int], float]:
    """The two views that clash most, and over what share of what both show."""
    pairs = combinations(sorted(best.poses), 2)
    shares = {pair: _told(pair, best.poses, known).clash_share for pair in pairs}
    return max(shares.items(), key=lambda one: one[1], default=((0, 0), 0.0))


def _told(pair: tuple[int, int], poses: Poses, known: Known) -> Close:
    i, j = pair
    return judged(known.fine[i], known.fine[j], inverse(poses[i]) @ poses[j])


def weakest_link(poses: Poses, known: Known) -> tuple[Groups | None, float]:
    """The two sets of placed views that share least, the larger first, and the largest share that a view of one has.

    The weakest link of the tree that joins all views by their largest shares.
    """
    shares = {pair: _shared(pair, poses, known) for pair in combinations(sorted(poses), 2)}
    groups, share = {n: [n] for n in poses}, 1.0
    for (i, j), one in sorted(shares.items(), key=lambda item: -item[1]):
        if groups[i] is groups[j]:
            continue
        if len(groups[i]) + len(groups[j]) == len(poses):
            both = sorted((sorted(groups[i]), sorted(groups[j])), key=len, reverse=True)
            return (both[0], both[1]), one
        whole = groups[i] + groups[j]
        groups.update(dict.fromkeys(whole, whole))
    return None, share


def _shared(pair: tuple[int, int], poses: Poses, known: Known) -> float:
    """The larger of the shares of two views that the other shows too."""
    return max(float(_told(way, poses, known).share) for way in (pair, pair[::-1]))


def in_two_ways(best: Arrangement, known: Known, views: Sequence[Fragment]) -> NoAnswer:
    """Another arrangement is nearly as good: which views could stand otherwise, and how far from where they stand."""
    what, share = "", 0.0
    moved = _moved(best, known)
    if moved is not None:
        movers, stay, apart = moved
        share = max(_shared((i, j), best.poses, known) for i in movers for j in stay)
        what = f": {_listed(movers, views)} could stand on {_listed(stay, views)} in two ways, {apart}"
    more = f" They share {100 * share:.0f} % of their surface now." if what and share < THIRD else ""
    wanted = "so that each view shares more of its surface with the next, " if not what or more else ""
    return NoAnswer(
        f"The views of this fragment go together in more than one way nearly as well, so none is taken{what}.",
        f"Scan it again {wanted}with something uneven stuck to it where these views show it (marks, or a lump of clay, "
        f"that stay in place through all views), or put one whole scan in the folder.{more} {BY_MARKS}",
    )  # fmt: skip


def _moved(best: Arrangement, known: Known) -> tuple[list[int], list[int], str] | None:
    """The views that stand elsewhere in the other arrangement, those that do not, and how far the former are apart."""
    other = best.other
    if other is None or other.keys() != best.poses.keys():
        return None
    spacing = max(known.fine[n].spacing_mm for n in best.poses)

    def seen_from(root: int) -> dict[int, float]:
        first = {root: best.poses[root], **best.poses}
        return {root: 0.0, **shifts_mm(first, {n: other[n] for n in first}, known.fine)}

    shifts = max((seen_from(root) for root in best.poses),
                 key=lambda shifts: sum(shift < SAME * spacing for shift in shifts.values()))  # fmt: skip
    movers = sorted(n for n, shift in shifts.items() if shift >= SAME * spacing)
    stay = sorted(set(shifts) - set(movers))
    if not movers:
        return None
    turns = (inverse(one[stay[0]]) @ one[movers[0]] for one in (best.poses, other))
    first, second = (pose[:3, :3] for pose in turns)
    degrees = np.rad2deg(np.arccos(np.clip(0.5 * (np.trace(first.T @ second) - 1.0), -1.0, 1.0)))
    far = max(shifts[n] for n in movers)
    return movers, stay, f"turned by {degrees:.0f} degrees" if degrees > TURNED_DEG else f"{far:.1f} mm apart"


def too_weak(views: Sequence[Fragment], far: str, loosest: int | None) -> NoAnswer:
    """A view may be too far out of place."""
    which = "" if loosest is None else f" (most of all {views[loosest].scan.name})"
    return NoAnswer(
        f"The views of this fragment hold each other too weakly: {far}{which}.",
        "Scan it again so that each view shares more of its surface with the next: surfaces that face three ways, not "
        f"only walls that run one way. {ON_EDGE}",
    )  # fmt: skip


def _listed(numbers: Iterable[int] | Collection[int], views: Sequence[Fragment]) -> str:
    *first, last = (views[n].scan.name for n in sorted(numbers))
    return f"{', '.join(first)} and {last}" if first else last
