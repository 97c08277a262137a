"""What the worker does for a class. No Qt here."""

from __future__ import annotations

from rejoin.core.records import Project, Replay, Score
from rejoin.core.settings import Report


def replay(project: Project, report: Report) -> Replay:
    """The alignment of the project again, as it was set then, round by round."""
    from rejoin.core.lessons.replay import replayed

    return replayed(project, None, report)


def score(project: Project, report: Report) -> Score:
    """The job against the known answer of its sample."""
    from rejoin.core.lessons.answers import scored

    return scored(project, report)


def wrong_try(project: Project, report: Report, name: str) -> Project:
    """Two bars laid together, instead of the project."""
    from rejoin.core.lessons.tries import tried

    return tried(name, report)
