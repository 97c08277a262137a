"""The project: all that is known of one broken part, and how it came about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rejoin.core.records.base import Record
from rejoin.core.records.dimensions import DimensionCheck, FitUp, Reading, ScaleCheck, StatedSize
from rejoin.core.records.joints import FractureFace, Joint
from rejoin.core.records.making import MadePart, MakePick
from rejoin.core.records.placements import FitReport, Placement
from rejoin.core.records.scans import Fragment, Scan
from rejoin.core.records.whole import Whole


@dataclass(frozen=True, eq=False)
class StepRecord(Record):
    """That a step ran, with which settings, and how long it took."""

    step: str
    settings: tuple[tuple[str, Any], ...]
    seconds: float


@dataclass(frozen=True, eq=False)
class Attachment(Record):
    """Something that belongs to the job's papers: a note, a photograph, the original file of a scan.

    ``kind`` is one of `rejoin.core.edits.papers.KINDS`. A file is known by ``name`` and ``sha256``; ``data`` (k,) are
    its bytes where it is kept inside the project, else None.
    """

    kind: str
    text: str
    name: str = ""
    sha256: str = ""
    data: npt.NDArray[np.uint8] | None = None
    _arrays = {"data": np.uint8}


@dataclass(frozen=True, eq=False)
class Project(Record):
    """All that is known of one broken part. Each step returns a new one.

    ``placements`` and ``fragments`` are parallel to ``scans``; ``fits`` are
    of the joints that hold the placed fragments together. ``stated`` are sizes
    that the person knows; the adjustment observes them.
    """

    scans: tuple[Scan, ...] = ()
    fragments: tuple[Fragment, ...] = ()
    faces: tuple[FractureFace, ...] = ()
    joints: tuple[Joint, ...] = ()
    placements: tuple[Placement, ...] = ()
    fits: tuple[FitReport, ...] = ()
    whole: Whole | None = None
    history: tuple[StepRecord, ...] = ()
    readings: tuple[Reading, ...] = ()
    checks: tuple[DimensionCheck, ...] = ()
    scales: tuple[ScaleCheck, ...] = ()
    fit_ups: tuple[FitUp, ...] = ()
    stated: tuple[StatedSize, ...] = ()
    picks: tuple[MakePick, ...] = ()
    made: tuple[MadePart, ...] = ()
    attachments: tuple[Attachment, ...] = ()
