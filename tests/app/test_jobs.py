"""The worker process: identity, progress, cancel, crash."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from rejoin.app.bench.jobs import STANDS_BACK, Jobs
from rejoin.app.work.exchange import Exchange
from tests.app import made_up, odd_tasks


@pytest.fixture(scope="module")
def jobs(qapp):
    made = Jobs()
    yield made
    made.close()


def finished(qtbot, jobs, task, project, **wishes):
    with qtbot.waitSignal(jobs.finished, timeout=30_000) as caught:
        assert jobs.start("Work", task, project, **wishes)
    assert not jobs.busy
    return caught.args[1]


def failed(qtbot, jobs, task, project, **wishes):
    with qtbot.waitSignal(jobs.failed, timeout=30_000) as caught:
        assert jobs.start("Work", task, project, **wishes)
    assert not jobs.busy
    return caught.args


def test_what_a_step_did_not_touch_is_the_same_object(qtbot, jobs):
    project = made_up.joined()
    after = finished(qtbot, jobs, odd_tasks.rename_first, project, name="handle")
    assert after.scans[0].name == "handle" and project.scans[0].name != "handle"
    assert after.fragments[0].mesh is project.fragments[0].mesh
    assert after.fragments[1] is project.fragments[1]
    assert after.fits[0] is project.fits[0]
    again = finished(qtbot, jobs, odd_tasks.touch_nothing, after)
    assert again is after


def test_arrays_come_back_read_only(qtbot, jobs):
    after = finished(qtbot, jobs, odd_tasks.rename_first, made_up.scans(0.5), name="handle")
    assert not after.scans[0].mesh.vertices.flags.writeable


def test_only_what_the_other_end_lacks_is_sent():
    here, there = Exchange(), Exchange()
    project = made_up.joined()
    message = here.write(project, question=True)
    assert len(message[1]) > 5
    got = there.read(message, question=True)
    back = there.write(got, question=False)
    assert back[1] == {}
    assert here.read(back, question=False) is project
    assert here.write(project, question=True)[1] == {}
    changed = made_up.whole()
    sent = here.write(changed, question=True)[1]
    mesh = changed.whole.mesh
    assert any(np.array_equal(array, mesh.vertices) for array in sent.values())
    assert not any(np.array_equal(array, project.fragments[0].mesh.vertices) for array in sent.values())


def test_progress_arrives_and_nothing_else_may_start(qtbot, jobs):
    told = []
    jobs.progress.connect(lambda share, sentence: told.append((share, sentence)))
    with qtbot.waitSignal(jobs.finished, timeout=30_000):
        assert jobs.start("Dawdle", odd_tasks.dawdle, made_up.scans(), seconds=0.4)
        assert jobs.busy and not jobs.start("Another", odd_tasks.touch_nothing, made_up.scans())
    assert (0.3, "Dawdling") in told


def test_a_refusal_arrives_in_its_two_sentences(qtbot, jobs):
    assert failed(qtbot, jobs, odd_tasks.give_up, made_up.scans())[1:3] == ["Nothing fits.", "Try another part."]


def test_a_fault_of_the_program_is_a_message(qtbot, jobs):
    words = failed(qtbot, jobs, odd_tasks.trip, made_up.scans())
    assert "AttributeError" in words[1] and "Nothing was changed" in words[2]


@pytest.mark.parametrize("thread", [False, True])
def test_too_little_memory_is_a_sentence(qtbot, jobs, thread: bool):
    words = failed(qtbot, jobs, odd_tasks.find_no_memory, made_up.scans(), thread=thread)
    assert "memory of this computer was not enough" in words[1]


def test_the_worker_has_no_qt(qtbot, jobs):
    assert failed(qtbot, jobs, odd_tasks.look_for_qt, made_up.scans())[1] == "none"


def test_cancel_is_quick_and_the_next_work_runs(qtbot, jobs):
    with qtbot.waitSignal(jobs.progress, timeout=30_000, check_params_cb=lambda share, text: text == "Dawdling"):
        jobs.start("Dawdle", odd_tasks.dawdle, made_up.scans(), seconds=60.0)
    before = time.monotonic()
    with qtbot.waitSignal(jobs.cancelled, timeout=2000):
        jobs.cancel()
    assert time.monotonic() - before < 1.0 and not jobs.busy
    project = made_up.scans()
    assert finished(qtbot, jobs, odd_tasks.touch_nothing, project) is project


def test_a_crash_is_a_message_and_the_next_work_runs(qtbot, jobs):
    words = failed(qtbot, jobs, odd_tasks.die, made_up.scans())
    assert "stopped unexpectedly" in words[1]
    project = made_up.scans()
    assert finished(qtbot, jobs, odd_tasks.touch_nothing, project) is project


def test_a_worker_killed_from_outside_is_replaced(qtbot, jobs):
    first = jobs.process_id
    with qtbot.waitSignal(jobs.progress, timeout=30_000, check_params_cb=lambda share, text: text == "Dawdling"):
        jobs.start("Dawdle", odd_tasks.dawdle, made_up.scans(), seconds=60.0)
    with qtbot.waitSignal(jobs.failed, timeout=5000):
        os.kill(first, signal.SIGTERM)
    project = made_up.scans()
    assert finished(qtbot, jobs, odd_tasks.touch_nothing, project) is project
    assert jobs.process_id != first


@pytest.mark.skipif(not hasattr(os, "getpriority"), reason="this system knows no such order")
def test_the_worker_and_all_its_threads_come_after_the_window(qtbot, jobs):
    project = made_up.scans()
    assert finished(qtbot, jobs, odd_tasks.touch_nothing, project) is project  # its libraries are loaded
    threads = Path(f"/proc/{jobs.process_id}/task")
    numbers = [int(t.name) for t in threads.iterdir()] if threads.exists() else [jobs.process_id]
    own = os.getpriority(os.PRIO_PROCESS, 0)
    assert all(os.getpriority(os.PRIO_PROCESS, number) == min(own + STANDS_BACK, 19) for number in numbers)
