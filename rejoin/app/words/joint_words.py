"""Words of the window for joints: how they join, what speaks for and against them, how they fit."""

from __future__ import annotations

import re

import numpy as np

from rejoin.app.words.in_units import in_units
from rejoin.app.words.sentences import Units, counted, letter, sentence, step_words
from rejoin.core.records import FitReport, Joint, Placement, Project
from rejoin.core.records.scans import GLUE, GLUE_LEFT

GLUED = "Split along a glued seam: there is no break to join here. Fuse both sides in row 50."


def glued_sides(project: Project) -> bool:
    """Whether what is placed are the two sides of a glued part, as the split along its seam left them."""
    sides = [n for n, p in enumerate(project.placements) if p.part_from_scan is not None]
    if len(sides) != 2 or project.joints:
        return False
    split = all(any(note.kind == GLUE for note in project.scans[n].read_notes) for n in sides)
    first, second = (project.placements[n].part_from_scan for n in sides)
    return split and first is not None and second is not None and np.array_equal(first, second)


def glue_words(project: Project, units: Units) -> str:
    """What the glue of a part that was split had done, and whether something of it could not be taken out."""
    notes = project.scans[-1].read_notes if project.scans else ()  # the other side comes last
    told = next((note.sentence for note in notes if note.kind == GLUE), "")
    left = any(note.kind == GLUE_LEFT for note in notes)
    more = " Not all of it could be taken out: row 10 says what." if left else ""
    return in_units(told.partition(". ")[2], units) + more


def joining(project: Project, units: Units) -> str:
    if not project.placements:
        if len(project.fragments) < 2:
            return "Needs two fragments"
        return "Joints to be placed" if project.joints else "Not joined yet"
    if glued_sides(project):
        return "Both sides stand as they belong together"
    pieces = [p for p, scan in zip(project.placements, project.scans, strict=False) if scan.role == "fragment"]
    placed, total = sum(p.part_from_scan is not None for p in pieces), len(pieces)
    if placed < 2:
        return "Nothing could be joined"
    words = "Both placed" if placed == total == 2 else f"{placed} of {total} placed"
    if any(p.placed_by == "person" for p in project.placements):
        return f"{words}, moved by hand: not yet in contact"
    known = max((p.u95_mm for p in project.placements if p.u95_mm is not None), default=0.0)
    good = f", good to {units.length(known)}" if known > 0 else ""
    doubt = doubtful_joints(project)
    return words + good + (f", {counted(doubt, 'doubtful joint')}" if doubt else "")


def not_placed(project: Project) -> tuple[str, ...]:
    """Letters of the pieces of the part that were left out of the join."""
    return tuple(letter(number) for number, placement in enumerate(project.placements)
                 if placement.part_from_scan is None and project.scans[number].role == "fragment")  # fmt: skip


def look_at_joints(project: Project) -> str:
    """Where row 30 has something to say beside that it is done; empty where all is well."""
    out = not_placed(project)
    if out:
        return f"{', '.join(out)} could not be placed: row 30 says why."
    doubt = doubtful_joints(project)
    return f"{counted(doubt, 'joint is', 'joints are')} doubtful: row 30 says why." if doubt else ""


def left_out(project: Project) -> str:
    """Which pieces the whole lacks."""
    out = not_placed(project)
    return f"{', '.join(out)} {'is' if len(out) == 1 else 'are'} not in it: not placed in row 30." if out else ""


def joint_title(project: Project, joint: Joint) -> str:
    return f"{letter(joint.a)} – {letter(joint.b)}"


def joint_state(joint: Joint, fit: FitReport | None = None) -> str:
    good = joint.evidence.good and (fit is None or fit.verdict == "good")
    if joint.state == "pinned":
        return "pinned by you" if good else "pinned by you, doubtful"
    if joint.state == "rejected":
        return "rejected by you"
    return "certain" if good else "doubtful"


def fit_of(project: Project, number: int) -> FitReport | None:
    """What was measured of a joint."""
    return next((fit for fit in project.fits if fit.joint == number), None)


def doubtful_joints(project: Project) -> int:
    """How many joints are doubtful, by their evidence or by what was measured of them."""
    return sum(joint.state != "rejected" and joint_state(joint, fit_of(project, number)).endswith("doubtful")
               for number, joint in enumerate(project.joints))  # fmt: skip


