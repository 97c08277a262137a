"""Along which way a piece comes off, and the order in which pieces can go in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.dimensions.figures import directions, unit
from rejoin.core.meshes import adjacency, compacted, triangle_areas, vertex_normals
from rejoin.core.records import FloatArray, Fragment, IntArray, Joint, Mesh, Placement
from rejoin.core.transforms import turn

STEEP = float(np.sin(np.radians(8.0)))
"""Surface that leans less against a direction than this does not bar it: roughness, not an undercut."""

FREE = 0.03
"""Share of a joint that may be in the way of a piece that goes in: the rim's rounding, single teeth."""


def faces_of(fragment: Fragment, triangles: IntArray) -> tuple[FloatArray, FloatArray]:
    """Smoothed unit normals (m, 3) and areas (m,) of a face's triangles."""
    face, _ = compacted(fragment.mesh, triangles)
    normals = vertex_normals(_relaxed(face))
    mean = normals[face.triangles].sum(axis=1)
    return mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-300), triangle_areas(face)


def _relaxed(mesh: Mesh, rounds: int = 4) -> Mesh:
    """The face with its roughness averaged out."""
    graph = adjacency(mesh)
    count = np.maximum(np.asarray(graph.sum(axis=1)).ravel(), 1.0)[:, None]
    points = mesh.vertices
    for _ in range(rounds):
        points = 0.5 * points + 0.5 * (graph @ points) / count
    return Mesh(points, mesh.triangles)


def way_off(faces: tuple[FloatArray, FloatArray]) -> tuple[FloatArray, float]:
    """The direction (3,) along which the other piece comes off with least in its way, and the share that is.

    Parameters
    ----------
    faces : (normals (m, 3), areas (m,))
        Of the piece that stays, outward; surface that leans against the direction bars it (an undercut).
    """
    normals, areas = faces
    mean = (normals * areas[:, None]).sum(axis=0) / areas.sum()
    half = directions(600)
    tries = np.vstack([half, -half])
    if np.linalg.norm(mean) > 1e-6:
        tries = np.vstack([unit(mean), tries])
    lean = tries @ normals.T
    barred = (lean < -STEEP) @ areas / areas.sum()
    # of the directions that are as free, the one nearest to the joint's own
    best = int(np.lexsort((-(tries @ mean), np.round(barred, 2)))[0])
    return np.asarray(tries[best]), float(barred[best])


def order_of_assembly(
    fragments: Sequence[Fragment], placements: Sequence[Placement], joints: Sequence[Joint]
) -> tuple[tuple[int, FloatArray, float], ...]:
    """The order in which pieces can go in, the largest first: (fragment, direction in the part's frame, share barred).

    Found backwards: the piece that comes off most freely goes in last. The direction is the way it comes off; a
    share above `FREE` means that pieces interlock and no straight way is open.
    """
    placed = [n for n, p in enumerate(placements) if p.part_from_scan is not None]
    if not placed:
        return ()
    areas = [float(triangle_areas(fragments[n].mesh).sum()) for n in placed]
    base = placed[int(np.argmax(areas))]
    left, order = set(placed), []
    while len(left) > 1:
        ways = {n: _way_of(n, left, fragments, placements, joints) for n in sorted(left - {base})}
        last = min(ways, key=lambda n: (round(ways[n][1], 2), n))
        order.append((last, *ways[last]))
        left.remove(last)
    return ((base, np.zeros(3), 0.0), *reversed(order))


def order_in_words(order: Sequence[tuple[int, FloatArray, float]], names: Sequence[str]) -> str:
    """The order of assembly as a sentence; empty where there is nothing to put in."""
    if len(order) < 2:
        return ""
    told = []
    for piece, way, barred in order[1:]:
        along = ", ".join(f"{axis} {0.0 - one:+.2f}" for axis, one in zip("xyz", way, strict=True))
        told.append(f"{names[piece]} along {along} of the whole")
        told[-1] += f", {barred:.0%} of its joint in the way" if barred > FREE else ""
    locked = any(barred > FREE for _, _, barred in order[1:])
    end = " Where a joint is in the way no straight way is open: the pieces interlock." if locked else ""
    return f"Order of assembly: {names[order[0][0]]} stays, then {', then '.join(told)}.{end}"


def _way_of(piece: int, left: set[int], fragments: Sequence[Fragment], placements: Sequence[Placement],
            joints: Sequence[Joint]) -> tuple[FloatArray, float]:  # fmt: skip
    normals, areas = [], []
    for joint in joints:
        if joint.state == "rejected" or piece not in (joint.a, joint.b) or not {joint.a, joint.b} <= left:
            continue
        own = joint.face_a if piece == joint.a else joint.face_b
        one, area = faces_of(fragments[piece], own.triangles)
        normals.append(-turn(placements[piece].part_from_scan, one))  # type: ignore[arg-type]
        areas.append(area)
    if not normals:
        return np.array([0.0, 0.0, 1.0]), 0.0
    return way_off((np.vstack(normals), np.concatenate(areas)))
