"""Several scans of one fragment made one: support, poses, the surface, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rejoin.core import alignment, merging, meshes, steps
from rejoin.core.alignment import views as adjusting
from rejoin.core.alignment.pulling import pulled_back
from rejoin.core.alignment.state import State
from rejoin.core.alignment.views import ViewSolver, approach_views, rested
from rejoin.core.cleaning import clean_scan
from rejoin.core.contact import closest_on_triangles, side_of
from rejoin.core.errors import NoAnswer
from rejoin.core.libraries.distances import TriangleTree
from rejoin.core.merging import arranging, contested, holding, merge_scans, placing
from rejoin.core.merging.choosing import foreign, sheet_of
from rejoin.core.merging.close import Close, fine_of
from rejoin.core.merging.hanging import in_air
from rejoin.core.merging.neighbours import Neighbours, whole_of
from rejoin.core.merging.planar import planar_poses, planes_of
from rejoin.core.merging.quick import Ground, Probe, cells_of, tried
from rejoin.core.merging.sliding import best_places
from rejoin.core.merging.support import trimmed
from rejoin.core.merging.zipping import zipped_up
from rejoin.core.records import Evidence, FloatArray, FractureFace, Fragment, Joint, Mesh, Scan, ScanView
from rejoin.core.settings import AlignSettings, CleanSettings, ReadSettings, silent
from rejoin.core.transforms import apply, displacement, inverse, rigid
from rejoin.core.uncertainty.bounds import pose_covariance
from rejoin.core.uncertainty.equations import Statement
from tests.makers import make_case
from tests.makers.views import Views, distance_to_truth, make_views
from tests.makers.writing import _write_ply

pytestmark = pytest.mark.usefixtures("fewer_tries")


def scan_of(mesh: Mesh, name: str = "view") -> Scan:
    return Scan(name, (f"{name}.ply",), mesh, "mm", True, False, (name,))


@pytest.fixture(scope="module")
def views() -> Views:
    """Three views of a piece of a free-form grip, with support."""
    exact = make_case("knob", 1, spacing_mm=0.8).exact[1]
    return make_views(exact, 1, count=3, spacing_mm=0.7, overlap=(0.3, 0.5), scale=1.001)


@pytest.fixture(scope="module")
def merged(views: Views) -> Scan:
    return merge_scans([scan_of(mesh, f"view {n}") for n, mesh in enumerate(views.meshes)], "grip")


def grid(low: float, high: float, step: float = 1.0) -> Mesh:
    """A flat sheet, ``low`` to ``high`` along x, facing up."""
    x, y = np.meshgrid(np.arange(low, high + step / 2, step), np.arange(0, 20.1, step), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), 0 * x.ravel()], axis=1)
    n = x.shape[1]
    a = (np.arange(x.shape[0] - 1)[:, None] * n + np.arange(n - 1)).ravel()
    quads = np.stack([a, a + n, a + n + 1, a + 1], axis=1)
    return Mesh(points, np.concatenate([quads[:, :3], quads[:, [0, 2, 3]]]).astype(np.int32))


def test_support_is_cut_away_and_the_piece_is_not(views: Views) -> None:
    for mesh, strange in zip(views.meshes, views.foreign, strict=True):
        cut = trimmed(mesh, views.spacing_mm, views.noise_mm)
        areas, kept = meshes.triangle_areas(mesh), np.zeros(len(mesh.triangles), bool)
        kept[cut.kept] = True
        own = ~strange[mesh.triangles].any(axis=1)
        assert cut.plate_mm2 > 0 and areas[own & ~kept].sum() < 0.05 * areas[own].sum()
        assert areas[kept & ~own].sum() < 0.15 * areas[kept].sum()


def test_a_flat_face_with_the_piece_behind_it_is_no_support() -> None:
    exact = make_case("knob", 1, spacing_mm=0.8).exact[0]
    bare = make_views(exact, 1, spacing_mm=0.8, support=False)
    for mesh in bare.meshes:
        assert trimmed(mesh, 0.8, 0.03).plate_mm2 == 0.0


def test_sheets_side_by_side_are_sewn_without_moving_a_vertex() -> None:
    one, other = grid(0, 10), grid(11.1, 20)
    whole = Mesh(np.concatenate([one.vertices, other.vertices]),
                 np.concatenate([one.triangles, other.triangles + len(one.vertices)]))  # fmt: skip
    owner = np.repeat([0, 1], [len(one.vertices), len(other.vertices)]).astype(np.int32)
    sewn, added = zipped_up(whole, owner, 1.0)
    assert np.array_equal(sewn.vertices, whole.vertices) and len(added) == 40
    assert meshes.components(sewn)[0] == 1
    # Closed form: one flat rectangle without overlap, 20 by 20 less what the last column lacks.
    assert meshes.triangle_areas(sewn).sum() == pytest.approx(20.0 * (sewn.vertices[:, 0].max() - 0.0), rel=1e-9)
    apart = Mesh(whole.vertices + np.where(owner == 1, 9.0, 0.0)[:, None] * [1, 0, 0], whole.triangles)
    assert len(zipped_up(apart, owner, 1.0)[1]) == 0


def test_three_views_become_one_scan_near_the_truth(views: Views, merged: Scan) -> None:
    assert len(merged.views) == 3 and len(merged.files) == 3
    first = int(merged.views[0].name.split()[-1])
    truth = views.part_from_view[first]
    for view in merged.views:
        number = int(view.name.split()[-1])
        right = inverse(truth) @ views.part_from_view[number]
        moved = displacement(view.scan_from_view, right, views.meshes[number].vertices).max()
        assert moved < 1.0 and moved < 2.0 * max(merged.views_u95_mm, 0.1)
    off = distance_to_truth(views, merged.mesh.vertices, truth)
    own = [distance_to_truth(views, m.vertices[~f], p)
           for m, f, p in zip(views.meshes, views.foreign, views.part_from_view, strict=True)]  # fmt: skip
    assert np.sqrt(np.mean(off**2)) < 2.0 * np.sqrt(np.mean(np.concatenate(own) ** 2))


def test_what_the_views_do_is_said_and_carried_on(merged: Scan) -> None:
    words = " ".join(note.sentence for note in merged.read_notes)
    assert "Made of 3 scans" in words and "support was cut away" in words
    assert 0.0 < merged.views_u95_mm < 5.0 and max(view.misfit_mm for view in merged.views) < 0.3


def test_views_that_share_nothing_are_refused_in_words() -> None:
    # Two flat sheets hold each other nowhere.
    with pytest.raises(NoAnswer, match="No two of the views"):
        merge_scans([scan_of(grid(0, 20)), scan_of(grid(0, 25))], "sheets")


def test_one_scan_passes_untouched(views: Views) -> None:
    scan = scan_of(views.meshes[0])
    assert merge_scans([scan], "alone").mesh is scan.mesh
    closed = scan_of(views.exact, "whole")
    part = scan_of(meshes.compacted(views.exact, np.arange(0, len(views.exact.triangles) // 2, dtype=np.int32))[0])
    assert merge_scans([part, closed], "merged before").mesh is closed.mesh


def test_a_folder_of_one_scan_reads_as_that_scan(tmp_path: Path, views: Views) -> None:
    _write_ply(tmp_path / "only.ply", views.meshes[0], 1.0)
    scan = steps.read([tmp_path], ReadSettings()).scans[0]
    assert scan.views == () and len(scan.mesh.triangles) == len(views.meshes[0].triangles)


def test_which_folder_was_refused_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of several fragments in folders the person must know whose scans to make again."""
    import rejoin.core.merging as merging

    def refuse(*_: object) -> Scan:
        raise NoAnswer("The views of this fragment could not be laid on each other.", "Scan it again.")

    monkeypatch.setattr(merging, "merge_scans", refuse)
    folder = tmp_path / "left half"
    folder.mkdir()
    for number in (1, 2):
        _write_ply(folder / f"view_{number}.ply", grid(0, 20), 1.0)
    with pytest.raises(NoAnswer, match=r"^left half: The views of this fragment .* Scan it again\.$"):
        steps.read([folder])


