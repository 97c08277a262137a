"""Faces of which one side has been rubbed down: the rest of them tells where the piece belongs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rejoin.core.alignment import Adjustment, NothingOpposite, adjust, seating
from rejoin.core.alignment.seating import GAPES, OVERLAPS, Gape, Patches, Unsettled, between_two_groups, unexplained
from rejoin.core.records import FloatArray
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.transforms import displacement, from_vector, identity
from tests.core.plates import Block, block, joint_of, waves

NOISE, DEEP = 0.03, 0.15
OFF = from_vector(np.array([0.003, -0.004, 0.002, 0.05, -0.05, 0.08]), np.zeros(3))


def low_relief(x: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(0.4 * waves(x, y))


def rubbed(x: FloatArray, y: FloatArray) -> FloatArray:
    """The quarter at large x stands `DEEP` off the other face; a ramp of 1.5 mm leads to it."""
    return np.asarray(low_relief(x, y) + DEEP * np.clip((x - 4.5) / 1.5, 0.0, 1.0))


def joined(upper_height: Callable[[FloatArray, FloatArray], FloatArray], lift: float = 0.0) -> tuple[Adjustment, Block]:
    lower = block(low_relief, upper=False, size=24.0, noise=NOISE, lift=lift, seed=1)
    upper = block(upper_height, upper=True, size=24.0, noise=NOISE, lift=lift, seed=2)
    start = OFF @ upper.part_from_scan
    joint = joint_of(lower, upper, start)
    found = adjust((lower.fragment, upper.fragment), [joint], {0: identity(), 1: start}, AlignSettings(), silent)
    return found, upper


def error(found: Adjustment, upper: Block) -> float:
    return float(displacement(found.part_from_scan[1], upper.part_from_scan, upper.fragment.mesh.vertices).max())


def test_a_face_rubbed_down_at_one_side_is_placed_by_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    found, upper = joined(rubbed)
    assert error(found, upper) < 0.035
    assert error(found, upper) < found.certainty[1].u95_mm
    told = found.uneven[0]
    assert isinstance(told, Gape) and 0.2 < told.share < 0.35
    assert told.apart_mm == pytest.approx(DEEP, abs=0.03)
    (note,) = found.notes([joint_of(upper, upper, identity())], 1)
    assert "rubbed or battered" in note and "0.1" in note
    # All of the face together would have hung the piece askew.
    monkeypatch.setattr("rejoin.core.alignment.seat", lambda solver, state: {})
    assert error(joined(rubbed)[0], upper) > 0.06


def test_slow_errors_of_the_scanner_are_no_place_that_was_rubbed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Scanners and what smooths their scans err in waves far longer than a spacing: no seat is better than all."""

    def bent(x: FloatArray, y: FloatArray) -> FloatArray:
        slow = np.sin(0.5 * x + 1.4) + np.sin(0.45 * y + 3.0)
        slow += np.sin(0.35 * (x + y) + 1.0) + np.sin(0.4 * (x - y) - 1.0)
        return np.asarray(low_relief(x, y) + 0.08 * slow)

    found, upper = joined(bent)
    assert isinstance(found.uneven[0], Unsettled)
    assert error(found, upper) < min(0.08, found.certainty[1].u95_mm)
    monkeypatch.setattr("rejoin.core.alignment.seating._stands_apart", lambda *_: True)
    by_some, _ = joined(bent)
    assert isinstance(by_some.uneven[0], Gape) and error(by_some, upper) > 1.5 * error(found, upper)


def test_two_groups_take_up_what_the_closed_forms_say() -> None:
    """Split at the middle: 2/pi of a normal distribution's variance, three quarters of an even spread's, all of two
    places' (worked out by hand)."""
    even = np.ones(20_000)
    normal = np.random.default_rng(1).normal(size=20_000)
    assert between_two_groups(normal, even) == pytest.approx(2.0 / np.pi, abs=0.01)
    assert between_two_groups(np.linspace(0.0, 1.0, 20_000), even) == pytest.approx(0.75, abs=1e-3)
    assert between_two_groups(np.repeat([0.0, 0.1], 10_000), even) == pytest.approx(1.0)


