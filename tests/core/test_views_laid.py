"""What speaks for and against a pose of views: the plate, the air that was seen, and whether there is an inside."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import manifold3d
import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from rejoin.core import merging
from rejoin.core.cleaning import clean_scan
from rejoin.core.errors import NoAnswer
from rejoin.core.merging import arranging, coarse, contested, placing, refused
from rejoin.core.merging.air import air_of
from rejoin.core.merging.arranging import _repeats, _rested, _worse_place
from rejoin.core.merging.close import Close, fine_of
from rejoin.core.merging.closing import inside
from rejoin.core.merging.coarse import seen_of
from rejoin.core.merging.holding import drifted, held
from rejoin.core.merging.lookalikes import nearest
from rejoin.core.merging.looks import Arrangement, Known, Longer, Looks, alone, arrangement_of
from rejoin.core.merging.planar import planes_of, plate_poses
from rejoin.core.merging.props import looked_from, props, whole_lumps
from rejoin.core.merging.sight import Sight, odd_share
from rejoin.core.merging.support import trimmed
from rejoin.core.merging.tables import Scene, over_tables
from rejoin.core.meshes import compacted
from rejoin.core.records import FloatArray, Fragment, Mesh, Scan
from rejoin.core.settings import CleanSettings, silent
from rejoin.core.transforms import apply, displacement, inverse, rigid
from tests.makers import scanning
from tests.makers.breaking import as_mesh

UP = np.array([0.0, 0.0, 1.0])


def sheet(low: tuple[float, float], high: tuple[float, float], height: float, step: float = 1.0) -> Mesh:
    """A flat sheet that faces up, bent nowhere."""
    x, y = np.meshgrid(*(np.arange(a, b + step / 2, step) for a, b in zip(low, high, strict=True)), indexing="ij")
    n = x.shape[1]
    a = (np.arange(x.shape[0] - 1)[:, None] * n + np.arange(n - 1)).ravel()
    quads = np.stack([a, a + n, a + n + 1, a + 1], axis=1)
    return Mesh(np.stack([x.ravel(), y.ravel(), np.full(x.size, height)], axis=1),
                np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]]).astype(np.int32))  # fmt: skip


def both(one: Mesh, other: Mesh) -> Mesh:
    return Mesh(np.concatenate([one.vertices, other.vertices]),
                np.concatenate([one.triangles, other.triangles + len(one.vertices)]))  # fmt: skip


def moved(mesh: Mesh, pose: FloatArray) -> Mesh:
    return Mesh(apply(pose, mesh.vertices), mesh.triangles)


def view(mesh: Mesh) -> Fragment:
    scan = Scan("view", ("view.ply",), mesh, "mm", True, False, ("view",))
    return clean_scan(scan, CleanSettings(flip_inside_out=False))


def sight(piece: Mesh, plate: float | None = 0.0) -> Sight:
    """A view of a piece on a plate at z = 0, or at another height; without one, nothing is known of up."""
    own = view(piece)
    if plate is None:
        return Sight(own, fine_of(own), None)
    return Sight(own, fine_of(own), Scene(both(sheet((-40, -40), (60, 60), plate, 4.0), piece), plate * UP, UP))


PIECE = sheet((0, 0), (20, 20), 10.0)


def test_the_plate_that_is_cut_away_tells_which_way_is_up() -> None:
    solid = both(sheet((-40, -40), (60, 60), 3.0), sheet((0, 0), (20, 20), 13.0))
    table = trimmed(solid, 1.0, 0.02).table
    assert table is not None and table[0][2] == pytest.approx(3.0, abs=0.1) and table[1] @ UP > 0.999
    assert trimmed(PIECE, 1.0, 0.02).table is None


def test_a_plate_smaller_than_a_face_of_the_piece_that_stands_on_it_is_cut_away() -> None:
    """A cover on its edge: its own broad side is the largest plane of the view, and is no plate."""
    upright = rigid(np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]), np.array([-5.0, 10.0, 0.0]))
    side = moved(sheet((0, 0), (30, 120), 0.0), upright)
    cut = trimmed(both(sheet((-15, -15), (35, 35), 0.0), side), 1.0, 0.02)
    assert cut.table is not None and cut.table[1] @ UP > 0.999 and cut.plate_mm2 > 2000.0


def test_a_flange_under_a_larger_web_is_no_plate() -> None:
    """Its edges go down from it: those of a plate lie farther out than what the view shows of it, or are not shown."""
    upright = rigid(np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]), np.array([-5.0, 10.0, 0.0]))
    web, flange = moved(sheet((0, 0), (30, 120), 0.0), upright), sheet((-15, -15), (35, 35), 0.0)
    edge = moved(sheet((0, 0), (50, 8), 0.0), rigid(upright[:3, :3], np.array([-15.0, -15.0, -8.0])))
    assert trimmed(both(both(flange, web), edge), 1.0, 0.02).table is None


def test_rough_poses_that_lie_below_a_plate_are_dropped() -> None:
    scene = Scene(both(sheet((-40, -40), (60, 60), 0.0, 4.0), PIECE), 0 * UP, UP)
    known, free = seen_of(PIECE, 1.0, 1.0, scene), seen_of(PIECE, 1.0, 1.0)
    poses = np.tile(np.eye(4), (3, 1, 1))
    poses[1, 2, 3], poses[2, 2, 3] = -30.0, 30.0
    assert np.array_equal(over_tables(known, free, poses), poses[[0, 2]])
    assert np.array_equal(over_tables(free, known, poses), poses[[0, 1]])
    assert len(over_tables(known, known, poses)) == 1 and len(over_tables(free, free, poses)) == 3


def test_air_is_where_the_scanner_looks_in_from_every_height() -> None:
    air = air_of(Scene(both(sheet((-40, -40), (60, 60), 0.0, 4.0), PIECE), 0 * UP, UP), PIECE.vertices, 1.0)
    places = np.array([[10.0, 10, 16], [10, 10, 3], [10, 10, -6], [10, 10, 16]], np.float32)
    normals = np.array([UP, UP, UP, -UP], np.float32)
    # Over the piece; in its shadow; under the plate; and a surface that faces down, which is seen from nowhere.
    assert air.shows(places, normals).tolist() == [True, False, False, False]


@pytest.mark.parametrize(("other", "unseen", "below"), [
    (PIECE, False, False), (sheet((0, 0), (20, 20), 30.0), True, False),
    (sheet((30, 0), (50, 20), 20.0), True, False), (sheet((0, 0), (20, 20), -10.0), False, True),
    (Mesh(PIECE.vertices + 5 * UP, PIECE.triangles[:, ::-1]), False, False),
])  # fmt: skip
def test_what_a_view_would_have_seen_and_did_not_speaks_against_a_pose(other: Mesh, unseen: bool, below: bool) -> None:
    plate = float(other.vertices[:, 2].min()) - 10.0
    doubt = sight(PIECE).doubts(sight(other, plate), np.eye(4))
    assert doubt.asked > 100 and (doubt.unseen > 50) == unseen and (doubt.below > 50) == below
    assert sight(PIECE, None).doubts(sight(other, plate), np.eye(4)).asked == 0


def holed(wall: bool) -> Mesh:
    """A sheet with a gap 28 mm wide, whose rim is where it ends, or turns down into a bore."""
    flat = sheet((-7.0 if wall else 0.0, 0.0), (22.0, 90.0), 0.0)
    out, angle = flat.vertices[:, 0], 2.0 * np.pi * flat.vertices[:, 1] / 90.0
    reach = 14.0 + np.maximum(out, 0.0)
    points = np.stack([reach * np.cos(angle), reach * np.sin(angle), 10.0 + np.minimum(out, 0.0)], axis=1)
    return Mesh(points, flat.triangles)


@pytest.mark.parametrize(("piece", "missing"), [(holed(False), False), (holed(True), True), (PIECE, True)])
def test_a_gap_in_a_views_own_surface_is_not_held_against_another_view(piece: Mesh, missing: bool) -> None:
    """A scanner misses what is dark or steep. A bore, and what lies beyond an edge, it would have seen closed."""
    whole = sight(sheet((-30, -30), (30, 30), 10.0), -20.0)
    own = sight(piece)
    assert (own.doubts(whole, np.eye(4)).unseen > 0) == missing
    assert props(1, {n: np.eye(4) for n in range(2)}, [own, whole]).any() == missing


def test_nothing_is_asked_of_what_may_be_a_prop() -> None:
    """The same sheet in the air, low over its own plate beside a high one."""
    low, tall = sheet((30, 0), (50, 20), 20.0), sheet((0, 0), (20, 20), 10.0)
    for plate, asked in ((-30.0, True), (15.0, False)):
        other = sight(both(low, Mesh(tall.vertices + (90.0 if plate > 0 else 0.0) * UP, tall.triangles)), plate)
        assert (30.0 < other.fine.points[other.asked, 0]).any() == asked


def test_what_another_view_saw_through_is_cut_out() -> None:
    """One view shows a lump beside the piece, low over its own plate, where the other one looked at its plate."""
    lump = both(PIECE, sheet((30, 0), (45, 15), 9.0))
    sights = [sight(PIECE), sight(lump, 7.0)]
    gone = props(1, {n: np.eye(4) for n in range(2)}, sights)
    assert gone[lump.vertices[:, 0] > 29.0].mean() > 0.9 and not gone[lump.vertices[:, 0] < 21.0].any()
    assert not props(0, {n: np.eye(4) for n in range(2)}, sights).any()


def cap(tongue: bool) -> tuple[Mesh, np.ndarray, np.ndarray]:
    """A flat sheet with a cap on it, which runs out smoothly to one side or nowhere; distance from its middle, height.
    """
    flat = sheet((0, 0), (40, 40), 10.0)
    x, y = (flat.vertices[:, :2] - 20.0).T
    away = np.hypot(x, y)
    height = np.maximum(np.sqrt(np.maximum(144.0 - away**2, 0.0)) - np.sqrt(144.0 - 81.0), 0.0)
    slope = 3.5 * np.exp(-(np.maximum(x - 2.0, 0.0) / 7.0) ** 2) * np.exp(-((y / 2.5) ** 4)) * (x > 0)
    height = np.maximum(height, slope * tongue)
    return Mesh(flat.vertices + height[:, None] * UP, flat.triangles), away, height


@pytest.mark.parametrize("tongue", [False, True])
def test_a_lump_of_which_a_part_stands_in_air_is_cut_out_up_to_its_crease(tongue: bool) -> None:
    """Where the lump runs out smoothly into the sheet, it is cut straight across."""
    mesh, away, height = cap(tongue)
    own, x = sight(mesh), mesh.vertices[:, 0] - 20.0
    shown = away > 17.0
    for part, whole in (((away < 9.0) & (x < -3.0), True), ((away < 9.0) & (height > 4.0), False)):
        lump = whole_lumps(own, part, shown)
        assert lump[away < 7.0].all() == whole and lump[part].all()
        assert not lump[(away > 11.0) & (x < 6.0)].any() and not lump[away > 16.0].any()
    everywhere = whole_lumps(own, (away < 9.0) & (x < -3.0), np.ones(len(away), bool))
    assert np.array_equal(everywhere, (away < 9.0) & (x < -3.0))


def test_whence_a_view_was_scanned_is_told_by_what_it_shows() -> None:
    """A sheet shown again is seen from every height; one that it ought to show and does not, from none."""
    two = {n: np.eye(4) for n in range(2)}
    assert looked_from(0, two, [sight(PIECE), sight(PIECE, -20.0)]).all()
    assert not looked_from(0, two, [sight(PIECE), sight(sheet((0, 0), (20, 20), 30.0), -20.0)]).any()
    # A roof lets the scanner look in at a slant only.
    roof = both(PIECE, sheet((-4, -4), (24, 24), 22.0))
    told = looked_from(0, {n: np.eye(4) for n in range(3)}, [sight(PIECE), sight(PIECE, -20.0), sight(roof, -20.0)])
    assert not told[-1]


def test_what_is_seen_from_some_heights_only_is_left_out_where_it_cannot_count() -> None:
    """A wall is not seen from high up: such places are told on request, and are never unseen."""
    level = sheet((30, 0), (50, 20), 20.0)
    wall = Mesh(level.vertices[:, [0, 2, 1]] + [0, 20, 20.0], level.triangles)
    one, other = sight(PIECE), sight(both(level, wall), -20.0)
    asked = np.arange(2 * len(level.vertices), dtype=np.int32)
    every, partly = (one.doubts(other, np.eye(4), asked, told) for told in (False, True))
    assert 0 < len(every.which) < len(partly.which) and np.isin(every.which, partly.which).all()
    assert every.unseen == partly.unseen > 0 and every.below == partly.below


def test_a_longer_arrangement_scores_no_more_than_it_could_at_best() -> None:
    fine = [fine_of(view(PIECE)) for _ in range(3)]
    known = Known(fine, [], [sight(PIECE) for _ in range(3)])
    off = rigid(np.eye(3), np.array([4.0, 0, 0.9]))
    for pose in (np.eye(4), off):
        looks = Looks(known)
        two = Longer(alone(looks, 0), 1, pose)
        assert two.at_best(looks) >= two.judged(looks).score
        three = Longer(two.judged(looks), 2, off)
        assert three.at_best(looks) >= three.judged(looks).score and three.judged(looks).poses.keys() == {0, 1, 2}
    assert Longer(alone(looks, 0), 1, off).at_best(looks) < 0.01 < Longer(alone(looks, 0), 1, np.eye(4)).at_best(looks)


def test_arrangements_that_come_to_rest_in_one_place_are_weighed_once(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks(Known([fine_of(view(PIECE)) for _ in range(2)], [], []))
    monkeypatch.setattr(arranging, "settled", lambda poses, *_: poses)
    monkeypatch.setattr(arranging, "arrangement_of", lambda poses, _: Arrangement(poses, {}, 0, 0))
    monkeypatch.setattr(arranging, "worth_of", lambda *_: 0.5)
    starts = [{0: np.eye(4), 1: rigid(np.eye(3), np.array([x, 0, 0]))} for x in (0.0, 0.1, 3.0, 6.0)]
    found = _rested(starts[:3], [], looks)
    assert [one.poses[1][0, 3] for one in found] == [0.0, 3.0]
    assert [one.poses[1][0, 3] for one in _rested(starts, found, looks)] == [6.0]


def test_the_nearest_descriptors_are_those_of_a_tree() -> None:
    rng = np.random.default_rng(3)
    first, second = rng.uniform(0, 200, (300, 33)), rng.uniform(0, 200, (170, 33))
    near, back = nearest(first, second, 3)
    assert np.array_equal(near, cKDTree(first).query(second, k=3)[1])
    assert np.array_equal(back, cKDTree(second).query(first)[1])


def test_a_third_view_may_stand_in_the_line_of_sight() -> None:
    sights = [sight(PIECE), sight(sheet((30, 0), (50, 20), 20.0), 5.0), sight(sheet((-20, -50), (100, 70), 30.0, 2.0))]
    poses = {n: np.eye(4) for n in range(3)}
    known = {(0, 1): sights[0].doubts(sights[1], np.eye(4))}
    two = {n: np.eye(4) for n in range(2)}
    assert odd_share(two, sights, known) > 0.5 and odd_share(poses, sights, known) < 0.05


@pytest.fixture(scope="module")
def halves() -> Callable[[bool], float]:
    """How far two halves of a ball close, rightly placed or one upon the other."""
    ball = scanning.evenly_meshed(as_mesh(manifold3d.Manifold.sphere(15.0, 64)), 1.0, np.random.default_rng(1))
    parts = [compacted(ball, np.flatnonzero((side * ball.vertices[ball.triangles][:, :, 2] > -2.0).all(axis=1))
                       .astype(np.int32))[0] for side in (1, -1)]  # fmt: skip
    seen = [seen_of(part, 1.0, 1.5) for part in parts]
    over = rigid(np.diag([1.0, -1, -1]), np.zeros(3))
    return lambda right: inside({0: np.eye(4), 1: np.eye(4) if right else over}, seen)


def test_views_that_close_have_an_inside_and_views_on_each_other_have_none(halves: Callable[[bool], float]) -> None:
    assert halves(True) == pytest.approx(1.0, abs=0.06)
    # Just under half a ball's surface it falls from 1 - (1 - 1/sqrt(2)) / 2 = 0.854 at the top to a half at the rim.
    assert 0.5 < halves(False) < 0.854


def test_of_two_places_on_a_slide_the_one_that_fits_worse_is_no_rival() -> None:
    fine = [fine_of(view(PIECE)) for _ in range(2)]

    def at(shift: float, misfit: float, worth: float, agree: int = 2000) -> Arrangement:
        poses = {0: np.eye(4), 1: rigid(np.eye(3), np.array([shift, 0, 0]))}
        return Arrangement(poses, {}, agree, 0, agree * misfit**2, {}, worth)

    best = at(0.0, 0.03, 0.5)
    assert _worse_place(at(8.0, 0.033, 0.5), best, fine) and not _worse_place(best, at(8.0, 0.033, 0.5), fine)
    assert not _worse_place(at(8.0, 0.0303, 0.5), best, fine)
    assert not _worse_place(at(30.0, 0.033, 0.5), best, fine)
    assert _worse_place(at(8.0, 0.03, 0.4, 1500), best, fine)
    clashing = replace(at(8.0, 0.03, 0.5), clash=60)
    assert _worse_place(clashing, best, fine) and not _worse_place(replace(clashing, clash=10), best, fine)


def test_a_piece_that_repeats_itself_is_tried_the_other_way_round() -> None:
    """Two views go together in two ways, half a turn apart: a third view may stand half a turn from where it is too."""
    fine = [fine_of(view(PIECE)) for _ in range(3)]
    turn = rigid(np.diag([-1.0, -1, 1]), np.array([20.0, 20, 0]))
    near = rigid(np.eye(3), np.array([2.0, 0, 0]))
    ways = {(0, 1): [Close(pose, 1000, 0, 0.1, 0.03, 0.3, 0.5) for pose in (np.eye(4), near, turn)]}
    one = Arrangement({0: np.eye(4), 1: np.eye(4), 2: near}, {}, 2000, 0)
    motions = _repeats(one, ways, fine)
    assert len(motions) == 2 and all(np.allclose(motion, turn) for motion in motions)
    assert _repeats(one, {(0, 1): ways[0, 1][:2]}, fine) == []


def test_views_that_share_next_to_nothing_are_refused_by_name() -> None:
    two, away = [view(PIECE), view(PIECE)], rigid(np.eye(3), np.array([500.0, 0.0, 0.0]))
    apart = Arrangement({0: np.eye(4), 1: away}, {}, 0, 0)
    with pytest.raises(NoAnswer, match=f"{two[1].scan.name} and the other views .* share too little"):
        placing.adjusted(two, [fine_of(one) for one in two], apart, silent)


@pytest.mark.parametrize(("loosely", "at_rest"), [(0.5 * merging.HOPELESS, 1.0), (1.0, 0.5 * merging.BELIEVED)])
def test_an_arrangement_that_stays_open_is_refused(
    loosely: float, at_rest: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that is worth nearly nothing is not even adjusted; one that seemed good may turn out open once it is."""
    views, known, poses = three_sheets(4.0)
    monkeypatch.setattr(placing, "ways_of", lambda *_: (known, {}))
    monkeypatch.setattr(placing, "arranged", lambda *_: (Arrangement(poses, {}, 0, 0, worth=loosely), [], []))
    monkeypatch.setattr(placing, "adjusted", lambda *_: SimpleNamespace(part_from_scan=poses, certainty={}))
    monkeypatch.setattr(contested, "weighed", lambda *_: Arrangement(poses, {}, 0, 0, worth=at_rest))
    with pytest.raises(NoAnswer, match="so that they close it: together they leave a side of it open"):
        merging._placed(views, [None] * 3, silent)


