"""Hand work on a project: each edit takes a `Project` and returns a new one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix, diags
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import adjacency, placed, triangle_centres, triangle_crosses, vertex_areas, vertex_normals
from rejoin.core.project import changed
from rejoin.core.records import (
    Evidence,
    FloatArray,
    FractureFace,
    Fragment,
    IntArray,
    Joint,
    Mesh,
    Placement,
    Project,
)
from rejoin.core.settings import UNITS
from rejoin.core.transforms import apply, identity, inverse, rigid

CONE_DEG = 50.0
"""How far a face's averaged normals may lean from its mean: beyond it begins another side of the part."""

SMOOTHING_ROUNDS = 6
"""Rounds of averaging of the normals before a rim is looked for; roughness averages out, an edge does not."""


def rename(project: Project, fragment: int, name: str) -> Project:
    """Give a fragment another name; nothing that was worked out is forgotten."""
    name = name.strip()
    if not name:
        raise WrongUse("A fragment needs a name.", "Type at least one letter.")
    scans = _with(project.scans, fragment, replace(project.scans[fragment], name=name))
    fragments = project.fragments
    if fragment < len(fragments):
        fragments = _with(fragments, fragment, replace(fragments[fragment], scan=scans[fragment]))
    return replace(project, scans=scans, fragments=fragments)


def state_unit(project: Project, scans: tuple[int, ...], unit: str) -> Project:
    """Say in which unit the files of ``scans`` are; their sizes follow."""
    if unit not in UNITS:
        raise WrongUse(f"{unit!r} is no unit known here.", f"Choose one of: {', '.join(UNITS)}.")
    stated = list(project.scans)
    for number in scans:
        scan = stated[number]
        factor = UNITS[unit] / UNITS[scan.unit]
        mesh = scan.mesh if factor == 1.0 else Mesh(scan.mesh.vertices * factor, scan.mesh.triangles)
        stated[number] = replace(scan, mesh=mesh, unit=unit, unit_stated=True)
    return changed(project, scans=tuple(stated))


def remove_fragment(project: Project, fragment: int) -> Project:
    """Take a fragment out; faces and joints of the others stay, placements are forgotten."""
    if not 0 <= fragment < len(project.scans):
        raise WrongUse(f"There is no fragment {fragment}.", f"Choose 0 to {len(project.scans) - 1}.")

    def moved(number: int) -> int:
        return number - (number > fragment)

    def moved_face(face: FractureFace) -> FractureFace:
        return replace(face, fragment=moved(face.fragment))

    joints = tuple(
        replace(j, a=moved(j.a), b=moved(j.b), face_a=moved_face(j.face_a), face_b=moved_face(j.face_b))
        for j in project.joints
        if fragment not in (j.a, j.b)
    )
    return changed(
        project,
        scans=_without(project.scans, fragment),
        fragments=_without(project.fragments, fragment),
        faces=tuple(moved_face(face) for face in project.faces if face.fragment != fragment),
        joints=joints,
    )


def choose_face(project: Project, fragment: int, triangles: npt.ArrayLike) -> Project:
    """Make ``triangles`` (k,) of a fragment a fracture face of its own.

    The person's word stands above the program's: the faces that the program
    held for possible on this fragment are dropped, and a new search leaves
    the fragment alone. Triangles of the person's other faces go over to this one.
    """
    wanted = _checked(project, fragment, triangles)
    if not len(wanted):
        raise WrongUse("A fracture face needs triangles.", "Click on the broken surface.")
    others = _others(project, fragment, wanted, spared=None)
    return changed(project, faces=(*others, _face(project, fragment, wanted)))


def add_triangles(project: Project, face: int, triangles: npt.ArrayLike) -> Project:
    """Add ``triangles`` (k,) to an existing face, which thereby becomes the person's choice."""
    fragment = project.faces[face].fragment
    wanted = np.union1d(project.faces[face].triangles, _checked(project, fragment, triangles))
    others = _others(project, fragment, wanted, spared=face)
    return changed(project, faces=(*others, _face(project, fragment, wanted)))


