"""Contraction by metal, widths of casting tolerances, and how a person may write a factor.

Contraction ("shrinkage" in American shops) is what a casting loses between the mould and the cold part. Two
conventions are in use: pattern = part x (1 + s) and pattern = part / (1 - s).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from rejoin.core.errors import NoAnswer, WrongUse

CONTRACTION_PCT = {
    "grey iron": (0.78, 1.04, 1.04, "3/32 to 1/8 in per ft; 1 % free, 0.9 % hindered"),
    "malleable iron": (1.04, 1.3, 1.6, "1/8 in per ft; 1.6 %"),
    "white iron": (1.6, 2.1, 2.1, "1/4 in per ft; from memory"),
    "ductile iron": (0.8, 1.0, 1.0, "1.0 % free, 0.8 % hindered"),
    "carbon/low-alloy steel": (1.3, 1.8, 2.08, "3/16 to 1/4 in per ft; 1.6-2.0 % free, 1.3-1.7 % hindered"),
    "austenitic steel": (1.7, 2.1, 2.3, "2.0-2.3 % free, 1.7-2.0 % hindered"),
    "brass": (1.5, 1.56, 1.82, "3/16 in per ft; yellow brass 7/32"),
    "bronze/gunmetal": (1.3, 1.5, 1.56, "5/32 to 3/16 in per ft; 1.5 %"),
    "aluminium or manganese bronze": (1.82, 1.82, 1.82, "7/32 in per ft"),
    "copper": (1.0, 1.56, 1.56, "3/16 in per ft; 1 %"),
    "aluminium alloy": (1.25, 1.3, 1.82, "5/32 to 7/32 in per ft; 1.25 %"),
    "magnesium alloy": (1.04, 1.25, 2.1, "1/8 to 5/32 in per ft; 1.25 %; pure metal 2.1 %"),
    "zinc": (1.5, 2.6, 2.6, "7/32 to 5/16 in per ft; 1.5 %"),
    "lead": (1.0, 2.6, 2.6, "7/32 to 5/16 in per ft; 1 %"),
    "tin": (1.0, 1.56, 2.08, "3/16 to 1/4 in per ft; 1 %"),
}
"""Linear contraction by metal: low, usual, high in per cent, and as it is told in the trade. Figures from Dooley's
pattern-making text, Westermann's tables and tables of free and hindered contraction; where a row says so, from
memory."""

_ALSO = {
    "gray iron": "grey iron", "cast iron": "grey iron", "ductile": "ductile iron", "steel": "carbon/low-alloy steel",
    "bronze": "bronze/gunmetal", "gunmetal": "bronze/gunmetal", "aluminium": "aluminium alloy",
    "aluminum": "aluminium alloy", "aluminum alloy": "aluminium alloy", "magnesium": "magnesium alloy",
    "aluminium bronze": "aluminium or manganese bronze", "manganese bronze": "aluminium or manganese bronze",
    "stainless steel": "austenitic steel",
}  # fmt: skip

_DCTG_SIZES = (10, 16, 25, 40, 63, 100, 160, 250, 400, 630)
_N = None
DCTG_MM: dict[int, tuple[float | None, ...]] = {
    1: (0.09, 0.1, 0.11, 0.12, 0.13, 0.14, 0.15, _N, _N, _N),
    2: (0.13, 0.14, 0.15, 0.17, 0.18, 0.2, 0.22, 0.24, _N, _N),
    3: (0.18, 0.2, 0.22, 0.24, 0.26, 0.28, 0.3, 0.34, 0.4, _N),
    4: (0.26, 0.28, 0.3, 0.32, 0.36, 0.4, 0.44, 0.5, 0.56, 0.64),
    5: (0.36, 0.38, 0.42, 0.46, 0.5, 0.56, 0.62, 0.7, 0.78, 0.9),
    6: (0.52, 0.54, 0.58, 0.64, 0.7, 0.78, 0.88, 1, 1.1, 1.2),
    7: (0.74, 0.78, 0.82, 0.9, 1, 1.1, 1.2, 1.4, 1.6, 1.8),
    8: (1, 1.1, 1.2, 1.3, 1.4, 1.6, 1.8, 2, 2.2, 2.6),
    9: (1.5, 1.6, 1.7, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.6),
    10: (2, 2.2, 2.4, 2.6, 2.8, 3.2, 3.6, 4, 4.4, 5),
    11: (2.8, 3, 3.2, 3.6, 4, 4.4, 5, 5.6, 6.2, 7),
    12: (4.2, 4.4, 4.6, 5, 5.6, 6, 7, 8, 9, 10),
    13: (_N, _N, 6, 7, 8, 9, 10, 11, 12, 14),
    14: (_N, _N, 8, 9, 10, 11, 12, 14, 16, _N),
    15: (_N, _N, 10, 11, 12, 14, 16, 18, 20, _N),
    16: (_N, _N, 12, 14, 16, 18, 20, 22, 25, _N),
}
"""ISO 8062-3:2007, Table 2: TOTAL width (not plus or minus) of the linear casting tolerance grades DCTG, mm, by nominal
size up to and including 10, 16, ... 630 mm. Grade 16 is for walls only."""


@dataclass(frozen=True)
class Contraction:
    """How much larger than the part a pattern is: factors along x, y, z, and where they come from."""

    metal: str | None
    percent: tuple[float, float, float]
    convention: str
    low_pct: float | None = None
    high_pct: float | None = None
    told_as: str = ""

    @property
    def factors(self) -> tuple[float, float, float]:
        """Pattern / part along x, y, z, by the convention."""
        return tuple(factor(p, self.convention) for p in self.percent)  # type: ignore[return-value]

    @property
    def other_factors(self) -> tuple[float, float, float]:
        """The same by the other convention."""
        other = "1/(1-s)" if self.convention == "1+s" else "1+s"
        return tuple(factor(p, other) for p in self.percent)  # type: ignore[return-value]


def factor(percent: float, convention: str) -> float:
    """Pattern / part for a contraction in per cent; ``convention`` is "1+s" or "1/(1-s)"."""
    share = percent / 100.0
    return 1.0 + share if convention == "1+s" else 1.0 / (1.0 - share)


def known_metal(name: str) -> str:
    """The table's own name of a metal.

    Raises
    ------
    WrongUse
        A metal that is not in the table.
    """
    text = " ".join(name.lower().split())
    text = _ALSO.get(text, text)
    if text not in CONTRACTION_PCT:
        raise WrongUse(
            f"The contraction (shrinkage) of {name!r} is not in the table.",
            f"Give the foundry's own figure as the allowance, or one of: {', '.join(CONTRACTION_PCT)}.",
        )
    return text


def contraction(metal: str | None, percent: str | None, convention: str) -> Contraction | None:
    """The contraction by metal, by own figures, or both (the figures then count); None where neither is given."""
    if metal is None and percent is None:
        return None
    if metal is None:
        return Contraction(None, three(percent or "", "allowance"), convention)
    name = known_metal(metal)
    low, usual, high, told = CONTRACTION_PCT[name]
    figures = (usual, usual, usual) if percent is None else three(percent, "allowance")
    return Contraction(name, figures, convention, low, high, told)


def three(text: str, what: str, low: float = -5.0, high: float = 10.0) -> tuple[float, float, float]:
    """Per cents along x, y, z: one figure for all, or three; "1/96" is a share, "1/8 in/ft" inches in a foot.

    Raises
    ------
    WrongUse
        No such figure, or one that no metal or plastic has.
    """
    parts = [one for one in re.split(r"[,;]", text) if one.strip()]
    if len(parts) not in (1, 3):
        raise WrongUse(
            f"The {what} {text!r} is not one figure, nor three.", "Give per cent: 1.04, or along x, y, z: 1.0,1.0,0.8."
        )
    values = [_percent(one, what) for one in parts]
    for one in values:
        if not low < one < high:
            raise WrongUse(f"The {what} of {one:g} % is out of reason.", f"Give {low:g} to {high:g} per cent.")
    return (values * 3)[:3] if len(values) == 1 else values  # type: ignore[return-value]


def _percent(text: str, what: str) -> float:
    plain = text.strip().lower().removesuffix("%").strip()
    per_foot = re.fullmatch(r"(.+?)\s*in(?:ch)?\s*/\s*ft", plain)
    number = per_foot[1] if per_foot else plain
    share = re.fullmatch(r"([-+\d.]+)\s*/\s*([\d.]+)", number)
    try:
        value = float(share[1]) / float(share[2]) if share else float(number)
    except (ValueError, ZeroDivisionError) as error:
        raise WrongUse(
            f"The {what} {text.strip()!r} is not a figure.", 'Give per cent: 1.04, or "1/8 in/ft".'
        ) from error
    if value != value:
        raise WrongUse(f"The {what} {text.strip()!r} is not a figure.", "Give per cent, such as 1.04.")
    return 100.0 * value / 12.0 if per_foot else 100.0 * value if share else value


def casting_width_mm(grade: int, size_mm: float) -> float:
    """Total width of a casting tolerance, ISO 8062-3:2007, mm.

    Raises
    ------
    WrongUse
        No such grade.
    NoAnswer
        A size for which the table gives the grade no width.
    """
    if grade not in DCTG_MM:
        raise WrongUse(f"There is no casting tolerance grade DCTG {grade}.", "Choose 1 to 16.")
    column = next((n for n, end in enumerate(_DCTG_SIZES) if 0.0 < size_mm <= end), None)
    width = None if column is None else DCTG_MM[grade][column]
    if width is None:
        raise NoAnswer(
            f"The table gives DCTG {grade} no width at {size_mm:g} mm.", "Choose another grade, or type the limits."
        )
    return float(width)
