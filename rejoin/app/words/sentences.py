"""Records in plain words, and lengths in the unit that the person reads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rejoin.core.cautions import STRENGTH
from rejoin.core.naming import letter as letter
from rejoin.core.records import (
    FloatArray,
    FractureFace,
    Fragment,
    Project,
    StatedSize,
    Whole,
)

CAUTION = STRENGTH


@dataclass(frozen=True)
class Units:
    """How lengths are shown: "mm" or "inch"."""

    name: str = "mm"

    @property
    def short(self) -> str:
        return "in" if self.name == "inch" else "mm"

    @property
    def mm(self) -> float:
        """Millimetres in one shown unit."""
        return 25.4 if self.name == "inch" else 1.0

    def number(self, mm: float, signed: bool = False) -> str:
        """The bare number of a length, with as many digits as a shop would read."""
        value = mm / self.mm
        finest = 4 if self.name == "inch" else 2
        size = abs(value) * (self.mm if self.name == "inch" else 1.0)
        places = finest if size < 10 else finest - 1 if size < 100 else finest - 2
        text = f"{value:.{max(places, 0)}f}"
        if float(text) == 0:
            return "0"
        return f"+{text}" if signed and value > 0 else text.replace("-", "−")

    def length(self, mm: float, signed: bool = False) -> str:
        return f"{self.number(mm, signed)} {self.short}"

    def area(self, mm2: float) -> str:
        value = mm2 / self.mm**2
        return f"{value:.3g} {self.short}²" if value < 100 else f"{value:,.0f} {self.short}²".replace(",", " ")

    def volume(self, mm3: float) -> str:
        if self.name == "inch":
            return f"{mm3 / 25.4**3:.3g} in³"
        return f"{mm3 / 1000:.1f} cm³" if mm3 >= 1000 else f"{mm3:.3g} mm³"

    def box(self, sides_mm: FloatArray) -> str:
        """Length, width and height (3,)."""
        size = np.sort(sides_mm)[::-1] / self.mm
        places = 2 if self.name == "inch" else 0 if size[0] >= 100 else 1
        return " × ".join(f"{side:.{places}f}" for side in size) + f" {self.short}"


def counted(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one}" if number == 1 else f"{number} {many or one + 's'}"


def sentence(words: str) -> str:
    """Words with a capital at the start and a stop at the end."""
    words = words.strip()
    return words[:1].upper() + words[1:] + ("" if words.endswith((".", "!", "?")) else ".") if words else ""


HOLES_TOLD = 3
"""So many holes of a scan are told one by one, the largest; the others are counted."""


def scans(project: Project, units: Units) -> str:
    if not project.scans:
        return "No scans yet"
    words = [counted(sum(scan.role == "fragment" for scan in project.scans), "fragment")]
    words += [name for role, name in (("reference", "a reference"), ("mating", "a mating part"))
              if any(scan.role == role for scan in project.scans)]  # fmt: skip
    wanting = sum(bool(fragment.faults) for fragment in project.fragments)
    words += [f"{wanting} to be scanned again"] if wanting else []
    if project.fragments:
        spacing = float(np.median([f.spacing_mm for f in project.fragments]))
        holes = sum(len(f.holes) for f in project.fragments)
        words += [f"{units.length(spacing)} spacing", counted(holes, "hole") if holes else "no holes"]
    return ", ".join(words)


def opened_once(project: Project, repeats: dict[int, int]) -> str:
    """Which scans (each with the earlier one of the very same bytes) were not opened a second time."""
    again = {(project.scans[number].name, one - sum(other < one for other in repeats)) for number, one in
             repeats.items()}  # fmt: skip
    return " ".join(f"{name} is on the bench as {letter(one)} already: it was not opened twice."
                    for name, one in sorted(again))  # fmt: skip


def wanted_scans(project: Project) -> str:
    """What is to be opened before anything can be joined."""
    if not project.fragments:
        return "Open the scans of the fragments."
    return "Open the scan of another fragment too, or split this one, if it was glued before."


def to_be_scanned_again(project: Project) -> str:
    """Which scans are not good enough, and where that is told; or that all are."""
    wanting = [letter(number) for number, fragment in enumerate(project.fragments) if fragment.faults]
    if not wanting:
        return "All scans are good enough."
    under = "it" if len(wanting) == 1 else "each"
    return f"{', '.join(wanting)} had better be scanned again: row 10 says under {under} where and why."


def faces(project: Project, units: Units) -> str:
    if not project.faces:
        return "Not looked for yet" if project.fragments else "Waits for scans"
    used = in_joints(project)
    if used:
        return f"{counted(len(used), 'face')} in joints, {units.area(sum(face.area_mm2 for face in used))}"
    by_hand = sum(face.chosen_by == "person" for face in project.faces)
    searched = len({face.fragment for face in project.faces if face.chosen_by != "person"})
    words = [f"{counted(by_hand, 'face')} chosen by you"] if by_hand else []
    words += [f"{counted(searched, 'fragment')} searched; Join picks the faces that fit"] if searched else []
    return ", ".join(words)


def in_joints(project: Project) -> tuple[FractureFace, ...]:
    """The faces that joints between placed fragments use."""
    if placed_count(project) < 2:
        return ()
    return tuple(
        face for joint in project.joints if joint.state != "rejected" for face in (joint.face_a, joint.face_b)
    )


def placed_count(project: Project) -> int:
    return sum(p.part_from_scan is not None for p in project.placements)


def gaps(project: Project, units: Units) -> str:
    if not project.fits:
        return "Waits for the join"
    median = max((fit.gap_median_mm for fit in project.fits), key=abs)
    least = min(fit.touching_share for fit in project.fits)
    more = " or more" if len(project.fits) > 1 else ""
    widest = "Median" if len(project.fits) == 1 else "Largest median"
    return f"{widest} {units.length(median, True)}, touching {least:.0%}{more}"


def whole(project: Project, units: Units) -> str:
    if project.whole is None:
        return "Not fused yet" if placed_count(project) >= 2 else "Waits for the join"
    words = "Closed" if project.whole.closed else "Not closed"
    return f"{words}, {counted(project.whole.shells, 'shell')}, {units.volume(project.whole.volume_mm3)}"


def rows_in_joints(project: Project) -> frozenset[int]:
    """Numbers of the faces that joints use: of each, the listed one that most of it lies on, for a join trims them."""
    rows = set()
    for used in in_joints(project):
        on_it = np.zeros(len(project.fragments[used.fragment].mesh.triangles), bool)
        on_it[used.triangles] = True
        shared = {number: int(on_it[face.triangles].sum())
                  for number, face in enumerate(project.faces) if face.fragment == used.fragment}  # fmt: skip
        best = max(shared, key=lambda number: shared[number], default=None)
        if best is not None and 2 * shared[best] > len(used.triangles):
            rows.add(best)
    return frozenset(rows)


def fragment_notes(fragment: Fragment, units: Units) -> str:
    """What reading noted and cleaning left open, one line each; repairs have lines of their own."""
    lines = [r.sentence for r in fragment.scan.read_notes]
    if fragment.scan.role != "fragment":
        hand = ", of the opposite hand" if fragment.scan.mirrored else ""
        lines.append({"reference": f"A reference{hand}: fragments that join nothing are laid on it.",
                      "mating": "A mating part: it is never joined."}[fragment.scan.role])  # fmt: skip
    if fragment.faults is not None:
        lines += [fault.sentence for fault in fragment.faults] or ["Good enough: nothing was found wanting."]
    across = sorted((hole.across_mm for hole in fragment.holes), reverse=True)
    lines += [f"An open hole, {units.length(size)} across." for size in across[:HOLES_TOLD]]
    if across[HOLES_TOLD:]:
        smaller = counted(len(across) - HOLES_TOLD, "smaller open hole")
        lines.append(f"{smaller}, up to {units.length(across[HOLES_TOLD])} across.")
    if not lines and not fragment.repairs:
        lines.append("Nothing had to be repaired.")
    return "\n".join(lines)


def face_line(project: Project, number: int, units: Units, in_joint: bool = False) -> str:
    """What is said of one fracture face; ``in_joint`` where it is among `rows_in_joints`."""
    face = project.faces[number]
    if face.chosen_by == "person":
        who = "chosen by you"
    elif in_joint:
        who = "in a joint"
    else:
        first = all(other.fragment != face.fragment for other in project.faces[:number])
        who = "most likely" if first else "possible"
    return f"{letter(face.fragment)} · {units.area(face.area_mm2)} · {who}"


def stated_line(size: StatedSize, units: Units) -> str:
    return f"{letter(size.a)} – {letter(size.b)}: {units.length(size.value_mm)} ± {units.length(size.limit_mm)}"


def whole_checks(whole: Whole, units: Units) -> tuple[tuple[bool | None, str], ...]:
    """Each check as (passed, sentence); None where the number speaks for itself."""
    holes = "no through-hole" if not whole.genus else counted(whole.genus, "through-hole")
    closed = sum(fill.kind == "scan hole" for fill in whole.fills)
    lost = sum(fill.kind == "lost piece" for fill in whole.fills)
    chips = len(whole.fills) - closed - lost
    filled = [counted(closed, "scan hole") + " closed" if closed else "",
              counted(chips, "chip") + " filled" if chips else "",
              counted(lost, "lost piece") + " restored" if lost else ""]  # fmt: skip
    said = ", ".join(word for word in filled if word)
    return (
        (whole.closed, "Closed" if whole.closed else "Not closed: the surface has open borders"),
        (whole.shells == 1, "One shell" if whole.shells == 1 else f"{whole.shells} separate shells"),
        _crossings(whole),
        (None, holes[0].upper() + holes[1:]),
        (None, f"{said[0].upper() + said[1:]}, {units.volume(whole.filled_mm3)} added" if said
         else f"{units.volume(whole.filled_mm3)} added at the crack and holes"),
        (None, f"Original surface moved by {units.length(whole.original_moved_mm)} at most"),
    )  # fmt: skip


def _crossings(whole: Whole) -> tuple[bool | None, str]:
    """Where the surface runs through itself: what was made at the crack is judged, what the scans brought is told."""
    if whole.crossing_pairs:
        return False, f"Crosses itself at {counted(whole.crossing_pairs, 'place')}"
    if whole.scan_crossing_pairs:
        return None, (f"Crosses itself nowhere at the crack; the scans beside it do, at "
                      f"{counted(whole.scan_crossing_pairs, 'place')}")  # fmt: skip
    return True, "Crosses itself nowhere"


def unit_question(sizes_as_numbers: tuple[float, ...]) -> tuple[str, tuple[tuple[str, str], ...]]:
    """The question where files state no unit, and the readings as (unit, words)."""
    size = max(sizes_as_numbers)
    mm = f"{size:.4g} mm long"
    inch = f"{size:.4g} inches long, that is {size * 25.4:.4g} mm"
    metre = f"{size:.4g} m long, that is {size * 1000:.4g} mm"
    readings = [("mm", mm), ("inch", inch)]
    if size < 3:
        readings.append(("m", metre))
    return "The files do not say their unit. The largest fragment is:", tuple(readings)


def step_words(step_mm: float, u95_mm: float | None, units: Units) -> str:
    """A step of the original surfaces across a crack, with its 95 % bound."""
    step = units.length(step_mm) if step_mm > 0.0 else "none beyond noise and form"
    return step if u95_mm is None else f"{step} (± {units.length(u95_mm)})"


def sample_title(name: str) -> str:
    """A sample's name as it is read."""
    return name.replace("_", " ").capitalize()
