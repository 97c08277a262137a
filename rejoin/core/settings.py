"""One frozen settings record per step; each field says its unit, range and meaning once.

Command-line options and window forms are made from these. A length defaults
to a multiple of the scan's own spacing, so a change of size breaks nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any

from rejoin.core.errors import WrongUse

Report = Callable[[float, str], None]
"""``report(share, sentence)``: share done 0 to 1; may raise `Cancelled`."""


def silent(share: float, sentence: str) -> None:
    """A `Report` that nobody reads."""


def part_of(report: Report, start: float, end: float) -> Report:
    """A `Report` for a sub-task that covers ``start`` to ``end`` of the whole."""
    return lambda share, sentence: report(start + (end - start) * share, sentence)


def setting(
    default: Any,
    meaning: str,
    *,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] = (),
) -> Any:
    """A settings field with its unit, allowed range and one-line meaning."""
    return field(
        default=default,
        metadata={"meaning": meaning, "unit": unit, "low": low, "high": high, "choices": choices},
    )


class Settings:
    """Base of all settings: checks ranges and choices when made."""

    def __post_init__(self) -> None:
        for item in fields(self):  # type: ignore[arg-type]
            value, meta = getattr(self, item.name), item.metadata
            low, high, choices = meta["low"], meta["high"], meta["choices"]
            if value is None:
                continue
            if choices and value not in choices:
                raise WrongUse(f"{item.name} cannot be {value!r}.", f"Choose one of: {', '.join(choices)}.")
            if low is not None and not low <= value <= (high if high is not None else value):
                limits = f"{low} to {high}" if high is not None else f"{low} or more"
                raise WrongUse(f"{item.name} cannot be {value}.", f"Give {limits} {meta['unit']}".strip() + ".")


UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4, "ft": 304.8, "micron": 0.001}
"""Millimetres in one of each unit that a file may be in."""

FIRM_VIEWS = 2.5
"""Spacings that a view of a merged scan may be out of place (95 %) without a word: gaps of three can be sewn, and where
only gentle forms hold a slide the bound is found too narrow by up to 1.4."""


@dataclass(frozen=True)
class ReadSettings(Settings):
    unit: str | None = setting(None, "unit of files that do not say theirs", choices=tuple(UNITS))
    support: str = setting("cut away", "the plate that a fragment lay on, in folders of several scans",
                           choices=("cut away", "keep"))  # fmt: skip


@dataclass(frozen=True)
class CleanSettings(Settings):
    speck_share: float = setting(
        0.02, "loose parts smaller than this share of the largest are removed", unit="of the area", low=0.0, high=0.5
    )
    flip_inside_out: bool = setting(True, "turn an inside-out scan the right way round")
    coat_mm: float = setting(0.0, "thickness of a spray coat, taken off all over", unit="mm", low=0.0, high=1.0)
    most_triangles: float = setting(
        0.0, "triangles of a scan worked on, of a larger one in a coarser copy; 0 is as many as the memory allows",
        unit="million", low=0.0, high=1000.0,
    )  # fmt: skip


@dataclass(frozen=True)
class FaceSettings(Settings):
    smallest_share: float = setting(
        0.001, "smallest face looked for, as a share of the fragment's area", low=0.0, high=0.5
    )


@dataclass(frozen=True)
class MatchSettings(Settings):
    thoroughness: int = setting(2, "1 quick, 2 usual, 3 tries every face against every face", low=1, high=3)


@dataclass(frozen=True)
class AlignSettings(Settings):
    iterations: int = setting(30, "most rounds of the final least squares", low=1, high=200)
    reach: float = setting(3.0, "how far apart two faces may start", unit="spacings", low=0.5, high=50.0)
    missing_layer: bool = setting(True, "allow for material worn off the fracture faces, where the relief shows it")


@dataclass(frozen=True)
class FitSettings(Settings):
    touching: float = setting(3.0, "gap that still counts as touching", unit="noise", low=1.0, high=20.0)


@dataclass(frozen=True)
class FuseSettings(Settings):
    largest_hole_mm: float = setting(
        10.0, "scan holes up to this size across are closed", unit="mm", low=0.0, high=500.0
    )
    chips: str = setting("fill", "what is done where the rim of the break was chipped", choices=("fill", "leave"))
    largest_chip_mm: float = setting(
        15.0, "chips up to this size across are filled", unit="mm", low=0.0, high=500.0
    )
    groove_mm: float = setting(
        0.0, "the crack is kept as a witness groove of this width; 0 closes it flush", unit="mm", low=0.0, high=20.0
    )
    reduce_mm: float = setting(
        0.0, "fewer triangles, nowhere farther than this from the full surface; 0 keeps the scans' own",
        unit="mm", low=0.0, high=10.0,
    )  # fmt: skip


@dataclass(frozen=True)
class RestoreSettings(Settings):
    source: str = setting("mirror", "where the lost piece comes from", choices=("mirror", "turn", "reference"))
    choice: int = setting(1, "which of the ways in which the source lies on the part, 1 the best", low=1, high=4)


@dataclass(frozen=True)
class DimensionSettings(Settings):
    pick_reach: float = setting(
        5.0, "how far from the surface a pick may lie", unit="spacings", low=0.5, high=50.0
    )
    metal: str | None = setting(
        None, "metal of the part, for its weight and for temperature",
        choices=("steel", "iron", "grey iron", "aluminium", "magnesium", "brass", "bronze", "zinc", "lead"),
    )  # fmt: skip
    part_temperature_c: float | None = setting(
        None, "temperature of the part when it was read", unit="degrees C", low=-40.0, high=120.0
    )
    instrument_temperature_c: float | None = setting(
        None, "temperature of the steel instrument when it was read", unit="degrees C", low=-40.0, high=120.0
    )


@dataclass(frozen=True)
class MakeSettings(Settings):
    purpose: str = setting("print", "what is made", choices=("print", "pattern", "machining", "cradle"))
    metal: str | None = setting(None, "metal that is cast; sets the contraction (shrinkage)")
    allowance: str | None = setting(
        None, 'contraction (shrinkage) by own figure: 1.04, or x,y,z: 1.0,1.0,0.8, or "1/8 in/ft"', unit="%"
    )
    convention: str = setting("1+s", "pattern = part x (1+s), or part x 1/(1-s)", choices=("1+s", "1/(1-s)"))
    casting_grade: str | None = setting(
        None, "casting tolerance grade DCTG, ISO 8062-3: how far the casting may vary is told",
        choices=tuple(str(grade) for grade in range(1, 17)),
    )  # fmt: skip
    pattern_metal: str | None = setting(None, "metal of the pattern that is cast from this one: double contraction")
    pattern_allowance: str | None = setting(None, "its contraction by own figure", unit="%")
    print_shrinkage: str | None = setting(None, "what the printed plastic shrinks by: 0.3, or x,y,z", unit="%")
    bar_measured: str | None = setting(None, "lengths x,y,z of the printed test bar, as measured", unit="mm")
    bar_length_mm: float = setting(100.0, "length of the arms of the test bar", unit="mm", low=20.0, high=500.0)
    parting: str | None = setting(None, "parting plane: a point and the pull, x,y,z,nx,ny,nz", unit="mm")
    split: bool = setting(False, "part it at the parting plane, with dowel holes")
    dowel_mm: float | None = setting(None, "diameter of the dowels; chosen by the section unless given", low=0.5,
                                     high=60.0, unit="mm")  # fmt: skip
    dowel_clearance_mm: float = setting(0.2, "by how much a dowel's hole is wider", unit="mm", low=0.0, high=2.0)
    bed: str | None = setting(None, "size of the printer's bed x,y,z: turned for least support, parted if too large",
                              unit="mm")  # fmt: skip
    core_clearance_mm: float = setting(0.3, "room around a core in its prints", unit="mm", low=0.0, high=5.0)
    box_wall_mm: float = setting(12.0, "wall of a core box", unit="mm", low=2.0, high=100.0)
    cradle_clearance_mm: float = setting(0.3, "room between part and cradle", unit="mm", low=0.0, high=10.0)
    cradle_wall_mm: float = setting(4.0, "wall of the cradle", unit="mm", low=1.0, high=50.0)
    window_mm: float = setting(15.0, "width of the openings at the crack", unit="mm", low=0.0, high=200.0)


def as_pairs(settings: Settings) -> tuple[tuple[str, Any], ...]:
    """The settings as (name, value) pairs, for a `StepRecord`."""
    return tuple((item.name, getattr(settings, item.name)) for item in fields(settings))  # type: ignore[arg-type]
