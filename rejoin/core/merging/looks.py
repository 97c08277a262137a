"""Views put together into an arrangement, each two of them judged in a pose once, and only as far as is asked."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from rejoin.core.merging.close import CLASHING, ODD, Close, Fine, covered, judged
from rejoin.core.merging.closing import inside, shows
from rejoin.core.merging.coarse import Seen
from rejoin.core.merging.pointed import Pointed, between
from rejoin.core.merging.sight import Doubt, Sight
from rejoin.core.records import FloatArray
from rejoin.core.transforms import displacement, identity, inverse

ALIKE = 6.0
"""Places asked that err alike: noise hangs together over some five spacings, and every second place is asked."""
A_CLASH = 3.0
"""Nats of a clash of its own: in a right place an edge or clay explains not one in twenty."""

BoolArray = npt.NDArray[np.bool_]
Poses = dict[int, FloatArray]


@dataclass(frozen=True, eq=False)
class Known:
    """All views: at full resolution, thinned, what each would have seen, and where they were marked."""

    fine: list[Fine]
    seen: list[Seen]
    sights: list[Sight]
    marked: list[Pointed] = field(default_factory=list)

    def allows(self, poses: Poses, new: int) -> bool:
        """Whether view ``new`` stands on the others as it was marked."""
        return all(
            one.allows(inverse(poses[other]) @ poses[new], self.fine[new])
            for other in poses
            if other != new
            for one in between(self.marked, other, new)
        )


    def nats(self, poses: Poses) -> float:
        """How likely the marks are in an arrangement (log): 0 where all fall together."""
        there = (one for one in self.marked if {one.a, one.b} <= poses.keys())
        return sum(one.nats(inverse(poses[one.a]) @ poses[one.b]) for one in there)


@dataclass(frozen=True, eq=False)
class Arrangement:
    """Some views placed: ``poses`` first_from_view by view, covered rims, agreements and clashes.

    ``squares_mm2`` is the sum of the agreeing places' squared misfits, ``doubts`` what view i says against view j;
    ``worth`` is what the arrangement is worth beside others, once it has come to rest; ``other`` are the poses of the
    next best that clearly is another.
    """

    poses: Poses
    rims: dict[int, BoolArray]
    agree: int
    clash: int
    squares_mm2: float = 0.0
    doubts: dict[tuple[int, int], Doubt] = field(default_factory=dict)
    worth: float = 0.0
    other: Poses | None = None

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


class Look:
    """View j in a pose on view i, by one of ``every`` so many places; each thing is told once it is asked for."""

    def __init__(self, known: Known, i: int, j: int, pose: FloatArray, every: int = 1) -> None:
        self._known, self._i, self._j, self._pose, self._every = known, i, j, pose, every

    @cached_property
    def told(self) -> Close:
        """How they agree."""
        return judged(self._known.fine[self._i], self._known.fine[self._j], self._pose, self._every)

    @cached_property
    def shown(self) -> BoolArray:
        """Which of j's points, thinned, i shows too."""
        return shows(self._known.seen[self._i], self._known.seen[self._j], self._pose)

    @cached_property
    def rims(self) -> tuple[BoolArray, BoolArray]:
        """Rim vertices of j under which i runs on, and of i under which j does."""
        a, b = (self._known.fine[n] for n in (self._i, self._j))
        return covered(a, b, self._pose, self._every), covered(b, a, inverse(self._pose), self._every)

    @cached_property
    def doubts(self) -> tuple[Doubt, Doubt]:
        """What i says against j, and j against i."""
        first, second = (self._known.sights[n] for n in (self._i, self._j))
        return first.doubts(second, self._pose), second.doubts(first, inverse(self._pose))


class Looks:
    """Two views judged in a pose once, however many arrangements hold them so, by one of ``every`` so many places."""

    def __init__(self, known: Known, every: int = 1) -> None:
        self.known, self.every = known, every
        self._looks: dict[tuple[int, int, bytes], Look] = {}

    def at(self, i: int, j: int, i_from_j: FloatArray) -> Look:
        """How view j lies on view i."""
        # Rounded, so that what is told depends on the key alone and not on who asked first.
        pose = np.round(i_from_j, 9)
        key = i, j, pose.tobytes()
        if key not in self._looks:
            self._looks[key] = Look(self.known, i, j, pose, self.every)
        return self._looks[key]

    def rims(self, number: int) -> int:
        """How many of a view's rim vertices are asked."""
        return len(self.known.fine[number].asked_rim[:: self.every])

    def inside(self, poses: Poses, most: int) -> float:
        """How far views close (`closing.inside`)."""
        return inside(poses, self.known.seen, most, lambda i, j, pose: self.at(i, j, pose).shown)


@dataclass(frozen=True, eq=False)
class Longer:
    """An arrangement to which view ``new`` is to be added in a ``pose``, first_from_view; nothing is judged yet."""

    one: Arrangement
    new: int
    pose: FloatArray

    @property
    def poses(self) -> Poses:
        return {**self.one.poses, self.new: self.pose}

    def looked(self, looks: Looks) -> list[tuple[int, Look]]:
        """The new view on each of the others."""
        return [(n, looks.at(n, self.new, inverse(other) @ self.pose)) for n, other in self.one.poses.items()]

    def doubts(self, looks: Looks) -> dict[tuple[int, int], Doubt]:
        """What each view says against each other one."""
        told = dict(self.one.doubts)
        for number, look in self.looked(looks):
            told[number, self.new], told[self.new, number] = look.doubts
        return told

    def at_best(self, looks: Looks) -> float:
        """A score that it does not reach, by what agrees and clashes alone."""
        told = [look.told for _, look in self.looked(looks)]
        agree, clash = (sum(numbers) for numbers in ([self.one.agree, *(one.agree for one in told)],
                                                     [self.one.clash, *(one.clash for one in told)]))  # fmt: skip
        return float(np.exp(-clash / max(agree + clash, 1) / CLASHING))

    def judged(self, looks: Looks) -> Arrangement:
        """The longer arrangement."""
        one, agree, clash, squares = self.one, self.one.agree, self.one.clash, self.one.squares_mm2
        rims, own = dict(one.rims), np.zeros(looks.rims(self.new), bool)
        for number, look in self.looked(looks):
            told, (over, under) = look.told, look.rims
            agree, clash = agree + told.agree, clash + told.clash
            squares += told.agree * told.misfit_mm**2 if np.isfinite(told.misfit_mm) else 0.0
            own, rims[number] = own | over, rims[number] | under
        return Arrangement(self.poses, {**rims, self.new: own}, agree, clash, squares, self.doubts(looks))


def alone(looks: Looks, number: int) -> Arrangement:
    """One view, in its own frame."""
    return Arrangement({number: identity()}, {number: np.zeros(looks.rims(number), bool)}, 0, 0)


def arrangement_of(poses: Poses, looks: Looks) -> Arrangement:
    """Views in given poses, judged."""
    first, *others = poses
    result = replace(alone(looks, first), poses={first: poses[first]})
    for number in others:
        result = Longer(result, number, poses[number]).judged(looks)
    return result


def apart(one: Poses, other: Poses, fine: list[Fine]) -> float:
    """How far the views of two arrangements stand apart at most, spacings."""
    return max((mm / fine[n].spacing_mm for n, mm in shifts_mm(one, other, fine, 20).items()), default=0.0)


def shifts_mm(one: Poses, other: Poses, fine: list[Fine], places: int = 60) -> dict[int, float]:
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
