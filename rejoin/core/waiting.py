"""Rough poses of two fragments that wait to be followed up, in which order, and what a quick look makes of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rejoin.core.records import FloatArray
from rejoin.core.search import Hypothesis

BY_BOTH, BY_INFORMATION, BY_OUTLINE = (2.0, 0.0), (0.0,), (8.0,)
"""Powers of the overlap by which rough poses are put in order: by outline and information, and by information alone,
in turn; by information alone; and mostly by outline, as flat faces have hardly anything else."""

NOTHING = 1.0
"""A quick look that scores less, to either side, shows nothing."""


@dataclass(frozen=True, eq=False)
class Start:
    """A pose after a first approach, its score in a quick look, and the rough pose that led to it.

    Of the rough pose, ``share`` is the overlap and ``told`` what it told, by outline and information.
    """

    score: float
    pose: FloatArray
    rough: FloatArray
    share: float
    told: float

    @property
    def order(self) -> tuple[float, float]:
        """Best first; where the quick look shows nothing, the rough pose speaks."""
        return (-self.score if abs(self.score) > NOTHING else 0.0, -self.told)


class Waiting(list[Hypothesis]):
    """Rough poses that were not followed up yet."""

    def best(
        self, tries: int, orders: tuple[float, ...], known: Sequence[FloatArray],
        alike: Callable[[FloatArray, FloatArray], bool], barred: Callable[[FloatArray], bool] | None = None,
    ) -> list[Hypothesis]:  # fmt: skip
        """Take out so many, by each order in turn; what is alike one taken, or one ``known``, is dropped.

        What is ``barred`` goes on waiting.
        """
        fresh: list[Hypothesis] = []
        passed: list[Hypothesis] = []
        poses = list(known)
        while self and len(fresh) < tries:
            power = orders[len(fresh) % len(orders)]
            first = max(self, key=lambda h: h.score * h.share**power)
            self.remove(first)
            if barred is not None and barred(first.a_from_b):
                passed.append(first)
            elif not any(alike(first.a_from_b, rough) for rough in poses):
                fresh.append(first)
                poses.append(first.a_from_b)
        self.extend(passed)
        return fresh
