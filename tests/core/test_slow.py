"""Slow errors of a scanner: they tilt a joint's face as a whole, and the bound must allow for that."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rejoin.core.records import FloatArray
from tests.core.test_seating import error, joined, low_relief

WITHOUT = "rejoin.core.alignment.solver.slow_errors"


def bent(seed: int, low: float = 18.0, high: float = 45.0) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """A face of 24 mm seen with 0.03 mm (rms) of waves so long, mm."""
    rng = np.random.default_rng(seed)
    ways = rng.normal(size=(12, 2))
    ways *= (2.0 * np.pi / rng.uniform(low, high, 12) / np.linalg.norm(ways, axis=1))[:, None]
    starts = rng.uniform(0.0, 2.0 * np.pi, 12)

    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        waves = np.sin(np.multiply.outer(x, ways[:, 0]) + np.multiply.outer(y, ways[:, 1]) + starts)
        return np.asarray(low_relief(x, y) + 0.03 * np.sqrt(2.0 / 12.0) * waves.sum(axis=-1))

    return height


@pytest.fixture(autouse=True)
def _no_other_doubt(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rejoin.core.alignment.seat", lambda solver, state: {})


def test_the_bound_allows_for_waves_as_long_as_the_face(monkeypatch: pytest.MonkeyPatch) -> None:
    """Simulated waves, drawn anew for each of eight faces: in seven at least the error lies within."""
    both = [joined(bent(seed)) for seed in range(8)]
    errors, bounds = [error(*one) for one in both], [one.certainty[1].u95_mm for one, _ in both]
    assert sum(off < bound for off, bound in zip(errors, bounds, strict=True)) >= 7
    assert np.median(np.array(bounds) / errors) < 6.0
    monkeypatch.setattr(WITHOUT, lambda *_: np.zeros((7, 7)))
    plain = np.array([joined(bent(seed))[0].certainty[1].u95_mm for seed in (1, 2, 3)])
    assert (np.array(bounds[1:4]) > 1.5 * plain).all() and plain[1] < errors[2]


@pytest.mark.parametrize("lift", [0.0, 0.1])
def test_noise_alone_and_even_wear_widen_nothing(lift: float, monkeypatch: pytest.MonkeyPatch) -> None:
    bound = joined(low_relief, lift)[0].certainty[1].u95_mm
    monkeypatch.setattr(WITHOUT, lambda *_: np.zeros((7, 7)))
    assert joined(low_relief, lift)[0].certainty[1].u95_mm == bound


def test_a_misfit_from_block_to_block_is_no_slow_error(monkeypatch: pytest.MonkeyPatch) -> None:
    bound = joined(bent(1, 8.0, 12.0))[0].certainty[1].u95_mm
    monkeypatch.setattr("rejoin.core.uncertainty.slow.SHORT", (0.0,))
    assert joined(bent(1, 8.0, 12.0))[0].certainty[1].u95_mm > 1.3 * bound
    monkeypatch.setattr(WITHOUT, lambda *_: np.zeros((7, 7)))
    assert joined(bent(1, 8.0, 12.0))[0].certainty[1].u95_mm == bound


def test_of_two_causes_of_one_misfit_the_larger_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Slow errors, and another seat: as much of both would be the same misfit twice."""
    slow = joined(bent(1))[0].certainty[1].u95_mm
    motion = np.zeros((2, 7))
    motion[1, 4] = 0.15
    monkeypatch.setattr("rejoin.core.alignment.seat", lambda solver, state: solver.doubt(0, motion) or {})
    both = joined(bent(1))[0].certainty[1].u95_mm
    monkeypatch.setattr(WITHOUT, lambda *_: np.zeros((7, 7)))
    doubted = joined(bent(1))[0].certainty[1].u95_mm
    assert both == pytest.approx(max(slow, doubted), rel=0.02)
