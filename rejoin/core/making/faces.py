"""The picks of one step, found on the whole as it stands at that step, and moved."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.libraries.bodies import Body, body_of
from rejoin.core.making.bores import filled, need_bore, plug_of
from rejoin.core.making.draft import Parting, drafted, lined
from rejoin.core.making.owning import Shift
from rejoin.core.making.regions import REACH, region_at
from rejoin.core.making.slabs import raised, shifted
from rejoin.core.making.surface import Region, Surface
from rejoin.core.meshes import is_closed, volume
from rejoin.core.records import FloatArray, MakePick, Whole


class Bench:
    """The whole on its way through the steps: as a solid and as a mesh, with the picks as they were made.

    A pick was made on the whole as given. Later steps find its face again by its point, carried along by the face's own
    moves, and by the way it faced.
    """

    def __init__(self, first: Surface, picks: Sequence[MakePick]) -> None:
        """``worked`` tells whether set operations were used."""
        self.surface, self.first = first, first
        self.worked = False
        self._body: Body | None = None
        self.lines: list[str] = []
        self._regions = {id(pick): region_at(first, pick.point_mm, pick.shape, name_of(pick)) for pick in picks}
        self._moves: list[tuple[Region, float]] = []

    @property
    def body(self) -> Body:
        """The whole as it stands, as a solid; made when it is first asked for."""
        if self._body is None:
            self._body = body_of(self.surface.mesh, "The whole")
        return self._body

    def becomes(self, body: Body) -> None:
        """Go on with another solid."""
        self._body, self.surface, self.worked = body, Surface(body.mesh()), True

    def find(self, pick: MakePick) -> Region:
        """The face of a pick, on the whole as it stands."""
        region = self._regions[id(pick)]
        if self.surface is self.first:
            return region
        normal = region.normals[_nearest(self.first, region, pick.point_mm)]
        gone = [(other, amount) for other, amount in self._moves if _same(region, other)]
        point = pick.point_mm + normal * sum(amount for _, amount in gone)
        reach = REACH * self.first.size_mm + max((abs(amount) for _, amount in self._moves), default=0.0)
        return region_at(self.surface, point, pick.shape, name_of(pick), normal, reach)

    def move(self, what: str, moves: Sequence[tuple[MakePick, Region, FloatArray]]) -> None:
        """Move the faces of the picks."""
        shifts = [Shift(region, amounts, name_of(pick)) for pick, region, amounts in moves if amounts.any()]
        if not shifts:
            return
        mesh = raised(self.surface, shifts, what)
        body = None if mesh is not None else shifted(self.surface, self.body, shifts, what)
        for pick, _, amounts in moves:
            self._moves.append((self._regions[id(pick)], float(np.median(amounts))))
        if body is not None:
            self.becomes(body)
        elif mesh is not None:
            self._body, self.surface = None, Surface(mesh)


def need_closed(whole: Whole) -> None:
    """A whole of which something can be made.

    Raises
    ------
    NoAnswer
        Open, or inside out.
    """
    if not is_closed(whole.mesh):
        raise NoAnswer("The whole is open, so nothing can be made of it.",
                       "Fuse again with larger scan holes closed (a setting of fusing), or scan again what is "
                       "missing.")  # fmt: skip
    if volume(whole.mesh) <= 0:
        raise NoAnswer("The whole is inside out.", "Clean the scans again with flip-inside-out.")


def name_of(pick: MakePick) -> str:
    """What to call a pick in a sentence."""
    return pick.name or "the face at (" + ", ".join(f"{one:.4g}" for one in pick.point_mm) + ")"


def _nearest(surface: Surface, region: Region, point: FloatArray) -> int:
    return int(np.argmin(np.square(surface.mesh.vertices[region.vertices] - point).sum(axis=1)))


def _same(one: Region, other: Region) -> bool:
    return len(np.intersect1d(one.triangles, other.triangles)) > 0.5 * min(len(one.triangles), len(other.triangles))


def restore(bench: Bench, picks: Sequence[MakePick]) -> None:
    """Bring faces back by the stated millimetres, bores and shafts to the stated diameter."""
    moves = []
    for pick in picks:
        region = bench.find(pick)
        amount = pick.amount
        if pick.diameter_mm is not None:
            if region.figure is None:
                raise NoAnswer(f"{name_of(pick)} is not round, so it has no diameter.", "Give millimetres instead.")
            grow = 0.5 * pick.diameter_mm - region.figure.radius_mm
            amount = -grow if region.hollow else grow
        moves.append((pick, region, np.full(len(region.vertices), amount)))
        told = f" ({pick.note})" if pick.note else ""
        bench.lines.append(f"{name_of(pick)}: {amount:+.3f} mm along its normal{told}")
    bench.move("restoring", moves)


def add_stock(bench: Bench, picks: Sequence[MakePick]) -> None:
    """Fill what is cast solid, then add machining stock."""
    for pick in picks:
        if pick.what in ("solid", "core"):
            region = bench.find(pick)
            figure = need_bore(region, name_of(pick))
            plug = plug_of(bench.surface, region, name_of(pick))
            bench.becomes(filled(bench.body, plug))
            if pick.what == "solid":
                bench.lines.append(f"{name_of(pick)}: bore of {2 * figure.radius_mm:.3f} mm cast solid")
    moves = []
    for pick in picks:
        if pick.what == "stock":
            if pick.amount < 0:
                raise WrongUse(f"The stock on {name_of(pick)} is below zero.", "Stock is added; give 0 or more.")
            region = bench.find(pick)
            moves.append((pick, region, np.full(len(region.vertices), pick.amount)))
            side = " a side, the bore shrinks" if region.hollow else ""
            bench.lines.append(f"{name_of(pick)}: {pick.amount:g} mm{side}")
    bench.move("machining stock", moves)


def add_draft(bench: Bench, picks: Sequence[MakePick], parting: Parting) -> None:
    """Give walls their draft, from the parting plane."""
    mesh = lined(bench.surface.mesh, parting)
    if mesh is not bench.surface.mesh:
        bench.surface = Surface(mesh)
    moves = []
    for pick in picks:
        if not 0.0 < pick.amount <= 20.0:
            raise WrongUse(f"A draft of {pick.amount:g} degrees is out of reason.", "Give more than 0 and up to 20.")
        region = bench.find(pick)
        made = drafted(bench.surface.mesh.vertices, region, parting, pick.amount, pick.way, name_of(pick))
        if made is None:
            bench.lines.append(f"{name_of(pick)}: has {pick.amount:g} degrees of draft already")
            continue
        region, amounts = made
        moves.append((pick, region, amounts))
        least, most = float(amounts.min()), float(amounts.max())
        bench.lines.append(f"{name_of(pick)}: {pick.amount:g} degrees, {least:+.3f} to {most:+.3f} mm")
    bench.move("draft", moves)
