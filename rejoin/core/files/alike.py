"""Files of one name in several folders, told apart where one of them is refused."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rejoin.core.errors import Cancelled, RejoinError
from rejoin.core.files.reading import scan_files


@contextmanager
def told_apart(path: str | Path, inputs: Sequence[str | Path]) -> Iterator[None]:
    """A refusal names a file with its folder where another input has one of that name.

    Parameters
    ----------
    path : path
        The input, a file or a folder, that is read.
    inputs : sequence of path
        All that are read with it.
    """
    try:
        yield
    except Cancelled:
        raise
    except RejoinError as error:
        others = {name for other in inputs if Path(other) != Path(path) for name in _named(other)}
        told, own = error.what_happened, _named(path)
        for name in others & own.keys():
            told = own[name].join(re.split(rf"(?<![\w/\\]){re.escape(name)}(?![\w/\\])", told))
        if told == error.what_happened:
            raise
        raise type(error)(told, error.what_to_do) from error


def _named(path: str | Path) -> dict[str, str]:
    """Names by which files of an input, and itself, are called, and what tells them from others."""
    try:
        files = [Path(file) for file in scan_files(path)]
    except RejoinError:
        files = []
    return {file.name: str(file) for file in [*files, Path(path)]}
