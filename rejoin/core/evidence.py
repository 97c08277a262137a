"""Judging a pose of two fragments by the information in their contact.

The question is not "do they lie close" (two smooth faces always do) but "would
chance or a smooth shape explain it". Each place where the two surfaces face
each other is a small test between two explanations: they are two sides of one
break, or two unrelated surfaces with this much relief.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.form import shared_form
from rejoin.core.outline import outline_information
from rejoin.core.records import Evidence, FloatArray, IntArray
from rejoin.core.relief import (
    broad_normals,
    clear_of_rim,
    firmness,
    inner,
    relief,
    rimless,
    shared_relief,
    smooth_patches,
)
from rejoin.core.robust import sigma_of
from rejoin.core.surfaces import Facing, Surface, faced, overlap, touching_limit
from rejoin.core.transforms import inverse
from rejoin.core.views import BoolArray

LEAST_SCORE = 25.0
"""Nats below which a contact is no evidence: chance, over all poses tried, reaches about half of it."""

PLENTY = 4.0 * LEAST_SCORE
"""Nats from which no more need be looked for: twice what must be there to be good."""

BORNE_OUT = 3.0
"""Nats of shared relief from which outlines that agree count in full: chance seldom shares more."""

FORM = 7.0
"""Nats of shared form from which a contact counts in full: plane faces and unrelated ones reach half of it."""

LEAST_TOUCHING = 0.35
"""Share of the facing surfaces that must touch, else most of them do not."""

LEAST_LEAD = 8.0
"""Nats by which a contact must lead its rival to be placed at all: odds of some thousand to one."""


BY_CHANCE = 0.42
"""Share of the allowed gap from which a misfit, 1.75 times as large, is what chance contact shows."""


@dataclass(frozen=True, eq=False)
class Pose:
    """A judged way of putting two fragments together."""

    a_from_b: FloatArray
    evidence: Evidence


def judge(
    first: Surface, second: Surface, a_from_b: FloatArray, sparse: bool = False, across: float = 0.0
) -> Evidence:
    """The evidence for a pose; ``runner_up`` and ``good`` are for the caller, who knows the rivals.

    Parameters
    ----------
    first, second : Surface
    a_from_b : (4, 4)
    sparse : bool
        Look at every eighth node only: to rank poses, not to decide.
    across : float
        Nats that the original surfaces beside the crack tell. With them the score stays below what is good.

    Returns
    -------
    Evidence
    """
    b_from_a = inverse(a_from_b)
    touch = _touch(first, second, b_from_a, sparse)
    if touch is None:
        return Evidence(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, "The fragments hardly face each other.")
    limit, spacing = touching_limit(first.fragment, second.fragment), touch.spacing
    depth, inside = overlap(first, second, b_from_a, limit, spacing, sparse)
    depth_b, inside_b = overlap(second, first, a_from_b, limit, spacing, sparse)
    held = _held(first, second, b_from_a, touch)
    contact_area, zone_area = (float(touch.areas[part].sum()) for part in (touch.contact, touch.zone))
    told = 0.0
    if contact_area > 0.7 * zone_area:
        facing = np.flatnonzero(touch.zone).astype(np.int32)
        outline, _ = outline_information(first, second, b_from_a, touch.seen, facing, touch.ways)
        shared = shared_relief(first, second, b_from_a, touch.chosen, touch.seen, facing, touch.ways)
        # Machined faces share outlines too: an outline counts only as the relief bears it out.
        told = outline * min(1.0, shared / BORNE_OUT) + shared * (1.0 if outline else min(1.0, 5.0 * held))
        if across > 0.0:
            told = max(told, min(across + shared, 1.9 * LEAST_SCORE))
    # Two sides of one break part by noise and sampling; chance contact fills the allowed gap evenly.
    expected = max(touch.noise, 0.06 * spacing, min(_cut_off(first, second, touch), BY_CHANCE * limit))
    close = float(np.clip((1.75 - touch.residual / expected) / 0.5, 0.0, 1.0))
    score = close * max(_unlikely_by_chance(first, touch) * min(1.0, held), told)
    if score > 0.0 and not sparse:
        # Two plane faces share everything but a form.
        score *= min(1.0, _form(first, second, b_from_a, touch) / FORM)
    return Evidence(
        score=score - (inside + inside_b) / (3.0 * spacing) ** 2,
        runner_up=0.0,
        contact_area_mm2=contact_area,
        touching_share=contact_area / zone_area,
        rms_mm=touch.residual,
        overlap_mm=max(depth, depth_b),
        held=held,
        good=False,
        reason="",
    )


def _cut_off(first: Surface, second: Surface, touch: _Touch) -> float:
    """Misfit (mm, 1 sigma) that noise and the triangles of either scan, which cut crests and fill valleys, leave.

    A vertex stands about as far out of the mean of its neighbours as the
    surface does out of the triangles round it; of that, noise that is
    independent from vertex to vertex makes 7/6 of its variance.
    """
    seen, at = touch.seen, touch.contact
    nodes = first.nodes.of_vertex[touch.chosen[seen.index[at]]], second.nodes.of_vertex[seen.nearest[at]]
    total = touch.noise**2
    for surface, own in zip((first, second), nodes, strict=True):
        if len(own):
            total += max(sigma_of(surface.bends[own]) ** 2 - 7.0 / 6.0 * surface.fragment.noise_mm**2, 0.0)
    return float(np.sqrt(total))


@dataclass(frozen=True, eq=False)
class _Touch:
    """Where two fragments face each other in a pose.

    ``zone`` and ``contact`` are masks of ``seen``: what faces, and what of it
    lies as close as noise and sampling allow; ``areas`` are the samples' own.
    ``ways`` are the smooth patches of the zone, ``residual`` and ``sigma``
    the robust misfit and what is made of it, mm.
    """

    chosen: IntArray
    seen: Facing
    zone: BoolArray
    contact: BoolArray
    areas: FloatArray
    ways: list[IntArray]
    residual: float
    sigma: float
    noise: float
    spacing: float


def _touch(first: Surface, second: Surface, b_from_a: FloatArray, sparse: bool) -> _Touch | None:
    pick = slice(None, None, 8 if sparse else 1)
    limit = touching_limit(first.fragment, second.fragment)
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    chosen = first.samples[pick]
    seen = faced(first, second, b_from_a, chosen, 12 * limit + 2 * spacing)
    zone = (seen.facing < -0.3) & (seen.aside < 2.0 * spacing) & (np.abs(seen.gap) < 12 * limit)
    if np.count_nonzero(zone) < 20:
        return None
    contact = zone & (np.abs(seen.gap) < limit) & (seen.facing < -0.5)
    noise = float(np.hypot(first.fragment.noise_mm, second.fragment.noise_mm))
    residual = sigma_of(seen.gap[clear_of_rim(first, chosen, seen, contact)]) if contact.any() else limit
    sigma = float(np.clip(residual, max(noise, 0.02 * spacing), limit / 2))
    areas = first.sample_areas[pick][seen.index] * (8 if sparse else 1)
    ways = smooth_patches(seen.points[zone], seen.normals[zone], first.nodes.cell_mm * (8**0.5 if sparse else 1.0))
    return _Touch(chosen, seen, zone, contact, areas, ways, residual, sigma, noise, spacing)


def form_between(first: Surface, second: Surface, a_from_b: FloatArray) -> float:
    """Nats in the form, beyond a plane, that the faces share in a pose; 0 where they hardly face each other."""
    b_from_a = inverse(a_from_b)
    touch = _touch(first, second, b_from_a, False)
    return 0.0 if touch is None else _form(first, second, b_from_a, touch)


def covering(first: Surface, second: Surface, a_from_b: FloatArray) -> float:
    """Share of both faces, where they face each other in a pose, that lies on the other; 0 where they hardly do."""
    b_from_a = inverse(a_from_b)
    touch = _touch(first, second, b_from_a, False)
    if touch is None:
        return 0.0
    zone = np.flatnonzero(touch.zone).astype(np.int32)
    return outline_information(first, second, b_from_a, touch.seen, zone, touch.ways)[1]


def _form(first: Surface, second: Surface, b_from_a: FloatArray, touch: _Touch) -> float:
    """Nats in the form that the faces share."""
    zone = np.flatnonzero(touch.zone).astype(np.int32)
    ways = [zone[way] for way in touch.ways]
    clear = touch.contact & inner(first, touch.chosen, touch.seen, touch.contact, 1.0)
    return shared_form(first, second, b_from_a, touch.chosen, touch.seen, clear, ways)


def _held(first: Surface, second: Surface, b_from_a: FloatArray, touch: _Touch) -> float:
    """How firmly the relief holds, by the vertices' own normals or by those of their nodes."""
    seen = touch.seen
    broad = broad_normals(first, second, b_from_a, touch.chosen, seen)
    # At a rim both normals lean outwards, which would pass for relief.
    off_rim = touch.contact & rimless(seen) & inner(first, touch.chosen, seen, touch.contact, 1.5)
    within = touch.contact & inner(first, touch.chosen, seen, touch.contact, 2.0)
    # As cast, original surfaces are rougher than the scans' noise, which is told from them.
    sigma = max(min(touch.sigma, touch.residual), 0.02 * touch.spacing)
    return max(
        firmness(seen.points, seen.normals_a, seen.normals_b, off_rim, touch.areas, sigma, touch.spacing),
        firmness(seen.points, *broad, within, touch.areas, sigma, touch.spacing),
    )


