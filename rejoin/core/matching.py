"""Which faces of two fragments belong together, and how: search, refine, judge, compare."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, repeat

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.abreast import abreast
from rejoin.core.evidence import LEAST_SCORE, Pose, decided, judge
from rejoin.core.flat import Laid, laid_by_rims, with_rivals
from rejoin.core.likeness import Outlines, largest_alike, outlines_of, promising_pairs, unlikeness
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.search import Gallery, Hypothesis, correlate
from rejoin.core.settings import Report, silent
from rejoin.core.surfaces import Surface, alike, faced, touching_limit
from rejoin.core.transforms import from_vector, inverse, orthonormal, rigid
from rejoin.core.views import coarse_nodes

PAIRS = {1: 40, 2: 80, 3: 800}
"""Pairs of faces correlated at most, by thoroughness."""

BATCHES = (8, 16, 24)
"""Pairs of faces correlated before the best poses so far are followed up: first, then, and from then on."""

TRIES = (4, 6, 8)
"""Rough poses followed up after each batch."""

LAST = 16
"""Pairs of large faces that are looked at last, where nothing has been found."""

FINALISTS = 4
"""Clearly different poses that are refined on the whole fragments and judged against each other."""

COVERING = 0.65
"""Overlap of two height maps, over both, from which the faces may cover each other wholly: rims are ragged there."""

WHOLLY = 0.9
"""Share of both faces in contact from which they cover each other wholly."""

THROUGH = 4.0 * LEAST_SCORE
"""A start whose score is as far below nothing runs one fragment through the other."""

FLAT_TRIES = 3
"""Starts whose rims are looked at after each batch."""

HOPELESS = 0.05
"""A start with less than this share of the best score is no rival, however it is refined."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """One fragment, ready to be matched."""

    surface: Surface
    gallery: Gallery
    outlines: Outlines


@dataclass(frozen=True, eq=False)
class Start:
    """A pose after a first approach, its score in a quick look, and the rough pose that led to it with its overlap."""

    score: float
    pose: FloatArray
    rough: FloatArray
    share: float


def prepared(fragment: Fragment, faces: tuple[FractureFace, ...]) -> Prepared:
    """Nodes, search tree and outlines of a fragment's candidate faces."""
    nodes = coarse_nodes(fragment)
    _, samples = np.unique(nodes.of_vertex, return_index=True)
    trees = cKDTree(fragment.mesh.vertices), cKDTree(nodes.points)
    surface = Surface(fragment, nodes, *trees, samples.astype(np.int32))
    return Prepared(surface, Gallery(fragment, nodes, faces), outlines_of(fragment, nodes, faces))


def unlikely(first: Prepared, second: Prepared) -> float:
    """How far their three most alike faces are from two sides of one break; infinite where there is none."""
    costs = unlikeness(first.outlines, second.outlines).ravel()
    return float(np.sort(costs)[:3].mean()) if len(costs) else float("inf")


