"""A glued part made whole again: its two sides, set as they belong, sewn to each other along the seam."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core import meshes
from rejoin.core.errors import NoAnswer
from rejoin.core.fusing.crossings import crossing_pairs
from rejoin.core.fusing.ends import sewn_ends
from rejoin.core.fusing.holes import closed
from rejoin.core.glued import GlueLine, Split, closed_up
from rejoin.core.records import Fragment, Mesh


@dataclass(frozen=True, eq=False)
class Mended:
    """The closed part in the scan's frame, mm.

    ``holes_mm`` are the sizes of the scan holes that were closed, ``crossing_pairs`` counts triangles of the strip
    along the seam that run through others, ``notes`` says what is doubtful.
    """

    mesh: Mesh
    holes_mm: tuple[float, ...]
    crossing_pairs: int
    notes: tuple[str, ...]


def mended_whole(fragment: Fragment, split: Split, line: GlueLine) -> Mended:
    """One closed mesh of both sides of a glued part, with what the glue added taken out as far as it is known.

    Parameters
    ----------
    fragment : Fragment
    split : Split
    line : GlueLine

    Raises
    ------
    NoAnswer
        Where the two sides' ends do not run along each other.
    """
    sewn = sewn_ends(*closed_up(fragment, split, line), fragment.spacing_mm)
    if sewn is None:
        raise NoAnswer(
            "The ends of the two sides do not run along each other all the way round the seam.",
            "Mark the seam closer together; a scan hole across it must be scanned again.",
        )
    mesh, _, strip = sewn
    around = np.zeros(len(mesh.vertices), bool)
    around[strip.ravel()] = True
    fresh = np.arange(len(mesh.triangles)) >= len(mesh.triangles) - len(strip)
    pairs = crossing_pairs(mesh, np.flatnonzero(around[mesh.triangles].any(axis=1)), fresh)
    result = closed(mesh, fragment.spacing_mm)
    if not meshes.is_closed(result.mesh):
        raise NoAnswer("The whole could not be closed.", "Scan the part again without holes.")
    notes = tuple(f"Not taken out: {words[0].lower()}{words[1:]}" for words in line.unknown)
    return Mended(result.mesh, tuple(patch.across_mm for patch in result.patches), len(pairs), notes)