def test_the_misfit_of_views_widens_the_bound() -> None:
    case = make_case("knob", 3, spacing_mm=1.3)
    scans = [scan_of(mesh, f"fragment {n}") for n, mesh in enumerate(case.fragments)]
    ready = steps.match(steps.find_faces(steps.clean(steps.changed(steps.Project(), scans=tuple(scans)))))
    first, second = ready.fragments
    second = replace(second, scan=replace(second.scan, views_u95_mm=0.5))
    plain, loose = steps.align(ready), steps.align(replace(ready, fragments=(first, second)))
    before, after = plain.placements[1].u95_mm, loose.placements[1].u95_mm
    assert before is not None and after == pytest.approx(np.hypot(before, 0.5), rel=1e-6)


def test_views_of_a_bar_that_looks_the_same_from_two_sides_are_refused() -> None:
    """Half a turn about the bar's own axis changes nothing that either view shows."""
    import manifold3d

    from tests.makers.breaking import as_mesh

    bar = as_mesh(manifold3d.Manifold.cube((40.0, 16.0, 16.0), True))
    views = make_views(bar, 3, spacing_mm=1.0, overlap=(0.3, 0.5), support=False)
    with pytest.raises(NoAnswer, match="more than one way|could not be laid"):
        merge_scans([scan_of(mesh, f"view {n}") for n, mesh in enumerate(views.meshes)], "bar")


