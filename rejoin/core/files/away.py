"""How far a surface is from another, as a table: a measured point and its distance a line."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rejoin.core.files.placing import written_whole
from rejoin.core.records import FloatArray
from rejoin.core.settings import UNITS


def write_away(
    path: str | Path, points: FloatArray, away_mm: FloatArray, column: str = "away_mm", unit: str = "mm"
) -> None:
    """Write points (n, 3), mm, in a unit, and distances (n,), mm; where nothing was measured (NaN) there is no line.

    Raises
    ------
    FileTrouble
        Where the file cannot be written.
    """
    met = np.isfinite(away_mm)
    rows = np.column_stack([points[met] / UNITS[unit], away_mm[met]])
    header = f"x_{unit},y_{unit},z_{unit},{column}"
    written_whole(
        Path(path), lambda beside: np.savetxt(beside, rows, "%.6f", delimiter=",", header=header, comments="")
    )