def approached(first: Surface, second: Surface, hypothesis: Hypothesis) -> FloatArray:
    """The pose after robust ICP of the one face that led to it (a sample of it)."""
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    seed = hypothesis.seed[:: max(1, len(hypothesis.seed) // 1200)]
    b_from_a = inverse(hypothesis.a_from_b)
    reach = hypothesis.reach_mm
    for _ in range(6):
        b_from_a = icp_round(first, second, b_from_a, seed, reach)
        reach = max(0.8 * reach, 1.5 * spacing)
    return inverse(orthonormal(b_from_a))


def refined(first: Surface, second: Surface, a_from_b: FloatArray) -> FloatArray:
    """The pose after robust ICP of whatever of the fragments comes into contact."""
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    b_from_a = inverse(a_from_b)
    reach = 2.0 * spacing
    for _ in range(8):
        reach = max(0.75 * reach, 1.0 * spacing)
        b_from_a = icp_round(first, second, b_from_a, first.samples, reach)
    return inverse(orthonormal(b_from_a))


def icp_round(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, reach: float
) -> FloatArray:
    """One round of point-to-plane ICP along symmetric normals, Tukey weights of width ``reach``."""
    seen = faced(first, second, b_from_a, chosen, 2.0 * reach)
    weight = np.square(np.clip(1 - np.square(seen.gap / reach), 0, None)) * (seen.facing < -0.4)
    if np.count_nonzero(weight) < 12:
        return b_from_a
    centre = np.average(seen.points, axis=0, weights=weight)
    jacobian = np.hstack([np.cross(seen.points - centre, seen.normals), seen.normals])
    matrix = jacobian.T @ (weight[:, None] * jacobian)
    size = np.sqrt(np.average(np.square(seen.points - centre).sum(axis=1), weights=weight))
    damping = 1e-4 * weight.sum() * np.array([size**2] * 3 + [1.0] * 3)
    move = -np.linalg.solve(matrix + np.diag(damping), jacobian.T @ (weight * seen.gap))
    limit = max(np.linalg.norm(move[:3]) * size, np.linalg.norm(move[3:])) / (2 * reach)
    return orthonormal(from_vector(move / max(1.0, limit), centre) @ b_from_a)


def match_pair(
    first: Prepared, second: Prepared, thoroughness: int = 2, report: Report = silent, after: int = 0
) -> list[Pose]:
    """Judged poses of two fragments, best first, clearly different ones only.

    The most promising pairs of faces are tried first; the search ends once a
    pose is found that leaves no doubt.

    Parameters
    ----------
    first, second : Prepared
    thoroughness : int
        1 to 3: how many pairs of faces are tried at most.
    report : Report, optional
    after : int
        The thoroughness at which they have been tried before: those pairs are passed over.
    """
    a, b = first.surface, second.surface
    pairs = promising_pairs(
        first.gallery.faces, second.gallery.faces, first.outlines, second.outlines, PAIRS[thoroughness]
    )
    waiting: list[Hypothesis] = []
    starts: list[Start] = []
    doubtful: list[tuple[Start, Evidence]] = []
    flat = Flat([], [])
    done = PAIRS.get(after, 0)

    def compare(batch: list[tuple[int, int]], tries: int) -> None:
        waiting.extend(chain(*abreast(lambda ij, _: correlate(first.gallery, ij[0], second.gallery, ij[1]), batch)))
        _follow(a, b, waiting, starts, tries)

    for size, tries in chain(zip(BATCHES, TRIES, strict=True), repeat((BATCHES[-1], TRIES[-1]))):
        report(done / max(len(pairs), 1), "Comparing faces")
        compare(pairs[done : done + size], tries)
        done += size
        if _clear(a, b, starts, doubtful, done):
            break
        flat.look(a, b, starts)
        if done >= len(pairs) or (done >= PAIRS[1] and (flat.found or any(_covers(e) for _, e in doubtful))):
            break
    poses = _finalists(a, b, starts)
    if thoroughness > 1 and not flat.found and not (poses and poses[0].evidence.score > LEAST_SCORE):
        large = largest_alike(first.outlines, second.outlines)
        compare([pair for pair in large if pair not in pairs][:LAST], TRIES[-1])
        flat.look(a, b, starts)
        poses = _finalists(a, b, starts)
    if not poses or not decided(poses[0].evidence, 0.0).good:
        poses = distinct(a, b, poses + with_rivals(a, b, flat.laid))
    return poses


@dataclass(frozen=True, eq=False)
class Flat:
    """What rims and original surfaces say of the starts, where relief does not."""

    laid: list[Laid]
    seen: list[Start]

    @property
    def found(self) -> bool:
        """Whether one of them is worth placing."""
        return any(one.pose.evidence.score > LEAST_SCORE for one in self.laid)

    def look(self, first: Surface, second: Surface, starts: list[Start]) -> None:
        """Look at a few of the starts whose faces cover each other the most."""
        fresh = [
            start for start in starts
            if start.share > COVERING and start.score > -THROUGH and not any(start is one for one in self.seen)
        ]  # fmt: skip
        for start in sorted(fresh, key=lambda start: -start.share)[:FLAT_TRIES]:
            self.seen.append(start)
            if any(alike(first, second, start.pose, one.pose.a_from_b) for one in self.laid):
                continue
            found = laid_by_rims(first, second, start.pose)
            if found is not None:
                self.laid.append(found)


def _follow(first: Surface, second: Surface, waiting: list[Hypothesis], starts: list[Start], tries: int) -> None:
    """Move the best of the waiting poses to ``starts``, approached and judged; starts stay sorted, best first."""
    fresh: list[Hypothesis] = []
    while waiting and len(fresh) < tries:
        # By outline and information, and by information alone, in turn.
        hypothesis = max(waiting, key=lambda h: h.score * (h.share**2 if len(fresh) % 2 == 0 else 1.0))
        waiting.remove(hypothesis)
        known = chain((start.rough for start in starts), (other.a_from_b for other in fresh))
        if not any(alike(first, second, hypothesis.a_from_b, rough) for rough in known):
            fresh.append(hypothesis)

    def started(hypothesis: Hypothesis, _: Report) -> Start:
        pose = approached(first, second, hypothesis)
        return Start(judge(first, second, pose, sparse=True).score, pose, hypothesis.a_from_b, hypothesis.share)

    starts += abreast(started, fresh)
    starts.sort(key=lambda start: -start.score)


def _covers(evidence: Evidence) -> bool:
    """Whether faces lie on each other all over, and share relief: worth placing, if not beyond doubt."""
    return evidence.score > LEAST_SCORE and evidence.touching_share > WHOLLY


def _clear(
    first: Surface, second: Surface, starts: list[Start], doubtful: list[tuple[Start, Evidence]], done: int
) -> bool:
    """Whether the best start so far leaves no doubt, or stands alone after a fair search."""
    if not starts:
        return False
    best = starts[0]
    likely = best.score > 0.0 or (best.share > COVERING and best.score > -THROUGH)
    if likely and not any(best is one for one, _ in doubtful):
        evidence = decided(judge(first, second, refined(first, second, best.pose)), 0.0)
        if evidence.good and max(best.score, evidence.score) > 4 * LEAST_SCORE:
            return True
        doubtful.append((best, evidence))
    others = (one.score for one in starts[1:] if not alike(first, second, one.pose, best.pose))
    return done >= PAIRS[1] and best.score > 2 * LEAST_SCORE > 4 * next(others, best.score)


def _finalists(first: Surface, second: Surface, starts: list[Start]) -> list[Pose]:
    """The best starts, refined on the whole fragments and judged."""
    poses: list[Pose] = []
    for start in starts:
        if len(poses) == FINALISTS or (poses and start.score < HOPELESS * poses[0].evidence.score):
            break
        if not any(alike(first, second, start.pose, pose.a_from_b) for pose in poses):
            a_from_b = refined(first, second, start.pose)
            poses.append(Pose(a_from_b, judge(first, second, a_from_b)))
    poses.sort(key=lambda pose: -pose.evidence.score)
    if poses and poses[0].evidence.score > 0.2 * LEAST_SCORE and not decided(poses[0].evidence, 0.0).good:
        poses[0] = _slid(first, second, poses[0])
    return distinct(first, second, poses)


def _slid(first: Surface, second: Surface, pose: Pose) -> Pose:
    """The best of the poses that ICP reaches after the faces were slid a little: on flat ones it stops early."""
    limit = touching_limit(first.fragment, second.fragment)
    seen = faced(first, second, inverse(pose.a_from_b), first.samples, 2.0 * limit)
    touching = seen.facing < -0.5
    if np.count_nonzero(touching) < 12:
        return pose
    normal = seen.normals[touching].mean(axis=0)
    u = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    slide = 1.5 * max(first.fragment.spacing_mm, second.fragment.spacing_mm) / np.linalg.norm(u)
    ways = slide * np.stack([u, np.cross(normal, u) / np.linalg.norm(normal)])

    def slid(start: FloatArray, _: Report) -> Pose:
        moved = refined(first, second, start)
        return Pose(moved, judge(first, second, moved))

    for way in ways:
        starts = [pose.a_from_b @ rigid(np.eye(3), sign * way) for sign in (1.0, -1.0)]
        pose = max([pose, *abreast(slid, starts)], key=lambda one: one.evidence.score)
    return pose


def settled(first: Surface, second: Surface, a_from_b: FloatArray) -> FloatArray:
    """The pose after a few rounds of ICP over whatever is in contact."""
    reach = 3.0 * touching_limit(first.fragment, second.fragment)
    b_from_a = inverse(a_from_b)
    for _ in range(6):
        b_from_a = icp_round(first, second, b_from_a, first.samples, reach)
    return inverse(orthonormal(b_from_a))


def distinct(first: Surface, second: Surface, poses: list[Pose]) -> list[Pose]:
    """The poses, best first, without those that are a better one over again."""
    kept: list[Pose] = []
    for pose in sorted(poses, key=lambda pose: -pose.evidence.score):
        if not any(alike(first, second, pose.a_from_b, other.a_from_b) for other in kept):
            kept.append(pose)
    return kept