def test_places_nearly_as_good_widen_the_bound_or_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two starts: where both come to rest in one place nothing is added, else how far they stay apart."""
    two = [view(PIECE), view(PIECE)]
    known = Known([fine_of(one) for one in two], [], [])
    best, other = (Arrangement({0: np.eye(4), 1: rigid(np.eye(3), np.array([x, 0, 0]))}, {}, 0, 0, worth=1.0)
                   for x in (0.0, 2.0))  # fmt: skip
    monkeypatch.setattr(placing, "ways_of", lambda *_: (known, {}))
    monkeypatch.setattr(contested, "weighed", lambda *_: best)
    for stays, apart, near in ((False, 0.0, [other]), (True, 2.0, [other]), (True, 0.0, [])):
        monkeypatch.setattr(placing, "arranged", lambda *_, near=near: (best, [], near))
        monkeypatch.setattr(placing, "adjusted", lambda _v, _f, one, *_, stays=stays: SimpleNamespace(
            part_from_scan=one.poses if stays else best.poses, certainty={}))  # fmt: skip
        assert merging._placed(two, [None, None], silent).u95_mm == pytest.approx(apart, abs=1e-9)
    monkeypatch.setattr(merging, "LOST", 1.5)
    monkeypatch.setattr(placing, "arranged", lambda *_: (best, [], [other]))
    with pytest.raises(NoAnswer, match="too weakly: one may"):
        merging._placed(two, [None, None], silent)


@pytest.mark.parametrize(("rival", "at_rest", "told"), [
    (0.4, 0.9, "refused"), (0.2, 0.9, "best"), (0.4, 0.5, "best"), (0.7, 0.5, "best"), (0.7, 2.0, "rival"),
])  # fmt: skip
def test_a_rival_is_weighed_where_it_comes_to_rest(
    rival: float, at_rest: float, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plate the other way round: loosely laid it seemed worth less than it is once it is adjusted, or more."""
    views, turned = [view(PIECE), view(PIECE)], rigid(np.diag([-1.0, -1, 1]), np.array([20.0, 20, 0]))
    known = Known([fine_of(one) for one in views], [], [])
    best, other = (Arrangement({0: np.eye(4), 1: pose}, {}, 0, 0, worth=worth)
                   for pose, worth in ((np.eye(4), 1.0), (turned, rival)))  # fmt: skip
    monkeypatch.setattr(placing, "ways_of", lambda *_: (known, {}))
    monkeypatch.setattr(placing, "arranged", lambda *_: (best, [other], []))
    monkeypatch.setattr(placing, "adjusted", lambda _v, _f, one, *_: SimpleNamespace(
        part_from_scan=one.poses, certainty={}))  # fmt: skip
    monkeypatch.setattr(contested, "weighed", lambda poses, _: Arrangement(
        poses, {}, 0, 0, worth=1.0 if np.allclose(poses[1], np.eye(4)) else at_rest))  # fmt: skip
    if told == "refused":
        with pytest.raises(NoAnswer, match="in more than one way nearly as well.*turned by 180 degrees"):
            merging._placed(views, [None, None], silent)
    else:
        found = merging._placed(views, [None, None], silent).adjustment.part_from_scan
        assert np.allclose(found[1], np.eye(4) if told == "best" else turned)


