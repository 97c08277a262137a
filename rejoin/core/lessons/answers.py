"""Known answers of the sample parts, and a job held against them.

A sample's ``truth.json`` holds where each fragment truly stands and which
triangles of its scan lie on the break. A job is told to be of a sample by the
SHA-256 of its scans' files, wherever they were copied to.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rejoin.core.errors import FileTrouble, NoAnswer
from rejoin.core.meshes import triangle_areas
from rejoin.core.records import (
    FaceScore,
    FloatArray,
    FractureFace,
    Fragment,
    PlacementScore,
    Project,
    Scan,
    Score,
)
from rejoin.core.samples import sample_folder, sample_names
from rejoin.core.settings import Report, silent
from rejoin.core.transforms import displacement, inverse

Mask = npt.NDArray[np.bool_]

RIM = 2.0
"""What lies within so many spacings of the true rim is neither right nor wrong: a scan rounds the rim."""

WELL = 0.9
"""Share of the true face from which it counts as taken."""

ASTRAY = 0.1
"""Share of what was taken up to which original surface in it is forgiven."""

COUNTS_AS_IN_PLACE = 1.0
"""A fragment is in its place where its worst point is within so many spacings of the truth: less, no hand can see."""


@dataclass(frozen=True, eq=False)
class Answer:
    """What is truly so of a sample part.

    Attributes
    ----------
    sample : str
    part_from_scan : tuple of (4, 4)
        By file of the sample; mm.
    broken : tuple of (m,) bool
        Which triangles of each file, in its order, lie on the break.
    """

    sample: str
    part_from_scan: tuple[FloatArray, ...]
    broken: tuple[Mask, ...]


def packed(broken: Mask) -> str:
    """A mask as text for truth.json: its bits, eight to a byte, in base 64."""
    return base64.b64encode(np.packbits(broken).tobytes()).decode("ascii")


def unpacked(text: str, count: int) -> Mask:
    """The mask (count,) of such a text."""
    return np.unpackbits(np.frombuffer(base64.b64decode(text), np.uint8), count=count).astype(bool)


@lru_cache
def _known(name: str) -> tuple[dict[str, Any], tuple[str, ...]]:
    """truth.json of a sample, and the SHA-256 of its scans."""
    folder = sample_folder(name)
    try:
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        sums = tuple(hashlib.sha256((folder / file).read_bytes()).hexdigest() for file in truth["files"])
    except (OSError, ValueError, KeyError) as error:
        raise FileTrouble(f"The known answer of {name} cannot be read.", "Install the program again.") from error
    return truth, sums


def sample_of(scans: Sequence[Scan]) -> tuple[str, tuple[int, ...]] | None:
    """The sample that all these scans are of, and which of its files each one is; None where there is none."""
    if not scans:
        return None
    for name in sample_names():
        sums = _known(name)[1]
        if all(len(scan.sha256) == 1 and scan.sha256[0] in sums for scan in scans):
            return name, tuple(sums.index(scan.sha256[0]) for scan in scans)
    return None


def answer_to(name: str) -> Answer:
    """The known answer of a sample.

    Raises
    ------
    WrongUse
        Where there is no such sample.
    FileTrouble
        Where its answer cannot be read.
    """
    truth, _ = _known(name)
    try:
        poses = tuple(np.array(pose, np.float64) for pose in truth["part_from_scan_mm"])
        masks = tuple(unpacked(item["bits"], int(item["of"])) for item in truth["broken_triangles"])
    except (KeyError, TypeError, ValueError) as error:
        raise FileTrouble(f"The known answer of {name} is damaged.", "Install the program again.") from error
    return Answer(name, poses, masks)


def scored(project: Project, report: Report = silent) -> Score:
    """Hold the faces and the placements of a job against the known answer of its sample.

    Raises
    ------
    NoAnswer
        Where the scans are of no sample.
    """
    found = sample_of(project.scans)
    if found is None or not project.fragments:
        raise NoAnswer("Nobody knows the true answer of these scans.", "Open one of the samples: theirs is stored.")
    name, files = found
    answer = answer_to(name)
    faces = []
    for number, fragment in enumerate(project.fragments):
        report(number / len(project.fragments), f"Looking at the faces of {fragment.scan.name}")
        truth, rim = truly_broken(fragment, answer.broken[files[number]])
        faces.append(_face_score(project, number, truth, rim))
    return Score(name, tuple(faces), _placement_scores(project, [answer.part_from_scan[file] for file in files]))


def truly_broken(fragment: Fragment, broken: Mask) -> tuple[Mask, Mask]:
    """Which triangles (m,) of a fragment lie on the break, and which so near its rim that they do not count.

    Cleaning may weld, drop or turn triangles, so each is told by the triangle of the scan that lies nearest.
    """
    scan = fragment.scan.mesh
    if len(broken) != len(scan.triangles):
        raise NoAnswer("This scan is not the sample's any more.", "Open the sample again.")
    middles = scan.vertices[scan.triangles].mean(axis=1)
    own = middles if fragment.mesh is scan else fragment.mesh.vertices[fragment.mesh.triangles].mean(axis=1)
    truth = broken if fragment.mesh is scan else broken[cKDTree(middles).query(own, workers=2)[1]]
    rim = np.zeros(len(truth), bool)
    if truth.any() and not truth.all():
        reach = RIM * fragment.spacing_mm
        for side in (truth, ~truth):
            other = cKDTree(own[~side])
            rim[side] = np.isfinite(other.query(own[side], distance_upper_bound=reach, workers=2)[0])
    return truth, rim


def _face_score(project: Project, number: int, truth: Mask, rim: Mask) -> FaceScore:
    by, faces = _whose(project, number)
    areas = triangle_areas(project.fragments[number].mesh)
    taken = np.zeros(len(areas), bool)
    for face in faces:
        taken[face.triangles] = True
    core = truth & ~rim
    covered = float(areas[core & taken].sum() / max(areas[core].sum(), 1e-12))
    chosen = float(areas[taken].sum())
    wrong = float(areas[taken & ~truth & ~rim].sum() / chosen) if chosen > 0.0 else 0.0
    return FaceScore(number, by, covered, wrong, _face_words(by, covered, wrong))


def _whose(project: Project, number: int) -> tuple[str, tuple[FractureFace, ...]]:
    """The faces of a fragment that count: the person's, else those in joints, else the likeliest find."""
    own = tuple(face for face in project.faces if face.fragment == number)
    chosen = tuple(face for face in own if face.chosen_by == "person")
    if chosen:
        return "person", chosen
    used = tuple(
        face
        for joint in project.joints if joint.state != "rejected"
        for face in (joint.face_a, joint.face_b) if face.fragment == number
    )  # fmt: skip
    if used:
        return "program", used
    return ("program", own[:1]) if own else ("nobody", ())


