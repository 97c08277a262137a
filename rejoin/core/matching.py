"""Which faces of two fragments belong together, and how: search, refine, judge, compare."""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.evidence import LEAST_SCORE, PLENTY, Pose, certain, covering, decided, judge
from rejoin.core.flat import Laid, laid_by_rims, with_rivals
from rejoin.core.icp import approached
from rejoin.core.likeness import largest_pairs, most_telling, promising_pairs
from rejoin.core.polishing import distinct, refined_whole, slid_about
from rejoin.core.prepared import Prepared
from rejoin.core.records import FloatArray
from rejoin.core.rims import Rims
from rejoin.core.search import UNLIKE, Hypothesis, closer, correlated
from rejoin.core.settings import Report, silent
from rejoin.core.surfaces import alike, overlap, touching_limit
from rejoin.core.transforms import inverse
from rejoin.core.waiting import BY_BOTH, BY_INFORMATION, BY_OUTLINE, Start, Waiting

PAIRS = {1: 40, 2: 80, 3: 800}
"""Pairs of faces correlated at most, by thoroughness."""

BATCHES = (8, 16, 24)
"""Pairs of faces correlated before the best poses so far are followed up: first, then, and from then on."""

TRIES = (4, 6, 8)
"""Rough poses followed up after each batch."""

LAST = 16
"""Pairs of large faces that are looked at last, where nothing has been found."""

TELLING = 32
"""Pairs of faces of any outline that could share the most and are looked at before those."""

APART = {2: 192, 3: 320}
"""Pairs of faces of any outline that are looked at then, by thoroughness."""

PATIENT = 40
"""Rough poses that are followed up where a piece of several is still left over: where three meet, a face lies against a
part of another, and what the parts tell stands far down among what the wholes do."""

CLEAR = 32
"""Rough poses that run neither fragment through the other and are followed up where nothing was found: two shells
of one bowl lie within each other in any number of poses, and their broad faces tell more than their breaks."""

FINALISTS = 4
"""Clearly different poses that are refined on the whole fragments and judged against each other."""

PARTLY_UNLIKE = 2.5
"""How much the relief of two faces may differ where only a part of one is the other's."""

HIDDEN = 24
"""Rough poses that are followed up of faces whose relief differs by more, where nothing else was found: a face that
runs on over ribs beside the break looks nothing like the break, yet holds it."""

COVERING = 0.65
"""Overlap of two height maps, over both, from which the faces may cover each other wholly: rims are ragged there."""

ROUGHLY = 0.5
"""The same, where the faces do cover each other once they are approached: a rough pose may be well aside."""

WHOLLY = 0.9
"""Share of both faces in contact from which they cover each other wholly."""

PLAIN = 2.0 * PLENTY
"""Score from which faces that cover each other wholly belong together, though so smooth that they could slide."""

THROUGH = PLENTY
"""A start whose score is as far below nothing runs one fragment through the other."""

FLAT_TRIES = 3
"""Starts whose rims are looked at after each batch."""

HOPELESS = 0.05
"""A start with less than this share of the best score is no rival, however it is refined."""


def match_pair(first: Prepared, second: Prepared, thoroughness: int = 2, report: Report = silent) -> list[Pose]:
    """Judged poses of two fragments, best first, clearly different ones only: a `Search` from its beginning."""
    return Search(first, second).deepen(thoroughness, report)


