"""Bores cast solid, core prints, cores and the box that makes a core."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.bodies import Body, body_of, box, cylinder, frame_on, triangulated, united
from rejoin.core.libraries.walls import through_material
from rejoin.core.making.surface import Index, Region, Round, Surface
from rejoin.core.records import FloatArray, Mesh
from rejoin.core.transforms import rigid


def need_bore(region: Region, name: str) -> Round:
    """The figure of a bore.

    Raises
    ------
    NoAnswer
        Where the region is none.
    """
    if region.figure is None or not region.figure.hollow:
        raise NoAnswer(f"{name} is not a bore.", "Pick a point on the inside wall of the bore.")
    return region.figure


def plug_of(surface: Surface, region: Region, name: str) -> Body:
    """The solid that fills a bore flush: its wall turned round, and a lid on every opening of that wall."""
    need_bore(region, name)
    triangles = surface.mesh.triangles[region.triangles].astype(np.int64)
    lids = [_lid(surface.mesh.vertices, loop) for loop in _loops(triangles, len(surface.mesh.vertices))]
    faces = np.concatenate([triangles[:, ::-1], *lids])
    used, local = np.unique(faces, return_inverse=True)
    return body_of(Mesh(surface.mesh.vertices[used], local.reshape(-1, 3).astype(np.int32)), f"The filling of {name}")


def filled(body: Body, plug: Body) -> Body:
    """The body with a bore filled; a hollow that the plug leaves at the bottom of a blind hole is filled too."""
    low, high = plug.bounds
    margin = 0.5 * float((high - low).max())
    return (body + plug).without_cavities(low - margin, high + margin)


def _loops(triangles: Index, count: int) -> list[list[int]]:
    """The borders of a set of triangles, each followed the way its triangles turn."""
    ring = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    rim = ring[~np.isin(ring[:, 0] * count + ring[:, 1], ring[:, 1] * count + ring[:, 0])]
    following: dict[int, list[int]] = {}
    for u, w in rim.tolist():
        following.setdefault(u, []).append(w)
    loops = []
    while following:
        start = next(iter(following))
        loop, at = [start], start
        while True:
            ends = following[at]
            onward = ends.pop()
            if not ends:
                del following[at]
            if onward == start:
                break
            loop.append(onward)
            at = onward
        loops.append(loop)
    return loops


def _lid(vertices: FloatArray, loop: list[int]) -> Index:
    points = vertices[loop]
    q = points - points.mean(axis=0)
    normal = np.cross(q, np.roll(q, -1, axis=0)).sum(axis=0)
    frame = frame_on(normal / max(float(np.linalg.norm(normal)), 1e-300))
    return np.asarray(loop, np.int64)[triangulated([q @ frame[:, :2]])]


@dataclass(frozen=True, eq=False)
class Core:
    """A core and what goes with it: its prints on the pattern, and its axis, all in the part's size."""

    name: str
    core: Body
    prints: Body
    axis: FloatArray
    sentence: str


def core_of(
    surface: Surface, region: Region, name: str, stock_mm: float, print_mm: float | None, clearance_mm: float,
    beyond_mm: float,
) -> Core:  # fmt: skip
    """The core of a bore.

    Parameters
    ----------
    surface, region
        The whole and the bore's wall.
    name : str
    stock_mm : float
        Machining stock per side: the core is thinner than the bore by twice this.
    print_mm : float, optional
        Length of a print beyond the casting; as long as the core is thick unless given (common practice, no source).
    clearance_mm : float
        By how much the prints are larger than the core all round, so that the core goes into the mould.
    beyond_mm : float
        Stock on the faces at the ends of the bore, which the prints begin outside of.

    Raises
    ------
    NoAnswer
        No bore, or stock that leaves no core.
    """
    figure = need_bore(region, name)
    t, _, _ = figure.split(surface.mesh.vertices[region.vertices])
    ends = (float(t.min()), float(t.max()))
    radii = [figure.radius_mm + figure.slope * one - stock_mm for one in ends]
    if min(radii) <= 0:
        raise NoAnswer(
            f"The machining stock on {name} leaves no room for a core.", "Give less, or cast the bore solid."
        )
    length = print_mm if print_mm is not None else 2.0 * max(radii)
    opened = [_open_end(surface, figure, ends, k) for k in (0, 1)]
    if not any(opened):
        raise NoAnswer(f"{name} opens at neither end.", "A core needs an opening to be held in.")
    cores = [cylinder(_on(figure, ends[0]), _on(figure, ends[1]), radii[0], radii[1])]
    prints = []
    for k, sign in ((0, -1.0), (1, 1.0)):
        if opened[k]:
            far = ends[k] + sign * (beyond_mm + length)
            inside = ends[k] - sign * min(0.25 * (ends[1] - ends[0]), radii[k])
            cores.append(cylinder(_on(figure, inside), _on(figure, far), radii[k]))
            seat = _on(figure, far + sign * clearance_mm)
            prints.append(cylinder(_on(figure, inside), seat, radii[k] + clearance_mm))
    how = "at both ends" if all(opened) else "at the open end only: hold the core from tipping"
    sentence = (f"{name}: core {2 * min(radii):.3f} mm thick, prints {length:.3g} mm long {how}, "
                f"{clearance_mm:g} mm larger than the core all round")  # fmt: skip
    return Core(name, united(cores), united(prints), figure.axis, sentence)


def _on(figure: Round, t: float) -> FloatArray:
    return figure.point_mm + t * figure.axis


def _open_end(surface: Surface, figure: Round, ends: tuple[float, float], k: int) -> bool:
    """Whether the way out of the bore along its axis is free past its end by half a radius."""
    middle = 0.5 * (ends[0] + ends[1])
    direction = figure.axis * (1.0 if k else -1.0)
    free = float(through_material(surface.mesh, _on(figure, middle)[None], direction[None])[0][0])
    return free > abs(ends[k] - middle) + 0.5 * figure.radius_mm


def core_box(core: Body, axis: FloatArray, wall_mm: float) -> tuple[Body, Body, FloatArray]:
    """Two halves of a box around a core, open at the ends for ramming, and the frame (4, 4) they lie in.

    The cavity is the core itself. In the returned frame the core's axis is x and the halves part at z = 0.
    """
    frame = frame_on(axis)[:, [2, 0, 1]]
    low, high = core.bounds
    box_from_part = rigid(frame.T, -frame.T @ (0.5 * (low + high)))
    inside = core.moved(box_from_part)
    low, high = inside.bounds
    box_from_part[:3, 3] -= np.array([0.0, 0.5 * (low[1] + high[1]), 0.5 * (low[2] + high[2])])
    inside = core.moved(box_from_part)
    low, high = inside.bounds
    room = np.array([0.0, wall_mm, wall_mm])
    block = box(low - room, high + room) - inside
    up = np.array([0.0, 0.0, 1.0])
    return block.above(up, 0.0), block.above(-up, 0.0), box_from_part
