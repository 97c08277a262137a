"""Fixtures that several test modules share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from rejoin.core.merging import coarse, lookalikes
from tests.makers import Case, make_case


@pytest.fixture(scope="session")
def broken() -> Callable[..., Case]:
    """`make_case` with a memory: a case that several tests use is made once per run."""
    made: dict[Any, Case] = {}

    def case_of(shape: str, seed: int, **options: Any) -> Case:
        key = (shape, seed, tuple(sorted(options.items())))
        if key not in made:
            made[key] = make_case(shape, seed, **options)
        return made[key]

    return case_of


@pytest.fixture(scope="module")
def fewer_tries() -> Iterator[None]:
    """Views of easy cases need no long search."""
    before = lookalikes.TRIES, lookalikes.KEPT, coarse.FINALS
    lookalikes.TRIES, lookalikes.KEPT, coarse.FINALS = 400_000, 4_000, 16
    yield
    lookalikes.TRIES, lookalikes.KEPT, coarse.FINALS = before
