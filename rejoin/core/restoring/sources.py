"""Where a lost piece may come from: a copy of the part, mirrored or turned, or a reference scan laid on the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rejoin.core.contact import signed_distances
from rejoin.core.errors import NoAnswer
from rejoin.core.merging.close import Close, closer, fine_of
from rejoin.core.merging.coarse import common_step, rough_poses, seen_of
from rejoin.core.meshes import edge_spacing, mirrored, placed
from rejoin.core.records import FloatArray, Fragment, Mesh, Scan
from rejoin.core.settings import Report, part_of, silent
from rejoin.core.transforms import displacement

BoolArray = npt.NDArray[np.bool_]

KINDS = ("mirror", "turn", "reference")
ALIKE = 5e-4
"""By how much of their size two halves of a casting, or two castings, commonly differ and still count as the same."""
CLASHING = 0.15
"""Share of the copy that may stand off the whole where both have a surface."""
LEAST_SHARE = 0.3
"""Share of the copy's surface that must lie on the whole's own."""
DEEP = 3.0
"""Spacings inside the other at which a surface surely lies in its material."""
ASKED = 4000
"""Vertices of either that are asked."""
LEAST_GAIN = 0.002
"""Share of the whole's surface that a source must reach beyond."""
LEAST_MOVE = 0.1
"""A turn moves some place by at least this share of the size."""
CONTRADICTS = 0.25
"""Share of what a source reaches beyond the break: with more of the whole's own surface within it, it is doubtful."""
CONTRADICTING = "elsewhere it contradicts the part"
KEPT, TRIED, MOST = 30, 12, 4


@dataclass(frozen=True, eq=False)
class Source:
    """A copy that lies on the whole.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    mesh : Mesh
        The copy, placed: in the part's frame (mm).
    misfit_mm : float
        How far copy and whole lie from each other where both have a surface (standard deviation, robust).
    share : float
        Share of the copy's surface that does.
    beyond, against : float
        Share of the whole's surface that lies within the copy's material: of the break, where it is known, and of
        the rest. With an unknown break all counts as against.
    point_mm, direction : (3,)
        A point of the mirror plane and its normal; of the axis and its direction; zeros for a reference.
    angle_deg : float
        Of a turn, else 0.
    """

    kind: str
    mesh: Mesh
    misfit_mm: float
    share: float
    beyond: float
    against: float
    point_mm: FloatArray
    direction: FloatArray
    angle_deg: float

    @property
    def worth(self) -> float:
        """What it covers of the break, less twice what it contradicts: its own break stands against it in any case."""
        return self.beyond - 2.0 * max(self.against - self.beyond, 0.0)

    @property
    def doubtful(self) -> bool:
        """Whether it has material where the part's own surface is, beside the break; only where the break is known."""
        return self.beyond > 0.0 and self.against > (1.0 + CONTRADICTS) * self.beyond

    @property
    def sentence(self) -> str:
        """What it is and how well it fits."""
        what = {
            "mirror": "the part's own mirror image",
            "turn": f"the part itself, turned by {self.angle_deg:.1f} degrees",
            "reference": "the reference scan",
        }[self.kind]
        doubt = f"; {CONTRADICTING}" if self.doubtful else ""
        return f"{what}: lies on {100 * self.share:.0f} % of the surface to {self.misfit_mm:.3f} mm{doubt}"