def test_the_join_after_merging_is_near_the_truth(views: Views, merged: Scan) -> None:
    """The other half, scanned once, joined to the merged one: 0.1 mm at 0.3 mm between points, in proportion here."""
    case = make_case("knob", 1, spacing_mm=0.8)
    project = steps.changed(steps.Project(), scans=(scan_of(case.fragments[0], "other"), merged))
    joined = steps.align(steps.match(steps.find_faces(steps.clean(project))))
    pose = [placement.part_from_scan for placement in joined.placements]
    first = int(merged.views[0].name.split()[-1])
    right = inverse(case.part_from_scan[0]) @ views.part_from_view[first]
    moved = displacement(inverse(pose[0]) @ pose[1], right, merged.mesh.vertices).max()
    assert moved < 0.3 * views.spacing_mm


def test_tall_clay_is_foreign_up_to_its_top() -> None:
    flat = grid(0, 30, 0.5)
    lump = flat.vertices.copy()
    away = np.hypot(lump[:, 0] - 15.0, lump[:, 1] - 10.0)
    lump[:, 2] = np.where(away < 9.0, 12.0 * np.cos(np.pi / 18.0 * away) ** 2, 0.0)
    sheets = []
    for points in (lump, flat.vertices):
        noisy = points + np.random.default_rng(2).normal(0, 0.01, points.shape)
        mesh = Mesh(noisy, flat.triangles)
        sheets.append(sheet_of(mesh, clean_scan(scan_of(mesh), CleanSettings(flip_inside_out=False))))
    near = Neighbours([sheet.mesh for sheet in sheets])
    found = foreign(sheets[0], sheets[1:], [near.nearest(0, 1)])
    # The top stands 12 mm, 24 spacings, over what the other view saw.
    assert found[away < 7.5].all() and not found[away > 9.0].any()
    assert not foreign(sheets[1], sheets[:1], [near.nearest(1, 0)]).any()


def test_far_from_another_view_one_vertex_in_a_cell_speaks_for_those_around_it() -> None:
    level, low = grid(0, 40, 0.5), grid(0, 40, 0.5)
    slope = Mesh(low.vertices + np.maximum(low.vertices[:, :1] - 4.0, 0.0) * [0, 0, 0.5], low.triangles)
    exact, quick = Neighbours([slope, level]), Neighbours([slope, level], 6.0, 2.0)
    told = [meshes.triangle_centres(level)[near.nearest(0, 1)] for near in (exact, quick)]
    off, height = np.linalg.norm(told[0] - told[1], axis=1), slope.vertices[:, 2]
    assert np.array_equal(exact.nearest(0, 1)[height < 6.0], quick.nearest(0, 1)[height < 6.0])
    assert 0.0 < off[height > 10.0].max() < 2.0 * np.sqrt(2.0) + 1.0


def test_the_nearest_triangle_of_a_part_is_found_though_the_nearest_of_all_was_cut() -> None:
    sheets = [grid(0, 20), Mesh(grid(0, 20).vertices + [0.3, 0.2, 1.5], grid(0, 20).triangles)]
    near, (one, other) = Neighbours(sheets), (whole_of(sheet) for sheet in sheets)
    centres = meshes.triangle_centres(other.mesh)
    part = other.only(np.flatnonzero(centres[:, 0] < 12.0).astype(np.int32))
    places = one.only(np.flatnonzero(meshes.triangle_centres(one.mesh)[:, 1] < 9.0).astype(np.int32))
    told = near.within(0, places, 1, part)
    away = [np.linalg.norm(places.mesh.vertices - closest_on_triangles(places.mesh.vertices, corners)[0], axis=1)
            for corners in (part.mesh.vertices[part.mesh.triangles[which]]
                            for which in (told, TriangleTree(part.mesh).nearest(places.mesh.vertices)))]  # fmt: skip
    assert np.allclose(*away, atol=1e-6)
    limited = near.within(0, places, 1, part, 1.4)
    assert np.array_equal(limited[limited >= 0], told[limited >= 0]) and (away[0][limited < 0] > 1.4).all()
    assert (limited >= 0).any() and (limited < 0).any()


