"""For a class: an alignment round by round, and scores against known answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, Record


@dataclass(frozen=True, eq=False)
class ReplayRound(Record):
    """One round of an alignment, as it was on the way.

    Attributes
    ----------
    stage : str
        What the rounds around this one do, in a few words.
    poses : (n, 4, 4)
        part_from_scan of the fragments that `Replay.fragments` names, in that order.
    misfit_mm : float
        Half of the faces lie nearer to each other than this.
    points_a, points_b : (k, 3)
        Some of the pairs that lie opposite each other, part frame.
    """

    stage: str
    poses: FloatArray
    misfit_mm: float
    points_a: FloatArray
    points_b: FloatArray
    _arrays = {"poses": np.float64, "points_a": np.float64, "points_b": np.float64}


@dataclass(frozen=True, eq=False)
class Replay(Record):
    """An alignment, round by round; ``off_mm`` is how far its end lies from the placements of the project."""

    fragments: tuple[int, ...]
    rounds: tuple[ReplayRound, ...]
    off_mm: float
    noise_mm: float


@dataclass(frozen=True, eq=False)
class FaceScore(Record):
    """A fragment's fracture faces against the true ones.

    ``covered`` is the share of the true area that was taken, ``wrong`` the share of what was taken that lies off
    them; ``by`` says whose faces these are: "person", "program" or "nobody".
    """

    fragment: int
    by: str
    covered: float
    wrong: float
    sentence: str


@dataclass(frozen=True, eq=False)
class PlacementScore(Record):
    """How far the worst point of a fragment is from its true place, seen from the first placed fragment."""

    fragment: int
    off_mm: float | None
    turned_deg: float | None
    sentence: str


@dataclass(frozen=True, eq=False)
class Score(Record):
    """A job against the known answer of its sample."""

    sample: str
    faces: tuple[FaceScore, ...]
    placements: tuple[PlacementScore, ...]
