"""Judging a pose of two fragments by the information in their contact.

The question is not "do they lie close" (two smooth faces always do) but "would
chance or a smooth shape explain it". Each place where the two surfaces face
each other is a small test between two explanations: they are two sides of one
break, or two unrelated surfaces with this much relief.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import eigh
from scipy.spatial import cKDTree

from rejoin.core.records import Evidence, FloatArray, Fragment, IntArray
from rejoin.core.transforms import apply, inverse, turn
from rejoin.core.views import BoolArray, Nodes, quadric_residual, robust_plane


@dataclass(frozen=True, eq=False)
class Surface:
    """What finding and judging need of one fragment, made once.

    ``samples`` (k,) is one vertex for each node, ``tree`` holds all vertices.
    """

    fragment: Fragment
    nodes: Nodes
    tree: cKDTree
    samples: IntArray

    @property
    def sample_areas(self) -> FloatArray:
        return self.nodes.areas


@dataclass(frozen=True, eq=False)
class Facing:
    """Where vertices of a lie over b's surface: everything in b's frame.

    ``gap`` is + open along the symmetric normal (Rusinkiewicz, 2019),
    ``aside`` the distance across it, ``facing`` the cosine of the two nodes'
    normals. ``normals_a`` and ``normals_b`` are the vertices' own.
    """

    index: IntArray
    nearest: IntArray
    points: FloatArray
    normals_a: FloatArray
    normals_b: FloatArray
    normals: FloatArray
    gap: FloatArray
    aside: FloatArray
    facing: FloatArray


def faced(first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, reach: float) -> Facing:
    """The vertices ``chosen`` of a that lie within ``reach`` (mm) of a vertex of b."""
    points = apply(b_from_a, first.fragment.mesh.vertices[chosen])
    distance, nearest = second.tree.query(points, distance_upper_bound=reach, workers=2)
    index = np.flatnonzero(np.isfinite(distance))
    points, nearest = points[index], nearest[index]
    broad_a = turn(b_from_a, first.nodes.normals[first.nodes.of_vertex[chosen[index]]])
    broad_b = second.nodes.normals[second.nodes.of_vertex[nearest]]
    normals_a = turn(b_from_a, first.nodes.vertex_normals[chosen[index]])
    normals_b = second.nodes.vertex_normals[nearest]
    common = broad_b - broad_a
    length = np.linalg.norm(common, axis=1, keepdims=True)
    common /= np.where(length > 0, length, 1.0)
    offset = points - second.fragment.mesh.vertices[nearest]
    gap = np.einsum("ij,ij->i", offset, common)
    aside = np.sqrt(np.maximum(np.square(offset).sum(axis=1) - gap**2, 0))
    facing = np.einsum("ij,ij->i", broad_a, broad_b)
    return Facing(index.astype(np.int32), nearest.astype(np.int32), points, normals_a, normals_b, common, gap, aside, facing)


def touching_limit(first: Fragment, second: Fragment) -> float:
    """Gap (mm) up to which two sides of one break may part by noise and sampling alone."""
    noise = float(np.hypot(first.noise_mm, second.noise_mm))
    return max(4.0 * noise, 0.35 * max(first.spacing_mm, second.spacing_mm))


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
    ways = facing_ways(seen.normals[zone])
    for facet in ways:
        rough = relief(seen.points[zone][facet], seen.normals[zone][facet]) ** 2 - first.fragment.noise_mm**2
        spread = float(np.sqrt(2.0 * max(rough, 0.0) + sigma**2))
        ratio[facet] = _log_ratio(seen.gap[zone][facet], sigma, spread)
    score = float((cells * ratio).sum())
    depth, inside = overlap(first, second, b_from_a, limit, spacing, sparse)
    depth_b, inside_b = overlap(second, first, a_from_b, limit, spacing, sparse)
    held = max(
        firmness(seen.points, seen.normals_a, seen.normals_b, contact & rimless(seen), areas, sigma, spacing),
        firmness(seen.points, *broad_normals(first, second, b_from_a, chosen, seen), contact & inner(first, chosen, seen, contact), areas, sigma, spacing),
    )
    likeness = shared_relief(first, second, b_from_a, chosen, seen, np.flatnonzero(zone), ways, cells)
    score = max(score * min(1.0, held), likeness * min(1.0, 5.0 * held))
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


def facing_ways(normals: FloatArray, most: int = 12) -> list[IntArray]:
    """Index sets of normals that lie within 35 degrees of one direction, the largest first.

    Each is judged against a smooth shape of its own, so that two corners which
    nest by their planes alone are not taken for a break.
    """
    left = np.ones(len(normals), bool)
    ways: list[IntArray] = []
    while left.sum() > max(20, 0.02 * len(normals)) and len(ways) < most:
        direction = normals[left][0]
        for _ in range(8):
            near = left & (normals @ direction > 0.82)
            direction = normals[near].mean(axis=0)
            direction /= np.linalg.norm(direction)
        ways.append(np.flatnonzero(near).astype(np.int32))
        left &= ~near
    return [way for way in ways if len(way) >= 20]


def relief(points: FloatArray, normals: FloatArray) -> float:
    """Robust height (mm, 1 sigma) of points over the quadric that fits them best.

    A plane, a shaft or a ball has none: only what no smooth shape explains counts.
    """
    plane = robust_plane(points, normals.mean(axis=0), np.ones(len(points)))
    return float(1.4826 * np.median(np.abs(quadric_residual(*plane.coordinates(points).T))))


def overlap(
    first: Surface, second: Surface, b_from_a: FloatArray, limit: float, spacing: float, sparse: bool = False
) -> tuple[float, float]:
    """Depth (mm, 95 %) and area (mm²) of a's surface that lies deep inside b."""
    every = 8 if sparse else 1
    points = apply(b_from_a, first.fragment.mesh.vertices[first.samples[::every]])
    low, high = second.tree.mins, second.tree.maxes
    near = np.flatnonzero(np.all((points > low) & (points < high), axis=1))
    if len(near) == 0:
        return 0.0, 0.0
    shallow = max(2.0 * limit, 2.0 * spacing)
    distance, nearest = second.tree.query(points[near], k=6, workers=2)
    near, distance, nearest = near[distance[:, 0] > shallow], *(x[distance[:, 0] > shallow] for x in (distance, nearest))
    offset = points[near][:, None] - second.fragment.mesh.vertices[nearest]
    depth = -np.einsum("nkj,nkj->nk", offset, second.nodes.vertex_normals[nearest])
    # Beside a sharp edge one vertex's normal misleads: all the nearest must agree.
    deep = (depth > 0.5 * distance).all(axis=1)
    depth = distance[:, 0]
    area = float(first.sample_areas[::every][near[deep]].sum()) * every
    return (float(np.percentile(depth[deep], 95)) if deep.any() else 0.0), area


