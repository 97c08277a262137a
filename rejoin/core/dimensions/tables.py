"""Figures from standards and handbooks that dimensions are compared with; each with where it comes from."""

from __future__ import annotations

from rejoin.core.errors import NoAnswer, WrongUse

_IT_SIZES = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)

IT_UM = {
    1: (0.8, 1, 1, 1.2, 1.5, 1.5, 2, 2.5, 3.5, 4.5, 6, 7, 8),
    2: (1.2, 1.5, 1.5, 2, 2.5, 2.5, 3, 4, 5, 7, 8, 9, 10),
    3: (2, 2.5, 2.5, 3, 4, 4, 5, 6, 8, 10, 12, 13, 15),
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
    12: (100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630),
    13: (140, 180, 220, 270, 330, 390, 460, 540, 630, 720, 810, 890, 970),
    14: (250, 300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300, 1400, 1550),
    15: (400, 480, 580, 700, 840, 1000, 1200, 1400, 1600, 1850, 2100, 2300, 2500),
    16: (600, 750, 900, 1100, 1300, 1600, 1900, 2200, 2500, 2900, 3200, 3600, 4000),
    17: (1000, 1200, 1500, 1800, 2100, 2500, 3000, 3500, 4000, 4600, 5200, 5700, 6300),
    18: (1400, 1800, 2200, 2700, 3300, 3900, 4600, 5400, 6300, 7200, 8100, 8900, 9700),
}
"""ISO 286-1:2010, Table 1: widths of the standard tolerance grades in MICROMETRES (the standard prints IT12 to
IT18 in millimetres), by nominal size up to and including 3, 6, ... 500 mm."""

EXPANSION_PER_K = {
    "steel": 12e-6,
    "iron": 12e-6,
    "grey iron": 10.5e-6,
    "aluminium": 23e-6,
    "magnesium": 26e-6,
    "brass": 18e-6,
    "bronze": 17e-6,
    "zinc": 30e-6,
    "lead": 29e-6,
}
"""Lengthening per kelvin near 20 degrees C (Westermann's tables; grey iron, 10 to 11e-6, from memory)."""

DENSITY_G_CM3 = {
    "steel": (7.80, 7.90),
    "iron": (7.80, 7.88),
    "grey iron": (6.95, 7.35),
    "aluminium": (2.60, 2.85),
    "magnesium": (1.74, 1.85),
    "brass": (8.40, 8.75),
    "bronze": (8.60, 8.90),
    "zinc": (6.60, 7.15),
    "lead": (11.2, 11.4),
}
"""Range of the density by metal, casting alloys included (common workshop figures, from memory)."""

METALS = tuple(EXPANSION_PER_K)

WELDED_METALS = ("steel", "nickel", "titanium")
"""Metals in the scope of ISO 5817:2023: finished fusion welds, NOT cast iron."""


def grade_width_mm(grade: int, size_mm: float) -> float:
    """Width of an ISO 286-1 tolerance grade, mm.

    Raises
    ------
    WrongUse
        No such grade.
    NoAnswer
        A size outside the table (0 to 500 mm).
    """
    if grade not in IT_UM:
        raise WrongUse(f"There is no tolerance grade IT{grade} here.", "Choose 1 to 18.")
    if not 0.0 < size_mm <= _IT_SIZES[-1]:
        raise NoAnswer(f"The table of tolerance grades ends at 500 mm; {size_mm:g} mm is outside.", "Type the limits.")
    column = next(n for n, end in enumerate(_IT_SIZES) if size_mm <= end)
    return IT_UM[grade][column] / 1000.0


def at_20_degrees(
    reading_mm: float, metal: str, part_c: float, instrument_c: float, instrument_metal: str = "steel"
) -> float:
    """What a reading would be with part and instrument at 20 degrees C (ISO 1), mm.

    Raises
    ------
    WrongUse
        A metal that is not in the table.
    """
    for one in (metal, instrument_metal):
        if one not in EXPANSION_PER_K:
            raise WrongUse(f"The expansion of {one!r} is not known here.", f"Choose one of: {', '.join(METALS)}.")
    grown = 1.0 + EXPANSION_PER_K[instrument_metal] * (instrument_c - 20.0)
    return reading_mm * grown / (1.0 + EXPANSION_PER_K[metal] * (part_c - 20.0))


def misalignment_limits_mm(thickness_mm: float, metal: str) -> dict[str, float]:
    """Linear misalignment (507 of ISO 6520-1) by quality level, mm; ISO 5817:2023 for plates, read at second hand.

    Raises
    ------
    NoAnswer
        A metal outside the standard's scope, or a wall under 0.5 mm.
    """
    if metal not in WELDED_METALS:
        raise NoAnswer(
            f"ISO 5817 is for finished fusion welds in steel, nickel and titanium, not for {metal}.",
            "Let the welding procedure say what is allowed.",
        )
    if thickness_mm < 0.5:
        raise NoAnswer("ISO 5817 begins at a wall of 0.5 mm.", "Let the welding procedure say what is allowed.")
    if thickness_mm > 3.0:
        shares = (("D", 0.25, 5.0), ("C", 0.15, 4.0), ("B", 0.1, 3.0))
        return {level: min(share * thickness_mm, most) for level, share, most in shares}
    return {level: 0.2 + share * thickness_mm for level, share in (("D", 0.25), ("C", 0.15), ("B", 0.1))}
