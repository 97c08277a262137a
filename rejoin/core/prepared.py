"""A fragment ready to be matched: nodes, search trees and outlines of its candidate faces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.likeness import Outlines, outlines_of, unlikeness
from rejoin.core.records import FractureFace, Fragment
from rejoin.core.search import Gallery
from rejoin.core.surfaces import Surface, surface_of


@dataclass(frozen=True, eq=False)
class Prepared:
    """One fragment, ready to be matched."""

    surface: Surface
    gallery: Gallery
    outlines: Outlines


def prepared(fragment: Fragment, faces: tuple[FractureFace, ...]) -> Prepared:
    """Nodes, search trees and outlines of a fragment's candidate faces."""
    surface = surface_of(fragment)
    return Prepared(surface, Gallery(fragment, surface.nodes, faces), outlines_of(fragment, surface.nodes, faces))


def unlikely(first: Prepared, second: Prepared) -> float:
    """How far their three most alike faces are from two sides of one break; infinite where there is none."""
    costs = unlikeness(first.outlines, second.outlines).ravel()
    return float(np.sort(costs)[:3].mean()) if len(costs) else float("inf")
