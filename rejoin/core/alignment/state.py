"""Where the fragments stand between two rounds of the adjustment, and the small steps from one state to the next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from rejoin.core.errors import NoAnswer
from rejoin.core.records import FloatArray, Fragment
from rejoin.core.uncertainty.equations import Contact, Layout, Statement
from rejoin.core.uncertainty.noise import Whitened

Poses = dict[int, FloatArray]

Watch = Callable[[str, Poses], None]
"""Told what is being done and where the fragments stand, after every round."""


def unwatched(stage: str, poses: Poses) -> None:
    """Nobody looks on."""


@dataclass(frozen=True, eq=False)
class State:
    """Poses, layers and what the joints say there."""

    poses: Poses
    layers: FloatArray
    contacts: list[Contact]
    statements: list[Statement]
    settled: bool


class NothingOpposite(NoAnswer):
    """A joint (``number`` in the list of joints) whose faces find nothing opposite each other."""

    def __init__(self, number: int, first: str, second: str) -> None:
        super().__init__(
            f"The faces of {first} and {second} find nothing opposite each other.",
            "Bring them together by hand until they nearly touch, or mark three places on each.",
        )
        self.number = number


def followed(told: Whitened, seen: FloatArray) -> Whitened:
    """The least squares after a small change that was solved for: the right sides follow, the matrices stay."""
    return replace(told, right=told.right - told.plain @ seen, scores=told.scores - told.parts @ seen)


def carried(contact: Contact, moves: Poses, layer: float) -> Contact:
    """The contact after its fragments have moved, the pairs being the same."""
    still = np.eye(4)
    pairs = contact.pairs.moved(moves.get(contact.a, still), moves.get(contact.b, still))
    return replace(contact, pairs=pairs, residuals=pairs.gaps - layer)


def solved(matrix: FloatArray, right: FloatArray, layout: Layout, free: bool) -> FloatArray:
    """Solve for poses (and layers); unknowns that nothing holds stay where they are."""
    count = layout.size if free else 6 * len(layout.movable)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix)[:count], 1e-300))
    scaled = matrix[:count, :count] * scale[:, None] * scale
    answer = np.zeros(layout.size)
    answer[:count] = scale * np.linalg.solve(scaled + 1e-10 * np.eye(count), scale * right[:count])
    return answer


def radius_of(fragment: Fragment) -> float:
    """Half the diagonal of the fragment's box, mm."""
    return float(np.linalg.norm(np.ptp(fragment.mesh.vertices, axis=0))) / 2.0
