"""The fit with a mating size or a mating part: clearance or interference, as a number and point by point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.contact import signed_distances
from rejoin.core.dimensions.agreement import conformance
from rejoin.core.dimensions.tables import grade_width_mm
from rejoin.core.errors import NoAnswer, WrongUse
from rejoin.core.meshes import adjacency, edge_spacing, vertex_normals
from rejoin.core.noise import surface_noise
from rejoin.core.records import FloatArray, Mesh, Project, Scan

FACING = 0.5
"""Cosine to straight at each other beyond which two surfaces face each other."""
DEEP = 0.7
"""Share of the reach from which an overlap looks like a scan that is out of position."""
FAR = 5.0
"""How far apart, in spacings, two surfaces may be and still belong to a fit, where nothing else is said."""


@dataclass(frozen=True, eq=False)
class Fit:
    """Bore minus shaft, mm: + clearance, - interference, with U (k = 2).

    ``state`` is "clearance", "interference" or "either", where the uncertainty leaves it open; ``verdict`` is
    against the limits.
    """

    clearance_mm: float
    u95_mm: float
    state: str
    verdict: str
    sentence: str


def fit_of(
    bore_mm: float,
    bore_u95_mm: float,
    shaft_mm: float,
    shaft_u95_mm: float,
    low: float | None = None,
    high: float | None = None,
) -> Fit:
    """The fit of a bore with a shaft.

    Parameters
    ----------
    bore_mm, shaft_mm : float
        Of a bore the largest inscribed size counts, of a shaft the smallest circumscribed (ISO 14405-1).
    bore_u95_mm, shaft_u95_mm : float
    low, high : float, optional
        Limits of the clearance, negative for interference.

    Returns
    -------
    Fit
    """
    clearance, u95 = bore_mm - shaft_mm, float(np.hypot(bore_u95_mm, shaft_u95_mm))
    state = "either" if abs(clearance) <= u95 else "clearance" if clearance > 0 else "interference"
    verdict = conformance(clearance, u95, low, high)
    word = {"either": "Clearance or interference, the measurement cannot tell"}.get(state, state.capitalize())
    text = f"{word}: {abs(clearance):.3f} +- {u95:.3f} mm."
    if state == "either":
        text = f"{word}: {clearance:+.3f} +- {u95:.3f} mm."
    if verdict != "no limits":
        text += f" Against the limits: {verdict}."
    return Fit(clearance, u95, state, verdict, text)


def limits_of_grade(nominal_mm: float, grade: int, offset_mm: float, above: bool = True) -> tuple[float, float]:
    """Limits of a size from an ISO 286-1 grade and a fundamental deviation that is typed in.

    Parameters
    ----------
    nominal_mm : float
    grade : int
        1 to 18.
    offset_mm : float
        The deviation nearest to the nominal size; no table of these is here.
    above : bool
        Whether the tolerance lies above that deviation (bores A to H) or below it (shafts a to h).

    Returns
    -------
    low, high : float
    """
    width = grade_width_mm(grade, nominal_mm)
    if above:
        return nominal_mm + offset_mm, nominal_mm + offset_mm + width
    return nominal_mm + offset_mm - width, nominal_mm + offset_mm


@dataclass(frozen=True, eq=False)
class FitMap:
    """Clearance (n,) at the vertices of the part that face the mating part: + open, - overlapping; NaN elsewhere.

    ``tightest_mm`` (5 %), ``median_mm`` and ``loosest_mm`` (95 %) are of what faces each other; ``u95_mm`` bounds each
    of them (95 %), None where nothing is known of the scans.
    """

    clearance_mm: FloatArray
    tightest_mm: float
    median_mm: float
    loosest_mm: float
    overlap_max_mm: float
    reach_mm: float
    u95_mm: float | None
    sentence: str


@dataclass(frozen=True, eq=False)
class Mate:
    """A mating part in position: its name and surface, the noise of its scan, how far its views may be out of place."""

    name: str
    mesh: Mesh
    noise_mm: float
    views_u95_mm: float


def mate_of(name: str, scan: Scan) -> Mate:
    """A scan as a mating part."""
    noise = surface_noise(scan.mesh, adjacency(scan.mesh), edge_spacing(scan.mesh))
    return Mate(name, scan.mesh, noise, scan.views_u95_mm)


def own_mating(project: Project) -> Mate | None:
    """The first scan in the project whose role is that of a mating part; None without one.

    It counts as in position: its own frame is taken for the part's.
    """
    for number, scan in enumerate(project.scans):
        if scan.role == "mating":
            if number < len(project.fragments):
                cleaned = project.fragments[number]
                return Mate(scan.name, cleaned.mesh, cleaned.noise_mm, scan.views_u95_mm)
            return mate_of(scan.name, scan)
    return None


def fit_with(project: Project, mate: Mate, reach_mm: float | None = None) -> FitMap:
    """Clearance between a project's whole and a mating part in position, with its bound.

    Parameters
    ----------
    project : Project
        With a whole.
    mate : Mate
    reach_mm : float, optional
        As of `fit_map`.

    Returns
    -------
    FitMap
        The bound holds the noise of both scans at one point, how far the pieces may be out of place and the views of a
        merged scan; not the place of the mating part, which is taken as it was given.
    """
    if project.whole is None:
        raise NoAnswer("There is no whole to fit a mating part to.", "Fuse the fragments first.")
    pieces = [number for number, one in enumerate(project.fragments) if one.scan.role == "fragment"]
    placed = [project.placements[number] for number in pieces if number < len(project.placements)]
    own = [project.fragments[number] for number in pieces]
    noise = 1.96 * float(np.hypot(max((one.noise_mm for one in own), default=0.0), mate.noise_mm))
    views = float(np.hypot(max((one.scan.views_u95_mm for one in own), default=0.0), mate.views_u95_mm))
    stands = [one for one in placed if one.part_from_scan is not None]
    loose = max((one.u95_mm for one in stands if one.u95_mm is not None), default=0.0)
    return fit_map(project.whole.mesh, mate.mesh, reach_mm, float(np.linalg.norm([noise, views, loose])))


def fit_map(part: Mesh, mating: Mesh, reach_mm: float | None = None, u95_mm: float | None = None) -> FitMap:
    """Clearance between a part and a mating part's scan in position, both in one frame.

    Parameters
    ----------
    part, mating : Mesh
    reach_mm : float, optional
        Surfaces farther apart than this do not belong to the fit; `FAR` spacings of the coarser mesh by default.
    u95_mm : float, optional
        How far each clearance may be off (95 %).

    Raises
    ------
    WrongUse
        A reach of nothing.
    NoAnswer
        Where the two do not come within reach.
    """
    reach_mm = FAR * max(edge_spacing(part), edge_spacing(mating)) if reach_mm is None else reach_mm
    if reach_mm <= 0:
        raise WrongUse("The reach must be above zero.", "Give the largest clearance that is looked at.")
    low, high = mating.vertices.min(axis=0) - reach_mm, mating.vertices.max(axis=0) + reach_mm
    inside = ((part.vertices >= low) & (part.vertices <= high)).all(axis=1)
    clearance = np.full(len(part.vertices), np.nan)
    near = np.flatnonzero(inside)
    if len(near):
        found = signed_distances(part.vertices[near], mating)
        good = (np.abs(found.signed) <= reach_mm) & ~found.on_border & _facing(part, mating, near)
        clearance[near[good]] = found.signed[good]
    met = clearance[np.isfinite(clearance)]
    if not len(met):
        raise NoAnswer("The mating part comes nowhere near this part.",
                       "Bring its scan into position first, or give a larger reach.")  # fmt: skip
    tight, median, loose = (float(value) for value in np.percentile(met, [5, 50, 95]))
    overlap = float(max(0.0, -met.min()))
    return FitMap(clearance, tight, median, loose, overlap, reach_mm, u95_mm,
                  _words(tight, median, loose, overlap, reach_mm) + _unsure(tight, loose, u95_mm))  # fmt: skip


def _facing(part: Mesh, mating: Mesh, which: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Which of the part's vertices (k,) face the mating part: beside the mouth of a bore a pin is near too."""
    nearest = cKDTree(mating.vertices).query(part.vertices[which], workers=2)[1]
    alike = np.einsum("ij,ij->i", vertex_normals(part)[which], vertex_normals(mating)[nearest])
    return np.asarray(alike < -FACING)