def sources_of(
    whole: Mesh,
    noise_mm: float,
    kind: str,
    reference: Mesh | None = None,
    broken: BoolArray | None = None,
    report: Report = silent,
) -> tuple[Source, ...]:
    """The copies of one kind that lie on the whole, best first.

    Parameters
    ----------
    whole : Mesh
        Closed, with the break where the piece is lost; part frame, mm.
    noise_mm : float
        Of its scans.
    kind : str
        One of `KINDS`.
    reference : Mesh, optional
        A sister part or, already mirrored, the opposite hand; for "reference".
    broken : (n,) bool, optional
        Vertices of the whole on fracture faces that nothing was joined to.
    report : Report, optional

    Returns
    -------
    tuple of Source

    Raises
    ------
    NoAnswer
        Where nothing lies on the whole.
    """
    copy = _copy(whole, kind, reference)
    spacing = max(edge_spacing(whole), edge_spacing(copy))
    size = float(np.linalg.norm(np.ptp(whole.vertices, axis=0)))
    noise = max(noise_mm, ALIKE * size)
    step = common_step([whole, copy], spacing)
    least_move = LEAST_MOVE * size if kind == "turn" else 0.0
    rough = rough_poses(
        seen_of(whole, spacing, step), seen_of(copy, spacing, step), part_of(report, 0.0, 0.7), KEPT, least_move
    )
    first, second = (fine_of(as_fragment(mesh, spacing, noise)) for mesh in (whole, copy))
    found: list[Close] = []
    corners = copy.vertices[:: max(1, len(copy.vertices) // 200)]
    for number, one in enumerate(rough):
        report(0.7 + 0.1 * number / len(rough), "Laying the copy on the part")
        if kind == "turn" and displacement(one.a_from_b, np.eye(4), corners).max() < least_move:
            continue
        close = closer(first, second, one.a_from_b, 1.5 * step)
        new = all(displacement(close.a_from_b, other.a_from_b, corners).max() > step for other in found)
        if new and close.share >= LEAST_SHARE and close.clash_share <= CLASHING:
            found.append(close)
    if not found:
        raise NoAnswer(*_nothing(kind))
    found.sort(key=lambda close: -close.share * (1.0 - close.clash_share) * close.held)
    sources = []
    for number, close in enumerate(found[:TRIED]):
        report(0.8 + 0.2 * number / TRIED, "Looking what the copies have beyond the break")
        lying = placed(copy, close.a_from_b)
        beyond, against = _reached(whole, lying, spacing, broken)
        if beyond + against >= LEAST_GAIN:
            sources.append(_source(kind, lying, close, whole, beyond, against))
    if not sources:
        raise NoAnswer(f"{_nothing(kind)[0][:-1]} where a piece is lost.", _nothing(kind)[1])
    sources.sort(key=lambda one: -one.worth)
    return tuple(sources[:MOST])


def _reached(whole: Mesh, copy: Mesh, spacing_mm: float, broken: BoolArray | None) -> tuple[float, float]:
    """Shares of the surface within the other's material: of the whole on its break; of both elsewhere."""
    some = np.arange(0, len(whole.vertices), max(1, len(whole.vertices) // ASKED))
    deep = signed_distances(whole.vertices[some], copy).signed < -DEEP * spacing_mm
    others = copy.vertices[:: max(1, len(copy.vertices) // ASKED)]
    within = float(np.mean(signed_distances(others, whole).signed < -DEEP * spacing_mm))
    if broken is None:
        return 0.0, float(np.mean(deep)) + within
    return float(np.mean(deep & broken[some])), float(np.mean(deep & ~broken[some])) + within


def _copy(whole: Mesh, kind: str, reference: Mesh | None) -> Mesh:
    if kind == "reference":
        if reference is None:
            raise NoAnswer("There is no reference scan.", "Add the scan of a sister part, or take a mirror or a turn.")
        return reference
    return mirrored(whole) if kind == "mirror" else whole


def as_fragment(mesh: Mesh, spacing_mm: float, noise_mm: float) -> Fragment:
    """A closed mesh as if it were the scan of one piece."""
    scan = Scan("part", (), mesh, "mm", True, False, ())
    return Fragment(scan, mesh, spacing_mm, noise_mm, (), 0, True, ())


def _nothing(kind: str) -> tuple[str, str]:
    return {
        "mirror": ("The part does not look like its own mirror image.",
                   "Try a turn, or the scan of a sister part."),
        "turn": ("The part does not repeat about an axis.", "Try the mirror image, or the scan of a sister part."),
        "reference": ("The reference scan does not lie on this part.",
                      "Look whether it is the same part, in the same unit, and of the same hand."),
    }[kind]  # fmt: skip


def _source(kind: str, lying: Mesh, close: Close, whole: Mesh, beyond: float, against: float) -> Source:
    pose, zero = close.a_from_b, np.zeros(3)
    point, direction, angle = zero, zero, 0.0
    if kind == "mirror":
        turn = pose[:3, :3] @ np.diag([-1.0, 1.0, 1.0])
        direction = _own_direction(turn, -1.0)
        middle = whole.vertices.mean(axis=0)
        point = 0.5 * (middle + turn @ middle + pose[:3, 3])
    elif kind == "turn":
        turn = pose[:3, :3]
        direction = _own_direction(turn, 1.0)
        angle = float(np.degrees(np.arccos(np.clip(0.5 * (np.trace(turn) - 1.0), -1.0, 1.0))))
        point = np.asarray(np.linalg.lstsq(np.eye(3) - turn, pose[:3, 3], rcond=1e-6)[0])
    return Source(kind, lying, close.misfit_mm, close.share, beyond, against, point, direction, angle)


def _own_direction(turn: FloatArray, value: float) -> FloatArray:
    """The direction (3,) that a turn or mirroring keeps (1) or turns round (-1)."""
    values, vectors = np.linalg.eig(turn)
    vector = np.real(vectors[:, int(np.argmin(np.abs(values - value)))])
    return np.asarray(vector / np.linalg.norm(vector))
