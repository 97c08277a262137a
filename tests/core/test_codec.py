"""Records to a plain skeleton plus arrays and back, and that untouched records stay the same objects."""

from __future__ import annotations

import gc
import json
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from rejoin.core.codec import KINDS, Table, array_key, pack, unpack, unpack_as
from rejoin.core.errors import FileTrouble
from rejoin.core.records import (
    Attachment,
    ByNumber,
    DimensionCheck,
    Evidence,
    FaceScore,
    Fill,
    FitReport,
    FitUp,
    FractureFace,
    Fragment,
    Hole,
    Joint,
    LayerDoubt,
    MadeBody,
    MadePart,
    MadeStep,
    MakePick,
    Mesh,
    Placement,
    PlacementScore,
    Project,
    Reading,
    Record,
    Repair,
    Replay,
    ReplayRound,
    ScaleCheck,
    Scan,
    ScanFault,
    ScanView,
    Score,
    Shape,
    StatedSize,
    StepRecord,
    SurfaceMap,
    Whole,
)


def full_project(seed: int = 0) -> Project:
    """A project with every kind of record, shared meshes, None, NaN and empty arrays in it."""
    rng = np.random.default_rng(seed)
    mesh = Mesh(rng.normal(size=(50, 3)), rng.integers(0, 50, (80, 3)))
    scan = Scan("left", ("left.stl",), mesh, "mm", False, False, ("ab",), (Repair("unit", 1, "A doubtful unit."),))
    views = (ScanView("top", np.eye(4), 9, 1.0, 0.0, 0.02),)
    other = Scan("right", ("right.3mf",), Mesh(mesh.vertices + 1, mesh.triangles), "inch", True, True, ("cd", "ef"),
                 views=views, views_u95_mm=0.1, role="reference", mirrored=True)  # fmt: skip
    hole = Hole(np.arange(5), 2.5, np.zeros(3))
    faults = (ScanFault("hole", "A hole.", np.zeros(3), 2.0),)
    fragments = (
        Fragment(scan, mesh, 0.3, 0.02, (hole,), 2, False, ()),
        Fragment(other, other.mesh, 0.3, float("nan"), (), 0, True, (), faults),
    )
    faces = tuple(FractureFace(i, np.arange(10 * i), 12.5, 0.9, "program") for i in range(2))
    joint = Joint(0, 1, faces[0], faces[1], np.eye(4), Evidence(9.0, 1.0, 50.0, 0.8, 0.02, 0.0, 3.0, True, "It holds."))
    fit = FitReport(
        0,
        np.arange(4),
        np.arange(3),
        np.array([0.1, np.nan, 0.2, -0.1]),
        np.zeros(3),
        4.0,
        0.1,
        0.2,
        0.05,
        0.7,
        None,
        0.0,
        0.01,
        "good",
        "It fits.",
    )
    whole = Whole(
        mesh,
        100.0,
        60.0,
        True,
        1,
        0,
        np.arange(3),
        np.empty(0),
        0.5,
        (Fill("hole", 2.5, 0.5, np.ones(3)),),
        0,
        float("inf"),
        ("a note",),
        by_number=(ByNumber("bore", 20.0, np.zeros(3), np.ones(3), "By number."),),
        number_triangles=np.arange(2),
    )
    placements = (
        Placement(np.eye(4), "program", covariance=np.eye(6), u95_mm=0.05,
                  layers=(LayerDoubt(np.arange(6.0), 0.2, 0.1, 0.05, 0.0, 0.06),)),  # fmt: skip
        Placement(None, "nobody", "It is a stranger."),
    )
    history = (StepRecord("read", (("unit", None), ("limits", (1, 2.5, "x"))), 0.25),)
    reading = Reading("bore", "bore", np.ones((1, 3)), (0,), 20.0, None, 19.5, None, "mm")
    shape = Shape("cylinder", np.zeros(3), np.ones(3), 10.0, None, 0.01, 0.05, None, 1.0, 40, 0.01, np.eye(8))
    check = DimensionCheck("bore", "bore", 20.0, 0.01, (("two-point, mean", 20.0),), np.zeros((1, 2, 3)), (shape,), 0,
                           20.0, None, 0.0, None, "not read", "pass", False, "It fits.")  # fmt: skip
    marks = np.ones((2, 3))
    fit_up = FitUp(0, 0.1, None, 0.0, 0.2, 48.0, 144.0, (1.0, 2.0, 3.0), marks, marks, np.ones(2), np.ones(2),
                   np.ones(3), 0.0, (("D", 3.0),), ("a note",), ("a caution",))  # fmt: skip
    body = MadeBody("half", mesh, 1, 10.0, np.eye(4))
    made = MadePart("pattern", "a pattern", "A", mesh, (body,), (MadeStep("stock", True, "3 mm."),), None,
                    ((1.0, 2.0, 3.0, 4.0),), (), ("a caution",))  # fmt: skip
    return Project(
        (scan, other), fragments, faces, (joint,), placements, (fit,), whole, history,
        readings=(reading,), checks=(check,), scales=(ScaleCheck(0, 1.0, 0.01, 2, "proven", "It holds."),),
        fit_ups=(fit_up,), stated=(StatedSize(0, np.zeros(3), 1, np.ones(3), 5.0, 0.1),),
        picks=(MakePick("stock", np.zeros(3), 3.0),), made=(made,),
        attachments=(Attachment("part", "a lever", "a.txt", "ab", np.arange(5, dtype=np.uint8)),),
    )  # fmt: skip


