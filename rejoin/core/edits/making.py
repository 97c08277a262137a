"""Making by hand: name faces and what is done to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rejoin.core.project import changed
from rejoin.core.records import MakePick, Project


def with_picks(project: Project, picks: Sequence[MakePick]) -> Project:
    """The project with these picks; what was made with the former ones is forgotten."""
    return changed(replace(project, picks=tuple(picks)), made=())