@pytest.mark.parametrize("lift", [0.0, 0.1])
def test_sound_faces_and_evenly_worn_ones_keep_all_of_themselves(lift: float) -> None:
    found, _ = joined(low_relief, lift)
    assert not found.uneven


def test_where_either_half_may_be_the_one_that_lies_firmly_the_bound_allows_for_both(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def halves(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(low_relief(x, y) + DEEP * np.clip((x + 0.75) / 1.5, 0.0, 1.0))

    found, upper = joined(halves)
    told, off = found.uneven[0], error(found, upper)
    assert isinstance(told, Unsettled) and off > 0.1
    assert off < found.certainty[1].u95_mm
    (note,) = found.notes([joint_of(upper, upper, identity())], 1)
    assert f"could stand {told.apart_mm:.2f} mm otherwise" in note and "dimension across the joint" in note
    # What noise alone would leave open is far less than the error (where its model is believed, too: `weighing`).
    monkeypatch.setattr("rejoin.core.alignment.seat", lambda solver, state: {})
    monkeypatch.setattr("rejoin.core.alignment.solver.contradicted", lambda *_: False)
    assert joined(halves)[0].certainty[1].u95_mm < off


def test_a_misfit_without_a_form_is_noise_however_large() -> None:
    """Patches that stand high and low in turns are no place that has lost something."""

    def board(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.asarray(low_relief(x, y) + 0.05 * np.sign(np.sin(np.pi * x / 3.2) * np.sin(np.pi * y / 3.2)))

    found, upper = joined(board)
    assert not found.uneven
    assert error(found, upper) < found.certainty[1].u95_mm


def test_faces_too_small_or_that_come_apart_are_placed_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    small = block(low_relief, upper=False, size=6.0), block(rubbed, upper=True, size=6.0)
    joint = joint_of(*small, identity())
    ends = (small[0].fragment, small[1].fragment)
    found = adjust(ends, [joint], {0: identity(), 1: identity()}, AlignSettings(), silent)
    assert not found.uneven and found.settled

    def apart(*_: object) -> None:
        raise NothingOpposite(0, "lower", "upper")

    monkeypatch.setattr(seating, "_uneven", apart)
    found, upper = joined(rubbed)
    assert not found.uneven and error(found, upper) > 0.06


def test_an_overlap_has_to_be_explained_in_full_and_a_gap_only_in_part() -> None:
    even = np.full(4, 0.25)
    assert unexplained(np.array([0.0, 1.0, -1.0, 0.0]), even, 1.0) == pytest.approx(0.5)
    assert unexplained(np.array([9.0, 0.0, 0.0, 0.0]), even, 1.0) == pytest.approx(GAPES**2 / 4)
    assert unexplained(np.array([-9.0, 0.0, 0.0, 0.0]), even, 1.0) == pytest.approx(OVERLAPS**2 / 4)


def test_what_gapes_stands_apart_from_the_rest_or_is_little() -> None:
    """Worked out by hand: half of a face at most, in a group of its own; of a twentieth nothing more is asked."""
    even, bell = np.zeros(100), np.random.default_rng(2).normal(0.0, 0.05, 100)

    def apart(gaps: FloatArray, gapes: np.ndarray) -> bool:
        return seating._stands_apart(Patches(np.zeros(0, np.int32), np.zeros((100, 3)), gaps, even + 0.01, 0.01), gapes)

    first = np.arange(100)
    assert apart(np.where(first < 30, 0.15, even), first < 30)
    assert not apart(np.where(first < 70, 0.15, even), first < 70)
    assert not apart(bell, bell > np.quantile(bell, 0.7)) and apart(bell, bell > np.quantile(bell, 0.95))
