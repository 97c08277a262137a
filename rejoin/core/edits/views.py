"""Several scans of the list that are of one fragment, made one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rejoin.core.edits.scans import clear_of, remove_fragment
from rejoin.core.edits.tuples import put
from rejoin.core.errors import WrongUse
from rejoin.core.project import changed
from rejoin.core.records import Project, SamePlaces
from rejoin.core.settings import CleanSettings, ReadSettings, Report, part_of, silent


def make_one(
    project: Project, which: Sequence[int], marks: Sequence[SamePlaces] = (), settings: ReadSettings | None = None,
    cleaning: CleanSettings | None = None, report: Report = silent,
) -> Project:  # fmt: skip
    """Make one fragment of several scans, each from another side; it stands where the first of them stood.

    What was worked out with any of them is forgotten.

    Parameters
    ----------
    project : Project
    which : sequence of int
        Numbers of the scans, two at least.
    marks : sequence of SamePlaces, optional
        Places pointed out on two of them, numbered as in the project, each in its scan's frame.
    settings : ReadSettings, optional
    cleaning : CleanSettings, optional
    report : Report, optional

    Raises
    ------
    WrongUse
        Fewer than two, scans of different roles, or marks on others; as `rejoin.core.merging.merge_scans`.
    NoAnswer
        Where they cannot be laid on each other.
    """
    from rejoin.core.cleaning import clean_scan
    from rejoin.core.merging import merge_scans

    own = sorted(set(which))
    _check(project, own, marks)
    scans = [project.scans[number] for number in own]
    inside = [replace(one, a=own.index(one.a), b=own.index(one.b)) for one in marks]
    one = merge_scans(scans, scans[0].name, settings, part_of(report, 0.0, 0.9), inside)
    made = clean_scan(one, cleaning, part_of(report, 0.9, 1.0))
    for number in reversed(own[1:]):
        project = remove_fragment(project, number)
    rest = clear_of(project, own[0])
    return changed(rest, scans=put(rest.scans, own[0], one), fragments=put(rest.fragments, own[0], made),
                   faces=rest.faces, joints=rest.joints)  # fmt: skip


def _check(project: Project, own: list[int], marks: Sequence[SamePlaces]) -> None:
    if len(own) < 2 or not all(0 <= number < len(project.fragments) for number in own):
        raise WrongUse("A fragment is made of two scans at least.", "Choose two or more that are listed.")
    scans = [project.scans[number] for number in own]
    if len({(scan.role, scan.mirrored) for scan in scans}) > 1:
        raise WrongUse("These scans have different roles.", "Say of all of them that they are a piece of this part.")
    if not {number for one in marks for number in (one.a, one.b)} <= set(own):
        raise WrongUse("There are marks on a scan that is not among those to be made one.", "Choose it too.")
