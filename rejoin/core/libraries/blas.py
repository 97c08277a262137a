"""numpy's and scipy's matrix routines held to one thread while a step runs.

Our matrices are many and small. Threads inside each cost more than they give, wait for each other wherever something
else is running on the machine, and change last digits.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

Given = ParamSpec("Given")
Result = TypeVar("Result")


def unthreaded(work: Callable[Given, Result]) -> Callable[Given, Result]:
    """The same work, its matrix routines in one thread; afterwards they are as they were."""

    @wraps(work)
    def held(*args: Given.args, **kwargs: Given.kwargs) -> Result:
        import scipy.linalg  # noqa: F401  # only what is loaded can be held
        from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

        with threadpool_limits(1, user_api="blas"):
            return work(*args, **kwargs)

    return held
