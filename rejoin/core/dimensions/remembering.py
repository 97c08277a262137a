"""What was measured already, kept while its inputs live: an edit then measures only what it changed.

Nothing here is part of a project: whatever is forgotten is measured again, with the same answer.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from itertools import count
from weakref import WeakKeyDictionary

from rejoin.core.dimensions.growing import Ground, ground_of
from rejoin.core.dimensions.sizes import Size
from rejoin.core.records import Fragment, Mesh, Placement, Reading, Record

MOST_VERTICES = 3_000_000
"""Vertices of all meshes that stay ready for picking; one takes some 200 bytes."""

MOST_SIZES = 2000

_numbers = count()
_serials: WeakKeyDictionary[Record, int] = WeakKeyDictionary()
_grounds: WeakKeyDictionary[Mesh, Ground] = WeakKeyDictionary()
_sizes: dict[Hashable, Size | str] = {}


@dataclass(frozen=True, eq=False)
class Bench:
    """What is there to be measured: fragments with their placements, the whole, or the whole alone."""

    fragments: tuple[Fragment, ...]
    placements: tuple[Placement, ...]
    whole: Mesh | None
    noise_mm: float = 0.0


def ready_ground(mesh: Mesh) -> Ground:
    """The mesh prepared for picking; the one prepared before, as long as it is kept.

    Parameters
    ----------
    mesh : Mesh
        mm, any frame.

    Returns
    -------
    Ground
        Of a record of its own that shares the arrays, so that the mesh can go.
    """
    ground = _grounds.pop(mesh, None)
    if ground is None:
        ground = ground_of(Mesh(mesh.vertices, mesh.triangles))
    _grounds[mesh] = ground
    held = list(_grounds.items())
    total = sum(len(one.mesh.vertices) for _, one in held)
    for oldest, one in held[:-1]:
        if total <= MOST_VERTICES:
            break
        total -= len(one.mesh.vertices)
        del _grounds[oldest]
    return ground


def size_once(reading: Reading, bench: Bench, reach: float, measured: Callable[[], Size | str]) -> Size | str:
    """The size of a reading, measured unless it was with these inputs.

    Parameters
    ----------
    reading : Reading
        Only its kind, picks and what they lie on count: the figures typed beside it change no size.
    bench : Bench
    reach : float
        How far from the surface a pick may lie, in spacings.
    measured : callable
        Measures it: a size, or in words why there is none.

    Returns
    -------
    Size or str
    """
    key = _inputs(reading, bench, reach)
    found = _sizes.pop(key, None)
    _sizes[key] = measured() if found is None else found
    while len(_sizes) > MOST_SIZES:
        del _sizes[next(iter(_sizes))]
    return _sizes[key]


def forget() -> None:
    """Forget all of it."""
    _grounds.clear()
    _sizes.clear()


def _inputs(reading: Reading, bench: Bench, reach: float) -> Hashable:
    """All that a size follows from; records, which never change, stand by their serial numbers."""
    fragments, placements = bench.fragments, bench.placements
    across, on_whole = len(set(reading.on)) > 1, any(on < 0 for on in reading.on)
    # A pick on the whole moves with the fragment beneath it: any of them may be that.
    used = range(len(fragments)) if on_whole else sorted(set(reading.on))
    parts = tuple(
        (_of_fragment(fragments, n), _of_placement(placements, n) if across or on_whole else None) for n in used
    )
    own = (None if bench.whole is None else _serial(bench.whole), bench.noise_mm) if on_whole else None
    return reading.kind, reading.picks_mm.shape, reading.picks_mm.tobytes(), reading.on, reach, own, parts


def _of_fragment(fragments: Sequence[Fragment], number: int) -> Hashable:
    if not 0 <= number < len(fragments):
        return None
    one = fragments[number]
    return _serial(one.mesh), one.noise_mm, one.scan.name


def _of_placement(placements: Sequence[Placement], number: int) -> int | None:
    return _serial(placements[number]) if 0 <= number < len(placements) else None


def _serial(record: Record) -> int:
    """A number that no other record of this process has or had."""
    if record not in _serials:
        _serials[record] = next(_numbers)
    return _serials[record]