def _words(tight: float, median: float, loose: float, overlap: float, reach: float) -> str:
    def told(value: float) -> str:
        return f"{abs(value):.3f} mm {'overlap' if value < 0 else 'clearance'}"

    if tight >= 0.0:
        text = f"Clearance {tight:.3f} to {loose:.3f} mm (median {median:.3f} mm)"
    elif loose < 0.0:
        text = f"They overlap by {-loose:.3f} to {-tight:.3f} mm (median {-median:.3f} mm)"
    else:
        text = f"From {told(tight)} to {told(loose)} (median {told(median)})"
    deepest = f"; at its deepest point the overlap is {overlap:.3f} mm" if overlap > 0.0 else ""
    placed = " They reach far into each other: is the mating part's scan in position?" if overlap > DEEP * reach else ""
    return f"{text}, for 90 % of the surfaces that face each other{deepest}.{placed}"


def _unsure(tight: float, loose: float, u95_mm: float | None) -> str:
    if u95_mm is None:
        return ""
    text = f" Each number +- {u95_mm:.3f} mm (95 %), if the mating part's scan is in position."
    if tight - u95_mm < 0.0 < tight:
        text += " So the scans cannot tell whether the tightest places clear or overlap."
    elif tight < 0.0 < tight + u95_mm:
        text += " So the scans cannot tell whether there is an overlap at all."
    return text
