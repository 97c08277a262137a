"""What matching keeps of the faces it compared: up to a limit, whatever it compares, and the joints are the same."""

from __future__ import annotations

import threading
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import pytest

from rejoin.core import steps
from rejoin.core.records import Project, Scan
from rejoin.core.settings import MatchSettings
from rejoin.core.shelf import Shelf
from tests.makers import Case

LITTLE = 30_000_000
"""Bytes that are kept here."""


@pytest.fixture(scope="module")
def mixed(broken: Callable[..., Case]) -> Project:
    """The two pieces of a bracket and one of another part, which fits nowhere, so that everything is looked at."""
    bracket, other = (broken(*part, spacing_mm=0.8) for part in (("bracket", 31), ("connecting_rod", 32)))
    meshes = (*bracket.fragments, other.fragments[1])
    scans = [Scan(f"f{n}", (f"f{n}",), mesh, "mm", True, False, (str(n),)) for n, mesh in enumerate(meshes)]
    return steps.find_faces(steps.clean(Project(scans=tuple(scans))))


def test_comparing_all_faces_of_strangers_takes_little_memory(
    mixed: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With nothing dropped it takes 396 million bytes here."""
    monkeypatch.setattr(Shelf.__init__, "__defaults__", (LITTLE,))
    strangers = replace(
        mixed, fragments=mixed.fragments[1:],
        faces=tuple(replace(face, fragment=face.fragment - 1) for face in mixed.faces if face.fragment),
    )  # fmt: skip
    tracemalloc.start()
    try:
        assert steps.match(strangers).joints == ()
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 5 * LITTLE


def test_the_joints_are_the_same_however_little_is_kept(mixed: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = MatchSettings(thoroughness=1)
    usual = steps.match(mixed, quick).joints
    monkeypatch.setattr(Shelf.__init__, "__defaults__", (0,))
    found = steps.match(mixed, quick).joints
    assert len(found) == len(usual) == 1
    assert found[0].a_from_b.tobytes() == usual[0].a_from_b.tobytes()
    assert repr(found[0].evidence) == repr(usual[0].evidence)


def test_what_was_not_asked_for_the_longest_goes_first_and_what_is_held_is_made_once() -> None:
    made: list[str] = []

    def asked(key: str) -> str:
        return shelf.kept(key, lambda: (made.append(key) or key.upper(), 10))

    shelf: Shelf[str] = Shelf(20)
    assert [asked(key) for key in "abacab"] == list("ABACAB")
    assert "".join(made) == "abcb" and shelf.held_bytes == 20


def test_two_threads_that_ask_at_once_wait_for_one_another() -> None:
    shelf: Shelf[int] = Shelf()
    made: list[int] = []

    def make() -> tuple[int, int]:
        time.sleep(0.05)
        made.append(7)
        return 7, 8

    threads = [threading.Thread(target=lambda: shelf.kept("key", make)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert made == [7] and shelf.held_bytes == 8