def test_planes_of_two_views_give_their_pose() -> None:
    rng = np.random.default_rng(4)
    sides = [np.insert(rng.uniform(0, 1, (400, 2)), axis, 0.0, axis=1) * [30, 20, 12] for axis in range(3)]
    points, normals = np.concatenate(sides), np.repeat(-np.eye(3), 400, axis=0)
    b_from_a = rigid(Rotation.random(random_state=5).as_matrix(), np.array([7.0, -3.0, 11.0]))
    moved = planes_of(apply(b_from_a, points), normals @ b_from_a[:3, :3].T, 0.5)
    poses = planar_poses(planes_of(points, normals, 0.5), moved)
    right = inverse(b_from_a)
    assert min(displacement(pose, right, apply(b_from_a, points)).max() for pose in poses) < 2.0
    flat = planes_of(points[:400], normals[:400], 0.5)
    assert planar_poses(flat, flat).shape == (0, 4, 4)


def test_a_narrow_wall_is_found_upright_though_normals_lean_over_its_edge() -> None:
    """The side of a thin plate, seen with its top: near the edge averaged normals lean, and would tilt the pose."""
    rng = np.random.default_rng(6)
    top, side = rng.uniform(0, 1, (4000, 3)) * [60, 40, 0], rng.uniform(0, 1, (600, 3)) * [60, 0, -3]
    lean = np.where(side[:, 2] > -1.5, np.deg2rad(9.0), 0.0)
    leaning = np.stack([0 * lean, -np.cos(lean), np.sin(lean)], axis=1)
    normals = np.concatenate([np.tile([0.0, 0, 1], (4000, 1)), leaning])
    points = np.concatenate([top, side]) + rng.normal(0, 0.02, (4600, 3))
    found = planes_of(points, normals, 0.75)
    ways, heights = found.ways, found.heights
    assert len(ways) == 2 and np.allclose(heights, 0.0, atol=0.05)
    assert np.rad2deg(np.arccos(ways[1] @ [0, -1, 0])) < 0.5


def test_poses_are_judged_quickly_as_they_are_slowly() -> None:
    x, y = np.meshgrid(np.arange(20.0), np.arange(20.0), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), 0.02 * (x.ravel() - 10) ** 2], axis=1)
    normals = np.stack([-0.04 * (x.ravel() - 10), 0 * x.ravel(), 1 + 0 * x.ravel()], axis=1)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    rim = (points[:, :2] % 19.0 == 0.0).any(axis=1)
    ground = Ground(cells_of(points, 1.0), points, normals, rim)
    poses = np.tile(np.eye(4), (3, 1, 1))
    poses[1, 2, 3], poses[2, 0, 3] = 1.5, 100.0
    agree, clash, covered = tried(ground, Probe(points, normals, rim, rim), poses)
    assert agree.tolist() == [np.count_nonzero(~rim), 0, 0] and covered.tolist() == [0, 0, 0]
    assert clash[0] == clash[2] == 0 and clash[1] > 0.9 * np.count_nonzero(~rim)


def test_a_worse_place_on_the_same_slide_is_no_rival_and_a_good_one_is() -> None:
    side = grid(0, 30)
    fine = fine_of(clean_scan(scan_of(side), CleanSettings(flip_inside_out=False)))
    shift = rigid(np.eye(3), np.array([0.0, 2.0, 0.0]))
    best = Close(np.eye(4), 1000, 0, 0.1, 0.01, 0.3, 0.8)
    for agree, count in ((800, 1), (970, 2)):
        other = Close(shift, agree, 0, 0.1, 0.01, 0.3, 0.7)
        assert len(best_places([other, best], fine, 1.0)) == count


