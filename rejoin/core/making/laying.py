"""What goes into the file: the body whole or parted, its cores' boxes beside it, each laid flat, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.libraries.bodies import Body, body_of
from rejoin.core.making.beds import bed_of, lying, pieces_for
from rejoin.core.making.bores import Core, core_box
from rejoin.core.making.draft import Parting
from rejoin.core.making.parting import parted, plane_frame
from rejoin.core.meshes import components, volume
from rejoin.core.records import FloatArray, MadeBody, Mesh
from rejoin.core.settings import MakeSettings, Report

APART = 0.05
"""Bodies in one file lie this far apart, as a share of the largest."""


@dataclass(frozen=True, eq=False)
class Laid:
    """What was made, as a mesh and, where it was worked on, as a solid; where it came from, its parting plane, and its
    cores in the part's size."""

    mesh: Mesh
    solid: Body | None
    made_from_part: FloatArray
    parting: Parting | None
    cores: Sequence[Core]

    @property
    def body(self) -> Body:
        """The solid."""
        return body_of(self.mesh, "What was made") if self.solid is None else self.solid


Item = tuple[str, Body, FloatArray]
"""Name, body, and the matrix that took it from the part's frame to where it lies."""


def laid_out(
    laid: Laid, settings: MakeSettings, notes: list[str], name: str, report: Report
) -> tuple[MadeBody, ...]:
    """The bodies as they lie in the file. One that stands alone stays in the part's place unless a bed was given."""
    if not (settings.split or settings.bed is not None or laid.cores):
        shells = int(components(laid.mesh)[0])
        return (MadeBody(name, laid.mesh, shells, volume(laid.mesh), laid.made_from_part),)
    items: list[Item] = [(name, laid.body, laid.made_from_part)]
    if settings.split and laid.parting is not None:
        report(0.7, "Parting it at the plane")
        items = _halves(laid, settings, notes, name)
    if settings.bed is not None:
        report(0.75, "Laying it on the bed")
        items = [piece for item in items for piece in _on_bed(item, bed_of(settings.bed), settings, notes)]
    for core in laid.cores:
        items += _core_items(core, laid.made_from_part, settings)
    return side_by_side(items)


def side_by_side(items: Sequence[Item]) -> tuple[MadeBody, ...]:
    """Bodies in a row along x, each on z = 0; a single one stays where it is."""
    if len(items) == 1:
        return (_made(*items[0]),)
    gap = APART * max(float((high - low).max()) for low, high in (body.bounds for _, body, _ in items))
    bodies, x = [], 0.0
    for name, body, matrix in items:
        low, high = body.bounds
        shift = np.eye(4)
        shift[:3, 3] = [x - low[0], -0.5 * (low[1] + high[1]), -low[2]]
        bodies.append(_made(name, body.moved(shift), shift @ matrix))
        x += float(high[0] - low[0]) + gap
    return tuple(bodies)


def _made(name: str, body: Body, matrix: FloatArray) -> MadeBody:
    return MadeBody(name, body.mesh(), body.shells, body.volume_mm3, matrix)


_OVER = np.diag([1.0, -1.0, -1.0, 1.0])
"""Turns a body over, about x."""


def _halves(laid: Laid, settings: MakeSettings, notes: list[str], name: str) -> list[Item]:
    assert laid.parting is not None
    above, below, places, dowel = parted(laid.body, laid.parting, settings.dowel_mm, settings.dowel_clearance_mm)
    if dowel is None:
        notes.append("The section at the parting plane has no room for dowels.")
    else:
        told = ", ".join(f"({x:.1f}, {y:.1f})" for x, y, _ in places)
        notes.append(f"Dowels of {dowel:g} mm at {told} mm in the parting plane, holes {settings.dowel_clearance_mm:g} "
                     "mm wider.")  # fmt: skip
    flat = plane_frame(laid.parting) @ laid.made_from_part
    return [(f"upper half of the {name}", above, flat), (f"lower half of the {name}", below.moved(_OVER), _OVER @ flat)]


def _on_bed(item: Item, bed_mm: FloatArray, settings: MakeSettings, notes: list[str]) -> list[Item]:
    name, body, matrix = item
    way = lying(body.mesh(), bed_mm)
    if way is not None:
        notes.append(f"The {name} lies so that {way.support_mm2:.0f} mm2 want support.")
        return [(name, body.moved(way.bed_from_part), way.bed_from_part @ matrix)]
    pieces, cuts, bare = pieces_for(body, bed_mm, settings.dowel_mm, settings.dowel_clearance_mm)
    notes.append(f"The {name} is larger than the bed and was parted into {len(pieces)}, {_dowels(cuts, bare)}.")
    return [
        (f"{name}, piece {number}", piece.moved(way.bed_from_part), way.bed_from_part @ piece_from_part @ matrix)
        for number, (piece, piece_from_part, way) in enumerate(pieces, 1)
    ]


def _dowels(cuts: int, bare: int) -> str:
    if not bare:
        return "with dowel holes"
    if bare == cuts:
        return "without dowel holes: the cuts have no room for them"
    return f"with dowel holes; {bare} of {cuts} cuts {'has' if bare == 1 else 'have'} no room for them"


def _core_items(core: Core, made_from_part: FloatArray, settings: MakeSettings) -> list[Item]:
    axis = made_from_part[:3, :3] @ core.axis
    scaled = core.core.moved(made_from_part)
    upper, lower, box_from_made = core_box(scaled, axis / np.linalg.norm(axis), settings.box_wall_mm)
    frame = box_from_made @ made_from_part
    return [
        (f"core of {core.name}", scaled.moved(box_from_made), frame),
        (f"core box of {core.name}, half 1", upper, frame),
        (f"core box of {core.name}, half 2", lower.moved(_OVER), _OVER @ frame),
    ]
