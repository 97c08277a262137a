"""Which of two arrangements stands once both are adjusted: a rival is not put aside for resting loosely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from rejoin.core.errors import NoAnswer
from rejoin.core.merging.arranging import AMBIGUOUS, NEAR, SAME, told, weighed
from rejoin.core.merging.looks import Arrangement, Known, Looks, Poses, apart
from rejoin.core.merging.placing import at_rest
from rejoin.core.records import Fragment
from rejoin.core.settings import Report, part_of

if TYPE_CHECKING:
    from rejoin.core.alignment import Adjustment

CONTESTED = 0.3
"""Share of the best's worth from which a rival is adjusted before it is put aside: views that share little come to rest
a few spacings from their place, where surfaces that belong together clash, and what is worth half grows to as much."""


@dataclass(frozen=True, eq=False)
class Settled:
    """An arrangement adjusted by all its overlaps: ``began`` where, how far a view still moved, and the next best.

    ``near`` are places hardly apart from it and nearly as good; ``rival`` is the worth of the next best over its own.
    """

    began: Arrangement
    arrangement: Arrangement
    adjustment: Adjustment
    moving_mm: float
    near: tuple[Arrangement, ...] = ()
    rival: float = 0.0


def contested(
    best: Arrangement, rivals: Sequence[Arrangement], near: Sequence[Arrangement], views: Sequence[Fragment],
    known: Known, report: Report,
) -> Settled:  # fmt: skip
    """The best arrangement at rest, once those nearly as good were adjusted too.

    Parameters
    ----------
    best : Arrangement
    rivals : sequence of Arrangement
        Clearly others, the best first.
    near : sequence of Arrangement
        Hardly apart from the best.
    views : sequence of Fragment
    known : Known
    report : Report

    Returns
    -------
    Settled
    """
    close = [one for one in rivals if told(one, best, known) > CONTESTED * best.worth]
    looks, steps = Looks(known), len(close) + 1
    stand = [_rested(best, views, looks, part_of(report, 0.0, 1.0 / steps))]
    for number, one in enumerate(close, 1):
        try:
            rest = _rested(one, views, looks, part_of(report, number / steps, (number + 1) / steps))
        except NoAnswer:
            continue  # it holds nothing once adjusted
        if any(_one_place(rest, other, known) for other in stand):
            continue
        stand.append(rest)
        if AMBIGUOUS < told(rest.arrangement, stand[0].arrangement, known) / stand[0].arrangement.worth < 1 / AMBIGUOUS:
            break  # neither can be taken, whatever the others are worth
    marked = stand[0].arrangement
    worth = {id(one): told(one.arrangement, marked, known) for one in stand}
    first, *others = sorted(stand, key=lambda one: -worth[id(one)])
    worth_first = worth[id(first)]
    first = replace(first, near=tuple(near) if first.began is best else _near(first.began, rivals, known))
    if not others:
        return first
    found = replace(first.arrangement, other=others[0].arrangement.poses)
    return replace(first, arrangement=found, rival=worth[id(others[0])] / max(worth_first, 1e-12))


def _near(one: Arrangement, rivals: Sequence[Arrangement], known: Known) -> tuple[Arrangement, ...]:
    """Rivals of the first best that are hardly apart from one that outdid it."""
    like = (other for other in rivals if other is not one and other.poses.keys() == one.poses.keys())
    close = (other for other in like if apart(one.poses, other.poses, known.fine) < SAME)
    return tuple(other for other in close if other.worth > AMBIGUOUS * one.worth)[:NEAR]


def _rested(one: Arrangement, views: Sequence[Fragment], looks: Looks, report: Report) -> Settled:
    found, moving = at_rest(views, looks.known.fine, one, report)
    return Settled(one, weighed(found.part_from_scan, looks), found, moving)


def _one_place(one: Settled, other: Settled, known: Known) -> bool:
    first, second = _poses(one), _poses(other)
    return first.keys() == second.keys() and apart(first, second, known.fine) < SAME


def _poses(one: Settled) -> Poses:
    return one.adjustment.part_from_scan


__all__ = ["AMBIGUOUS", "Settled", "contested"]
