"""The healing surface: along the crack, continuing the original surfaces of all fragments at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from rejoin.core.fusing.contour import contour, pack, unpack
from rejoin.core.fusing.ring import Height
from rejoin.core.libraries.winding import WindingField
from rejoin.core.meshes import sorted_unique
from rejoin.core.records import FloatArray, Mesh

STEPS = 1.2, 1.0
"""Grid step, in spacings: the first, and where the crack cannot be closed with that."""
MOST_ROUNDS = 16
"""How often the grid may follow the surface by about a spacing, where the opening is wider than the strip."""
LOWER = 0.2
"""Share of a place's vertices that lie lower than where the level is set: about half of them are fracture."""
MARGIN = 4
"""Grid cells kept free around the field."""
WINDOW = 4.0
"""Grid steps around a grid point within which lie all corners of the cells next to the cells that it is a corner of."""


SLOPE = 4.0
"""Spacings over which the field goes from inside to outside, where the surface is known."""
MOST_POINTS = 1_500_000
"""Grid points at most: a bound on memory and time where placements are wrong or a scan is very noisy."""
CHUNK = 8_000_000


class CannotSew(Exception):
    """The crack cannot be closed by sewing; the reason is for the notes of a developer.

    ``places`` (k, 3) is where, as far as that is known, part frame, mm.
    """

    def __init__(self, reason: str, places: FloatArray | None = None) -> None:
        super().__init__(reason)
        self.places: FloatArray = np.zeros((0, 3)) if places is None else places


@dataclass(frozen=True, eq=False)
class Field:
    """Values at sparse grid points (sorted ``keys``); positive inside the healed part."""

    keys: npt.NDArray[np.int64]
    values: FloatArray
    origin: FloatArray
    step_mm: float

    def points(self) -> FloatArray:
        """Positions (n, 3), mm."""
        return self.origin + self.step_mm * unpack(self.keys)

    def near(self, places: FloatArray) -> Field:
        """The field at the grid points from which the surface in the cells beside these ones (k, 3) is drawn."""
        wanted = ball_keys(places, WINDOW * self.step_mm, self.origin, self.step_mm)
        at = np.minimum(np.searchsorted(self.keys, wanted), len(self.keys) - 1)
        at = at[self.keys[at] == wanted]
        return Field(self.keys[at], self.values[at], self.origin, self.step_mm)

    def surface(self, closed: bool) -> Mesh:
        """Where the field crosses zero; closed at the ends of the grid, or open there."""
        return contour(self.keys, self.values, self.origin, self.step_mm, closed=closed)


