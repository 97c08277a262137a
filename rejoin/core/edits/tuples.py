"""Tuples with one item put in place or taken out."""

from __future__ import annotations

from typing import TypeVar

Item = TypeVar("Item")


def put(items: tuple[Item, ...], index: int, item: Item) -> tuple[Item, ...]:
    return (*items[:index], item, *items[index + 1 :])


def without(items: tuple[Item, ...], index: int) -> tuple[Item, ...]:
    return items[:index] + items[index + 1 :]
