"""Judging a pose of two fragments by the information in their contact.

The question is not "do they lie close" (two smooth faces always do) but "would
chance or a smooth shape explain it". Each place where the two surfaces face
each other is a small test between two explanations: they are two sides of one
break, or two unrelated surfaces with this much relief.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rejoin.core.outline import outline_information
from rejoin.core.records import Evidence, FloatArray
from rejoin.core.relief import broad_normals, firmness, inner, relief, rimless, shared_relief, smooth_patches
from rejoin.core.surfaces import Surface, faced, overlap, touching_limit
from rejoin.core.transforms import inverse

LEAST_SCORE = 25.0
"""Nats below which a contact is no evidence: chance, over all poses tried, reaches about half of it."""

LEAST_LEAD = 8.0
"""Nats by which a contact must lead its rival to be placed at all: odds of some thousand to one."""


def judge(first: Surface, second: Surface, a_from_b: FloatArray, sparse: bool = False) -> Evidence:
    """The evidence for a pose; ``runner_up`` and ``good`` are for the caller, who knows the rivals.

    Parameters
    ----------
    first, second : Surface
    a_from_b : (4, 4)
    sparse : bool
        Look at every eighth node only: to rank poses, not to decide.

    Returns
    -------
    Evidence
    """
    pick = slice(None, None, 8 if sparse else 1)
    chosen, node_areas = first.samples[pick], first.sample_areas[pick] * (8 if sparse else 1)
    b_from_a = inverse(a_from_b)
    limit = touching_limit(first.fragment, second.fragment)
    spacing = max(first.fragment.spacing_mm, second.fragment.spacing_mm)
    seen = faced(first, second, b_from_a, chosen, 12 * limit + 2 * spacing)
    zone = (seen.facing < -0.3) & (seen.aside < 2.0 * spacing) & (np.abs(seen.gap) < 12 * limit)
    areas = node_areas[seen.index]
    if np.count_nonzero(zone) < 20:
        return Evidence(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, "The fragments hardly face each other.")
    contact = zone & (np.abs(seen.gap) < limit) & (seen.facing < -0.5)
    contact_area, zone_area = float(areas[contact].sum()), float(areas[zone].sum())
    noise = float(np.hypot(first.fragment.noise_mm, second.fragment.noise_mm))
    residual = 1.4826 * float(np.median(np.abs(seen.gap[contact]))) if contact.any() else limit
    sigma = float(np.clip(residual, max(noise, 0.02 * spacing), limit / 2))
    cells = areas[zone] / (3.0 * spacing) ** 2
    ratio = np.zeros(len(cells))
    ways = smooth_patches(seen.points[zone], seen.normals[zone], first.nodes.cell_mm * (8**0.5 if sparse else 1.0))
    for facet in ways:
        rough = relief(seen.points[zone][facet], seen.normals[zone][facet]) ** 2 - first.fragment.noise_mm**2
        spread = float(np.sqrt(2.0 * max(rough, 0.0) + sigma**2))
        ratio[facet] = _log_ratio(seen.gap[zone][facet], sigma, spread)
    score = float((cells * ratio).sum())
    depth, inside = overlap(first, second, b_from_a, limit, spacing, sparse)
    depth_b, inside_b = overlap(second, first, a_from_b, limit, spacing, sparse)
    broad = broad_normals(first, second, b_from_a, chosen, seen)
    # At a rim both normals lean outwards, which would pass for relief.
    off_rim = contact & rimless(seen) & inner(first, chosen, seen, contact, 1.5)
    within = contact & inner(first, chosen, seen, contact, 2.0)
    held = max(
        firmness(seen.points, seen.normals_a, seen.normals_b, off_rim, areas, sigma, spacing),
        firmness(seen.points, *broad, within, areas, sigma, spacing),
    )
    facing = np.flatnonzero(zone).astype(np.int32)
    likeness, outline = 0.0, 0.0
    if contact_area > 0.7 * zone_area:
        outline, _ = outline_information(first, second, b_from_a, seen, facing, ways)
        likeness = shared_relief(first, second, b_from_a, chosen, seen, facing, ways)
        likeness *= 1.0 if outline else min(1.0, 5.0 * held)
    # Two sides of one break part by noise and sampling; chance contact fills the allowed gap evenly.
    expected = max(noise, 0.06 * spacing)
    close = float(np.clip((1.75 - residual / expected) / 0.5, 0.0, 1.0))
    score = close * max(score * min(1.0, held), likeness + outline)
    return Evidence(
        score=score - (inside + inside_b) / (3.0 * spacing) ** 2,
        runner_up=0.0,
        contact_area_mm2=contact_area,
        touching_share=contact_area / zone_area,
        rms_mm=residual,
        overlap_mm=max(depth, depth_b),
        held=held,
        good=False,
        reason="",
    )


def _log_ratio(gap: FloatArray, sigma: float, spread: float) -> FloatArray:
    """Log likelihood of "one break, 30 % of it chipped" over "unrelated surfaces", per place."""
    def density(width: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * np.square(gap / width)) / width)

    unrelated = density(spread) + 1e-9 / spread
    return np.asarray(np.log((0.7 * density(sigma) + 0.3 * unrelated) / unrelated))


def believable(evidence: Evidence) -> bool:
    """Whether the evidence is enough to place a fragment at all, be it as doubtful."""
    lead = evidence.score - evidence.runner_up
    return evidence.score > LEAST_SCORE and lead > max(LEAST_LEAD, evidence.score / 6)


def decided(evidence: Evidence, runner_up: float) -> Evidence:
    """The evidence with its rival, whether it excludes it, and why, in words."""
    doubts = []
    if evidence.score < 2.0 * LEAST_SCORE:
        doubts.append("too little of the faces touches")
    if runner_up > 0.5 * evidence.score:
        doubts.append("another position fits nearly as well")
    if evidence.held < 1.0:
        doubts.append("the faces are so smooth that they could slide")
    if evidence.touching_share < 0.35:
        doubts.append("most of the facing surfaces do not touch")
    words = f"touches over {evidence.contact_area_mm2:.0f} mm², misfit {evidence.rms_mm:.3f} mm"
    if runner_up > 0:
        words += f", next best {evidence.score / runner_up:.0f} times weaker"
    reason = f"{words}; {', '.join(doubts)}" if doubts else words
    return replace(evidence, runner_up=max(runner_up, 0.0), good=not doubts, reason=reason)
