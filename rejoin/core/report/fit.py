"""The content of a FIT file: placements, joints, the whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rejoin.core.records import FitReport, Joint, Project, Scan
from rejoin.core.report.frames import NOT_JOINED, in_unit, settled_placements
from rejoin.core.report.plain import tidy
from rejoin.core.report.scans import files_as_typed, names_of, view_content
from rejoin.core.report.whole import whole_content


def fit_content(
    project: Project,
    typed: Sequence[str],
    version: str,
    left_out: Mapping[int, tuple[Scan, str]] | None = None,
    whole_file: str | None = None,
    why: str = NOT_JOINED,
    seconds: Mapping[str, float] | None = None,
) -> dict[str, Any]:
    """The content of a FIT file.

    Parameters
    ----------
    project : Project
        With scans, and whatever the steps made of them.
    typed : sequence of str
        How the person named each fragment, left-out ones included.
    version : str
    left_out : mapping, optional
        Scans that were read but not worked on, by their place in ``typed``, with the reason.
    whole_file : str, optional
        Where the whole was written.
    why : str
        The reason for fragments of which the project says nothing.
    seconds : mapping, optional
        Seconds of each step; those of the project's history by default.

    Returns
    -------
    dict
        As described in the README; ready for `json.dumps`.
    """
    left_out = left_out or {}
    where = iter(zip(project.scans, settled_placements(project, why), strict=True))
    rows = [(*_left_out_row(left_out[n]),) if n in left_out else next(where) for n in range(len(typed))]
    scans = [scan for scan, _ in rows]
    names, unit = names_of(scans), scans[0].unit
    number_in_project = [n for n in range(len(typed)) if n not in left_out]
    notes: dict[int, list[str]] = {n: [] for n in range(len(typed))}
    notes |= {n: list(p.notes) for n, p in zip(number_in_project, project.placements, strict=False)}
    fragments = [
        {
            "name": name,
            "files": files_as_typed(scan, text),
            "file": files_as_typed(scan, text)[0],
            "unit": scan.unit,
            "placement": None if matrix is None else in_unit(matrix, unit),
            "why": reason,
            "u95_mm": bound,
            "role": scan.role,
            "mirrored": scan.mirrored,
            "views": [view_content(view) for view in scan.views],
            "views_u95_mm": scan.views_u95_mm,
            "notes": notes[n],
        }
        for n, (name, text, (scan, (matrix, reason, bound))) in enumerate(zip(names, typed, rows, strict=True))
    ]
    content: dict[str, Any] = tidy({
        "unit": unit,
        "fragments": fragments,
        "joints": [joint_content(project, n, number_in_project) for n in told_joints(project)],
        "whole": whole_content(project, whole_file, unit),
        "seconds": seconds or {record.step: record.seconds for record in project.history},
        "version": version,
    })  # fmt: skip
    return content


def _left_out_row(entry: tuple[Scan, str]) -> tuple[Scan, tuple[None, str, None]]:
    return entry[0], (None, entry[1], None)


def told_joints(project: Project) -> tuple[int, ...]:
    """The joints worth telling: measured ones, and those that would reach a fragment left unplaced."""
    measured = {fit.joint for fit in project.fits}
    unplaced = {n for n, p in enumerate(project.placements) if p.part_from_scan is None}
    return tuple(
        n for n, joint in enumerate(project.joints)
        if joint.state != "rejected" and (n in measured or not unplaced.isdisjoint((joint.a, joint.b)))
    )  # fmt: skip


def verdict_of(joint: Joint, fit: FitReport | None) -> str:
    """ "good" where the evidence and the measured fit both say so, else "doubtful"."""
    pinned = joint.state == "pinned"
    return "good" if fit is not None and fit.verdict == "good" and (joint.evidence.good or pinned) else "doubtful"


def joint_content(project: Project, number: int, places: Sequence[int]) -> dict[str, Any]:
    """One joint as a FIT file tells it; ``places`` are the fragments' places in that file."""
    joint = project.joints[number]
    fit = next((fit for fit in project.fits if fit.joint == number), None)
    measured = ("gap_median_mm", "gap_p95_mm", "overlap_max_mm", "touching_share", "step_mm", "step_u95_mm")
    return {
        "a": places[joint.a],
        "b": places[joint.b],
        "verdict": verdict_of(joint, fit),
        "area_mm2": joint.evidence.contact_area_mm2 if fit is None else fit.area_mm2,
        **{name: None if fit is None else getattr(fit, name) for name in measured},
        "score": joint.evidence.score,
        "runner_up": joint.evidence.runner_up,
        "reason": joint.evidence.reason if fit is None or not joint.evidence.good else fit.sentence,
    }


def complete(content: Mapping[str, Any]) -> bool:
    """Whether a FIT leaves nothing unplaced and nothing doubtful."""
    whole = content["whole"]
    return (
        all(f["placement"] is not None for f in content["fragments"] if f.get("role", "fragment") == "fragment")
        and all(joint["verdict"] == "good" for joint in content["joints"])
        and (whole is None or bool(whole["closed"]))
    )