def _unlikely_by_chance(first: Surface, touch: _Touch) -> float:
    """Nats by which the gaps speak for one break and against unrelated surfaces of this relief."""
    seen, zone = touch.seen, touch.zone
    ratio = np.zeros(np.count_nonzero(zone))
    for facet in touch.ways:
        rough = relief(seen.points[zone][facet], seen.normals[zone][facet]) ** 2 - first.fragment.noise_mm**2
        spread = float(np.sqrt(2.0 * max(rough, 0.0) + touch.sigma**2))
        ratio[facet] = _log_ratio(seen.gap[zone][facet], touch.sigma, spread)
    return float((touch.areas[zone] / (3.0 * touch.spacing) ** 2 * ratio).sum())


def _log_ratio(gap: FloatArray, sigma: float, spread: float) -> FloatArray:
    """Log likelihood of "one break, 30 % of it chipped" over "unrelated surfaces", per place."""
    def density(width: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * np.square(gap / width)) / width)

    unrelated = density(spread) + 1e-9 / spread
    return np.asarray(np.log((0.7 * density(sigma) + 0.3 * unrelated) / unrelated))


def rivalled(evidence: Evidence) -> bool:
    """Whether another position fits about as well."""
    return evidence.runner_up > 0.5 * evidence.score


def believable(evidence: Evidence) -> bool:
    """Whether the evidence is enough to place a fragment at all, be it as doubtful."""
    lead = evidence.score - evidence.runner_up
    return evidence.score > LEAST_SCORE and lead > max(LEAST_LEAD, evidence.score / 6)


