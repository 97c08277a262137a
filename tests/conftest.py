"""Fixtures that several test modules share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

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