def first_doubtful(project: Project) -> int:
    """The first joint that row 30 has something to say of; the first of all where there is none."""
    states = [joint_state(joint, fit_of(project, number)) for number, joint in enumerate(project.joints)]
    return next((number for number, state in enumerate(states) if state.endswith("doubtful")), 0)


def joint_evidence(joint: Joint, units: Units, fit: FitReport | None = None) -> str:
    """Why a joint is believed, for the person who asks."""
    seen = joint.evidence
    if not seen.contact_area_mm2:
        return sentence(seen.reason)
    words = (f"Touching {fit.touching_share:.0%} of {units.area(fit.area_mm2)}, median gap "
             f"{units.length(fit.gap_median_mm, True)}" if fit else  # as row 40 tells it
             f"Touches over {units.area(seen.contact_area_mm2)} ({seen.touching_share:.0%} of what lies opposite), "
             f"usual misfit {units.length(seen.rms_mm)}")  # fmt: skip
    if seen.runner_up > 0:
        times = seen.score / seen.runner_up
        words += f", next best {times:.0f} times worse" if times >= 2 else ", another way fits nearly as well"
    lines = [words + "."] + [sentence(doubt) for doubt in seen.doubts if not seen.good]
    if fit is not None and fit.verdict != "good" and seen.good:
        lines.append(sentence(_without_brackets(fit.sentence)))
    if seen.overlap_mm > 0:
        lines.append(f"They run into each other by up to {units.length(seen.overlap_mm)}.")
    return "\n".join(lines)


def placement_line(number: int, placement: Placement, units: Units, all_tried: bool = True) -> str:
    """Where a fragment stands, or why it does not; with what may be the matter only where every face was tried."""
    if placement.part_from_scan is None:
        why = placement.why or ""
        if not all_tried:
            from rejoin.core.placing import STRANGE  # needs much that the window does not

            for guess in STRANGE:
                why = why.partition(f": {guess}")[0]
        return sentence(f"{letter(number)}: not placed. {why}")
    if placement.placed_by == "person":
        return f"{letter(number)}: placed by hand, not yet brought into contact."
    if placement.u95_mm is None:
        return f"{letter(number)}: placed."
    if placement.u95_mm == 0:
        return f"{letter(number)}: the others are measured from this one."
    said = " ".join(sentence(words) for words in (placement.weakest, *placement.notes) if words)
    return f"{letter(number)}: good to {units.length(placement.u95_mm)} (95 %). {said}".rstrip()


def only_chosen(project: Project) -> str:
    """Where a piece was left out of which no other faces were tried than those that the person chose; else empty."""
    by_hand = {face.fragment for face in project.faces if face.chosen_by == "person"}
    bound = [letter(number) for number, placement in enumerate(project.placements)
             if placement.part_from_scan is None and by_hand]  # fmt: skip
    if not bound:
        return ""
    chosen = ", ".join(letter(number) for number in sorted(by_hand))
    return (f"Of {chosen} only the faces that you chose were tried. A break may be in several patches: add the others "
            "with Shift+click in row 20, or clear the faces there and press Join.")  # fmt: skip


def fit_lines(project: Project, fit: FitReport, units: Units) -> str:
    joint = project.joints[fit.joint]
    lines = [
        f"{joint_title(project, joint)}: {sentence(_without_brackets(fit.sentence))}",
        f"Median {units.length(fit.gap_median_mm, True)}, 95 % within {units.length(fit.gap_p95_mm)}, "
        f"deepest overlap {units.length(fit.overlap_max_mm)}.",
        f"Touching {fit.touching_share:.0%} of {units.area(fit.area_mm2)}.",
    ]
    if fit.step_mm is not None:
        step = step_words(fit.step_mm, fit.step_u95_mm, units)
        lines.append(f"Step of the original surfaces across the crack: {step}.")
    if fit.missing_layer_mm > 2 * fit.missing_layer_sd_mm and fit.missing_layer_sd_mm > 0:
        spread = units.length(2 * fit.missing_layer_sd_mm)
        lines.append(f"About {units.length(fit.missing_layer_mm)} of material is missing here (± {spread}).")
    return "\n".join(lines)


def _without_brackets(words: str) -> str:
    """A sentence without its numbers in brackets, which are in mm whatever the person reads in."""
    return re.sub(r" *[(][^)]*[)]", "", words)