def ball_keys(centres: FloatArray, radius_mm: float, origin: FloatArray, step_mm: float) -> npt.NDArray[np.int64]:
    """Sorted keys of the grid points within about ``radius_mm`` of any centre."""
    reach = int(np.ceil(radius_mm / step_mm))
    axis = np.arange(-reach, reach + 1)
    offsets = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    offsets = offsets[(offsets**2).sum(axis=1) * step_mm**2 <= radius_mm**2]
    cells = sorted_unique(pack(np.rint((centres - origin) / step_mm).astype(np.int64)))
    shifts = (offsets[:, 0] << 40) + (offsets[:, 1] << 20) + offsets[:, 2]
    stride, found, total = max(1, CHUNK // len(shifts)), [], 0
    for start in range(0, len(cells), stride):
        found.append(sorted_unique(cells[start : start + stride, None] + shifts[None, :]))
        total += len(found[-1])
        if total > 3 * MOST_POINTS:
            raise CannotSew("the crack needs too large a grid")
    return sorted_unique(np.concatenate(found)) if found else np.zeros(0, np.int64)


class Healing:
    """One field for all fragments, around the strip that was given up along the crack.

    The winding number of the kept triangles bridges the strip; its level is
    set by what the strip's own vertices still show of the original surface.

    Parameters
    ----------
    border : (k, 3) border vertices of the kept surfaces, part frame, mm
    given_up : (r, 3) vertices given up, strip and fracture faces
    winding : WindingField of the kept triangles
    strip_mm, spacing_mm : float
    known : list
        Walls (k, 3) of chips that broke through a wall, and the height (+ outside, mm) over what the surfaces around
        each bound: that is the field there. By the winding number they would stay open.
    """

    def __init__(
        self,
        border: FloatArray,
        given_up: FloatArray,
        winding: WindingField,
        strip_mm: float,
        spacing_mm: float,
        known: Sequence[tuple[FloatArray, Height]] = (),
    ) -> None:
        self._winding = winding
        self._chips = _Chips(given_up, known, SLOPE * spacing_mm)
        self._level = _Level(border, given_up, winding, strip_mm, spacing_mm)
        self._spacing = spacing_mm
        self._along, self._radius = border, strip_mm + 1.2 * spacing_mm
        self.start(STEPS[0])

    def start(self, step: float) -> None:
        """The field along the border, not grown yet, on a grid of some step in spacings."""
        step_mm = step * self._spacing
        origin = self._along.min(axis=0) - self._radius - MOST_ROUNDS * self._spacing - MARGIN * step_mm
        self.field = self._measured(ball_keys(self._along, self._radius, origin, step_mm), origin, step_mm)

    def _measured(self, keys: npt.NDArray[np.int64], origin: FloatArray, step: float) -> Field:
        if len(keys) > MOST_POINTS:
            raise CannotSew("the crack needs too large a grid")
        points = Field(keys, np.zeros(0), origin, step).points()
        values = self._chips(points, self._winding(points) - self._level(points))
        return Field(keys, values, origin, step)

    def grow(self, around: FloatArray) -> FloatArray:
        """Add the grid points near these; the places (k, 3) of those that are new."""
        field = self.field
        wanted = ball_keys(around, 2.0 * self._spacing, field.origin, field.step_mm)
        at = np.minimum(np.searchsorted(field.keys, wanted), len(field.keys) - 1)
        wanted = wanted[field.keys[at] != wanted]
        if len(wanted) == 0:
            return np.zeros((0, 3))
        if len(wanted) + len(field.keys) > MOST_POINTS:
            raise CannotSew("the crack needs too large a grid")
        added = self._measured(wanted, field.origin, field.step_mm)
        keys = np.concatenate([field.keys, added.keys])
        order = np.argsort(keys)
        values = np.concatenate([field.values, added.values])[order]
        self.field = Field(keys[order], values, field.origin, field.step_mm)
        return added.points()


class _Chips:
    """What is known of the surface over chips, near whose walls a place lies."""

    def __init__(self, others: FloatArray, known: Sequence[tuple[FloatArray, Height]], slope_mm: float) -> None:
        self._heights, self._slope = [height for _, height in known], slope_mm
        places = [walls for walls, _ in known] + [others]
        self._chip = np.repeat(np.arange(len(places)), [len(some) for some in places])
        self._tree = cKDTree(np.concatenate(places)) if known else None

    def __call__(self, points: FloatArray, values: FloatArray) -> FloatArray:
        """The values (k,) at points (k, 3), over chips those of the known surface."""
        if self._tree is None or not len(points):
            return values
        result, chip = values.copy(), self._chip[self._tree.query(points, workers=-1)[1]]
        for number, height in enumerate(self._heights):
            over = chip == number
            known = height(points[over])
            if known is not None:
                result[over] = np.clip(-known / self._slope, -0.5, 0.5)
        return result


class _Level:
    """The winding number of the original surface near the strip, place by place.

    Inside the strip the fragments' own outermost vertices show it: their
    lower fifth within about the strip's width. Fracture vertices lie deeper
    and have higher values.
    """

    def __init__(
        self, border: FloatArray, given_up: FloatArray, winding: WindingField, strip_mm: float, spacing_mm: float
    ) -> None:
        nearest = cKDTree(border).query(given_up, distance_upper_bound=strip_mm + spacing_mm, workers=-1)[0]
        samples = given_up[np.isfinite(nearest)]
        values = winding(samples)
        self._tree = cKDTree(samples)
        count = min(24, len(values))
        _, around = self._tree.query(samples, k=count, workers=-1)
        ordered = np.sort(values[np.reshape(around, (len(values), count))], axis=1)
        lower = ordered[:, int(LOWER * count)]
        self._values = np.clip(lower, 0.1, 0.9)

    def __call__(self, points: FloatArray) -> FloatArray:
        count = min(8, len(self._values))
        _, around = self._tree.query(points, k=count, workers=-1)
        return np.asarray(self._values[np.reshape(around, (len(points), count))].mean(axis=1))