def test_two_sides_of_a_plate_are_laid_back_to_back_by_the_wall_that_both_show() -> None:
    rng = np.random.default_rng(9)
    level, wall = rng.uniform(0, 1, (2400, 3)) * [50, 30, 0], rng.uniform(0, 1, (500, 3)) * [50, 0, 1]
    seen = []
    # Of the wall, 3 mm high, the one view shows the upper two thirds and the other the lower.
    for face, low, end in ((3.0, 1.0, 50.0), (0.0, 0.0, 40.0)):
        points = np.concatenate([level + [0, 0, face], wall * [end / 50, 1, 2] + [0, 0, low]])
        seen.append((points, np.repeat([[0, 0, 1.0 if face else -1.0], [0, -1, 0]], [2400, 500], axis=0)))
    a, (points, normals) = seen
    b_from_a = rigid(Rotation.random(random_state=4).as_matrix(), np.array([7.0, -3.0, 11.0]))
    b = apply(b_from_a, points), normals @ b_from_a[:3, :3].T
    one, other = planes_of(*a, 0.6), planes_of(*b, 0.6)
    poses = plate_poses(one, other)
    off = [displacement(pose, inverse(b_from_a), b[0]).max() for pose in poses]
    assert min(off) < 1.3 and len(poses) < 500
    # The walls meet, and no wall is higher than the plate is thick.
    thick = [3.0 - apply(pose, b[0])[:2400, 2].mean() for pose in poses]
    assert min(thick) > 1.9 and max(thick) < 4.1
    # A view of many sides is none of a plate.
    block = np.concatenate([a[0], a[0][:2400] + [0, 0, 9.0]]), np.concatenate([a[1], -a[1][:2400]])
    many = np.concatenate([block[0], block[0][:, [1, 2, 0]] - 30.0]), np.concatenate([block[1], block[1][:, [1, 2, 0]]])
    block_planes = planes_of(*many, 0.6)
    assert len(plate_poses(block_planes, other)) == 0 == len(plate_poses(other, block_planes))


