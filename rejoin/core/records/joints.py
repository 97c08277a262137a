"""Fracture faces, and joints of two of them with the evidence for each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.records.base import FloatArray, IntArray, Record


@dataclass(frozen=True, eq=False)
class FractureFace(Record):
    """A face the break made: ``triangles`` (k,) indices into the fragment's triangles.

    ``chosen_by`` is "program" or "person"; ``confidence`` is 0 to 1;
    ``roughness_mm`` is None where it was not measured.
    """

    fragment: int
    triangles: IntArray
    area_mm2: float
    confidence: float
    chosen_by: str
    roughness_mm: float | None = None
    _arrays = {"triangles": np.int32}


@dataclass(frozen=True, eq=False)
class Evidence(Record):
    """Why a joint is believed, and how far ahead of the runner-up it is.

    Attributes
    ----------
    score : float
        Information in the contact (nats): independent contact cells times
        log(relief / residual), summed. Higher is better.
    runner_up : float
        The score of the best pose that is clearly another one (0 if none).
    contact_area_mm2, touching_share, rms_mm : float
        Area in contact, its share of the facing surface, robust residual.
    overlap_mm : float
        Depth to which the fragments run into each other (95 % of the contact).
    held : float
        How firmly the weakest of the six degrees of freedom is held: the ratio
        of the slip that would be noticed to the slip that matters, at least 1
        when held. By the relief alone as matched; once adjusted by every vertex
        and the original surfaces at the rims, along the faces.
    good : bool
        True only where the evidence excludes the runner-up.
    reason : str
        One sentence in plain words.
    against : str
        What the original surfaces beside the crack say against it, in plain
        words; empty where they say nothing. It is not good then.
    """

    score: float
    runner_up: float
    contact_area_mm2: float
    touching_share: float
    rms_mm: float
    overlap_mm: float
    held: float
    good: bool
    reason: str
    against: str = ""

    @property
    def doubts(self) -> tuple[str, ...]:
        """What speaks against it: the part of its reason after the numbers."""
        if "; " in self.reason:
            return tuple(self.reason.split("; ", 1)[1:])
        return () if self.reason.startswith("touches over") or not self.reason else (self.reason,)


@dataclass(frozen=True, eq=False)
class Joint(Record):
    """Two mating fracture faces and the pose that brings them together.

    ``a`` and ``b`` index the fragments; ``a_from_b`` (4, 4) takes b's scan
    frame to a's. ``state`` is "found", "pinned" or "rejected". The missing
    layer is what the adjustment believes worn off both faces together.
    """

    a: int
    b: int
    face_a: FractureFace
    face_b: FractureFace
    a_from_b: FloatArray
    evidence: Evidence
    state: str = "found"
    found_by: str = "program"
    missing_layer_mm: float = 0.0
    missing_layer_sd_mm: float = 0.0
    _arrays = {"a_from_b": np.float64}
