"""Fragments laid on a reference: a sister part, or the opposite hand, shows where one belongs that joins nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import CLASHING, Close, closer, fine_of
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.meshes import mirrored, placed
from rejoin.core.records import FloatArray, Fragment, Placement
from rejoin.core.settings import Report, part_of, silent
from rejoin.core.transforms import displacement, inverse

LEAST = 0.25
"""Share of a fragment's surface that must lie on the reference."""
RIVAL, APART = 0.8, 8.0
"""Worth of another way to lie there, beside the best, from which it is told; spacings from which it is another."""


@dataclass(frozen=True, eq=False)
class Laid:
    """Where a fragment lies on a reference: ``reference_from_fragment`` (4, 4), the share of its surface that agrees,
    and the distance below which 95 % of that is: two castings of one pattern are not equal.

    ``rival`` is how good the best clearly different way to lie there is beside this one, ``rival_mm`` how far it is.
    """

    reference_from_fragment: FloatArray
    share: float
    off_mm: float
    rival: float
    rival_mm: float = 0.0


def lay_on_reference(fragment: Fragment, reference: Fragment, report: Report = silent) -> Laid:
    """The place of a fragment on a whole part of the same pattern, by their common original surface.

    Parameters
    ----------
    fragment, reference : Fragment
        A reference of the opposite hand is mirrored already (`rejoin.core.cleaning`).
    report : Report, optional

    Raises
    ------
    NoAnswer
        Where the fragment does not lie on the reference anywhere.
    """
    from rejoin.core.contact import signed_distances

    spacing = max(fragment.spacing_mm, reference.spacing_mm)
    step = common_step([fragment.mesh, reference.mesh], spacing)
    seen = [seen_of(one.mesh, one.spacing_mm, step) for one in (reference, fragment)]
    rough = rough_poses(seen[0], seen[1], part_of(report, 0.0, 0.7))
    whole, piece = fine_of(reference), fine_of(fragment)
    ways = sorted((closer(whole, piece, one.a_from_b, 1.5 * step) for one in rough), key=lambda way: -_sound(way))
    best = ways[0] if ways else None
    if best is None or best.share < LEAST or best.clash_share > 4.0 * CLASHING:
        raise NoAnswer(f"{fragment.scan.name} was not found on {reference.scan.name}.",
                       "Is this a part of the same pattern, or of the opposite hand?")
    report(0.9, "Measuring how well they agree")
    moved = placed(fragment.mesh, best.a_from_b)
    asked = moved.vertices[:: max(1, len(moved.vertices) // 8000)]
    away = np.abs(signed_distances(asked, reference.mesh).signed)
    near = away[away < 3.0 * max(np.median(away), fragment.noise_mm)]
    corners = fragment.mesh.vertices[:: max(1, len(fragment.mesh.vertices) // 200)]
    far = ((way, float(displacement(way.a_from_b, best.a_from_b, corners).max())) for way in ways[1:])
    rival = next(((_sound(way), mm) for way, mm in far if mm > APART * spacing), (0.0, 0.0))
    beside = rival[0] / max(_sound(best), 1e-12)
    return Laid(best.a_from_b, best.share, float(np.quantile(near, 0.95)), beside, rival[1])


def _sound(way: Close) -> float:
    """Places that agree, worth little where others clash."""
    return way.agree * float(np.exp(-way.clash_share / CLASHING))


def _laid_by_hand(fragment: Fragment, reference: Fragment, report: Report) -> Laid:
    """The place on a reference, unless the fragment lies far better on its mirror image: then the hand is wrong."""
    own, share, missing = None, 0.0, None
    try:
        own = lay_on_reference(fragment, reference, part_of(report, 0.0, 0.5))
        share = own.share
    except NoAnswer as error:
        missing = error
    try:
        other = lay_on_reference(fragment, replace(reference, mesh=mirrored(reference.mesh)), part_of(report, 0.5, 1.0))
    except NoAnswer:
        other = None
    if other is not None and share < RIVAL * other.share:
        name, shares = reference.scan.name, f"{100 * other.share:.0f} % of its surface against {100 * share:.0f} %"
        if reference.scan.mirrored:
            raise NoAnswer(f"{fragment.scan.name} lies better on {name} as it was scanned ({shares}).",
                           "Is that of the same hand? Then do not have it mirrored.")  # fmt: skip
        raise NoAnswer(f"{fragment.scan.name} lies better on the mirror image of {name} ({shares}).",
                       "Is that of the opposite hand? Then say so (command line: --opposite-hand).")  # fmt: skip
    if own is None:
        assert missing is not None
        raise missing
    return own


def placed_on_reference(
    fragments: Sequence[Fragment], placements: Sequence[Placement], report: Report = silent
) -> tuple[Placement, ...]:
    """The placements, fragments that no joint placed laid on the first reference among the scans.

    The frame stays that of the fragments placed already; where none is, it becomes the reference's.
    """
    result = list(without_place(fragments, placements))
    which = next((n for n, f in enumerate(fragments) if f.scan.role == "reference"), None)
    lost = [n for n, p in enumerate(result) if p.part_from_scan is None and fragments[n].scan.role == "fragment"]
    if which is None or not lost:
        return tuple(result)
    anchored = [n for n, p in enumerate(result) if p.part_from_scan is not None]
    part_from_reference = np.eye(4)
    off = 0.0
    if anchored:
        largest = max(anchored, key=lambda n: len(fragments[n].mesh.triangles))
        try:
            laid = _laid_by_hand(fragments[largest], fragments[which], part_of(report, 0.0, 0.4))
        except NoAnswer as error:
            for number in lost:
                result[number] = replace(result[number], why=f"{result[number].why or ''} {error}".strip())
            return tuple(result)
        own = result[largest].part_from_scan
        assert own is not None
        part_from_reference, off = own @ inverse(laid.reference_from_fragment), laid.off_mm
    for count, number in enumerate(lost):
        try:
            laid = _laid_by_hand(fragments[number], fragments[which],
                                 part_of(report, 0.4 + 0.6 * count / len(lost), 1.0))  # fmt: skip
        except NoAnswer as error:
            result[number] = Placement(None, "program", why=str(error))
            continue
        notes = [f"Laid on {fragments[which].scan.name}, which it follows to {laid.off_mm:.2f} mm."]
        bound = float(np.hypot(off, laid.off_mm))
        if laid.rival > RIVAL:
            notes.append(f"It would lie there another way nearly as well, {laid.rival_mm:.1f} mm off: look whether it "
                         "is right.")  # fmt: skip
            bound = max(bound, laid.rival_mm)
        result[number] = Placement(part_from_reference @ laid.reference_from_fragment, "reference",
                                   u95_mm=bound, notes=tuple(notes))  # fmt: skip
    return tuple(result)


NO_PIECE = {
    "reference": "A reference: it shows where fragments belong, and is no piece of this part.",
    "mating": "A mating part: what this part fits to, and no piece of it.",
}
"""Why a scan in another role stands nowhere."""


def without_place(fragments: Sequence[Fragment], placements: Sequence[Placement]) -> tuple[Placement, ...]:
    """The placements, those of scans that are no pieces emptied, with the reason."""
    return tuple(
        placement if fragment.scan.role == "fragment" else Placement(None, "program", why=NO_PIECE[fragment.scan.role])
        for fragment, placement in zip(fragments, placements, strict=True)
    )
