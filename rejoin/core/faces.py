"""Where a fragment may have broken: its facets, the roughest first.

A break differs in roughness from the rest of the surface: it is rougher than a
machined or scanned-smooth casting, and may be smoother than one cast in coarse sand.
The roughness only orders the candidates; the matching decides.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from rejoin.core.planes import connected_nodes, planar_regions
from rejoin.core.records import FloatArray, FractureFace, Fragment, IntArray
from rejoin.core.settings import FaceSettings, Report
from rejoin.core.views import SURROUNDINGS, Nodes, coarse_nodes, roughness, smoothed_normals

CONES = np.cos(np.radians([42.0, 20.0]))
"""How far a facet's smoothed normals may lean from its own: for breaks with relief, and for nearly flat ones."""

UNUSUAL = 0.2
"""How much (log) the roughness around a node must differ from the usual for a patch of a break."""

AROUND = 80
"""Nodes by which roughness is told of a fragment that was made of views. Where a view saw aslant, noise passes for a
break's relief; but relief grows with its wavelength, and noise does not."""

MOST_FACES = 200
"""Facets kept per fragment."""


def find_fracture_faces(
    fragment: Fragment, number: int, settings: FaceSettings, report: Report
) -> list[FractureFace]:
    """Candidate fracture faces of one fragment, most likely first.

    Parameters
    ----------
    fragment : Fragment
    number : int
        The fragment's index in the project, kept in each face.
    settings : FaceSettings
    report : Report

    Returns
    -------
    list of FractureFace
        They may overlap; ``confidence`` is 0 where the facet is as rough as
        most of the fragment, towards 1 the more it differs.
    """
    report(0.0, f"Looking for fracture faces on {fragment.scan.name}")
    nodes = coarse_nodes(fragment)
    smooth = smoothed_normals(nodes, 1.5 * nodes.cell_mm)
    around = AROUND if fragment.scan.views else SURROUNDINGS
    rough = roughness(nodes.points, nodes.normals, smooth, nodes.cell_mm, around=around)
    report(0.5, f"Looking for fracture faces on {fragment.scan.name}")
    usual = usual_roughness(nodes, rough)
    regions = facets(nodes, smooth, np.maximum(rough / usual, 1e-3), settings.smallest_share)
    regions += planar_regions(nodes, smooth, fragment.spacing_mm, settings.smallest_share)
    found = _best(nodes, rough, usual, regions)
    node_of_triangle = nodes.of_vertex[fragment.mesh.triangles[:, 0]]
    by_node = np.argsort(node_of_triangle, kind="stable").astype(np.int32)
    ends = np.cumsum(np.bincount(node_of_triangle, minlength=len(nodes.points)))
    starts = np.append(0, ends[:-1])
    faces = []
    for roughness_mm, region in found:
        triangles = np.sort(np.concatenate([by_node[starts[node] : ends[node]] for node in region]))
        if not len(triangles):  # a speck of nodes where no triangle begins
            continue
        area = float(nodes.areas[region].sum())
        confidence = float(1 - np.exp(-_excess(roughness_mm, usual)))
        faces.append(FractureFace(number, triangles, area, confidence, "program", roughness_mm))
    report(1.0, f"{len(faces)} facets on {fragment.scan.name}")
    return faces