def tied(evidence: Evidence) -> bool:
    """Whether a fragment would be placed but for a rival that does about as well."""
    return evidence.score > LEAST_SCORE and evidence.runner_up > 0.0 and not believable(evidence)


def certain(evidence: Evidence, runner_up: float) -> bool:
    """Whether two fragments belong together by these faces beyond doubt, though they may yet slide."""
    plenty = evidence.score >= 2.0 * LEAST_SCORE and runner_up <= 0.5 * evidence.score
    return plenty and evidence.touching_share >= LEAST_TOUCHING


def decided(evidence: Evidence, runner_up: float) -> Evidence:
    """The evidence with its rival, whether it excludes it, and why, in words."""
    words = f"touches over {evidence.contact_area_mm2:.0f} mm², misfit {evidence.rms_mm:.3f} mm"
    if evidence.reason:
        words += f", {evidence.reason}"
    if runner_up > 0:
        times = evidence.score / runner_up
        words += f", next best {times:.0f} times weaker" if times >= 2.0 else ", next best nearly as strong"
    found = replace(evidence, runner_up=max(runner_up, 0.0), against="")
    doubts = _doubts(found)
    found = replace(found, good=not doubts, reason=f"{words}; {', '.join(doubts)}" if doubts else words)
    return adjusted(found, evidence.held, evidence.against)


def _doubts(evidence: Evidence) -> list[str]:
    """What the faces alone leave open, in words."""
    doubts = []
    if evidence.score < 2.0 * LEAST_SCORE:
        little = evidence.touching_share < 0.7
        doubts.append("too little of the faces touches" if little else "the contact has too little relief to tell")
    if rivalled(evidence):
        doubts.append("another position fits nearly as well")
    if evidence.held < 1.0:
        doubts.append("the faces are so smooth that they could slide")
    if evidence.touching_share < LEAST_TOUCHING:
        doubts.append("most of the facing surfaces do not touch")
    return doubts


def adjusted(evidence: Evidence, held: float, against: str) -> Evidence:
    """Evidence, decided before, of the pose as it is now: how firmly that is held, and what speaks against it.

    Both take the place of what was said before; ``against`` is empty where original surfaces say nothing any more.
    """
    if (held, against) == (evidence.held, evidence.against):
        return evidence
    found = replace(evidence, held=held, against=against)
    said = ", ".join([*_doubts(evidence), *filter(None, [evidence.against])])
    now = ", ".join([*_doubts(found), *filter(None, [against])])
    reason = evidence.reason.removesuffix(said).rstrip(",; ")
    return replace(found, good=not now, reason="; ".join(filter(None, [reason, now])))
