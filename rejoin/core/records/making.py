"""What is made of the whole: the faces picked for it, its steps, its bodies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from rejoin.core.records.base import FloatArray, Record
from rejoin.core.records.scans import Mesh


@dataclass(frozen=True, eq=False)
class MakePick(Record):
    """A face picked on the whole, and what is done with it when something is made.

    Attributes
    ----------
    what : str
        "restore", "fit", "stock", "solid", "core" or "draft".
    point_mm : (3,)
        Frame of the whole.
    amount : float
        Millimetres along the face's own normal, + adds (restore, fit, stock; core: stock per side); degrees (draft).
    name, note : str
    shape : str
        "auto", "plane", "round" or "free".
    diameter_mm : float, optional
        The bore or shaft is brought to this diameter instead (restore).
    print_mm : float, optional
        Length of a core print.
    way : str
        "add" or "take" (draft).
    revision : str
        From which revision on it counts.
    """

    what: str
    point_mm: FloatArray
    amount: float = 0.0
    name: str = ""
    note: str = ""
    shape: str = "auto"
    diameter_mm: float | None = None
    print_mm: float | None = None
    way: str = "add"
    revision: str = "A"
    _arrays = {"point_mm": np.float64}


@dataclass(frozen=True, eq=False)
class MadeStep(Record):
    """One step of the fixed order, done or left out: its name, what was done in a sentence, its figures."""

    name: str
    done: bool
    sentence: str
    figures: tuple[tuple[str, Any], ...] = ()


@dataclass(frozen=True, eq=False)
class MadeBody(Record):
    """One solid to make, as it lies in the file, and ``file_from_part`` (4, 4), affine: the factors are in it."""

    name: str
    mesh: Mesh
    shells: int
    volume_mm3: float
    file_from_part: FloatArray
    _arrays = {"file_from_part": np.float64}


@dataclass(frozen=True, eq=False)
class MadePart(Record):
    """What was made of the whole.

    Attributes
    ----------
    purpose, title, revision : str
        ``title`` says what it is: "pattern, grey iron, +1.04 %, revision A".
    mesh : Mesh
        Undivided, in its place on the part, factors included.
    bodies : tuple of MadeBody
        What goes into the file.
    steps : tuple of MadeStep
        All steps of the fixed order.
    draft_deg : (m,), optional
        Draft of each triangle of ``mesh``; below 0 it would lock in the sand.
    walls : tuple of (thickness_mm, x, y, z)
        The thinnest walls found, on ``mesh``.
    notes, cautions : tuple of str
    """

    purpose: str
    title: str
    revision: str
    mesh: Mesh
    bodies: tuple[MadeBody, ...]
    steps: tuple[MadeStep, ...]
    draft_deg: FloatArray | None
    walls: tuple[tuple[float, float, float, float], ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    _arrays = {"draft_deg": np.float64}