def _others(project: Project, fragment: int, wanted: IntArray, spared: int | None) -> tuple[FractureFace, ...]:
    """Faces of other fragments, and the person's own on this one without ``wanted``."""
    faces: list[FractureFace] = []
    for number, face in enumerate(project.faces):
        if face.fragment != fragment:
            faces.append(face)
        elif number != spared and face.chosen_by == "person":
            rest = np.setdiff1d(face.triangles, wanted)
            faces += [_face(project, fragment, rest)] if len(rest) else []
    return tuple(faces)


def remove_triangles(project: Project, fragment: int, triangles: npt.ArrayLike) -> Project:
    """Take ``triangles`` (k,) out of every face of a fragment; a face left empty disappears."""
    unwanted = _checked(project, fragment, triangles)
    faces: list[FractureFace] = []
    for face in project.faces:
        if face.fragment != fragment:
            faces.append(face)
            continue
        rest = np.setdiff1d(face.triangles, unwanted)
        if len(rest) == len(face.triangles):
            faces.append(face)
        elif len(rest):
            faces.append(replace(_face(project, fragment, rest), chosen_by=face.chosen_by, confidence=face.confidence))
    return changed(project, faces=tuple(faces))


def area_of(project: Project, fragment: int, triangles: npt.ArrayLike) -> float:
    """Area of some triangles (k,) of a fragment, mm²."""
    mesh = project.fragments[fragment].mesh
    corners = mesh.vertices[mesh.triangles[np.asarray(triangles, np.int32)]]
    crosses = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(np.linalg.norm(crosses, axis=1).sum() / 2.0)


def clear_face(project: Project, face: int) -> Project:
    """Forget one fracture face."""
    return changed(project, faces=_without(project.faces, face))


def pin_joint(project: Project, joint: int) -> Project:
    """Say that a joint is right: it stays, whatever the numbers say."""
    return _with_state(project, joint, "pinned")


def reject_joint(project: Project, joint: int) -> Project:
    """Say that a joint is wrong: it is not used and not found again."""
    return _with_state(project, joint, "rejected")


def free_joint(project: Project, joint: int) -> Project:
    """Take back a pin or a rejection: the numbers decide again."""
    return _with_state(project, joint, "found")


def join_by_hand(project: Project, a: int, b: int, a_from_b: FloatArray) -> Project:
    """Pin a joint between two fragments that the person brought together.

    Parameters
    ----------
    project : Project
    a, b : int
        Fragments.
    a_from_b : (4, 4) array
        Takes b's scan frame to a's; roughly right is enough, the adjustment
        that follows moves it into contact.

    Raises
    ------
    NoAnswer
        Where nothing of the two fragments comes close.
    """
    faces = _facing(project, a, b, a_from_b)
    joint = Joint(a, b, *faces, a_from_b, _by_hand("You joined these two fragments by hand."), "pinned", "person")
    others = tuple(j for j in project.joints if {j.a, j.b} != {a, b})
    return changed(project, joints=(*others, joint))


def join_by_marks(project: Project, a: int, b: int, marks_a: npt.ArrayLike, marks_b: npt.ArrayLike) -> Project:
    """Pin a joint from three or more pairs of marks, (k, 3) in each scan's frame.

    Source of the fit: the least-squares rotation by singular value
    decomposition (Kabsch 1976; Arun, Huang and Blostein 1987).
    """
    return join_by_hand(project, a, b, from_marks(marks_a, marks_b))


def from_marks(marks_a: npt.ArrayLike, marks_b: npt.ArrayLike) -> FloatArray:
    """``a_from_b`` (4, 4) that brings marks (k, 3) of b onto those of a in the least-squares sense."""
    first, second = np.asarray(marks_a, float), np.asarray(marks_b, float)
    if first.shape != second.shape or len(first) < 3:
        raise WrongUse("Three marks on each fragment are needed.", "Mark the same three places on both.")
    centre_a, centre_b = first.mean(axis=0), second.mean(axis=0)
    u, sizes, vt = np.linalg.svd((first - centre_a).T @ (second - centre_b))
    if sizes[1] < 1e-6 * max(sizes[0], 1e-300):
        raise WrongUse("The marks lie on one line.", "Mark three places that form a triangle.")
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return rigid(turn, centre_a - turn @ centre_b)


