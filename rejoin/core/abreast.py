"""The same work on several things at once, in threads; the results are those of one after the other."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from threading import Event, Lock
from typing import TypeVar

from rejoin.core.errors import Cancelled
from rejoin.core.settings import Report, silent

Thing = TypeVar("Thing")
Result = TypeVar("Result")

MOST = 4
"""More at once would multiply the memory that the work takes."""


def abreast(
    work: Callable[[Thing, Report], Result], things: Sequence[Thing], report: Report = silent
) -> list[Result]:
    """``work(thing, report)`` of each thing, in their order.

    Parameters
    ----------
    work : callable
        Must not change what another call sees. Its report is the mean of all that run.
    things : sequence
    report : Report, optional
        Called by one thread at a time. Once it has raised, the others end with their next report.

    Raises
    ------
    Exception
        The first that a call raised.
    """
    count = min(len(things), MOST, os.cpu_count() or 1)
    if count < 2:
        return [work(thing, _share_of(report, number, len(things))) for number, thing in enumerate(things)]
    stopped, reporters, unfinished = Event(), _Reporters(report, len(things)), True
    with ThreadPoolExecutor(count) as pool:
        try:
            futures = [pool.submit(work, thing, reporters.one(n, stopped)) for n, thing in enumerate(things)]
            unfinished = bool(wait(futures, return_when=FIRST_EXCEPTION).not_done)
        finally:  # also where the person stopped it meanwhile
            if unfinished:
                stopped.set()
                pool.shutdown(wait=False, cancel_futures=True)
    errors = [error for future in futures if not future.cancelled() and (error := future.exception())]
    for error in sorted(errors, key=lambda error: isinstance(error, _Dropped)):
        raise error
    return [future.result() for future in futures]


def _share_of(report: Report, number: int, count: int) -> Report:
    return lambda share, sentence: report((number + share) / count, sentence)


class _Dropped(Cancelled):
    """Ends a thread whose result is no longer wanted."""


class _Reporters:
    """Reports of several threads made one."""

    def __init__(self, report: Report, count: int) -> None:
        self._report, self._shares, self._lock = report, [0.0] * count, Lock()

    def one(self, number: int, stopped: Event) -> Report:
        def told(share: float, sentence: str) -> None:
            with self._lock:
                if stopped.is_set():
                    raise _Dropped
                self._shares[number] = share
                try:
                    self._report(sum(self._shares) / len(self._shares), sentence)
                except BaseException:
                    stopped.set()
                    raise

        return told