def test_an_outline_that_reaches_out_over_a_seen_wall_is_matter_in_air() -> None:
    """One view shows a plate's top and the wall at its end, the other a top that ends there, or goes on beyond."""
    bent = grid(0, 42, 0.5)
    over = np.maximum(bent.vertices[:, 0] - 30.0, 0.0)
    wall = Mesh(bent.vertices - over[:, None] * [1, 0, 1], bent.triangles)
    for end, hangs in ((30, False), (36, True)):
        fine = [fine_of(clean_scan(scan_of(mesh), CleanSettings(flip_inside_out=False)))
                for mesh in (wall, grid(0, end, 0.5))]  # fmt: skip
        share = in_air({0: np.eye(4), 1: np.eye(4)}, fine)
        assert share > 0.02 if hangs else share == 0.0


def test_views_that_hold_each_other_too_weakly_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    sheet, small = (clean_scan(scan_of(grid(0, end)), CleanSettings(flip_inside_out=False)) for end in (120, 40))
    monkeypatch.setattr(placing, "ways_of", lambda *_: (arranging.Known([], [], []), {}))
    two = arranging.Arrangement({0: np.eye(4), 1: np.eye(4)}, {}, 0, 0, worth=1.0)
    monkeypatch.setattr(placing, "arranged", lambda *_: (two, [], []))
    monkeypatch.setattr(contested, "weighed", lambda *_: two)
    monkeypatch.setattr(holding, "drifted", lambda *_: 0.0)
    cases = ((2.0, False, None), (7.0, False, None), (9.0, False, "too weakly: one may be 9."),
             (50.0, False, "slide along"), (9.0, True, None))  # fmt: skip
    for bound, firm, refused in cases:
        found = SimpleNamespace(certainty={1: SimpleNamespace(u95_mm=bound * sheet.spacing_mm)}, part_from_scan={})
        monkeypatch.setattr(holding, "held", lambda *_, firm=firm: firm)
        monkeypatch.setattr(contested, "at_rest", lambda *_, found=found: (found, 0.0))
        if refused:
            with pytest.raises(NoAnswer, match=refused):
                merging._placed([sheet, sheet], [None, None], silent)
        else:
            assert merging._placed([sheet, sheet], [None, None], silent).adjustment is found
    merging._not_lost([small, small], 2.0 * small.spacing_mm)
    with pytest.raises(NoAnswer, match="slide along"):  # eight spacings are much of a small view
        merging._not_lost([small, small], 7.0 * small.spacing_mm)


def test_it_is_said_where_views_hold_each_other_weakly() -> None:
    scan = scan_of(grid(0, 20))
    ready = merging._Ready(scan, clean_scan(scan, CleanSettings(flip_inside_out=False)), 0.0)
    told = (ScanView("above", np.eye(4), 9, 0.0, 0.0, 0.05), ScanView("below", np.eye(4), 9, 0.0, 0.0, 0.05))
    for spacings, believed, doubts in (
        (2.0, True, []),
        (3.0, True, ["They hold each other weakly: one may be"]),
        (2.0, False, ["They stand as they were marked, though "]),
    ):
        where: Any = SimpleNamespace(u95_mm=spacings * ready.fragment.spacing_mm, believed=believed)
        notes = merging._notes([ready, ready], told, where, [])
        assert [text[:39] for kind, text in notes if kind == "views doubtful"] == doubts


def wall(seed: int, start: FloatArray, form_mm: float = 0.06) -> tuple[list[Fragment], Joint]:
    """A wall bent strongly one way and hardly the other, seen twice, and the pose in which the second view starts."""
    rng, seen, flat = np.random.default_rng(seed), [], grid(0, 30, 0.4)
    for number in range(2):
        points = flat.vertices + number * np.array([0.15, 0.08, 0.0]) + rng.uniform(-0.04, 0.04, flat.vertices.shape)
        x, y = points[:, 0], points[:, 1]
        points[:, 2] = 1.5 * np.cos(np.pi * x / 20) + form_mm * np.cos(np.pi * y / 10) + rng.normal(0, 0.03, len(x))
        seen.append(clean_scan(scan_of(Mesh(points, flat.triangles)), CleanSettings(flip_inside_out=False)))
    faces = [FractureFace(number, np.arange(len(view.mesh.triangles), dtype=np.int32), 0.0, 1.0, "program")
             for number, view in enumerate(seen)]  # fmt: skip
    told = Evidence(1.0, 0.0, 0.0, 1.0, 0.03, 0.0, 1.0, True, "the same surface")
    return seen, Joint(0, 1, faces[0], faces[1], start, told, "pinned")


