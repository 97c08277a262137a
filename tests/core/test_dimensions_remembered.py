"""An edit measures only what it changed, and the answer is that of measuring everything anew."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any
from weakref import ref

import numpy as np
import pytest

from rejoin.app.work.exchange import Exchange
from rejoin.core import edits, further
from rejoin.core.dimensions import checking, remembering
from rejoin.core.dimensions.told import as_whole
from rejoin.core.project import changed
from rejoin.core.records import Fragment, Mesh, Placement, Project, Reading, Scan
from rejoin.core.settings import DimensionSettings
from rejoin.core.transforms import from_vector
from tests.core.solids_to_measure import plate

OWN = Reading("own bore", "bore", np.array([[-10.0, 0, 0]]), (0,), 19.99, 0.02, 19.9, 20.1)
OTHER = Reading("other bore", "bore", np.array([[26.0, 0, 0]]), (1,))
WHOLE = Reading("centres on the whole", "centres", np.array([[-10.0, 0, 0], [26, 0, 0]]), (-1, -1), 40.01, 0.03)
ACROSS = Reading("across", "centres", np.array([[-10.0, 0, 0], [26, 0, 0]]), (0, 1))
LOST = Reading("lost", "bore", np.array([[500.0, 0, 0]]), (0,))


@pytest.fixture(autouse=True)
def nothing_remembered() -> Iterator[None]:
    remembering.forget()
    yield
    remembering.forget()


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The kinds that were measured, in order."""
    kinds: list[str] = []
    measure: Callable[..., Any] = checking.measure

    def counted(kind: str, *rest: Any) -> Any:
        kinds.append(kind)
        return measure(kind, *rest)

    monkeypatch.setattr(checking, "measure", counted)
    return kinds


def placement(shift: float) -> Placement:
    to = from_vector(np.array([0, 0, 0, shift, 0, 0]), np.zeros(3))
    return Placement(to, "program", covariance=1e-6 * np.eye(6))


def a_project() -> Project:
    scans, fragments = [], []
    for number in range(2):
        mesh = plate(0.02, spacing_mm=2.4)
        scan = Scan(f"half {number}", ("plate.stl",), mesh, "mm", True, False, ("0",))
        scans.append(scan)
        fragments.append(Fragment(scan, mesh, 1.0, 0.02, (), 0, True, ()))
    return Project(tuple(scans), tuple(fragments), placements=(placement(0.0), placement(0.5)),
                   whole=as_whole(fragments[0]))  # fmt: skip


def test_one_edit_measures_one(measured: list[str]) -> None:
    project = further.check_dimensions(edits.with_readings(a_project(), (OWN, OTHER, ACROSS, LOST)))
    assert measured == ["bore", "bore", "centres", "bore"]
    measured.clear()
    project = further.check_dimensions(edits.add_reading(project, WHOLE))
    assert measured == ["centres"]
    measured.clear()
    project = further.check_dimensions(edits.change_reading(project, 1, replace(OTHER, value=12.0, limit=0.03)))
    project = further.check_dimensions(edits.remove_reading(project, 0))
    assert measured == []
    moved = replace(WHOLE, picks_mm=WHOLE.picks_mm + 0.5)
    further.check_dimensions(edits.change_reading(project, 3, moved))
    further.check_dimensions(project, DimensionSettings(pick_reach=4.0))
    assert measured == ["centres"] + ["bore", "centres", "bore", "centres"]


def test_what_a_size_follows_from_is_measured_again(measured: list[str]) -> None:
    project = further.check_dimensions(edits.with_readings(a_project(), (OWN, OTHER, WHOLE, ACROSS)))
    measured.clear()
    after = changed(project, placements=(project.placements[0], placement(0.7)), whole=project.whole)
    after = further.check_dimensions(after)
    assert measured == ["centres", "centres"], "the bores lie on one scan each, wherever that stands"
    assert after.checks[3].value == pytest.approx(project.checks[3].value + 0.2, abs=1e-6)
    measured.clear()
    assert project.whole is not None
    mesh = project.whole.mesh
    larger = replace(project.whole, mesh=Mesh(mesh.vertices * 1.01, mesh.triangles))
    after = further.check_dimensions(changed(project, whole=larger))
    assert measured == ["centres"]
    assert after.checks[2].value == pytest.approx(1.01 * project.checks[2].value, abs=0.01)
    measured.clear()
    noisier = replace(project.fragments[0], noise_mm=0.05)
    further.check_dimensions(replace(project, fragments=(noisier, project.fragments[1])))
    assert measured == ["bore", "centres", "centres"]


def test_a_chain_of_edits_ends_as_measured_anew() -> None:
    project = further.check_dimensions(edits.with_readings(a_project(), (OWN, ACROSS, LOST)))
    assert project.whole is not None
    mesh = project.whole.mesh
    larger = replace(project.whole, mesh=Mesh(mesh.vertices * 1.002, mesh.triangles))
    for number, edit in enumerate((
        lambda p: edits.add_reading(p, WHOLE),
        lambda p: edits.change_reading(p, 0, replace(OWN, value=20.1, limit=0.03)),
        lambda p: edits.remove_reading(p, 2),
        lambda p: edits.add_reading(p, OTHER),
        lambda p: changed(p, whole=larger),
        lambda p: changed(p, placements=(placement(0.1), p.placements[1]), whole=p.whole),
        lambda p: edits.remove_reading(p, 0),
        lambda p: edits.add_reading(p, OWN),
    )):  # fmt: skip
        project = further.check_dimensions(edit(project))
        if number not in (2, 5, 7):
            continue
        kept = project.checks, project.scales
        remembering.forget()
        anew = further.check_dimensions(project)
        assert plainly(kept) == plainly((anew.checks, anew.scales))


def plainly(value: Any) -> Any:
    """All figures of records, to the last bit."""
    if is_dataclass(value):
        return {f.name: plainly(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        return value.shape, value.tobytes()
    return [plainly(one) for one in value] if isinstance(value, tuple) else value


def test_what_is_prepared_goes_with_its_mesh(monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = (Mesh(plate().vertices + shift, plate().triangles) for shift in (1.0, 2.0))
    ground = remembering.ready_ground(first)
    assert remembering.ready_ground(first) is ground
    monkeypatch.setattr(remembering, "MOST_VERTICES", len(ground.mesh.vertices) + 1)
    kept = remembering.ready_ground(second)
    assert remembering.ready_ground(second) is kept
    assert remembering.ready_ground(first) is not ground, "only so many vertices stay ready"
    gone = ref(first)
    del first, ground
    gc.collect()
    assert gone() is None
    assert len(remembering._grounds) == 0


def test_the_worker_remembers_from_one_question_to_the_next(measured: list[str]) -> None:
    """What did not change stays the same object on the wire, so it need not be measured again there."""
    window, worker = Exchange(), Exchange()
    project: Any = edits.with_readings(a_project(), (OWN, ACROSS, WHOLE))
    for _ in range(2):
        asked = worker.read(window.write(project, question=True), question=True)
        answer = further.check_dimensions(asked)
        project = window.read(worker.write(answer, question=False), question=False)
        project = edits.change_reading(project, 0, replace(OWN, value=20.0))
    assert measured == ["bore", "centres", "centres"]