def _best(nodes: Nodes, rough: FloatArray, usual: float, regions: list[IntArray]) -> list[tuple[float, IntArray]]:
    """Roughness (mm) and nodes of the most promising regions, each but once."""
    levels = [float(np.partition(rough[region], len(region) * 2 // 5)[len(region) * 2 // 5]) for region in regions]
    promises = [
        promise(_excess(level, usual), float(nodes.areas[region].sum()))
        for level, region in zip(levels, regions, strict=True)
    ]
    kept: list[int] = []
    sizes = np.array([len(region) for region in regions])
    inside = np.zeros(len(nodes.points), bool)
    for index in np.argsort(-np.array(promises), kind="stable"):
        inside[regions[index]] = True
        alike = np.minimum(sizes[kept], sizes[index]) > 0.8 * np.maximum(sizes[kept], sizes[index])
        rivals = [regions[kept[k]] for k in np.flatnonzero(alike)]
        if not any(np.count_nonzero(inside[rival]) > 0.8 * max(len(rival), sizes[index]) for rival in rivals):
            kept.append(int(index))
        inside[regions[index]] = False
        if len(kept) == MOST_FACES:
            break
    return [(levels[index], regions[index]) for index in kept]


def _excess(roughness_mm: float, usual_mm: float) -> float:
    return abs(float(np.log(max(roughness_mm, 1e-3 * usual_mm) / usual_mm)))


def promise(excess: float, area_mm2: float) -> float:
    """How much information a facet may hold (mm² times nats); orders the search, decides nothing."""
    # Small bores and fillets look rougher than any break at this scale.
    return area_mm2 * (0.02 + min(excess, 0.8) ** 2)


def usual_roughness(nodes: Nodes, rough: FloatArray) -> float:
    """The roughness (mm) below which 40 % of the fragment's surface lies: mostly original surface."""
    order = np.argsort(rough)
    share = np.cumsum(nodes.areas[order]) / nodes.areas.sum()
    return float(max(rough[order[np.searchsorted(share, 0.4)]], 1e-4 * nodes.cell_mm))


def facets(nodes: Nodes, smooth: FloatArray, excess: FloatArray, smallest_share: float) -> list[IntArray]:
    """Regions of nodes that face roughly one way, for all the ways the surface faces.

    Connected regions first; then rough ones of one direction and one level
    together, since a break through spokes leaves its face in several patches.
    """
    pairs = cKDTree(nodes.points).query_pairs(1.8 * nodes.cell_mm, output_type="ndarray")
    alike = np.einsum("ij,ij->i", smooth[pairs[:, 0]], smooth[pairs[:, 1]]) > 0.7
    pairs = np.asarray(pairs[alike], np.int32, order="F")
    unusual = np.abs(_spread(np.log(excess), pairs)) > UNUSUAL
    smallest = smallest_share * nodes.areas.sum()
    left = np.ones(len(nodes.points), bool)
    grid = _sphere(162)
    votes = np.clip(smooth.astype(np.float32) @ grid.T.astype(np.float32) - np.float32(0.85), 0, None)
    apart = 0.04 * float(np.linalg.norm(np.ptp(nodes.points, axis=0)))
    found: list[IntArray] = []
    for _ in range(40):
        if nodes.areas[left].sum() < 0.02 * nodes.areas.sum():
            break
        direction = _main_direction(smooth, nodes.areas * left, grid, votes)
        lean = smooth @ direction
        left &= lean < np.cos(np.radians(24.0))
        wide = lean > CONES[0]
        near = pairs[wide[pairs[:, 0]] & wide[pairs[:, 1]]]
        cones = [np.flatnonzero(lean > cone).astype(np.int32) for cone in CONES]
        pieces = [region for cone in cones for region in connected_nodes(nodes, cone, near)]
        patches = connected_nodes(nodes, np.flatnonzero(wide & unusual).astype(np.int32), near)
        for region in pieces + patches + _levels(nodes, patches, direction, apart):
            if nodes.areas[region].sum() >= smallest:
                found.append(region)
    return found


def _spread(values: FloatArray, pairs: IntArray, rounds: int = 2) -> FloatArray:
    """Values (k,) averaged with those of neighbouring nodes."""
    count = len(values)
    size = 1.0 + np.bincount(pairs[:, 0], minlength=count) + np.bincount(pairs[:, 1], minlength=count)
    for _ in range(rounds):
        around = np.bincount(pairs[:, 0], values[pairs[:, 1]], count)
        values = (values + around + np.bincount(pairs[:, 1], values[pairs[:, 0]], count)) / size
    return values


def _levels(nodes: Nodes, patches: list[IntArray], direction: FloatArray, apart_mm: float) -> list[IntArray]:
    """Patches at about one height along their common direction, taken together."""
    height = np.array([np.average(nodes.points[p] @ direction, weights=nodes.areas[p]) for p in patches])
    order = np.argsort(height)
    groups = np.split(order, np.flatnonzero(np.diff(height[order]) > apart_mm) + 1) if len(order) else []
    return [np.sort(np.concatenate([patches[i] for i in group])) for group in groups if len(group) > 1]


def _main_direction(
    normals: FloatArray, weights: FloatArray, grid: FloatArray, votes: FloatArray
) -> FloatArray:
    """The direction that most of the weighted surface faces (mean shift on the sphere)."""
    direction = grid[(weights.astype(np.float32) @ votes).argmax()]
    for _ in range(4):
        lean = normals @ direction
        near = np.flatnonzero(lean > 0.85)
        near_weights = (lean[near] - 0.85) * weights[near]
        if not near_weights.any():
            break
        direction = np.asarray(near_weights @ normals[near])
        direction = direction / np.linalg.norm(direction)
    return np.asarray(direction)


def _sphere(count: int) -> FloatArray:
    """Evenly spread unit vectors (count, 3): the golden-angle spiral."""
    index = np.arange(count) + 0.5
    z = 1 - 2 * index / count
    angle = np.pi * (1 + np.sqrt(5)) * index
    r = np.sqrt(1 - z * z)
    return np.stack([r * np.cos(angle), r * np.sin(angle), z], axis=1)
