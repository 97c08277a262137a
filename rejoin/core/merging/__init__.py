"""Several scans of one fragment, each from another side, made into one.

Support and loose parts are cut away, the views are laid on each other where they show the same surface, all overlaps
are adjusted together, and one surface is made in which each place is the triangles of the view that saw it best.
How well the views agree stays with the scan and is part of the uncertainty of all that follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.errors import NoAnswer
from rejoin.core.merging.pointed import tied
from rejoin.core.merging.support import Trimmed, trimmed
from rejoin.core.merging.tables import Scene
from rejoin.core.meshes import compacted, placed
from rejoin.core.records import FloatArray, Fragment, Repair, SamePlaces, Scan, ScanView
from rejoin.core.settings import FIRM_VIEWS, CleanSettings, ReadSettings, Report, part_of, silent
from rejoin.core.transforms import inverse, orthonormal

if TYPE_CHECKING:
    from rejoin.core.alignment import Adjustment
    from rejoin.core.merging.looks import Known
    from rejoin.core.merging.sewing import Merged
    from rejoin.core.merging.sight import Sight

BELIEVED, HOPELESS = 0.2, 0.06
"""Worth of an arrangement (1: closed, and nothing speaks against it) below which it is not believed once it is
adjusted: views of a piece that is nearly the same from two sides go together wrongly so that it stays open behind. The
worth below which it is not even adjusted, for it would have to become more than three times as good."""

LOST, SLID = 8.0, 0.1
"""Spacings that a view may be out of place (95 %), and share of its size, beyond which it is no use."""


@dataclass(frozen=True, eq=False)
class _Ready:
    """A view, cleaned and trimmed."""

    scan: Scan
    fragment: Fragment
    plate_mm2: float
    scene: Scene | None = None


def merge_scans(
    scans: Sequence[Scan], name: str, settings: ReadSettings | None = None, report: Report = silent,
    marks: Sequence[SamePlaces] = (),
) -> Scan:  # fmt: skip
    """Make one scan of several views of a fragment.

    Parameters
    ----------
    scans : sequence of Scan
        In any frames; all in one unit.
    name : str
    settings : ReadSettings, optional
        ``support`` says whether a plate is cut away.
    report : Report, optional
    marks : sequence of SamePlaces, optional
        Places that a person pointed out on two of them: those two are laid together so, and in no other way.

    Returns
    -------
    Scan
        In the frame of the first placed view. ``views`` tells where each stands and how it fits;
        ``views_u95_mm`` bounds how far two of its views may be out of place; notes say what is doubtful.

    Raises
    ------
    NoAnswer
        Where no two views can be laid on each other, or where they can in more than one way; where marks on two are
        not of the same places.
    WrongUse
        Fewer than three marks on a view, or marks on one line.
    """
    from rejoin.core.merging.props import props
    from rejoin.core.merging.sewing import merged

    settings = settings or ReadSettings()
    if len(scans) == 1:
        return replace(scans[0], name=name)
    whole = _already_merged(scans)
    if whole is not None:
        note = Repair("views", len(scans), f"{whole.name} already holds all the others show; it was taken as it is.")
        return replace(whole, name=name, read_notes=(*whole.read_notes, note))
    views = abreast(lambda scan, share: _ready(scan, settings, share), scans, part_of(report, 0.0, 0.1))
    fragments, scenes = [view.fragment for view in views], [view.scene for view in views]
    told = _placed(fragments, scenes, part_of(report, 0.1, 0.8), marks)
    found = told.adjustment
    order = sorted(found.part_from_scan)
    strange = abreast(lambda k, _: props(k, found.part_from_scan, told.sights), order)
    first_from_common = inverse(found.part_from_scan[order[0]])
    poses = {k: orthonormal(first_from_common @ found.part_from_scan[k]) for k in order}
    found = replace(found, part_from_scan=poses)
    used = [views[k].fragment for k in order]
    one = merged([placed(view.mesh, poses[k]) for k, view in zip(order, used, strict=True)], used, strange,
                 part_of(report, 0.8, 1.0))  # fmt: skip
    return _scan(scans, views, order, replace(told, adjustment=found), one, name)


def _ready(scan: Scan, settings: ReadSettings, report: Report) -> _Ready:
    """The view without support and loose parts. An open view has no inside, so it is never turned."""
    from rejoin.core.cleaning import clean_scan

    as_is = CleanSettings(flip_inside_out=False)
    first = clean_scan(scan, as_is, part_of(report, 0.0, 0.6))
    cut: Trimmed = trimmed(first.mesh, first.spacing_mm, first.noise_mm, plate=settings.support == "cut away")
    if len(cut.kept) == len(first.mesh.triangles):
        return _Ready(scan, first, 0.0)
    mesh = compacted(first.mesh, cut.kept)[0]
    scene = None if cut.table is None else Scene(scan.mesh, *cut.table)
    return _Ready(scan, clean_scan(replace(scan, mesh=mesh), as_is, part_of(report, 0.6, 1.0)), cut.plate_mm2, scene)


def _already_merged(scans: Sequence[Scan]) -> Scan | None:
    """A closed scan among them, in the frame of the others, that all the others lie on."""
    from rejoin.core.contact import signed_distances
    from rejoin.core.meshes import edge_spacing, is_closed

    for scan in scans:
        if not is_closed(scan.mesh):
            continue
        spacing = edge_spacing(scan.mesh)
        others = [o.mesh.vertices[:: max(1, len(o.mesh.vertices) // 2000)] for o in scans if o is not scan]
        away = [np.abs(signed_distances(points, scan.mesh).signed) < spacing for points in others]
        if all(near.mean() > 0.95 for near in away):
            return scan
    return None


@dataclass(frozen=True, eq=False)
class _Found:
    """The adjusted poses, how far a view may be out of place (95 %), the views ready to be asked what they saw.

    What is not ``believed`` stands as it was marked.
    """

    adjustment: Adjustment
    u95_mm: float
    sights: list[Sight]
    believed: bool


def _placed(
    views: list[Fragment], scenes: list[Scene | None], report: Report, marks: Sequence[SamePlaces] = ()
) -> _Found:
    """The adjusted poses. A piece that is nearly the same from several sides has no sure ones, so it is refused."""
    from rejoin.core.merging import refused
    from rejoin.core.merging.contested import AMBIGUOUS, contested
    from rejoin.core.merging.holding import BACK, drifted, held
    from rejoin.core.merging.placing import arranged, spread_of, ways_of

    known, ways = ways_of(views, scenes, part_of(report, 0.0, 0.6), marks)
    best, rivals, near = arranged(known, ways, part_of(report, 0.6, 0.8))
    if len(best.poses) < 2:
        raise refused.not_laid()
    if best.worth < HOPELESS and not tied(known.marked, list(best.poses)):
        raise refused.not_closed(best, known, views)
    stands = contested(best, rivals, near, views, known, part_of(report, 0.8, 0.9))
    best, believed = stands.arrangement, stands.arrangement.worth >= BELIEVED
    if not believed and not tied(known.marked, list(best.poses)):
        raise refused.not_closed(best, known, views)
    if stands.rival > AMBIGUOUS:
        raise refused.in_two_ways(best, known, views)
    found, moving = stands.adjustment, stands.moving_mm
    _as_marked(known, found.part_from_scan, views)
    bound, firm = max([moving, *(s.u95_mm for s in found.certainty.values())]), FIRM_VIEWS * _spacing(views)
    rested = drifted(stands.began, found.part_from_scan, known) < BACK * _spacing(views)
    if bound > firm and rested and held(stands.began, known):
        bound = firm
    _not_lost(views, bound, _loosest(found, bound))
    bound = max(bound, spread_of(views, known, found, stands.near, part_of(report, 0.9, 1.0)))
    _not_lost(views, bound)
    return _Found(found, bound, known.sights, believed)


def _as_marked(known: Known, poses: dict[int, FloatArray], views: list[Fragment]) -> None:
    """Refuse views that only fit elsewhere than where they were marked."""
    for one in known.marked:
        if {one.a, one.b} <= poses.keys() and not one.allows(inverse(poses[one.a]) @ poses[one.b], known.fine[one.b]):
            names = " and ".join(views[n].scan.name for n in (one.a, one.b))
            raise NoAnswer(f"{names} do not fit each other where they were marked.",
                           "Mark the same places on both again, or scan the piece again so that they share more of "
                           "its surface.")  # fmt: skip


def _spacing(views: list[Fragment]) -> float:
    return max(view.spacing_mm for view in views)


def _loosest(found: Adjustment, bound_mm: float) -> int | None:
    """The view that a bound is of, where it is of one among several."""
    which = [number for number, sure in found.certainty.items() if sure.u95_mm >= bound_mm]
    return which[0] if len(which) == 1 < len(found.certainty) else None


def _not_lost(views: list[Fragment], bound_mm: float, loosest: int | None = None) -> None:
    """Refuse views that may be too far out of place to be of use."""
    from rejoin.core.merging.refused import too_weak

    slid = SLID * min(float(np.linalg.norm(np.ptp(view.mesh.vertices, axis=0))) for view in views)
    if bound_mm > min(LOST * _spacing(views), slid):
        far = f"one may be {bound_mm:.1f} mm off" if bound_mm < slid else "one may slide along the others"
        raise too_weak(views, far, loosest)


def _scan(
    scans: Sequence[Scan], views: list[_Ready], order: list[int], where: _Found, one: Merged, name: str
) -> Scan:
    found, bound = where.adjustment, where.u95_mm
    misfits = {k: [c.scale_mm for c in found.contacts if k in (c.a, c.b)] for k in order}
    told = tuple(
        ScanView(
            scans[k].name, found.part_from_scan[k], len(scans[k].mesh.vertices), views[k].plate_mm2,
            one.foreign_mm2[place], float(max(misfits[k], default=0.0)),
        )
        for place, k in enumerate(order)
    )  # fmt: skip
    first = scans[order[0]]
    lost = [scans[k].name for k in range(len(scans)) if k not in order]
    repairs = [Repair(kind, 1, text) for kind, text in _notes([views[k] for k in order], told, where, lost)]
    return replace(
        first, name=name, files=tuple(f for scan in scans for f in scan.files),
        sha256=tuple(s for scan in scans for s in scan.sha256), mesh=one.mesh,
        from_points=any(scan.from_points for scan in scans), unit_stated=all(scan.unit_stated for scan in scans),
        read_notes=(*first.read_notes, *repairs), views=told, views_u95_mm=bound,
    )  # fmt: skip


def _notes(
    views: list[_Ready], told: tuple[ScanView, ...], where: _Found, lost: list[str]
) -> Iterator[tuple[str, str]]:
    """What is to be said of a merged scan: the kind and a sentence each."""
    misfit, bound_mm = max(view.misfit_mm for view in told), where.u95_mm
    yield "views", (f"Made of {len(told)} scans from different sides; they agree to {misfit:.3f} mm and are placed to "
                    f"{bound_mm:.2f} mm (95 %).")  # fmt: skip
    if bound_mm > FIRM_VIEWS * _spacing([view.fragment for view in views]):
        yield "views doubtful", f"They hold each other weakly: one may be {bound_mm:.1f} mm out of place (95 %)."
    if not where.believed:
        yield "views doubtful", ("They stand as they were marked, though much speaks against it: look at the piece "
                                 "from all sides.")  # fmt: skip
    if lost:
        yield "views doubtful", f"Left out, for they could not be laid on the others: {', '.join(lost)}."
    plates = sum(view.plate_mm2 > 0 for view in views)
    if plates:
        yield "views", f"The support was cut away in {plates} of them."
    if sum(view.foreign_mm2 for view in told) > 0:
        yield "views", "Where one view shows something that another saw through (clay, a prop), it was cut out."


__all__ = ["merge_scans"]
