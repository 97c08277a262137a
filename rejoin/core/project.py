"""What a change makes the project forget: no result outlives its inputs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rejoin.core.records import Project, StepRecord

LEVELS = ("scans", "fragments", "faces", "joints", "placements", "fits", "whole", "checks", "scales", "fit_ups", "made")
"""The fields of a `Project` in the order they are made; each needs only those before it."""

MADE_BY = {
    "read": "scans",
    "clean": "fragments",
    "find_faces": "faces",
    "match": "joints",
    "align": "placements",
    "measure_fit": "fits",
    "fuse": "whole",
    "restore_lost_piece": "whole",
    "check_dimensions": "checks",
    "make": "made",
}
"""Which step makes which level."""


def changed(project: Project, **values: Any) -> Project:
    """The project with some levels set and everything made from them forgotten.

    Parameters
    ----------
    project : Project
    **values
        One or more of `LEVELS`. Every later level that is not itself given is
        emptied, with its history, except that fragments whose scan is still
        there stay when scans are added or removed.

    Returns
    -------
    Project
    """
    first = min(LEVELS.index(name) for name in values)
    forgotten: dict[str, Any] = {
        name: None if name == "whole" else () for name in LEVELS[first + 1 :] if name not in values
    }
    if first == 0 and "fragments" not in values:
        known = {id(scan) for scan in values["scans"]}
        forgotten["fragments"] = tuple(f for f in project.fragments if id(f.scan) in known)
    history = tuple(
        h for h in project.history if LEVELS.index(MADE_BY[h.step]) < first or MADE_BY[h.step] in values
    )
    return replace(project, **forgotten, **values, history=history)


def recorded(project: Project, record: StepRecord) -> Project:
    """The project with one more line in its history."""
    others = tuple(h for h in project.history if h.step != record.step)
    return replace(project, history=(*others, record))
