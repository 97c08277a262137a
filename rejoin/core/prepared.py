"""A fragment ready to be matched: nodes, search trees and outlines of its candidate faces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rejoin.core.abreast import abreast
from rejoin.core.likeness import Outlines, outlines_of, unlikeness
from rejoin.core.records import FractureFace, Fragment
from rejoin.core.search import Gallery, Spectra
from rejoin.core.settings import Report
from rejoin.core.shelf import Shelf
from rejoin.core.surfaces import Surface, surface_of


@dataclass(frozen=True, eq=False)
class Prepared:
    """One fragment, ready to be matched."""

    surface: Surface
    gallery: Gallery
    outlines: Outlines


def prepared(fragment: Fragment, faces: tuple[FractureFace, ...], shelf: Shelf[Spectra] | None = None) -> Prepared:
    """Nodes, search trees and outlines of a fragment's candidate faces; fragments of one puzzle share a shelf."""
    surface = surface_of(fragment)
    gallery = Gallery(fragment, surface.nodes, faces, shelf=shelf or Shelf())
    return Prepared(surface, gallery, outlines_of(fragment, surface.nodes, faces))


def all_prepared(
    fragments: Sequence[tuple[int, Fragment]], faces: Sequence[FractureFace], report: Report
) -> list[Prepared]:
    """The fragments of these numbers with their own candidate faces, ready to be matched."""
    shelf: Shelf[Spectra] = Shelf()

    def one(numbered: tuple[int, Fragment], share: Report) -> Prepared:
        number, fragment = numbered
        share(0.0, f"Looking closely at {fragment.scan.name}")
        return prepared(fragment, tuple(face for face in faces if face.fragment == number), shelf)

    return abreast(one, fragments, report)


def unlikely(first: Prepared, second: Prepared) -> float:
    """How far their three most alike faces are from two sides of one break; infinite where there is none."""
    costs = unlikeness(first.outlines, second.outlines).ravel()
    return float(np.sort(costs)[:3].mean()) if len(costs) else float("inf")
