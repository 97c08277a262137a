"""The step across a crack against the quality levels for welds."""

from __future__ import annotations

from rejoin.core.dimensions.tables import misalignment_limits_mm
from rejoin.core.errors import NoAnswer


def quality_levels(
    metal: str | None, wall: tuple[float, ...] | None, step: float | None, u95: float
) -> tuple[tuple[tuple[str, float], ...], tuple[str, ...]]:
    """The limits of a step by quality level, and what is to be said of them.

    Parameters
    ----------
    metal : str, optional
    wall : tuple of float, optional
        Thickness (mm) of the wall along the crack, the thinnest first.
    step, u95 : float
        The step (mm), None where it was not measured, and its 95 % bound: a level is kept for certain only where the
        step and its bound keep it (ISO 14253-1).
    """
    if metal is None or wall is None:
        return (), ("The metal was not stated, so nothing is compared with ISO 5817.",) if metal is None else ()
    try:
        limits = misalignment_limits_mm(wall[0], metal)
    except NoAnswer as error:
        return (), (str(error),)
    if step is None:
        return tuple(limits.items()), ("The step was not measured.",)
    size = f"A step of {step:.2f} mm, give or take {u95:.2f} mm (95 %)," if u95 else f"A step of {step:.2f} mm"
    told = _level(limits, step, u95)
    text = (f"{size} {told} of ISO 5817:2023, which is for finished fusion welds: a comparison only, "
            f"with the thinnest wall of {wall[0]:.1f} mm.")  # fmt: skip
    return tuple(limits.items()), (text,)


def _level(limits: dict[str, float], step: float, u95: float) -> str:
    """The best quality level that a step keeps for certain, and the better one that it may keep."""
    kept, perhaps = (next((level for level in "BCD" if step + away <= limits[level]), None) for away in (u95, -u95))
    if kept is None:
        return "is above level D" if perhaps is None else f"may or may not be within level {perhaps}"
    return f"would be within level {kept}" + ("" if perhaps == kept else f", perhaps within {perhaps},")