def rimless(seen: Facing) -> BoolArray:
    """Where both normals oppose well: at the rim they lean outwards, which would pass for relief."""
    return np.asarray((np.einsum("ij,ij->i", seen.normals_a, seen.normals_b) < -0.85) & (seen.facing < -0.85))


def inner(first: Surface, chosen: IntArray, seen: Facing, contact: BoolArray) -> BoolArray:
    """Contact that lies at least two cells inside the rim of the contact."""
    touching = np.zeros(len(chosen), bool)
    touching[seen.index[contact]] = True
    points = first.fragment.mesh.vertices[chosen]
    if touching.all():
        return touching[seen.index]
    away, _ = cKDTree(points[~touching]).query(points[seen.index])
    return np.asarray(away > 2.0 * first.nodes.cell_mm)


def broad_normals(
    first: Surface, second: Surface, b_from_a: FloatArray, chosen: IntArray, seen: Facing
) -> tuple[FloatArray, FloatArray]:
    """The normals of the nodes that the facing vertices belong to, in b's frame."""
    nodes_a, nodes_b = first.nodes, second.nodes
    return (
        turn(b_from_a, nodes_a.normals[nodes_a.of_vertex[chosen[seen.index]]]),
        nodes_b.normals[nodes_b.of_vertex[seen.nearest]],
    )