def test_a_slide_along_a_wall_is_held_by_broad_forms() -> None:
    """Noise of the normals drowns the hold that a form of 0.06 mm over 20 mm gives; evened out they show it."""
    start = rigid(np.eye(3), np.array([0.1, 0.3, 0.0]))
    seen, joint = wall(1, start)
    settings = replace(AlignSettings(), missing_layer=False)
    found = rested(approach_views(seen, [joint], {0: np.eye(4), 1: start}, settings, silent), silent)
    moved = displacement(found.part_from_scan[1], np.eye(4), seen[1].mesh.vertices).max()
    assert moved < 0.15 and moved < found.certainty[1].u95_mm < 0.5


@pytest.mark.parametrize(("form_mm", "holds"), [(0.15, True), (0.0, False)])
def test_a_hold_that_the_normals_do_not_tell_is_measured_by_moving(
    monkeypatch: pytest.MonkeyPatch, form_mm: float, holds: bool
) -> None:
    """The slide along the wall is taken out of what is told: a form pulls the view back, noise alone does not."""
    start, asked = rigid(np.eye(3), np.array([0.0, 0.1, 0.0])), list[tuple[ViewSolver, State, list[Statement]]]()
    seen, joint = wall(1, start, form_mm)

    def keep(solver: ViewSolver, state: State, told: list[Statement]) -> FloatArray:
        asked.append((solver, state, told))
        return pulled_back(solver, state, told)

    monkeypatch.setattr(adjusting, "pulled_back", keep)
    monkeypatch.setattr(adjusting, "_at_rest", lambda *_: True)
    settings = replace(AlignSettings(), missing_layer=False)
    rested(approach_views(seen, [joint], {0: np.eye(4), 1: start}, settings, silent), silent)
    (solver, state, told), = asked
    faint = np.diag([1.0, 1.0, 1.0, 1.0, 0.03, 1.0])
    weak = [replace(one, pose=faint @ one.pose @ faint, rim=np.zeros((6, 6))) for one in told]
    layout = solver.layout_at(state.poses)
    found = pulled_back(solver, state, weak)
    spread = [1.96 * float(np.sqrt(pose_covariance(layout, state.contacts, weak, more)[4, 4])) / seen[0].spacing_mm
              for more in (np.zeros_like(found), found)]  # fmt: skip
    assert spread[0] > 10.0 and (0.1 < spread[1] < 1.5 if holds else spread[1] > 10.0)
    assert np.linalg.eigvalsh(found)[0] > -1e-9 * np.abs(found).max(initial=1.0)


def test_a_narrow_overlap_is_taken_whole_though_noise_leaves_holes_in_it() -> None:
    """Two sheets share a strip of twelve points; what lies there is believed up to each sheet's own border."""
    rng, views = np.random.default_rng(8), []
    for low, high in ((0, 36), (30, 66)):
        flat = grid(low, high, 0.5)
        noisy = Mesh(flat.vertices + rng.normal(0, 0.16, len(flat.vertices))[:, None] * [0, 0, 1], flat.triangles)
        views.append(clean_scan(scan_of(noisy), CleanSettings(flip_inside_out=False)))
    faces = placing._overlap(views, [fine_of(view) for view in views], 0, 1, np.eye(4))
    for view, face in zip(views, faces, strict=True):
        along = view.mesh.vertices[view.mesh.triangles[face.triangles], 0].mean(axis=1)
        x = view.mesh.vertices[view.mesh.triangles, 0].mean(axis=1)
        shared = (x > 30.0) & (x < 36.0)
        assert np.count_nonzero((along > 30.0) & (along < 36.0)) > 0.98 * shared.sum()
        assert len(along) < 1.6 * shared.sum()


def test_points_of_a_large_overlap_are_taken_all_over_it() -> None:
    seen, joint = wall(1, np.eye(4))
    side = side_of(seen[0], joint.face_a.triangles)
    chosen = alignment.views._one_a_cell(side, 0.1)
    assert 0.05 < chosen.mean() < 0.2
    away = np.linalg.norm(side.points[:, None] - side.points[chosen], axis=2).min(axis=1)
    assert away.max() < 2.0 * side.spacing_mm / np.sqrt(0.1)
