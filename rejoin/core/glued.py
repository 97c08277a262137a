"""A part that was glued or mended before it was scanned: split along its seam, and what the glue did to it.

The original surface ran on across the seam before the part broke. Where it now steps, the two sides were glued out of
place; the steps along the seam, least squares over the six motions of the one side against the other, tell how. A
motion that the surfaces run along (a bar pulled off along itself) leaves no step: then a size known from elsewhere is
needed, and without it the motion stays unknown and is said to be so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag
from scipy.spatial import cKDTree
from scipy.special import chdtri

from rejoin.core import meshes
from rejoin.core.contact import rows
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.records import FloatArray, Fragment, IntArray, Mesh
from rejoin.core.robust import sigma_of, tukey
from rejoin.core.stretches import covariance_of, stretches_of, usual_misfit
from rejoin.core.transforms import apply, from_vector

BAND = 1.2
"""Spacings on either side of the seam that belong to neither side: glue, and what squeezed out."""
CLEAR, MOST_CLEAR = 2.0, 4.0
"""Sigmas by which the seam may wander between its marks within which points may belong to either side and are not
asked, up to so many spacings."""
FIRM = 8.0
"""A motion is known where it is sure (1 sigma, at the part's end) to so many noises."""
FEWEST = 7
"""Stretches of the seam that must tell of a step."""

KnownAcross = tuple[FloatArray, FloatArray, float, float]
"""Two points (3,), one on each side, and their distance before the part broke, with its limit, mm."""


@dataclass(frozen=True, eq=False)
class Split:
    """Triangles (k,) of the two sides, the seam's middle and unit normal (3,) from side a to b, and each vertex's
    height (n,) over the seam, which may wander so far off it between the marks (1 sigma)."""

    side_a: IntArray
    side_b: IntArray
    middle_mm: FloatArray
    normal: FloatArray
    height_mm: FloatArray
    wander_mm: float = 0.0


@dataclass(frozen=True, eq=False)
class GlueLine:
    """What the glue did: how side b must move to lie as it did before the break.

    ``closing`` (4, 4) moves b. Thickness (+: b comes nearer), step along the seam and tilt come with their U (95 %),
    None where nothing tells them; ``unknown`` says so in sentences.
    """

    closing: FloatArray
    thickness_mm: float | None
    thickness_u95_mm: float | None
    step_mm: float | None
    step_u95_mm: float | None
    tilt_deg: float | None
    tilt_u95_deg: float | None
    stretches: int
    unknown: tuple[str, ...]
    sentence: str


def split_along(fragment: Fragment, marks_mm: npt.ArrayLike, band_mm: float | None = None) -> Split:
    """Split a scan along a seam that was marked.

    Parameters
    ----------
    fragment : Fragment
    marks_mm : (k, 3)
        Three or more points on the seam, around the part.
    band_mm : float, optional
        Half the width of the strip that is left out; `BAND` spacings by default.

    Raises
    ------
    WrongUse
        Fewer than three marks, marks on one line, or off the surface.
    NoAnswer
        Where the part does not fall in two along them.
    """
    marks = np.asarray(marks_mm, float)
    if marks.ndim != 2 or marks.shape[1:] != (3,) or len(marks) < 3:
        raise WrongUse("A seam needs three marks or more.", "Mark it all around the part.")
    mesh, spacing = fragment.mesh, fragment.spacing_mm
    if cKDTree(mesh.vertices).query(marks)[0].max() > 5.0 * spacing:
        raise WrongUse("A mark does not lie on the scan.", "Mark the seam on the surface.")
    middle = marks.mean(axis=0)
    values, axes = np.linalg.eigh((marks - middle).T @ (marks - middle))
    if values[1] < (3.0 * spacing) ** 2:
        raise WrongUse("The marks lie on one line.", "Mark the seam all around the part.")
    normal = axes[:, 0]
    band = BAND * spacing if band_mm is None else band_mm
    # A seam is seldom quite flat: its height over the plane is taken from the nearest marks.
    height = (mesh.vertices - middle) @ normal - _over((marks - middle) @ axes, (mesh.vertices - middle) @ axes)
    reach = 1.3 * float(np.linalg.norm(marks - middle, axis=1).max())
    strip = (np.abs(height) < band) & (np.linalg.norm(mesh.vertices - middle, axis=1) < reach)
    keep = np.flatnonzero(~strip[mesh.triangles].any(axis=1)).astype(np.int32)
    rest, kept = meshes.compacted(mesh, keep)
    labels = meshes.components(rest)[1][rest.triangles[:, 0]]
    areas = np.bincount(labels, meshes.triangle_areas(rest))
    large = np.argsort(-areas, kind="stable")[:2]
    if len(large) < 2 or areas[large[1]] < 0.01 * areas.sum():
        raise NoAnswer("The part does not fall in two along this seam.",
                       "Mark it closer together, all the way round.")  # fmt: skip
    means = [float(np.mean(height[kept][rest.triangles[labels == piece]])) for piece in large]
    below, above = large if means[0] < means[1] else large[::-1]
    return Split(keep[labels == below], keep[labels == above], middle, np.asarray(normal, float), height,
                 _wander((marks - middle) @ axes))  # fmt: skip


def _over(marks: FloatArray, places: FloatArray, others: int = 0) -> FloatArray:
    """Heights (n,) of the seam at places, from the nearest marks but ``others``; rows are height, two along."""
    distance, near = cKDTree(marks[:, 1:]).query(places[:, 1:], k=min(3 + others, len(marks)))
    distance, near = distance[:, others:], near[:, others:]
    weight = 1.0 / np.maximum(distance, 1e-6) ** 2
    return np.asarray((weight * marks[near, 0]).sum(axis=1) / weight.sum(axis=1))


def _wander(marks: FloatArray) -> float:
    """How far the seam may lie off what the nearest marks tell: as far as each mark does off its neighbours."""
    away = marks[:, 0] - _over(marks, marks, 1)
    return float(np.sqrt(np.mean(away**2))) if len(marks) > 4 else 0.0


def glue_line(fragment: Fragment, split: Split, known: KnownAcross | None = None) -> GlueLine:
    """What the glue did, from the original surfaces on both sides and a known size.

    Parameters
    ----------
    fragment : Fragment
    split : Split
    known : (point, point, value mm, limit mm), optional
        A size across the seam that the part had before it broke, from either side to the other.

    Raises
    ------
    NoAnswer
        Where the surfaces do not run on across the seam and no size is known.
    """
    mesh = fragment.mesh
    clear = min(CLEAR * split.wander_mm, MOST_CLEAR * fragment.spacing_mm)
    a, b = (np.unique(mesh.triangles[side]) for side in (split.side_a, split.side_b))
    sides = a[np.abs(split.height_mm[a]) > clear], b[np.abs(split.height_mm[b]) > clear]
    found = stretches_of(fragment, sides, split.height_mm, split.normal, split.middle_mm, clear)
    if len(found) < FEWEST and known is None:
        raise NoAnswer("The original surfaces do not run on across this seam.",
                       "Give a size across it that is known from elsewhere.")  # fmt: skip
    jacobian = np.concatenate([one.rows for one in found]) if found else np.empty((0, 6))
    told = np.concatenate([one.told for one in found]) if found else np.empty(0)
    scatter = covariance_of(fragment, found) if found else np.empty((0, 0))
    if known is not None:
        first, second, value, limit = known
        if float(split.normal @ (np.asarray(second, float) - np.asarray(first, float))) < 0:
            first, second = second, first  # it is b that moves
        along = np.asarray(second, float) - np.asarray(first, float)
        length = float(np.linalg.norm(along))
        row = rows(np.asarray(second, float)[None], (along / length)[None], split.middle_mm)[:, :6]
        jacobian, told = np.vstack([jacobian, row]), np.append(told, value - length)
        scatter = block_diag(scatter, [[max(limit / 1.96, 1e-6) ** 2]])
    size = 0.5 * float(np.linalg.norm(np.ptp(mesh.vertices, axis=0)))
    on = mesh.vertices[np.concatenate([one.vertices for one in found])] if found else mesh.vertices
    rim = float(np.median(np.linalg.norm(on - split.middle_mm, axis=1)))
    motion, covariance, loose = _solved(size, usual_misfit(fragment, found), jacobian, told, scatter, rim)
    line = _worded(split, motion, covariance, loose, len(found))
    if clear < BAND * fragment.spacing_mm:
        return line
    return replace(line, sentence=f"{line.sentence} The marks stray {split.wander_mm:.2f} mm off the line of their "
                   "neighbours, and so near the seam nothing was asked: marks closer together, and right on it, narrow "
                   "the bounds.")  # fmt: skip


def _solved(
    size_mm: float, noise_mm: float, jacobian: FloatArray, told: FloatArray, scatter: FloatArray,
    rim_mm: float | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:  # fmt: skip
    """Least squares over the motions of b that something holds; ``scatter`` is the covariance of ``told``.

    Returns b's motion (6,), its covariance, and what nothing holds (6, k). As far as the motions held have moved,
    those may have moved too (95 %): at the seam's rim, of the radius ``rim_mm``, where glue is as thick as it is.
    """
    scale = np.array([1.0 / size_mm] * 3 + [1.0] * 3)
    design = jacobian * scale
    weights = 1.0 / np.maximum(np.diag(scatter), 1e-18)
    robust, spread = weights, 1.0
    for _ in range(6):
        values, vectors = np.linalg.eigh(design.T @ (robust[:, None] * design))
        pull = (vectors / np.maximum(values, 1e-12 * values[-1])).T @ (design.T * robust)
        sure = np.sqrt(np.einsum("ki,ij,kj->k", pull, scatter, pull)) < FIRM * noise_mm / spread
        firm = sure & (values > (spread / (FIRM * noise_mm)) ** 2)
        if not firm.any():
            firm = values >= values[-1]
        solve = vectors[:, firm] @ pull[firm]
        answer = solve @ told
        left = (told - design @ answer) * np.sqrt(weights)
        spread = max(sigma_of(left), 1.0)
        robust = weights * tukey(left, 5.0 * spread)
    loose = vectors[:, ~firm]
    lever = np.array([size_mm / (rim_mm or size_mm)] * 3 + [1.0] * 3)
    freely = loose @ (loose.T * lever)
    open_ = float(answer @ answer) / 1.96**2 * freely @ freely.T
    covariance = spread**2 * solve @ scatter @ solve.T + open_
    return scale * answer, scale[:, None] * covariance * scale, loose


def _worded(
    split: Split, motion: FloatArray, covariance: FloatArray, loose: FloatArray, stretches: int
) -> GlueLine:
    normal = split.normal
    sideways = np.linalg.svd(normal[None])[2][1:]

    def figure(part: slice, ways: FloatArray) -> tuple[float, float] | None:
        """Size of a part of the motion along directions (k, 3) and its U; None where it is not held.

        A size found in a plane errs by up to 2.45 sigma (95 %), not 1.96: JCGM 102:2011, 6.5.
        """
        if len(loose.T) and np.abs(ways @ loose[part]).max() > 0.3:
            return None
        value = ways @ motion[part]
        spread = ways @ covariance[part, part] @ ways.T
        cover = np.sqrt(chdtri(len(ways), 0.05))
        return float(np.linalg.norm(value)), float(cover * np.sqrt(np.linalg.eigvalsh(spread)[-1]))

    shift, turn = slice(3, 6), slice(0, 3)
    thick, step, tilt = figure(shift, normal[None]), figure(shift, sideways), figure(turn, sideways)
    unknown = []
    if thick is None:
        unknown.append("The thickness of the glue: the surfaces run along the pull. Give a size across the seam.")
    if step is None:
        unknown.append("How far the sides slid along the seam.")
    if tilt is None:
        unknown.append("How far the sides are tilted.")
    if len(loose.T) and np.abs(normal @ loose[turn]).max() > 0.3:
        unknown.append("How far the sides are turned about the pull.")
    thickness = None if thick is None else -float(normal @ motion[shift])
    words = []
    if thickness is not None and thick is not None:
        words.append(f"glue {thickness:.2f} +- {thick[1]:.2f} mm thick")
    if step is not None:
        words.append(f"step {step[0]:.2f} +- {step[1]:.2f} mm")
    if tilt is not None:
        words.append(f"tilt {np.rad2deg(tilt[0]):.2f} +- {np.rad2deg(tilt[1]):.2f} degrees")
    sentence = f"{', '.join(words) or 'nothing could be told'} ({stretches} places along the seam)."
    return GlueLine(
        from_vector(motion, split.middle_mm), thickness, None if thick is None else thick[1],
        None if step is None else step[0], None if step is None else step[1],
        None if tilt is None else float(np.rad2deg(tilt[0])), None if tilt is None else float(np.rad2deg(tilt[1])),
        stretches, tuple(unknown), sentence[:1].upper() + sentence[1:],
    )  # fmt: skip


def closed_up(fragment: Fragment, split: Split, line: GlueLine) -> tuple[Mesh, Mesh]:
    """The two sides, b moved to where it belongs."""
    a, _ = meshes.compacted(fragment.mesh, split.side_a)
    b, _ = meshes.compacted(fragment.mesh, split.side_b)
    return a, Mesh(apply(line.closing, b.vertices), b.triangles)
