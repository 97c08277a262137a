"""The fixed order: restore by number, machining stock, draft, contraction, printer compensation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rejoin.core.errors import WrongUse
from rejoin.core.making.allowances import Contraction, casting_width_mm, contraction, three
from rejoin.core.making.beds import bar_factors
from rejoin.core.making.bores import Core, core_of
from rejoin.core.making.cradle import make_cradle
from rejoin.core.making.draft import Parting, draft_map, numbers, parting_of
from rejoin.core.making.faces import Bench, add_draft, add_stock, name_of, need_closed, restore
from rejoin.core.making.laying import Laid, laid_out
from rejoin.core.making.surface import Surface
from rejoin.core.making.told import CAUTIONS, ORDER, title_of, undercut_share
from rejoin.core.making.walls import thinnest_walls
from rejoin.core.meshes import placed
from rejoin.core.records import FloatArray, MadePart, MadeStep, MakePick, Whole
from rejoin.core.settings import MakeSettings, Report, silent

THIN_MM = {"pattern": 3.0, "print": 0.8, "machining": 0.0, "cradle": 0.0}
"""Below this a thin wall is told as a caution: castings of iron and aluminium about 3 mm, prints two widths of a
usual nozzle (common practice, from memory)."""


@dataclass
class _Work:
    """What the steps have made so far."""

    bench: Bench
    steps: list[MadeStep] = field(default_factory=list)
    cores: list[Core] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def told(self, number: int, done: bool, sentence: str, **figures: Any) -> None:
        plain = tuple((key, tuple(one) if isinstance(one, list) else one) for key, one in figures.items())
        self.steps.append(MadeStep(ORDER[number], done, sentence, plain))


def make_part(
    whole: Whole,
    picks: Sequence[MakePick] = (),
    settings: MakeSettings | None = None,
    report: Report = silent,
    revision: str = "A",
    correction: Sequence[float] = (1.0, 1.0, 1.0),
) -> MadePart:
    """Make a trial print, a pattern, a model for the mill or a cradle of a whole.

    Parameters
    ----------
    whole : Whole
        Closed.
    picks : sequence of MakePick
        Faces with what is done to them, points in the whole's frame.
    settings : MakeSettings, optional
    report : Report, optional
    revision : str
    correction : three float
        More factors of the printer along x, y, z, from sizes measured on an earlier print.

    Returns
    -------
    MadePart
        Scaled about the middle of the whole's box, so it stays where the part is.

    Raises
    ------
    NoAnswer
        An open whole; an allowance, draft or bed with which nothing sound can be made.
    WrongUse
        Settings that contradict each other or are out of reason.
    """
    settings = settings or MakeSettings()
    if settings.purpose == "cradle":
        return make_cradle(whole, picks, settings, report, revision)
    shrinking, printer, parting = _checked(settings, picks)
    printer = tuple(a * b for a, b in zip(printer, correction, strict=True))  # type: ignore[assignment]
    need_closed(whole)
    report(0.1, "Looking for the picked faces")
    low, high = whole.mesh.vertices.min(axis=0), whole.mesh.vertices.max(axis=0)
    work = _Work(Bench(Surface(whole.mesh), picks))
    _restore(work, [p for p in picks if p.what in ("restore", "fit")])
    report(0.25, "Adding machining stock")
    _stock(work, [p for p in picks if p.what in ("stock", "solid", "core")], settings)
    report(0.4, "Adding draft")
    _draft(work, [p for p in picks if p.what == "draft"], parting)
    factors = _scale(work, shrinking, settings, printer, tuple(correction) != (1.0, 1.0, 1.0))
    report(0.55, "Checking what was made")
    middle = 0.5 * (low + high)
    made_from_part = about(middle, factors)
    if not work.bench.worked:
        made, mesh = None, placed(work.bench.surface.mesh, made_from_part)
    else:
        made = work.bench.body.moved(made_from_part).tidied(2e-6 * work.bench.first.size_mm)
        mesh = made.mesh()
    stock = any(p.what in ("stock", "core", "solid") for p in picks)
    casting = contraction_factors(shrinking, settings)
    title = title_of(settings.purpose, shrinking, casting, printer, revision, stock)
    parting = None if parting is None else _moved_parting(parting, made_from_part)
    draft = None if parting is None else draft_map(mesh, parting)
    walls = thinnest_walls(mesh)
    laid = Laid(mesh, made, made_from_part, parting, work.cores)
    bodies = laid_out(laid, settings, work.notes, _name(settings), report)
    _tell(work, settings, walls, float((high - low).max()))
    part = MadePart(
        settings.purpose, title, revision, mesh, bodies, tuple(work.steps), draft, walls, tuple(work.notes),
        CAUTIONS["all"] + CAUTIONS[settings.purpose],
    )  # fmt: skip
    return _with_undercuts(part)


def about(middle: FloatArray, factors: Sequence[float]) -> FloatArray:
    """The scaling (4, 4) by factors along x, y, z that keeps a point."""
    matrix = np.eye(4)
    matrix[:3, :3] = np.diag(factors)
    matrix[:3, 3] = middle - np.asarray(factors) * middle
    return matrix


def contraction_factors(shrinking: Contraction | None, settings: MakeSettings) -> tuple[float, float, float]:
    """Pattern / part along x, y, z, both contractions where there are two."""
    if shrinking is None:
        return 1.0, 1.0, 1.0
    second = contraction(settings.pattern_metal, settings.pattern_allowance, settings.convention)
    more = (1.0, 1.0, 1.0) if second is None else second.factors
    return tuple(a * b for a, b in zip(shrinking.factors, more, strict=True))  # type: ignore[return-value]


def _checked(
    settings: MakeSettings, picks: Sequence[MakePick]
) -> tuple[Contraction | None, tuple[float, float, float], Parting | None]:
    """Contraction, printer factors and parting plane, or a sentence why they cannot be."""
    shrinking = contraction(settings.metal, settings.allowance, settings.convention)
    if settings.purpose == "pattern" and shrinking is None:
        raise WrongUse("A pattern needs a contraction (shrinkage) allowance.",
                       "Give the metal or a figure; 0 where the master is to be of the part's size.")  # fmt: skip
    if shrinking is None and (settings.pattern_metal or settings.pattern_allowance):
        raise WrongUse("A second contraction was given without the first.", "Give the metal of the part too.")
    printer = (1.0, 1.0, 1.0)
    if settings.print_shrinkage and settings.bar_measured:
        raise WrongUse("The printer's shrinkage was given twice.", "Give the measured bar, or per cent, not both.")
    if settings.print_shrinkage:
        printer = tuple(1.0 / (1.0 - s / 100.0) for s in three(settings.print_shrinkage, "print shrinkage"))  # type: ignore[assignment]
    if settings.bar_measured:
        printer = bar_factors(settings.bar_measured, settings.bar_length_mm)
    parting = None if settings.parting is None else parting_of(numbers(settings.parting, "parting plane"))
    if parting is None and (settings.split or any(p.what == "draft" for p in picks)):
        raise WrongUse("Draft and parting want a parting plane.", "Give a point and a direction: x,y,z,nx,ny,nz.")
    return shrinking, printer, parting


def _restore(work: _Work, picks: Sequence[MakePick]) -> None:
    restore(work.bench, picks)
    told = _lines(work)
    work.told(0, bool(picks), told or "nothing was restored", faces=len(picks))


def _stock(work: _Work, picks: Sequence[MakePick], settings: MakeSettings) -> None:
    beyond = max((p.amount for p in picks if p.what == "stock"), default=0.0)
    lines = []
    for pick in (p for p in picks if p.what == "core"):
        region = work.bench.find(pick)
        core = core_of(work.bench.surface, region, name_of(pick), pick.amount, pick.print_mm,
                       settings.core_clearance_mm, beyond)  # fmt: skip
        work.cores.append(core)
        lines.append(core.sentence)
    add_stock(work.bench, picks)
    told = _lines(work)
    told = "; ".join([one for one in (told, *lines) if one])
    work.told(1, bool(picks), told or "no machining stock", faces=len(picks))


def _draft(work: _Work, picks: Sequence[MakePick], parting: Parting | None) -> None:
    if picks and parting is not None:
        add_draft(work.bench, picks, parting)
    told = _lines(work)
    work.told(2, bool(picks), told or "no draft added", faces=len(picks))
    for core in work.cores:
        work.bench.becomes(work.bench.body + core.prints)


def _lines(work: _Work) -> str:
    told, work.bench.lines = "; ".join(work.bench.lines), []
    return told


def _scale(
    work: _Work, shrinking: Contraction | None, settings: MakeSettings, printer: tuple[float, float, float],
    corrected: bool,
) -> tuple[float, float, float]:
    """Tell both scalings and give the product of their factors."""
    casting = contraction_factors(shrinking, settings)
    if shrinking is None:
        work.told(3, False, "none: not for casting from", factors=list(casting))
    else:
        first = shrinking.factors
        other = [a * o / f for a, o, f in zip(casting, shrinking.other_factors, first, strict=True)]
        name = shrinking.metal or "own figure"
        also = "1/(1-s)" if shrinking.convention == "1+s" else "1+s"
        reach = "" if shrinking.low_pct is None else f"; range {shrinking.low_pct:g} to {shrinking.high_pct:g} %"
        double = "" if casting == first else "; double contraction, with that of the metal pattern"
        sentence = (f"{name}: " + _percents(shrinking.percent) + f" by {shrinking.convention}, "
                    f"factor {_figures(casting)}; by {also} it would be {_figures(other)}{reach}{double}")  # fmt: skip
        work.told(3, True, sentence, metal=shrinking.metal, percent=list(shrinking.percent), factors=list(casting),
                  convention=shrinking.convention, factors_by_the_other_convention=other, low_percent=shrinking.low_pct,
                  high_percent=shrinking.high_pct, told_as=shrinking.told_as,
                  pattern_metal=settings.pattern_metal)  # fmt: skip
        if settings.purpose != "pattern":
            work.notes.append("With contraction it is not of the part's size.")
    done = any(abs(one - 1.0) > 1e-9 for one in printer)
    source = "the measured test bar" if settings.bar_measured else f"{settings.print_shrinkage or 0} %"
    source += " and sizes measured on the print before" if corrected else ""
    work.told(4, done, f"factor {_figures(printer)}, from {source}" if done else "no printer compensation",
              factors=list(printer))  # fmt: skip
    return tuple(a * b for a, b in zip(casting, printer, strict=True))  # type: ignore[return-value]


def _percents(values: Sequence[float]) -> str:
    return f"{values[0]:.4g} %" if len(set(values)) == 1 else " / ".join(f"{one:.4g}" for one in values) + " %"


def _figures(values: Sequence[float]) -> str:
    return f"{values[0]:.6f}" if len(set(values)) == 1 else " x ".join(f"{one:.6f}" for one in values)


def _moved_parting(parting: Parting, made_from_part: FloatArray) -> Parting:
    """The parting plane on the scaled part: point as a point, normal as a normal."""
    normal = np.linalg.inv(made_from_part[:3, :3]).T @ parting.normal
    point = made_from_part[:3, :3] @ parting.point_mm + made_from_part[:3, 3]
    return Parting(point, normal / np.linalg.norm(normal))


def _name(settings: MakeSettings) -> str:
    return {"print": "trial print", "pattern": "pattern", "machining": "model"}[settings.purpose]


def _tell(work: _Work, settings: MakeSettings, walls: Sequence[tuple[float, ...]], largest_mm: float) -> None:
    if settings.casting_grade is not None and settings.purpose == "pattern":
        width = casting_width_mm(int(settings.casting_grade), largest_mm)
        work.notes.append(
            f"A casting of grade DCTG {settings.casting_grade} may vary by {width:g} mm in all over its largest size, "
            f"{largest_mm:.1f} mm (ISO 8062-3:2007)."
        )
    if walls:
        thin = walls[0]
        least = THIN_MM[settings.purpose]
        end = f": below about {least:g} mm, look at it" if thin[0] < least else ""
        place = f"({thin[1]:.1f}, {thin[2]:.1f}, {thin[3]:.1f}) mm"
        work.notes.append(f"Thinnest wall found: {thin[0]:.2f} mm at {place}{end}.")


def _with_undercuts(part: MadePart) -> MadePart:
    if part.draft_deg is None:
        return part
    from dataclasses import replace

    share = undercut_share(part)
    told = f"{100 * share:.1f} % of the surface would lock in the sand (undercut)" if share > 1e-4 else "No undercuts"
    return replace(part, notes=(*part.notes, f"{told}, drawn from the parting plane."))