def answers() -> tuple[Record, ...]:
    """What the worker answers with besides projects."""
    shown = ReplayRound("start", np.stack([np.eye(4)] * 2), float("nan"), np.zeros((0, 3)), np.zeros((0, 3)))
    place = PlacementScore(1, None, None, "Not placed.")
    score = Score("rocker", (FaceScore(0, "person", 1.0, 0.0, "Well."),), (place,))
    mesh = full_project().scans[0].mesh
    away = SurfaceMap("clearance", mesh, np.full(len(mesh.vertices), np.nan), 0.04, "lid.ply", None, "It fits.")
    return Replay((0, 1), (shown, shown), 0.001, 0.04), score, away


def same(one: Any, two: Any) -> bool:
    """Equal all the way down: types, dtypes, bits, read-only flags."""
    if isinstance(one, Record):
        return type(one) is type(two) and all(same(getattr(one, n), getattr(two, n)) for n in one.__dataclass_fields__)
    if isinstance(one, np.ndarray):
        return (one.dtype, one.shape, one.tobytes()) == (
            two.dtype,
            two.shape,
            two.tobytes(),
        ) and not two.flags.writeable
    if isinstance(one, tuple):
        return len(one) == len(two) and all(same(a, b) for a, b in zip(one, two, strict=True))
    return type(one) is type(two) and (one == two or (one != one and two != two))


def through_json(skeleton: Any) -> Any:
    return json.loads(json.dumps(skeleton, allow_nan=False))


