"""Work in threads, matrix routines in none: results in order, one report, an end for all once one is stopped."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest
import trimesh
from threadpoolctl import threadpool_info, threadpool_limits

from rejoin.core import steps
from rejoin.core.abreast import abreast
from rejoin.core.errors import Cancelled, FileTrouble, NoAnswer
from rejoin.core.records import Mesh, Project, Scan
from rejoin.core.settings import Report


def test_results_keep_the_order_of_the_things_whoever_ends_first() -> None:
    def work(number: int, report: Report) -> int:
        time.sleep(0.02 * (3 - number))
        return 10 * number

    assert abreast(work, [0, 1, 2, 3]) == [0, 10, 20, 30]
    assert abreast(work, [2]) == [20]
    assert abreast(work, []) == []


def test_calls_run_at_the_same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    both = threading.Barrier(2, timeout=10.0)
    assert len(set(abreast(lambda _, report: both.wait(), ["a", "b"]))) == 2


@pytest.mark.parametrize("processors", [1, 2])
def test_the_report_never_falls_and_ends_at_all(monkeypatch: pytest.MonkeyPatch, processors: int) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: processors)
    shares: list[float] = []

    def work(_: str, report: Report) -> None:
        for step in range(11):
            report(step / 10, "on it")

    abreast(work, ["a", "b"], lambda share, _: shares.append(share))
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)


def test_a_stop_ends_the_others_and_comes_out_as_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)
    ended = []

    def work(name: str, report: Report) -> None:
        try:
            for _ in range(10_000):
                report(0.5, name)
                time.sleep(0.001)
        finally:
            ended.append(name)

    def stop(_: float, sentence: str) -> None:
        if sentence == "b":
            raise Cancelled

    with pytest.raises(Cancelled):
        abreast(work, ["a", "b"], stop)
    assert sorted(ended) == ["a", "b"]


def test_what_stopped_it_is_told_though_its_thread_ends_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)

    def work(name: str, report: Report) -> None:
        try:
            for _ in range(10_000):
                report(0.5, name)
                time.sleep(0.001)
        finally:
            time.sleep(0.3 if name == "b" else 0.0)

    def stop(_: float, sentence: str) -> None:
        if sentence == "b":
            raise FileTrouble("The disk is full.", "Make room.")

    with pytest.raises(FileTrouble, match="disk is full"):
        abreast(work, ["a", "b"], stop)


def test_a_failure_of_one_is_what_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.cpu_count", lambda: 2)

    def work(name: str, report: Report) -> None:
        if name == "b":
            raise NoAnswer("The scan b holds no surface.", "Give the full scan of the fragment.")
        for _ in range(10_000):
            report(0.5, name)
            time.sleep(0.001)

    with pytest.raises(NoAnswer, match="holds no surface"):
        abreast(work, ["a", "b"])


def test_a_step_runs_its_matrix_routines_in_one_thread_and_leaves_them_as_they_were() -> None:
    ball = trimesh.creation.icosphere(3, 10.0)
    scan = Scan("ball", (), Mesh(np.array(ball.vertices), np.array(ball.faces, np.int32)), "mm", True, False, ())
    seen: set[int] = set()
    with threadpool_limits(2, user_api="blas"):
        before = threads_of_matrices()
        steps.clean(Project(scans=(scan,)), report=lambda share, sentence: seen.update(threads_of_matrices()))
        assert seen == {1}
        assert threads_of_matrices() == before == {2}


def threads_of_matrices() -> set[int]:
    return {library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"}
