"""What a made part says of itself: its title, its cautions, its companion file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rejoin.core import cautions
from rejoin.core.making.allowances import Contraction
from rejoin.core.meshes import euler_genus, triangle_areas
from rejoin.core.records import MadePart

ORDER = ("restore by number", "machining stock", "draft", "contraction (shrinkage)", "printer compensation")
"""The steps, always in this order."""

TITLES = {"print": "trial print", "pattern": "pattern", "machining": "model for machining", "cradle": "holding cradle"}

CAUTIONS = {
    "all": cautions.ON_EVERYTHING_MADE,
    "print": (cautions.PLASTIC,),
    "pattern": (
        "Contraction differs with metal, section and mould; cores hinder it. Ask the foundry, or cast a trial bar.",
        "How much machining stock, draft and which radii and least walls are wanted is for the foundry to say.",
        "A pattern is larger than the part. Do not take it for the part.",
    ),
    "machining": ("Machining stock is in millimetres a surface as given; the shop that cuts the part should name it.",),
    "cradle": (
        "A plastic cradle is for bonding, marking and checking. It takes no heat: tack welding wants a metal fixture, "
        "away from plastic.",
        cautions.MARKS,
    ),
}


def title_of(
    purpose: str, contraction: Contraction | None, factors: Sequence[float], printer: Sequence[float], revision: str,
    stock: bool,
) -> str:
    """What it is, in a line: "pattern, grey iron, +1.04 %, revision A"."""
    words = [TITLES[purpose]]
    if contraction is not None:
        words += [contraction.metal] if contraction.metal else []
        words.append(_grown(factors))
    elif purpose == "pattern":
        words.append("no contraction")
    if stock:
        words.append("with machining stock")
    if any(abs(one - 1.0) > 5e-6 for one in printer):
        words.append(f"{_grown(printer)} for the printer")
    return ", ".join([*words, f"revision {revision}"])


def _grown(factors: Sequence[float]) -> str:
    percents = [f"{100.0 * (one - 1.0):+.2f}" for one in factors]
    return f"{percents[0]} %" if len(set(percents)) == 1 else " / ".join(percents) + " %"


def file_name(stem: str, title: str, suffix: str) -> str:
    """The default name of the file."""
    return f"{stem}, {title}{suffix}".replace("/", "-")


def companion(part: MadePart, source: str, unit: str, files: Sequence[str], asked: Mapping[str, Any]) -> dict[str, Any]:
    """All steps and factors, ready for JSON; lengths in mm except where a unit stands beside them.

    For parts whose files were read back and found closed.
    """
    return {
        "what": part.title,
        "purpose": part.purpose,
        "revision": part.revision,
        "made_from": source,
        "unit": unit,
        "order": list(ORDER),
        "steps": [
            {"step": step.name, "done": step.done, "sentence": step.sentence, **dict(step.figures)}
            for step in part.steps
        ],
        "bodies": [
            {
                "name": body.name,
                "file": file,
                "shells": body.shells,
                "closed": True,
                "triangles": len(body.mesh.triangles),
                "through_holes": euler_genus(body.mesh, body.shells),
                "volume_mm3": body.volume_mm3,
                "size_mm": (body.mesh.vertices.max(axis=0) - body.mesh.vertices.min(axis=0)).tolist(),
                "file_from_part": body.file_from_part.tolist(),
            }
            for body, file in zip(part.bodies, files, strict=True)
        ],
        "thinnest_walls": [{"thickness_mm": w[0], "point_mm": list(w[1:])} for w in part.walls],
        "undercut_share": None if part.draft_deg is None else undercut_share(part),
        "notes": list(part.notes),
        "cautions": list(part.cautions),
        "asked": dict(asked),
    }


def undercut_share(part: MadePart) -> float:
    """Share of the area that would lock in the sand."""
    assert part.draft_deg is not None
    areas = triangle_areas(part.mesh)
    return float(areas[part.draft_deg < -0.05].sum() / areas.sum())