def _face_words(by: str, covered: float, wrong: float) -> str:
    if by == "nobody":
        return "No fracture face has been chosen here yet."
    told = f"{100 * covered:.0f} % of the true face taken; {100 * wrong:.0f} % of what was taken lies off it."
    if covered < 0.05:
        return f"{told} This is not where it broke: look for the grain of torn metal."
    if covered >= WELL and wrong <= ASTRAY:
        return f"{told} That is the face."
    if covered >= WELL:
        return f"{told} The pick runs over the rim: rub out what was cast, machined or chipped."
    if wrong <= ASTRAY:
        return f"{told} Part of the face is missing: paint on out to the rim."
    return f"{told} The pick misses part of the face and runs over the rim elsewhere."


def _placement_scores(project: Project, truth: Sequence[FloatArray]) -> tuple[PlacementScore, ...]:
    poses = [placement.part_from_scan for placement in project.placements]
    first = next((n for n, pose in enumerate(poses) if pose is not None), None)
    if first is None:
        return ()
    scores = []
    for number, (pose, fragment) in enumerate(zip(poses, project.fragments, strict=True)):
        if number == first:
            continue
        if pose is None:
            scores.append(PlacementScore(number, None, None, "Not placed."))
            continue
        true = inverse(truth[first]) @ truth[number]
        found = inverse(poses[first]) @ pose  # type: ignore[arg-type]
        off = float(displacement(true, found, fragment.mesh.vertices).max())
        turned = float(np.degrees(Rotation.from_matrix(true[:3, :3].T @ found[:3, :3]).magnitude()))
        scores.append(PlacementScore(number, off, turned, _placement_words(fragment, off)))
    return tuple(scores)


def _placement_words(fragment: Fragment, off: float) -> str:
    if off <= COUNTS_AS_IN_PLACE * fragment.spacing_mm:
        return "In its place: nearer than the scan's own points lie to each other."
    if off <= 10.0 * fragment.spacing_mm:
        return "Near its place: bring it into contact, and look at the gap."
    return "Not in its place: this way of joining is wrong."