def shared_relief(
    first: Surface,
    second: Surface,
    b_from_a: FloatArray,
    chosen: IntArray,
    seen: Facing,
    zone: IntArray,
    ways: list[IntArray],
    cells: FloatArray,
) -> float:
    """Information (nats) in the correlation of the two reliefs, node by node.

    Nodes average the noise, so this still speaks where the relief is hardly
    above the noise of single vertices: -n/2 log(1 - r²) for n independent cells.
    """
    nodes_a, nodes_b = first.nodes, second.nodes
    of_a, of_b = nodes_a.of_vertex[chosen[seen.index[zone]]], nodes_b.of_vertex[seen.nearest[zone]]
    points_a, points_b = apply(b_from_a, nodes_a.points[of_a]), nodes_b.points[of_b]
    total = 0.0
    for facet in ways:
        normal = seen.normals[zone][facet].mean(axis=0)
        plane = robust_plane(points_a[facet], normal, np.ones(len(facet)))
        residuals = []
        for points in (points_a[facet], points_b[facet]):
            x, y, z = plane.coordinates(points).T
            residuals.append(quadric_residual(x, y, z))
        limit = [3.0 * 1.4826 * np.median(np.abs(r)) + 1e-12 for r in residuals]
        kept = (np.abs(residuals[0]) < limit[0]) & (np.abs(residuals[1]) < limit[1])
        if np.count_nonzero(kept) < 20:
            continue
        r = float(np.corrcoef(residuals[0][kept], residuals[1][kept])[0, 1])
        total -= 0.5 * float(cells[facet][kept].sum()) * float(np.log(1 - min(max(r, 0.0), 0.99) ** 2))
    return total


def firmness(
    points: FloatArray,
    normals_a: FloatArray,
    normals_b: FloatArray,
    contact: BoolArray,
    areas: FloatArray,
    sigma: float,
    spacing: float,
) -> float:
    """How firmly the contact holds its weakest motion: one spacing over three sigma of slip.

    One scan's normals are multiplied by the other's (crossed information), so
    that normal noise does not pass for relief on a smooth face.
    """
    if np.count_nonzero(contact) < 12:
        return 0.0
    points = points[contact] - points[contact].mean(axis=0)
    cells = areas[contact] / (4.0 * spacing) ** 2 / sigma**2
    jacobian_a = np.hstack([np.cross(points, -normals_a[contact]), -normals_a[contact]])
    jacobian_b = np.hstack([np.cross(points, normals_b[contact]), normals_b[contact]])
    crossed = jacobian_a.T @ (cells[:, None] * jacobian_b)
    moves = np.zeros((len(points), 3, 6))
    moves[:, 0, 1], moves[:, 0, 2] = points[:, 2], -points[:, 1]
    moves[:, 1, 0], moves[:, 1, 2] = -points[:, 2], points[:, 0]
    moves[:, 2, 0], moves[:, 2, 1] = points[:, 1], -points[:, 0]
    moves[:, 0, 3] = moves[:, 1, 4] = moves[:, 2, 5] = 1.0
    size = np.einsum("nia,nib->ab", moves, moves) / len(points)
    weakest = float(eigh(0.5 * (crossed + crossed.T), size + 1e-9 * np.eye(6), eigvals_only=True)[0])
    return spacing / 3.0 * float(np.sqrt(max(weakest, 0.0)))


LEAST_SCORE = 25.0
"""Nats below which a contact is no evidence: chance, over all poses tried, reaches about half of it."""


def believable(evidence: Evidence) -> bool:
    """Whether the evidence is enough to place a fragment at all, be it as doubtful."""
    return evidence.score > LEAST_SCORE and evidence.score > 1.2 * evidence.runner_up


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
