"""The broken parts of the joining benchmark: kinds of break by name, shapes and proportions by seed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.makers import BARS, SHAPES, Case, make_case

SPACING_MM, NOISE_MM = 0.35, 0.03
SOLID = ("rocker", "bracket", "wheel", "elbow", "flange", "gear", "connecting_rod")
THIN = ("plate", "thin_wall")


@dataclass(frozen=True)
class Family:
    """One kind of break: which shapes, which options of `make_case`, and how the files are written.

    ``joins`` is False where the right answer is that nothing joins.
    """

    shapes: tuple[str, ...]
    options: dict[str, Any] = field(default_factory=dict)
    unit: str = "mm"
    fmt: str = "ply"
    joins: bool = True


FAMILIES: dict[str, Family] = {
    "clean": Family(tuple(SHAPES)),
    "flat": Family(SOLID, {"flat": True}),
    "chipped": Family(SOLID, {"chips": 8, "scan_holes": 3, "specks": 2}),
    "thin": Family(THIN),
    "inches": Family(SOLID, unit="inch", fmt="stl"),
    "worn": Family(SOLID, {"wear_mm": 0.1}),
    "sand-cast": Family((*SOLID, "knob"), {"sand_cast_mm": 0.12}),
    "stepped": Family(SOLID, {"stepped": True}),
    "several": Family((*SOLID, "treadle"), {"pieces": 4}),
    "stranger": Family(SOLID, {"strangers": 1}),
    "coarse": Family(SOLID, {"spacing_mm": 1.0}),
    "free-form": Family(("knob",)),
    "uneven": Family(SOLID, {"density_ratio": 1.8}),
    "small": Family(SOLID, {"size": 0.3, "spacing_mm": 0.12, "noise_mm": 0.01}),
    "large": Family(SOLID, {"size": 4.0, "spacing_mm": 1.5, "noise_mm": 0.1}),
    "lost middle": Family(("rocker", "connecting_rod", "bracket", "knob"), {"lost_middle": True}, joins=False),
    "bars": Family(tuple(BARS)),
    "bars, flat": Family(tuple(BARS), {"flat": True}),
    "sprung": Family(SOLID, {"sprung_mm": 0.4}),
    "rubbed": Family(SOLID, {"rubbed_mm": 0.2}),
    "rounded": Family(SOLID, {"rounded": 4}),
}


def unseen_case(family: str, seed: int, spacing_mm: float = SPACING_MM, noise_mm: float = NOISE_MM) -> Case:
    """A part of a family that nothing was tuned on: the seed chooses the shape and everything else.

    A family with a spacing of its own keeps it.
    """
    kind = FAMILIES[family]
    rng = np.random.default_rng([seed, list(FAMILIES).index(family)])
    shape = str(rng.choice(kind.shapes))
    options = {"spacing_mm": spacing_mm, "noise_mm": noise_mm, **kind.options}
    for _ in range(5):
        try:
            return make_case(shape, int(rng.integers(1000, 2**31)), **options)
        except RuntimeError:  # some proportions cannot be broken as asked
            continue
    raise RuntimeError(f"No {shape} could be broken for the family {family}.")
