"""Plain values for JSON, and a JSON file written whole or not at all."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from rejoin.core.files.placing import written_whole


def tidy(value: Any) -> Any:
    """The value with plain Python numbers only; NaN and infinity become None."""
    if isinstance(value, dict):
        return {str(key): tidy(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [tidy(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return value


def write_json(path: str | Path, content: Any) -> None:
    """Write JSON whole or not at all.

    Raises
    ------
    FileTrouble
        Where nothing can be written there.
    """
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def write(beside: Path) -> None:
        beside.write_text(text, encoding="utf-8")

    written_whole(Path(path), write)
