"""What was worked out last, kept for when it is asked for again, up to so many bytes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from threading import Lock
from typing import Generic, TypeVar

MOST = 250_000_000
"""Bytes kept: of the largest spectra, which take 20 million each, those of a batch of faces."""

Thing = TypeVar("Thing")


class _Place(Generic[Thing]):
    """One thing on the shelf, or where it will stand once it is made."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.size = 0
        self.things: list[Thing] = []


class Shelf(Generic[Thing]):
    """Things by their keys; the one that was not asked for the longest goes first. Threads may share it."""

    def __init__(self, most_bytes: int = MOST) -> None:
        self.held_bytes = 0
        self._most = most_bytes
        self._places: OrderedDict[Hashable, _Place[Thing]] = OrderedDict()
        self._lock = Lock()

    def kept(self, key: Hashable, make: Callable[[], tuple[Thing, int]]) -> Thing:
        """The thing of this key; ``make`` gives it and its bytes where it is not there, once however many ask."""
        with self._lock:
            place = self._places.setdefault(key, _Place())
            self._places.move_to_end(key)
        with place.lock:
            if not place.things:
                thing, size = make()
                place.things.append(thing)
                self._weigh(key, place, size)
            return place.things[0]

    def _weigh(self, key: Hashable, place: _Place[Thing], size: int) -> None:
        with self._lock:
            if self._places.get(key) is place:
                place.size = size
                self.held_bytes += size
            while self.held_bytes > self._most:
                self.held_bytes -= self._places.popitem(last=False)[1].size
