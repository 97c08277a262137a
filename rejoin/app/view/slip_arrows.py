"""Arrows along which joints that are weakly held may still slip, with how far in words."""

from __future__ import annotations

from collections.abc import Collection

from rejoin.app.parts.colours import Palette
from rejoin.app.view.front import Stroke, Words, arrow
from rejoin.app.view.poses import world_from_part
from rejoin.app.view.slip import slips
from rejoin.app.words.joint_words import joint_title
from rejoin.app.words.sentences import Units
from rejoin.core.records import FloatArray, Project
from rejoin.core.transforms import apply

OVER, LIFT = 0.35, 12
"""How far the words of an arrow stand above its upper end, clear of its barbs: in half arrows, and half a line more."""


def slip_arrows(
    project: Project, poses: dict[int, FloatArray], hidden: Collection[int], palette: Palette, units: Units
) -> tuple[list[Stroke], list[Words]]:
    """What is to be drawn over fragments that stand at these world_from_scan, but for joints of ``hidden`` ones."""
    strokes: list[Stroke] = []
    said = []
    world = world_from_part(project)
    for slip in slips(project):
        joint = project.joints[slip.joint]
        if joint.a in hidden or joint.b in hidden:
            continue
        at = apply(poses[slip.fragment], slip.point_mm[None])[0]
        way = world[:3, :3] @ slip.direction
        strokes += arrow(at - way * slip.drawn_mm, at + way * slip.drawn_mm, palette.mark, both_ends=True)
        over = (1.0 if way[2] >= 0 else -1.0) * way + [0.0, 0.0, OVER]
        words = f"{joint_title(project, joint)} may be off ± {units.length(slip.told_mm)}"
        said.append(Words(words, at + slip.drawn_mm * over, palette.card, palette.mark, 14, lift=LIFT))
    return strokes, said
