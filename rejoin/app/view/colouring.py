"""In which colours and which light fragments and whole are shown: of their faces, of the gap, of what was made."""

from __future__ import annotations

import numpy as np

from rejoin.app.parts import colours
from rejoin.app.view import tints
from rejoin.app.view.drawn import Drawn, set_colours
from rejoin.core.records import FloatArray, IntArray, Project

PLAIN, BESIDE_A_BAR = (0.42, 0.62), (0.65, 0.38)
"""Ambient and diffuse light; a darkened colour would not be found on the colour bar again."""


class Colouring:
    """Colours things drawn of a project.

    Attributes
    ----------
    gap_limit_mm, gap_tolerance_mm : float
        Ends of the colours of the gap map, and of its middle.
    tint_whole : bool
        Whether the whole shows what was made at the crack.
    """

    def __init__(self) -> None:
        self.gap_limit_mm, self.gap_tolerance_mm = 0.5, 0.0
        self.tint_whole = True
        self._gaps: dict[int, tuple[FloatArray, IntArray]] = {}

    def forget(self) -> None:
        """The gaps are others now."""
        self._gaps.clear()

    def light(self, drawn: Drawn, mode: str) -> None:
        """Light a thing as it is to be seen in a row's ``mode``."""
        ambient, diffuse = BESIDE_A_BAR if mode == "gap" else PLAIN
        drawn.actor.GetProperty().SetAmbient(ambient)
        drawn.actor.GetProperty().SetDiffuse(diffuse)

    def colour(self, drawn: Drawn, project: Project, number: int, mode: str) -> None:
        """Colour a fragment as it is to be seen in a row's ``mode``."""
        if mode == "gap" and project.fits:
            limits = self.gap_limit_mm, self.gap_tolerance_mm
            set_colours(drawn, tints.gap_colours(drawn, *self.gap_of(project, number), *limits), of_points=True)
            return
        faces = tints.strengths(project, number, mode) if mode in ("faces", "join") else []
        set_colours(drawn, tints.face_colours(drawn, faces), of_points=False)

    def colour_whole(self, drawn: Drawn, project: Project) -> None:
        """Colour the whole."""
        whole = project.whole
        shown = np.tile(colours.rgb(colours.FRAGMENTS[0]), (len(drawn.display.mesh.triangles), 1))
        if whole is not None and self.tint_whole:
            shown[drawn.display.drawn_triangles(whole.seam_triangles)] = colours.rgb(colours.SEAM)
            shown[drawn.display.drawn_triangles(whole.filled_triangles)] = colours.rgb(colours.FILLED)
        set_colours(drawn, shown, of_points=False)

    def gap_of(self, project: Project, number: int) -> tuple[FloatArray, IntArray]:
        """As `tints.gaps_of`, remembered until it is to be forgotten."""
        if number not in self._gaps:
            self._gaps[number] = tints.gaps_of(project, number)
        return self._gaps[number]
