"""Where a piece really broke off, of all the places where a source has more than the whole."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.errors import NoAnswer
from rejoin.core.meshes import adjacency, edge_spacing, vertex_normals
from rejoin.core.records import FloatArray, Mesh

BoolArray = npt.NDArray[np.bool_]

NEAR, FAR = 1.0, 3.0
"""Spacings from an edge between which the surfaces on its both sides are looked at."""
TURNED = 0.7
"""Cosine of the angle, some 45 degrees, by which a surface turns at a rim; where it turns less it runs on."""
RIMMED = 0.3
"""Share of a place's edge that must be a rim: elsewhere the source may end short of it, or the rim be a flat one."""
ON_BREAK = 0.2
"""Share of a place that must lie on the faces taken for the open break: that face is often found in part only."""
LEAST = 30
"""Vertices in a place, below which it is no place."""


def standing_on_break(whole: Mesh, reached: BoolArray, broken: BoolArray | None, guessed: bool = False) -> BoolArray:
    """Of the vertices that a source runs on beyond, those in places where a piece broke off.

    A piece leaves a rim where it broke off. Where the whole's surface runs on smoothly beside what the source has
    more, as at the foot of a spoke that stands elsewhere on the part, nothing broke off: there is the part's own
    surface, and air beyond it.

    Parameters
    ----------
    whole : Mesh
        Closed.
    reached : (n,) bool
        Its vertices that the source runs on beyond.
    broken : (n,) bool, optional
        Its vertices on fracture faces that nothing was joined to.
    guessed : bool, optional
        Whether the program found them, and may have missed some: then other places with a rim count where one is on
        them, for a piece may have broken off in several.

    Returns
    -------
    (n,) bool

    Raises
    ------
    NoAnswer
        Where that is nowhere, or where more of what is reached is the part's own surface than break.
    """
    links = adjacency(whole)
    at = np.flatnonzero(reached)
    count, label = connected_components(links[at][:, at], directed=False)
    places = [at[label == k] for k in np.flatnonzero(np.bincount(label, minlength=count) >= LEAST)]
    normals, spacing, tree = vertex_normals(whole), edge_spacing(whole), cKDTree(whole.vertices)
    rimmed = [p for p in places if _rim_share(whole, p, reached, links, normals, spacing, tree) >= RIMMED]
    good = rimmed if broken is None else [place for place in rimmed if broken[place].mean() >= ON_BREAK]
    if not good:
        raise NoAnswer(*_nowhere(bool(rimmed)))
    good = rimmed if guessed else good
    on_break = np.zeros(len(reached), bool)
    on_break[np.concatenate(good)] = True
    if 2 * np.count_nonzero(on_break) < sum(len(place) for place in places):
        raise NoAnswer(
            "The copy contradicts the part: most of what it has more lies where the part's own surface is whole, with "
            "only air beyond it. Nothing was added.",
            "Try another way or another source; or choose by hand, as fracture face, where the piece broke off.",
        )
    return on_break


def _nowhere(rimmed: bool) -> tuple[str, str]:
    if rimmed:
        return (
            "Nothing is missing that this source could fill: what it has more does not stand on the face that is "
            "taken for the open break. Nothing was added.",
            "If a piece is lost, choose by hand, as fracture face, where it broke off; or try another source.",
        )
    return (
        "Nothing is missing that this source could fill: where it has more, the part's own surface runs on without a "
        "break, and beyond it is air. Nothing was added.",
        "If a piece is lost, try another way or another source.",
    )


def _rim_share(
    whole: Mesh, place: npt.NDArray[np.int64], reached: BoolArray, links: csr_matrix, normals: FloatArray,
    spacing: float, tree: cKDTree,
) -> float:  # fmt: skip
    """Share of the edge of a place at which the whole's surface turns as it does at a rim."""
    own = np.zeros(len(reached), bool)
    own[place] = True
    edge = place[links[place] @ (~reached).astype(np.float32) > 0]
    turned = []
    for point in edge:
        near = np.array(tree.query_ball_point(whole.vertices[point], FAR * spacing))
        near = near[np.linalg.norm(whole.vertices[near] - whole.vertices[point], axis=1) > NEAR * spacing]
        inside, outside = normals[near[own[near]]].sum(axis=0), normals[near[~reached[near]]].sum(axis=0)
        size = float(np.linalg.norm(inside) * np.linalg.norm(outside))
        if size > 0.0:
            turned.append(float(inside @ outside) < TURNED * size)
    return float(np.mean(turned)) if turned else 1.0