def copied(arrays: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {key: array.copy() for key, array in arrays.items()}


def test_all_records_come_back_bit_for_bit() -> None:
    seen: set[str] = set()
    for record in (full_project(), *answers()):
        skeleton, arrays = pack(record)
        back = unpack(through_json(skeleton), copied(arrays))
        assert same(record, back)
        seen |= {type(r).__name__ for r in _all_records(record)}
    assert seen == set(KINDS), "the test holds every kind of record"


def _all_records(value: Any) -> list[Record]:
    if isinstance(value, tuple):
        return [r for item in value for r in _all_records(item)]
    if not isinstance(value, Record):
        return []
    return [value, *(r for n in value.__dataclass_fields__ for r in _all_records(getattr(value, n)))]


def test_an_untouched_record_is_the_same_object_after_the_trip() -> None:
    project, here, there = full_project(), Table(), Table()
    skeleton, arrays = pack(project, here)
    at_work = unpack_as(Project, through_json(skeleton), copied(arrays), there)
    assert at_work.scans[0].mesh is at_work.fragments[0].mesh is at_work.whole.mesh  # type: ignore[union-attr]
    joint = replace(at_work.joints[0], state="pinned")
    answer, answer_arrays = pack(replace(at_work, joints=(joint,)), there)
    lacking = {key: array for key, array in answer_arrays.items() if key not in arrays}
    assert lacking == {}, "nothing large goes back"
    back = unpack_as(Project, through_json(answer), lacking, here)
    for level in ("scans", "fragments", "faces", "placements", "fits", "history"):
        assert all(a is b for a, b in zip(getattr(back, level), getattr(project, level), strict=True)), level
    assert (
        back.whole is project.whole and back.joints[0].state == "pinned" and back.joints[0].face_a is project.faces[0]
    )
    assert unpack(through_json(pack(back, here)[0]), {}, here) is back


def test_two_equal_records_stay_two() -> None:
    first = full_project()
    twice = Project(scans=(first.scans[0], replace(first.scans[0])))
    assert twice.scans[0] is not twice.scans[1]
    here, there = Table(), Table()
    skeleton, arrays = pack(twice, here)
    away = unpack_as(Project, through_json(skeleton), copied(arrays), there)
    assert away.scans[0] is not away.scans[1] and away.scans[0].mesh is away.scans[1].mesh
    back = unpack_as(Project, through_json(pack(away, there)[0]), {}, here)
    assert all(a is b for a, b in zip(back.scans, twice.scans, strict=True))


def test_packing_twice_hashes_once(monkeypatch: pytest.MonkeyPatch) -> None:
    project, table = full_project(3), Table()
    pack(project, table)
    monkeypatch.setattr("rejoin.core.codec.blake2b", None)
    pack(project, table)
    array_key(project.scans[0].mesh.vertices)


def test_a_table_keeps_nothing_alive() -> None:
    table = Table()
    skeleton, arrays = pack(full_project(4), table)
    unpack(skeleton, copied(arrays), table)
    del arrays
    gc.collect()
    assert not table.records and not table.arrays


def test_a_key_depends_on_type_shape_and_bytes() -> None:
    base = np.arange(6.0)
    keys = [
        array_key(a)
        for a in (
            base,
            base.reshape(2, 3),
            base.astype(np.float32),
            base.view(np.int64),
            base + 1,
            np.empty(0),
            np.empty((0, 3)),
            np.zeros(()),
            np.asfortranarray(base.reshape(2, 3)),
        )
    ]
    assert len(set(keys[:-1])) == len(keys) - 1 and keys[-1] == keys[1]
    changing = np.zeros(3)
    before = array_key(changing)
    changing[0] = 1.0
    assert array_key(changing) != before, "a writable array is hashed afresh"


def _broken(change: Any) -> Any:
    skeleton, arrays = pack(full_project())
    skeleton = through_json(skeleton)
    change(skeleton, skeleton["records"][skeleton["root"]]["fields"])
    return skeleton, arrays


@pytest.mark.parametrize(
    "change",
    [
        lambda s, f: s.pop("root"),
        lambda s, f: s.update(records=[]),
        lambda s, f: s.update(root="nothing"),
        lambda s, f: s["records"][s["root"]].update(kind="Popen"),
        lambda s, f: s["records"][s["root"]].update(kind="Record"),
        lambda s, f: s["records"][s["root"]].update(fields=None),
        lambda s, f: f.update(scans=[{"record": "nothing"}]),
        lambda s, f: f.update(scans=[{"record": s["root"]}]),
        lambda s, f: f.update(scans="left"),
        lambda s, f: f.update(whole=3),
        lambda s, f: f.update(whole={"pickle": "x"}),
        lambda s, f: f.update(extra=1),
        lambda s, f: f.update(scans=[1]),
        lambda s, f: s["records"][f["scans"][0]["record"]]["fields"].pop("mesh"),
        lambda s, f: s["records"][f["scans"][0]["record"]]["fields"].update(mesh={"array": "0"}),
        lambda s, f: s["records"][f["fragments"][0]["record"]]["fields"].update(spacing_mm="0.3"),
        lambda s, f: s["records"][f["fragments"][0]["record"]]["fields"].update(specks=True),
        lambda s, f: s["records"][f["fragments"][0]["record"]]["fields"].update(noise_mm={"float": "1e5"}),
    ],
)
def test_an_unsound_skeleton_is_refused(change: Any) -> None:
    skeleton, arrays = _broken(change)
    with pytest.raises(FileTrouble, match="damaged"):
        unpack(skeleton, arrays)


def test_a_missing_array_or_another_root_is_refused() -> None:
    skeleton, arrays = pack(full_project())
    with pytest.raises(FileTrouble):
        unpack(skeleton, dict(list(arrays.items())[1:]))
    skeleton, arrays = pack(full_project().scans[0])
    with pytest.raises(FileTrouble, match="Scan"):
        unpack_as(Project, skeleton, arrays)


def test_a_field_added_later_takes_its_default() -> None:
    skeleton, arrays = _broken(lambda s, f: f.pop("history"))
    assert unpack_as(Project, skeleton, arrays).history == ()


def test_what_is_no_record_is_not_packed() -> None:
    @dataclass(frozen=True, eq=False)
    class Mesh(Record):  # same name as a record, yet another class
        x: int

    with pytest.raises(TypeError):
        pack(Mesh(1))
    for value in ([1], {"a": 1}, object(), b"x", np.array(["x"]), np.array([None])):
        with pytest.raises(TypeError):
            pack(StepRecord("read", (("value", value),), 0.0))


@pytest.mark.parametrize("wrong", [
    Mesh([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]], [[0, 1, 2]]),
    Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 3]]),
    Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, -1, 2]]),
    Mesh([[0, 0], [1, 0], [0, 1]], [[0, 1, 2]]),
])  # fmt: skip
def test_what_is_no_mesh_is_refused(wrong: Mesh) -> None:
    """Another array in its place would otherwise pass: each is whole in itself."""
    with pytest.raises(FileTrouble, match="what should be a mesh is none"):
        unpack(*pack(wrong))
