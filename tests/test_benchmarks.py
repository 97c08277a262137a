"""The benchmark's own yardsticks: the noise limit against simulation, and the judge against made-up answers."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from rejoin.core.records import FloatArray
from rejoin.core.settings import UNITS
from rejoin.core.transforms import apply, displacement, from_vector, inverse
from tests.benchmarks import families
from tests.benchmarks.joining import Result, judge, row, run, summary
from tests.benchmarks.limit import contact, noise_limit_mm
from tests.makers import BARS, SHAPES, Case
from tests.makers.faults import CORRELATED_SHARE, CORRELATION_SPACINGS
from tests.makers.scanning import smooth_field

Broken = Callable[..., Case]


def test_noise_limit_is_what_simulated_noise_does(broken: Broken) -> None:
    """Monte Carlo with the makers' noise field: an independent route to the same covariance."""
    case = broken("knob", 5, spacing_mm=0.6)
    limit = noise_limit_mm(case, 0)[1]
    points, normals = contact(case, 0, 1)
    centre = points.mean(axis=0)
    rows = np.hstack([np.cross(points - centre, normals), normals])
    corners = apply(case.part_from_scan[1], case.fragments[1].vertices)
    rng = np.random.default_rng(0)
    moved = []
    for _ in range(60):
        gap = np.zeros(len(points))
        for white in (1.0, np.sqrt(0.5)):
            smooth = smooth_field(points, CORRELATION_SPACINGS * case.spacing_mm, rng)
            own = white * np.sqrt(1 - CORRELATED_SHARE) * rng.normal(size=len(points))
            gap += case.noise_mm * (np.sqrt(CORRELATED_SHARE) * smooth + own)
        pose = from_vector(np.linalg.lstsq(rows, gap, rcond=None)[0], centre)
        moved.append(displacement(pose, np.eye(4), corners))
    simulated = np.sqrt(np.mean(np.square(moved), axis=0)).max()
    assert limit == pytest.approx(simulated, rel=0.25)


def answer(case: Case, placements: dict[int, FloatArray], unit: str = "mm", whole: Any = None) -> dict[str, Any]:
    """A FIT that places some fragments, each joined to the first."""
    fragments = []
    for index in range(len(case.fragments)):
        stands = placements[index].copy() if index in placements else None
        if stands is not None:
            stands[:3, 3] /= UNITS[unit]
        rows = None if stands is None else stands.tolist()
        fragments.append({"name": f"f{index}", "placement": rows, "u95_mm": 0.2})
    first = min(placements)
    joints = [{"a": first, "b": i, "verdict": "good"} for i in placements if i != first]
    return {"unit": unit, "fragments": fragments, "joints": joints, "whole": whole}


@pytest.mark.parametrize("unit", ["mm", "inch"])
def test_a_true_answer_is_right(broken: Broken, unit: str) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    whole = {"closed": True, "volume_mm3": case.intact_volume_mm3, "genus": 0}
    result = Result("free-form", case.name, 1, 0.35, belonging=2)
    common = inverse(case.part_from_scan[0])
    judge(case, result, answer(case, {i: common @ m for i, m in enumerate(case.part_from_scan)}, unit, whole))
    assert result.right and result.error_mm == pytest.approx(0.0, abs=1e-6)
    assert (result.bounds_kept, result.bounds_told, result.genus_off) == (1, 1, 0)
    assert "<--" not in row(result) and "1 of 1 parts right" in summary([result])[0]


def test_a_slipped_answer_called_good_is_a_false_joint(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    slip = from_vector(np.array([0, 0, 0, 3.0, 0, 0]), np.zeros(3))
    result = Result("free-form", case.name, 1, 0.35, belonging=2)
    judge(case, result, answer(case, {0: case.part_from_scan[0], 1: slip @ case.part_from_scan[1]}))
    assert result.error_mm == pytest.approx(3.0)
    assert result.false_good == 1 and result.bounds_kept == 0 and not result.right
    assert result.over_limit is not None and result.over_limit > 10


def test_a_placed_stranger_is_counted(broken: Broken) -> None:
    case = broken("flange", 1, spacing_mm=1.5, strangers=1)
    stands = {0: case.part_from_scan[0], 1: case.part_from_scan[1], 2: np.eye(4)}
    result = Result("stranger", case.name, 1, 0.35, belonging=2)
    judge(case, result, answer(case, stands))
    assert result.strangers_placed == 1 and result.false_good == 1 and not result.right


def test_a_lone_fragment_is_not_placed(broken: Broken) -> None:
    case = broken("knob", 5, spacing_mm=0.6)
    result = Result("free-form", case.name, 1, 0.35, belonging=2)
    judge(case, result, answer(case, {0: np.eye(4)}))
    assert result.placed == 0 and result.error_mm is None and not result.right


def test_a_command_that_takes_too_long_is_stopped() -> None:
    ended = run([sys.executable, "-c", "import time; time.sleep(30)"], timeout=0.3)
    assert ended.code is None and ended.seconds < 5
    told = run([sys.executable, "-c", "print('done'); raise SystemExit(1)"], timeout=60)
    assert told.code == 1 and told.said.strip() == "done"


def test_families_are_of_known_shapes_and_follow_the_seed(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(families, "make_case", lambda *what, **options: asked.append((what, options)))
    for seed in (1, 1, 2):
        families.unseen_case("worn", seed)
    assert asked[0] == asked[1] != asked[2]
    assert asked[0][1]["wear_mm"] > 0
    assert all(set(kind.shapes) <= set(SHAPES | BARS) for kind in families.FAMILIES.values())


def test_ends_without_their_middle_must_not_be_placed() -> None:
    assert Result("lost middle", "rocker", 1, 0.35, belonging=2).right
    assert not Result("lost middle", "rocker", 1, 0.35, belonging=2, placed=1, error_mm=50.0).right