def test_a_plate_is_closed_though_many_poses_agree_over_its_whole_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both views show one side and the upper 2 mm of one wall of a plate 3 mm thick."""
    flat = sheet((0, 0), (50, 32), 0.0)
    over = np.maximum(flat.vertices[:, 1] - 30.0, 0.0)
    noise = np.random.default_rng(1).normal(0, 0.02, flat.vertices.shape)
    bent = Mesh(flat.vertices - over[:, None] * [0, 1, 1] + noise, flat.triangles)
    one = seen_of(bent, 1.0, 1.0)
    right = rigid(np.diag([-1.0, 1.0, -1.0]), np.array([50.0, 0, -3.0]))
    shifts = np.random.default_rng(2).uniform(-15, 15, (6000, 2))
    alike = np.array([rigid(np.eye(3), np.array([x, y, 0.0])) for x, y in shifts])
    monkeypatch.setattr(coarse, "drawn", lambda *_: alike)
    off = [displacement(rough.a_from_b, right, bent.vertices).max() for rough in coarse.rough_poses(one, one)]
    assert min(off) < 4.0


def test_overlaps_are_taken_anew_until_the_views_rest_and_what_still_moves_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    two = [view(PIECE), view(PIECE)]
    fine, start = [fine_of(one) for one in two], Arrangement({0: np.eye(4), 1: np.eye(4)}, {}, 0, 0)
    step = 2.0 * fine[0].spacing_mm
    for rounds, rests in ((2, True), (99, False)):
        asked: list[float] = []

        there: list[bool] = []

        def moved_on(_v: object, _f: object, one: Arrangement, _r: object, _again: bool, by_all: bool,
                     rounds: int = rounds, asked: list[float] = asked, there: list[bool] = there,
                     ) -> SimpleNamespace:  # fmt: skip
            there.append(by_all)
            asked.append(float(one.poses[1][0, 3]))
            on = rigid(np.eye(3), np.array([min(len(asked), rounds) * step, 0, 0]))
            return SimpleNamespace(part_from_scan={0: np.eye(4), 1: on})

        monkeypatch.setattr(placing, "adjusted", moved_on)
        found, moving = placing.at_rest(two, fine, start, silent)
        assert moving == pytest.approx(0.0 if rests else step)
        # Once all points were heard, some of them do not lead away again.
        assert there == [False] + [True] * (len(there) - 1)
        # Each starts where the one before ended, and the last is what is told.
        assert asked == pytest.approx([step * min(n, rounds) for n in range(len(asked))])
        assert len(asked) == (3 if rests else placing.AGAIN + 1)
        assert found.part_from_scan[1][0, 3] == pytest.approx(step * min(len(asked), rounds))


def test_views_that_come_back_when_they_are_moved_are_held() -> None:
    """A surface that is uneven both ways holds; waves that run one way leave a slide, and a sheet three motions."""
    flat = sheet((0, 0), (40, 40), 0.0, 0.8)
    x, y = flat.vertices[:, 0], flat.vertices[:, 1]
    uneven = 3 * np.cos(x / 6) * np.cos(y / 8) + 0.5 * np.sin(x / 3 + 1) * np.sin(y / 2.5)
    for form, firm in ((uneven, True), (2 * np.cos(x / 2), False), (0 * x, False)):
        rng, two = np.random.default_rng(3), []
        for _ in range(2):
            noise = rng.normal(0, 0.02, len(x))
            two.append(view(Mesh(flat.vertices + (form + noise)[:, None] * UP, flat.triangles)))
        fine = [fine_of(one) for one in two]
        known = Known(fine, [], [Sight(one, own, None) for one, own in zip(two, fine, strict=True)])
        assert held(arrangement_of({0: np.eye(4), 1: np.eye(4)}, Looks(known)), known) == firm
        shifted = {0: np.eye(4), 1: rigid(np.eye(3), np.array([0.0, 0.3, 0.0]))}
        assert drifted(arrangement_of(shifted, Looks(known)), {0: np.eye(4), 1: np.eye(4)}, known) == pytest.approx(0.3)


def three_sheets(shift: float) -> tuple[list[Fragment], Known, dict[int, FloatArray]]:
    """Views named 0 to 2: two of the same place, and one of which they share the strip from ``shift`` on."""
    views = [view(sheet((low, 0), (low + 40, 40), 0.0)) for low in (0.0, 2.0, shift)]
    views = [replace(one, scan=replace(one.scan, name=f"scan {n}")) for n, one in enumerate(views)]
    fine = [fine_of(one) for one in views]
    seen = [coarse.seen_of(one.mesh, one.spacing_mm, 2.0) for one in views]
    return views, Known(fine, seen, [Sight(*both, None) for both in zip(views, fine, strict=True)]), dict.fromkeys(
        range(3), np.eye(4))  # fmt: skip


def test_which_views_hold_together_and_which_share_too_little_is_told() -> None:
    views, known, poses = three_sheets(34.0)
    groups, share = refused.weakest_link(poses, known)
    assert groups == ([0, 1], [2]) and share == pytest.approx(7.0 / 40.0, abs=0.08)
    told = str(refused.not_closed(Arrangement(poses, {}, 100, 0), known, views))
    assert "scan 0 and scan 1 hold together; scan 2 shares only" in told and "and a third of scan 2." in told
    views, known, poses = three_sheets(10.0)
    assert refused.weakest_link(poses, known)[1] > refused.THIRD
    told = str(refused.not_closed(Arrangement(poses, {}, 100, 0), known, views))
    assert "third" not in told and "leave a side of it open" in told and "scan 2 shares" not in told
    told = str(refused.not_closed(Arrangement({0: np.eye(4), 1: np.eye(4)}, {}, 100, 0), known, views))
    assert "Scan 2 could be laid on none of scan 0 and scan 1" in told or "scan 2 could be laid on none" in told


def test_views_that_contradict_each_other_are_named() -> None:
    views, known, poses = three_sheets(4.0)
    flat = views[2].mesh
    bent = view(Mesh(flat.vertices + np.outer(0.2 * np.maximum(flat.vertices[:, 0] - 24.0, 0.0), UP), flat.triangles))
    views[2] = replace(bent, scan=replace(bent.scan, name="scan 2"))
    fine = [fine_of(one) for one in views]
    known = replace(known, fine=fine, sights=[Sight(*both, None) for both in zip(views, fine, strict=True)])
    told = str(refused.not_closed(arrangement_of(poses, Looks(known)), known, views))
    assert re.search(r"scan [01] and scan 2 contradict each other over \d\d % of what both show", told)
    assert "Look at scan" in told and "third" not in told


def test_a_view_that_could_stand_in_two_ways_is_named_with_its_turn() -> None:
    views, known, poses = three_sheets(4.0)
    for pose, words in ((rigid(np.diag([-1.0, -1, 1]), np.array([44.0, 40, 0])), "turned by 180 degrees"),
                        (rigid(np.eye(3), np.array([0.0, 25, 0])), "25.0 mm apart")):  # fmt: skip
        told = str(refused.in_two_ways(Arrangement(poses, {}, 100, 0, other={**poses, 2: pose}), known, views))
        assert f"scan 2 could stand on scan 0 and scan 1 in two ways, {words}" in told and "share" not in told
    told = str(refused.in_two_ways(Arrangement(poses, {}, 100, 0), known, views))
    assert "so none is taken. Scan it again so that each view shares more" in told