def place_by_hand(project: Project, fragment: int, part_from_scan: FloatArray, beside: int = 0) -> Project:
    """Put one fragment where the person wants it; the gaps measured before are forgotten.

    Where nothing is placed yet, the fragment ``beside`` gives the part's frame.
    """
    placements = list(project.placements)
    if len(placements) != len(project.fragments):
        placements = [Placement(None, "nobody", "It is not joined yet.") for _ in project.fragments]
        placements[beside] = Placement(identity(), "person")
    placements[fragment] = Placement(part_from_scan, "person")
    return changed(project, placements=tuple(placements))


def join_as_placed(project: Project, fragment: int) -> Project:
    """Pin a joint between a fragment and the placed one that its surface comes closest to."""
    mine = project.placements[fragment].part_from_scan
    if mine is None:
        raise NoAnswer("This fragment is not placed.", "Move it to its place first.")
    points = apply(mine, project.fragments[fragment].mesh.vertices[::7])
    best: tuple[float, int, FloatArray] | None = None
    for number, placement in enumerate(project.placements):
        if number == fragment or placement.part_from_scan is None:
            continue
        tree = cKDTree(apply(placement.part_from_scan, project.fragments[number].mesh.vertices))
        near = float(np.percentile(tree.query(points)[0], 5))
        if best is None or near < best[0]:
            best = near, number, inverse(placement.part_from_scan) @ mine
    if best is None:
        raise NoAnswer("No other fragment is placed.", "Place another fragment first.")
    return join_by_hand(project, best[1], fragment, best[2])


@dataclass(frozen=True, eq=False)
class Surface:
    """What growing a face needs to know of a mesh, worked out once: neighbours, averaged normals, areas."""

    mesh: Mesh
    neighbours: csr_matrix
    normals: FloatArray
    areas: FloatArray


def surface_of(mesh: Mesh) -> Surface:
    """Prepare a mesh for `grow_face_to_rim`."""
    neighbours = adjacency(mesh).tocsr()
    blur = neighbours + diags(np.ones(neighbours.shape[0], np.float32))
    normals = vertex_normals(mesh)
    for _ in range(SMOOTHING_ROUNDS):
        normals = blur @ normals
        length = np.linalg.norm(normals, axis=1, keepdims=True)
        normals /= np.where(length > 0, length, 1.0)
    return Surface(mesh, neighbours, normals, vertex_areas(mesh))


def grow_face_to_rim(surface: Surface, triangle: int) -> IntArray:
    """Triangles (k,) of the face around ``triangle``, out to its rim.

    The region spreads from the triangle over vertices whose averaged normal
    stays within `CONE_DEG` of the region's own mean normal; the mean is taken
    again a few times, and islands enclosed in the face are added to it.
    """
    corners = surface.mesh.triangles[triangle]
    seed = int(corners[0])
    mean = surface.normals[corners].sum(axis=0)
    mean /= max(float(np.linalg.norm(mean)), 1e-12)
    region = np.zeros(len(surface.normals), bool)
    for cone in (0.7 * CONE_DEG, 0.85 * CONE_DEG, CONE_DEG, CONE_DEG):
        allowed = surface.normals @ mean > np.cos(np.radians(cone))
        allowed[corners] = True
        region = _piece_of(surface.neighbours, allowed, seed)
        mean = (surface.normals[region] * surface.areas[region, None]).sum(axis=0)
        mean /= max(float(np.linalg.norm(mean)), 1e-12)
    region = _without_islands(surface.neighbours, region)
    corners_in = region[surface.mesh.triangles]
    crosses = triangle_crosses(surface.mesh)
    leaning = crosses @ mean > np.cos(np.radians(CONE_DEG)) * np.linalg.norm(crosses, axis=1)
    # averaging rounds the rim off: its last triangles are known by their own normals
    inside = corners_in.all(axis=1) | (corners_in.any(axis=1) & leaning)
    inside[triangle] = True
    return np.flatnonzero(inside).astype(np.int32)