class Search:
    """What was tried of two fragments' faces, and what came of it; ``starts`` stay sorted, best first."""

    def __init__(self, first: Prepared, second: Prepared) -> None:
        self.a, self.b, self.galleries = first.surface, second.surface, (first.gallery, second.gallery)
        self.outlines = first.outlines, second.outlines
        self.done = self.batches = 0
        self.waiting = Waiting()
        self.unlike: list[tuple[int, int]] = []
        self.telling: list[tuple[int, int]] = []
        self.starts: list[Start] = []
        self.refined: list[tuple[Start, Pose]] = []
        self.laid: list[Laid] = []
        self.rims_seen: list[Start] = []
        self.rims = Rims(self.a, self.b)

    def glance(self) -> list[Pose]:
        """Judged poses, best first, from the likeliest few pairs of faces; none where the best of them tells little."""
        self._compare_next(self._pairs(1))
        self._clear()
        telling = any(pose.evidence.score > LEAST_SCORE for _, pose in self.refined)
        return self._finalists(slide=False) if telling else []

    def deepen(self, thoroughness: int, report: Report = silent) -> list[Pose]:
        """Judged poses, best first, clearly different ones only; goes on where an earlier call ended.

        The most promising pairs of faces are tried first; the search ends once
        a pose is found that leaves no doubt.

        Parameters
        ----------
        thoroughness : int
            1 to 3: how many pairs of faces are tried at most.
        report : Report, optional
        """
        pairs = self._pairs(thoroughness)
        if not self.batches:
            self._compare_next(pairs)
        while not self._clear():
            if not self._smooth_but_certain:
                self._look_at_rims()
            if self.done >= len(pairs) or (self.done >= PAIRS[1] and self._worth_placing):
                break
            report(self.done / len(pairs), "Comparing faces")
            self._compare_next(pairs)
        poses = self._finalists()
        last: tuple[Callable[[], None], ...] = (
            lambda: self._follow_up(TRIES[-1], BY_OUTLINE), lambda: self._follow_up(CLEAR, BY_BOTH, clear=True),
            lambda: self._compare_telling(pairs),
            lambda: self._compare_parts(pairs, thoroughness), self._compare_unlike,
        )  # fmt: skip
        for look in last if thoroughness > 1 else ():
            if not self._found(poses):
                look()
                self._look_at_rims()
                poses = self._finalists()
        return self._with_rivals(poses)

    def persist(self) -> list[Pose]:
        """The same after many more of the rough poses were followed up, for a piece that is left over of several."""
        self._follow_up(PATIENT, BY_INFORMATION)
        return self._with_rivals(self._finalists())

    def _with_rivals(self, poses: list[Pose]) -> list[Pose]:
        if not poses or not decided(poses[0].evidence, 0.0).good:
            poses = distinct(self.a, self.b, poses + with_rivals(self.a, self.b, self.laid))
            if poses and poses[0].evidence.score > 2.0 * LEAST_SCORE:  # rims alone never tell as much
                poses = self.rims.told_apart(poses)
        return poses

    def _pairs(self, thoroughness: int) -> list[tuple[int, int]]:
        one, other = self.galleries
        return promising_pairs(one.faces, other.faces, *self.outlines, PAIRS[thoroughness])

    def _compare_telling(self, but: list[tuple[int, int]]) -> None:
        """Pairs of faces that were not among these and could share the most, one lying against a part of another."""
        seen, (one, other) = {*but, *self.telling}, self.galleries
        pairs = [pair for pair in most_telling(one.faces, other.faces) if pair not in seen][:TELLING]
        self.telling += pairs
        self._compare(pairs, TRIES[-1], partly=True)

    def _compare_parts(self, but: list[tuple[int, int]], thoroughness: int) -> None:
        """Pairs of large faces that were not among these, of which one may lie against a part of the other."""
        (one, other), most, but = self.galleries, (LAST, APART[thoroughness]), but + self.telling
        self._compare(largest_pairs(one.faces, other.faces, *self.outlines, but, most), TRIES[-1], partly=True)

    def _compare_unlike(self) -> None:
        """Pairs of faces that were not compared because their relief differs, of which each may hold the break."""
        one, other = self.galleries
        pairs, self.unlike = self.unlike[: PAIRS[2]], []
        others, self.waiting = self.waiting, Waiting()
        self.waiting.extend(chain(*correlated(one, other, pairs, np.inf)))
        self._follow_up(HIDDEN, BY_INFORMATION, partly=True)
        self.waiting.extend(others)

    def _compare_next(self, pairs: list[tuple[int, int]]) -> None:
        """The next of the pairs of faces, which were not compared yet."""
        batch = min(self.batches, len(BATCHES) - 1)
        self._compare(pairs[self.done : self.done + BATCHES[batch]], TRIES[batch])
        self.done = min(self.done + BATCHES[batch], len(pairs))
        self.batches += 1

    def _compare(self, batch: list[tuple[int, int]], tries: int, partly: bool = False) -> None:
        """Rough poses of some pairs of faces; the best of all that wait are approached and judged.

        ``partly`` allows for faces that lie against a part of another.
        """
        one, other = self.galleries
        unlike = PARTLY_UNLIKE if partly else UNLIKE
        found = correlated(one, other, batch, unlike)
        self.unlike.extend(pair for pair, poses in zip(batch, found, strict=True) if not poses)
        self.waiting.extend(chain(*found))
        self._follow_up(tries, BY_BOTH, partly)

    def _follow_up(self, tries: int, orders: tuple[float, ...], partly: bool = False, clear: bool = False) -> None:
        """Bring the best rough poses that wait near, and judge them; ``clear``: of those that cut nowhere deep."""
        one, other = self.galleries
        known, barred = [start.rough for start in self.starts], self._runs_through if clear else None
        best = self.waiting.best(tries, orders, known, self._alike, barred)
        if partly:
            best = abreast(lambda rough, _: closer(one, other, rough), best)
        self.starts += abreast(self._started, best)
        self.starts.sort(key=lambda start: start.order)

    def _started(self, rough: Hypothesis, _: Report) -> Start:
        pose = approached(self.a, self.b, rough.a_from_b, rough.seed, rough.reach_mm)
        score = judge(self.a, self.b, pose, sparse=True).score
        return Start(score, pose, rough.a_from_b, rough.share, rough.score * rough.share**2)

    def _runs_through(self, rough: FloatArray) -> bool:
        """Whether one fragment runs through the other, as no approach mends."""
        limit = touching_limit(self.a.fragment, self.b.fragment)
        spacing = max(self.a.fragment.spacing_mm, self.b.fragment.spacing_mm)
        inside = overlap(self.a, self.b, inverse(rough), limit, spacing, sparse=True)[1]
        inside += overlap(self.b, self.a, rough, limit, spacing, sparse=True)[1]
        return inside > THROUGH * (3.0 * spacing) ** 2

    def _alike(self, one: FloatArray, other: FloatArray) -> bool:
        return alike(self.a, self.b, one, other)

    def _clear(self) -> bool:
        """Whether the best start so far leaves no doubt, or stands alone after a fair search."""
        if not self.starts:
            return False
        best = self.starts[0]
        likely = best.score > 0.0 or (best.share > COVERING and best.score > -THROUGH)
        if likely:
            evidence = decided(self._refined(best).evidence, 0.0)
            plain = evidence.good or (evidence.touching_share > WHOLLY and evidence.score > PLAIN)
            if plain and max(best.score, evidence.score) > PLENTY and self.rims.covers(self._refined(best)):
                return True
        others = (one.score for one in self.starts[1:] if not self._alike(one.pose, best.pose))
        return self.done >= PAIRS[1] and best.score > 2 * LEAST_SCORE > 4 * next(others, best.score)

    def _refined(self, start: Start) -> Pose:
        """The start refined on the whole fragments, once."""
        known = next((pose for one, pose in self.refined if one is start), None)
        if known is None:
            known = refined_whole(self.a, self.b, start.pose)
            self.refined.append((start, known))
        return known

    def _look_at_rims(self) -> None:
        """What rims and original surfaces say of a few of the starts whose faces cover each other the most."""
        fresh = [
            start for start in self.starts
            if start.share > ROUGHLY and start.score > -THROUGH and not any(start is one for one in self.rims_seen)
            and (start.share > COVERING or covering(self.a, self.b, start.pose) > WHOLLY)
        ]  # fmt: skip
        for start in sorted(fresh, key=lambda start: -start.share)[:FLAT_TRIES]:
            self.rims_seen.append(start)
            if any(self._alike(start.pose, one.pose.a_from_b) for one in self.laid):
                continue
            found = laid_by_rims(self.a, self.b, start.pose)
            if found is not None:
                self.laid.append(found)

    @property
    def _smooth_but_certain(self) -> bool:
        """Whether two faces are found that belong together, yet could slide: rims would change neither."""
        seen = [pose.evidence for _, pose in self.refined]
        return any(certain(e, 0.0) and e.held < 1.0 for e in seen)

    @property
    def _laid_well(self) -> bool:
        """Whether a pose by rims is worth placing."""
        return any(one.pose.evidence.score > LEAST_SCORE for one in self.laid)

    def _found(self, poses: list[Pose]) -> bool:
        return self._laid_well or bool(poses and poses[0].evidence.score > LEAST_SCORE)

    @property
    def _worth_placing(self) -> bool:
        """Whether there is one by rims, or one whose faces cover each other wholly and share some relief."""
        seen = [pose.evidence for _, pose in self.refined]
        return self._laid_well or any(e.touching_share > WHOLLY and e.score > LEAST_SCORE for e in seen)

    def _finalists(self, slide: bool = True) -> list[Pose]:
        """The best starts, refined on the whole fragments and judged; the best one slid where it leaves doubts."""
        poses: list[Pose] = []
        for start in self.starts:
            if len(poses) == FINALISTS or (poses and start.score < HOPELESS * poses[0].evidence.score):
                break
            if not any(self._alike(start.pose, pose.a_from_b) for pose in poses):
                poses.append(self._refined(start))
        poses = distinct(self.a, self.b, poses + [pose for _, pose in self.refined])
        promising = poses and poses[0].evidence.score > 0.2 * LEAST_SCORE
        if promising and slide and not decided(poses[0].evidence, 0.0).good:
            poses[0] = slid_about(self.a, self.b, poses[0])
        return self.rims.told_apart(distinct(self.a, self.b, poses))
