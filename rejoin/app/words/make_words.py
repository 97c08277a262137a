"""What row 70 says: purposes, forms, steps and results in plain words."""

from __future__ import annotations

from typing import Any

import numpy as np

from rejoin.app.words.in_units import in_units
from rejoin.app.words.sentences import Units, counted, sentence
from rejoin.core.records import MadePart, MakePick, Project

PURPOSES = {
    "print": "Trial print", "pattern": "Pattern for casting", "machining": "Model for the mill",
    "cradle": "Holding cradle",
}  # fmt: skip
ABOUT = {
    "print": "A plastic copy of the part's own size, to see whether everything fits.",
    "pattern": "Larger than the part by what the metal contracts, with stock and draft on the faces you pick.",
    "machining": "The part with machining stock on the faces you pick, to cut it from.",
    "cradle": "Two half shells that hold the fragments in place for bonding, marking and checking.",
}
CASTING = {"metal": "Metal that is cast", "allowance": "Own figure, %", "convention": "Reckoned as",
           "casting_grade": "Casting grade, DCTG"}  # fmt: skip
CONVENTIONS = (("part × (1 + s)", "1+s"), ("part ÷ (1 − s)", "1/(1-s)"))
DOUBLE = {"pattern_metal": "Pattern of metal", "pattern_allowance": "Own figure, %"}
PRINTER = {
    "print_shrinkage": "Plastic shrinks, %", "bar_measured": "Test bar measured", "bar_length_mm": "Test bar's length",
    "bed": "Printer's bed",
}  # fmt: skip
CORES = {"core_clearance_mm": "Room around the core", "box_wall_mm": "Wall of the box"}
CRADLE = {"cradle_clearance_mm": "Room around the part", "cradle_wall_mm": "Wall", "window_mm": "Openings at the crack"}
PARTING = {
    "split": "Split at the plane", "dowel_mm": "Dowels", "dowel_clearance_mm": "Holes wider by",
}  # fmt: skip

FACES = {
    "stock": "Machining stock", "solid": "Bore cast solid", "core": "Bore made with a core", "draft": "Draft",
    "restore": "Restore by number", "fit": "From the trial", "window": "Opening of the cradle",
}  # fmt: skip
AMOUNTS = {"stock": "mm", "core": "mm", "draft": "deg", "restore": "mm", "fit": "mm"}
"""The unit of the number that goes with a face."""
USUAL = {"stock": 3.0, "core": 0.0, "draft": 1.5, "restore": 0.5}

BEFORE, AFTER, BOTH, IN_FILE = "before", "after", "both", "in the file"
WAYS = (
    (BEFORE, "Before", "The whole as it is."),
    (AFTER, "After", "What was made of it, in its place."),
    (BOTH, "Both", "The whole, and over it what was made of it, seen through."),
    (IN_FILE, "File", "The bodies as they lie in the file."),
)


def metals() -> list[tuple[str, Any]]:
    """The metals of the table with their usual contraction, for a form."""
    from rejoin.core.making.allowances import CONTRACTION_PCT

    return [(f"{name}, {usual:g} %", name) for name, (_, usual, _, _) in CONTRACTION_PCT.items()]


def state(project: Project) -> str:
    """The state of row 70."""
    if project.whole is None:
        return "Waits for the whole"
    if not project.made:
        return "Nothing made yet"
    return sentence("; ".join(part.title for part in project.made)).rstrip(".")


def step_lines(part: MadePart | None, units: Units) -> list[tuple[str, str]]:
    """The fixed order, and what each step did."""
    from rejoin.core.making.told import ORDER

    if part is None:
        return [("faded", "Always in this order: " + ", ".join(ORDER) + ".")]
    return [
        ("" if step.done else "faded",
         in_units(f"{n} {'✓' if step.done else '–'} {sentence(step.name)[:-1]}: {step.sentence}", units))
        for n, step in enumerate(part.steps, 1)
    ]  # fmt: skip


def result_lines(project: Project, part: MadePart, units: Units) -> list[tuple[str, str]]:
    """Sizes before and after, what goes into the file, notes."""
    lines = []
    if project.whole is not None and part.purpose != "cradle":
        before, after = (np.ptp(mesh.vertices, axis=0) for mesh in (project.whole.mesh, part.mesh))
        lines.append(("", f"Before {size(before, units)}, after {size(after, units)}."))
    for body in part.bodies:
        extent = np.ptp(body.mesh.vertices, axis=0)
        shells = "" if body.shells == 1 else f", {counted(body.shells, 'shell')}"
        lines.append(("", f"· {sentence(body.name).rstrip('.')}: {size(extent, units)}, "
                      f"{units.volume(body.volume_mm3)}{shells}."))  # fmt: skip
    return lines + [("", f"· {in_units(note, units)}") for note in part.notes]


def size(sides_mm: Any, units: Units) -> str:
    """Along x, y and z, to a hundredth of a millimetre."""
    places = 3 if units.name == "inch" else 2
    return " × ".join(f"{side / units.mm:.{places}f}" for side in sides_mm) + f" {units.short}"


def face_line(pick: MakePick, number: int, used: bool, units: Units) -> str:
    """A picked face in the list, and whether it counts for what is to be made."""
    amount = ""
    if pick.what == "draft":
        amount = f" {pick.amount:g}°"
    elif pick.diameter_mm is not None:
        amount = f" to ⌀ {units.length(pick.diameter_mm)}"
    elif pick.what in AMOUNTS:
        amount = f" {units.length(pick.amount, pick.what in ('fit', 'restore'))}"
    late = f", revision {pick.revision}" if pick.revision > "A" else ""
    unused = "" if used else ", not used here"
    return f"{number}  {FACES[pick.what]}{amount}{late}{unused}"