def _piece_of(neighbours: csr_matrix, allowed: npt.NDArray[np.bool_], seed: int) -> npt.NDArray[np.bool_]:
    members = np.flatnonzero(allowed)
    _, labels = connected_components(neighbours[members][:, members], directed=False)
    piece = np.zeros(len(allowed), bool)
    piece[members[labels == labels[np.searchsorted(members, seed)]]] = True
    return piece


def _without_islands(neighbours: csr_matrix, region: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    outside = np.flatnonzero(~region)
    if not len(outside):
        return region
    count, labels = connected_components(neighbours[outside][:, outside], directed=False)
    small = np.bincount(labels, minlength=count) < 0.1 * region.sum()
    filled = region.copy()
    filled[outside[small[labels]]] = True
    return filled


def _facing(project: Project, a: int, b: int, a_from_b: FloatArray) -> tuple[FractureFace, FractureFace]:
    """The faces of a and b nearest to each other; where none were found, the surface in reach."""
    faces_a = [face for face in project.faces if face.fragment == a]
    faces_b = [face for face in project.faces if face.fragment == b]
    first, second = project.fragments[a], project.fragments[b]
    if faces_a and faces_b:
        centres_a = [_centre(first, face) for face in faces_a]
        centres_b = [apply(a_from_b, _centre(second, face)[None])[0] for face in faces_b]
        far = np.linalg.norm(np.array(centres_a)[:, None] - np.array(centres_b)[None], axis=2)
        i, j = np.unravel_index(int(np.argmin(far)), far.shape)
        return faces_a[i], faces_b[j]
    reach = 10.0 * max(first.spacing_mm, second.spacing_mm)
    centres = triangle_centres(first.mesh), triangle_centres(placed(second.mesh, a_from_b))
    near_a = np.flatnonzero(cKDTree(centres[1]).query(centres[0], distance_upper_bound=reach)[0] < reach)
    near_b = np.flatnonzero(cKDTree(centres[0]).query(centres[1], distance_upper_bound=reach)[0] < reach)
    if not len(near_a) or not len(near_b):
        raise NoAnswer("The two fragments do not come close to each other there.",
                       "Bring the broken faces together, or mark them first.")  # fmt: skip
    return _face(project, a, near_a), _face(project, b, near_b)


def _centre(fragment: Fragment, face: FractureFace) -> FloatArray:
    corners = fragment.mesh.vertices[fragment.mesh.triangles[face.triangles]]
    return np.asarray(corners.mean(axis=(0, 1)))


def _by_hand(reason: str) -> Evidence:
    return Evidence(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, reason)


def _with_state(project: Project, joint: int, state: str) -> Project:
    return changed(project, joints=_with(project.joints, joint, replace(project.joints[joint], state=state)))


def _checked(project: Project, fragment: int, triangles: npt.ArrayLike) -> IntArray:
    if not 0 <= fragment < len(project.fragments):
        raise WrongUse(f"There is no fragment {fragment}.", "Choose one that is listed.")
    wanted = np.unique(np.asarray(triangles, np.int32))
    count = len(project.fragments[fragment].mesh.triangles)
    if len(wanted) and not (0 <= wanted[0] and wanted[-1] < count):
        raise WrongUse("There is no such triangle on this fragment.", f"Triangles count from 0 to {count - 1}.")
    return wanted


def _face(project: Project, fragment: int, triangles: npt.ArrayLike) -> FractureFace:
    chosen = np.asarray(triangles, np.int32)
    return FractureFace(fragment, chosen, area_of(project, fragment, chosen), 1.0, "person")


def _with(items: tuple, index: int, item: object) -> tuple:  # type: ignore[type-arg]
    return (*items[:index], item, *items[index + 1 :])


def _without(items: tuple, index: int) -> tuple:  # type: ignore[type-arg]
    return items[:index] + items[index + 1 :]


__all__ = [
    "Surface", "add_triangles", "area_of", "choose_face", "clear_face", "free_joint", "from_marks", "grow_face_to_rim",
    "join_as_placed", "join_by_hand", "join_by_marks", "pin_joint", "place_by_hand", "reject_joint",
    "remove_fragment", "remove_triangles", "rename", "state_unit", "surface_of",
]  # fmt: skip
