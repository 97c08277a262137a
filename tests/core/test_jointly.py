"""What is not known of several placements together, against draws of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rejoin.core.edits import remove_fragment
from rejoin.core.records import FloatArray, Fragment, LayerDoubt, Mesh, Placement, Project, Scan
from rejoin.core.uncertainty.jointly import Lever, variance, without_layers

CORNERS = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
TETRAHEDRON = Mesh(np.vstack([np.zeros(3), np.eye(3)]), CORNERS)


def placements_of(covariance: FloatArray) -> list[Placement]:
    """Three fragments, the first held; ``covariance`` (12, 12) is of the other two."""
    blocks = np.zeros((3, 3, 6, 6))
    blocks[1:, 1:] = covariance.reshape(2, 6, 2, 6).swapaxes(1, 2)
    others = [Placement(np.eye(4), "program", covariance=blocks[n, n], shared=blocks[n]) for n in (1, 2)]
    return [Placement(np.eye(4), "program", covariance=np.zeros((6, 6))), *others]


def drawn(rng: np.random.Generator) -> FloatArray:
    """(12, 12) of two fragments that share most of what is not known of them."""
    own, both = rng.normal(size=(2, 6, 6)), 3.0 * rng.normal(size=(6, 6))
    root = np.block([[own[0], both, np.zeros((6, 6))], [np.zeros((6, 6)), both, own[1]]])
    return np.asarray(root @ root.T)


def test_what_moves_two_fragments_alike_changes_no_size_between_them() -> None:
    """Against 200 000 draws: variance of three sizes, between two fragments and to the held one (JCGM 101:2008)."""
    rng = np.random.default_rng(1)
    covariance = drawn(rng)
    placements, slopes = placements_of(covariance), rng.normal(size=(2, 3, 6))
    slopes[1, 0] = -slopes[0, 0]
    levers = [Lever(n, placements[n], slopes[n - 1]) for n in (1, 2)]
    moves = rng.multivariate_normal(np.zeros(12), covariance, 200_000)
    sizes = moves[:, :6] @ slopes[0].T + moves[:, 6:] @ slopes[1].T
    assert variance(levers) == pytest.approx(sizes.var(axis=0), rel=0.02)
    added = sum(np.einsum("ni,ij,nj->n", one.slopes, one.placement.covariance, one.slopes) for one in levers)
    assert variance(levers)[0] < 0.3 * added[0]
    held = Lever(0, placements[0], slopes[1])
    assert variance([held, levers[0]]) == pytest.approx((moves[:, :6] @ slopes[0].T).var(axis=0), rel=0.02)


def test_a_layer_that_moves_both_fragments_alike_is_not_followed() -> None:
    rng = np.random.default_rng(2)
    along = np.array([0.0, 0, 0, 0, 0, 1])
    near, far = (LayerDoubt(along, 0.5, 0.2, 0.1, 0.0, 0.15, number) for number in (0, 1))
    moves = np.kron(np.ones((2, 1)), along[:, None])
    covariance = drawn(rng) + 0.15**2 * moves @ moves.T
    covariance[6:, 6:] += 0.15**2 * np.outer(along, along)
    _, one, other = placements_of(covariance)
    levers = [
        Lever(1, replace(one, layers=(near,)), -along[None]),
        Lever(2, replace(other, layers=(near, far)), along[None]),
    ]
    follows, rest = without_layers(levers)
    assert {doubt.joint: by for by, doubt in follows[0]} == {0: 0.0, 1: 1.0}
    assert rest[0] == pytest.approx(variance(levers)[0] - 0.15**2)


def test_placements_of_which_nothing_is_shared_are_added() -> None:
    """Jobs of an earlier day told only of each fragment by itself."""
    rng = np.random.default_rng(3)
    placements = [replace(one, shared=None) for one in placements_of(drawn(rng))]
    doubt = LayerDoubt(np.ones(6), 0.5, 0.2, 0.1, 0.0, 0.15)
    slopes = rng.normal(size=(2, 1, 6))
    levers = [Lever(n, replace(placements[n], layers=(doubt,)), slopes[n - 1]) for n in (1, 2)]
    added = sum(float(slopes[n - 1, 0] @ placements[n].covariance @ slopes[n - 1, 0]) for n in (1, 2))
    assert variance(levers)[0] == pytest.approx(added)
    assert [by for by, _ in without_layers(levers)[0][0]] == pytest.approx(slopes.sum(axis=2).ravel())
    assert not len(variance([]))


def test_what_is_shared_follows_when_a_fragment_that_stood_nowhere_is_taken_away() -> None:
    lone = Fragment(Scan("a", (), TETRAHEDRON, "mm", True, False, ()), TETRAHEDRON, 1.0, 0.01, (), 0, True, ())
    blocks = np.arange(3.0)[:, None, None] * np.ones((6, 6))
    placed = Placement(np.eye(4), "program", covariance=blocks[2], shared=blocks)
    placements = (Placement(np.eye(4), "program"), Placement(None, "program", "It fits nowhere."), placed)
    project = Project(scans=(lone.scan,) * 3, fragments=(lone,) * 3, placements=placements)
    left = remove_fragment(project, 1).placements
    assert left[1].shared is not None and np.array_equal(left[1].shared, blocks[[0, 2]])
    assert left[0].shared is None
