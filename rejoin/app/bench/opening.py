"""What is to be known of scans that were opened: which are there already, and how large they are in their own unit."""

from __future__ import annotations

from rejoin.app.words.sentences import opened_once
from rejoin.app.work.display import extent_mm
from rejoin.core.project import changed
from rejoin.core.records import Project, Scan
from rejoin.core.settings import UNITS


def without_repeats(project: Project, first: int) -> tuple[Project, str]:
    """The project without those scans from ``first`` on that are there already, and what is to be said of them."""
    from rejoin.core.report import same_scans

    repeats = {number: one for number, one in same_scans(project.scans).items() if number >= first}
    kept = tuple(scan for number, scan in enumerate(project.scans) if number not in repeats)
    return (changed(project, scans=kept) if repeats else project), opened_once(project, repeats)


def as_written(scan: Scan) -> float:
    """The longest side of a scan as the number in its file."""
    return float(extent_mm(scan.mesh).max() / UNITS[scan.unit])
