"""Restore a lost piece from the part itself, by a mirror plane or a repeat about an axis, or from a reference scan.

A copy of the source is laid on the whole as one scan is laid on another. What
the copy has beyond the broken face, and the whole lacks, is added and marked
as not measured.
"""

from __future__ import annotations

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import Mesh, Project, Whole
from rejoin.core.restoring.adding import LACKS, restored
from rejoin.core.restoring.breaks import open_breaks
from rejoin.core.restoring.sources import CONTRADICTING, Source, sources_of
from rejoin.core.settings import Report, RestoreSettings, part_of


def whole_restored(project: Project, settings: RestoreSettings, report: Report, reference: Mesh | None) -> Whole:
    """The project's whole with what is lost added from the source that the settings name.

    Raises
    ------
    NoAnswer
        No closed whole, or no source that lies on it and has more than it.
    WrongUse
        A choice that is not there.
    """
    if project.whole is None:
        raise NoAnswer("There is no whole to which a lost piece could be added.", "Fuse the fragments first.")
    if not project.whole.closed:
        raise NoAnswer("The whole is open, so nothing can be added to it.",
                       "Fuse again with larger scan holes closed (a setting of fusing), or scan again what is "
                       "missing.")  # fmt: skip
    noise = max((fragment.noise_mm for fragment in project.fragments), default=0.0)
    broken = open_breaks(project)
    known = broken if broken.any() else None
    references = [fragment.mesh for fragment in project.fragments if fragment.scan.role == "reference"]
    if reference is None and references:
        reference = references[0]
    sources = sources_of(project.whole.mesh, noise, settings.source, reference, known, part_of(report, 0.0, 0.6))
    if settings.choice > len(sources):
        raise WrongUse(
            "There is only one way in which this source lies on the part." if len(sources) == 1 else
            f"There are only {len(sources)} ways in which this source lies on the part.", "Choose an earlier one."
        )
    guessed = not any(face.chosen_by == "person" for face in project.faces)
    return restored(project.whole, sources[settings.choice - 1], noise, known, guessed, part_of(report, 0.6, 1.0))


def doubtful(whole: Whole) -> bool:
    """Whether the last restored piece is told to lack a part, or its source to contradict the part."""
    return any(words in whole.notes[-1] for words in (LACKS, CONTRADICTING)) if whole.notes else False


__all__ = ["Source", "doubtful", "open_breaks", "restored", "sources_of", "whole_restored"]
