"""Further steps, for which a person may ask once the main job (`steps`) has joined something, in any order.

A lost piece restored, sizes checked, a print or pattern made. As there, what does the work is imported inside.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.blas import unthreaded
from rejoin.core.project import changed
from rejoin.core.records import Mesh, Project
from rejoin.core.settings import DimensionSettings, MakeSettings, Report, RestoreSettings, part_of, silent
from rejoin.core.steps import timed


@unthreaded
def restore_lost_piece(
    project: Project, settings: RestoreSettings | None = None, report: Report = silent, reference: Mesh | None = None
) -> Project:
    """Add to the whole what broke off and is lost, from the part itself or from a reference scan.

    Parameters
    ----------
    project : Project
        With a closed whole.
    settings : RestoreSettings, optional
    report : Report, optional
    reference : Mesh, optional
        The scan of a sister part (mm, any frame; mirrored already where it is of the opposite hand), for the source
        "reference"; the project's own reference by default.

    Raises
    ------
    NoAnswer
        No closed whole, or no source that lies on it and has more than it.
    WrongUse
        A choice that is not there.
    """
    from rejoin.core.restoring import whole_restored

    settings, started = settings or RestoreSettings(), time.perf_counter()
    whole = whole_restored(project, settings, report, reference)
    return timed(changed(project, whole=whole), "restore_lost_piece", settings, started)


@unthreaded
def check_dimensions(
    project: Project, settings: DimensionSettings | None = None, report: Report = silent
) -> Project:
    """Measure every dimension that was picked, compare it with its reading, judge it by its limits, prove the scales.

    A size is measured again only where its picks or what they lie on changed; the answer is the same as of all anew.
    The fit-up of every measured joint, as a welder needs it, is worked out with it.

    Raises
    ------
    WrongUse
        Where only one of the two temperatures is given, or they come without the metal.
    """
    from rejoin.core.dimensions.checking import check_all
    from rejoin.core.dimensions.fitup import fit_ups_of
    from rejoin.core.dimensions.remembering import Bench

    settings, started = settings or DimensionSettings(), time.perf_counter()
    whole = None if project.whole is None else project.whole.mesh
    bench = Bench(project.fragments, project.placements, whole)
    checks, scales = check_all(bench, project.readings, settings, part_of(report, 0.0, 0.8))
    fit_ups = fit_ups_of(project, settings.metal, part_of(report, 0.8, 1.0))
    project = changed(project, checks=checks, scales=scales, fit_ups=fit_ups, made=project.made)
    return timed(project, "check_dimensions", settings, started)


@unthreaded
def make(
    project: Project,
    settings: MakeSettings | None = None,
    report: Report = silent,
    revision: str = "A",
    correction: Sequence[float] = (1.0, 1.0, 1.0),
) -> Project:
    """Make a trial print, a pattern, a model for the mill or a cradle of the whole; one of each purpose is kept.

    Parameters
    ----------
    project : Project
        With a whole, and the picked faces in ``picks``.
    settings : MakeSettings, optional
    report : Report, optional
    revision : str
    correction : three float
        More factors of the printer along x, y, z, from sizes measured on an earlier print.

    Raises
    ------
    NoAnswer
        No whole, an open one, or figures with which nothing sound can be made.
    WrongUse
        Figures that contradict each other or are out of reason.
    """
    from rejoin.core.making.order import make_part

    settings, started = settings or MakeSettings(), time.perf_counter()
    if project.whole is None:
        raise NoAnswer("There is no whole to make anything of.", "Fuse the fragments first.")
    part = make_part(project.whole, project.picks, settings, report, revision, correction)
    others = tuple(one for one in project.made if one.purpose != part.purpose)
    return timed(changed(project, made=(*others, part)), "make", settings, started)
