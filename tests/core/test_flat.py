"""Faces too flat to tell: rims laid on rims, original surfaces that run on, a form that only a break has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import manifold3d
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from rejoin.core import steps
from rejoin.core.continuity import _lever, running_on
from rejoin.core.evidence import BORNE_OUT, LEAST_LEAD, LEAST_SCORE, believable, decided, tied
from rejoin.core.flat import ROUND, RUNS_ON, laid_by_rims, with_rivals
from rejoin.core.form import shared_form
from rejoin.core.icp import settled
from rejoin.core.matching import Search, Start
from rejoin.core.outline import rim_on_rim, sheet_of, turned_alike
from rejoin.core.placing import place_fragments
from rejoin.core.planes import MOST_PLANES, planar_regions
from rejoin.core.prepared import Prepared, prepared
from rejoin.core.records import Evidence, FractureFace, Fragment, Joint, Mesh, Project, Scan
from rejoin.core.relief import smooth_patches
from rejoin.core.settings import AlignSettings, silent
from rejoin.core.surfaces import Surface, faced
from rejoin.core.transforms import displacement, inverse, rigid
from rejoin.core.turns import turned_best
from rejoin.core.views import smoothed_normals
from tests.core.test_outline import NOISE, SPACING, comb

Height = Callable[[np.ndarray, np.ndarray], np.ndarray]


def bar(seed: int, upward: bool, size: tuple[float, float] = (16.0, 12.0), height: Height | None = None) -> Prepared:
    """A block under z = 0, or above it, whose end there has a height (mm over x, y); scanned with noise."""
    solid = manifold3d.Manifold.cube((*size, 8.0), True).translate((0.0, 0.0, 4.0 if upward else -4.0))
    mesh = solid.refine_to_length(1.3 * SPACING).to_mesh()
    rng = np.random.default_rng(seed)
    points = np.array(mesh.vert_properties[:, :3], float)
    if height is not None:
        points[:, 2] += np.clip(1.0 - np.abs(points[:, 2]) / 8.0, 0.0, 1.0) * height(points[:, 0], points[:, 1])
    noisy = Mesh(points + rng.normal(0, NOISE, points.shape), np.array(mesh.tri_verts, np.int32))
    scan = Scan(f"bar {seed}", ("bar",), noisy, "mm", True, False, (str(seed),))
    return prepared(steps.clean(Project(scans=(scan,))).fragments[0], ())


def bulge(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(0.08 * np.cos(x / 4.0 + 1.0) * np.cos(y / 5.0))


def hollow(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(0.08 * np.sin(x / 3.0) * np.sin(y / 4.0))


def even(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.asarray(0.04 * np.cos(x / 2.5) * np.cos(y / 2.5))


def form_of(first: Surface, second: Surface) -> float:
    seen = faced(first, second, np.eye(4), first.samples, 1.5)
    clear = (seen.facing < -0.8) & (np.abs(seen.gap) < 0.3)
    zone = np.flatnonzero(clear).astype(np.int32)
    ways = smooth_patches(seen.points[zone], seen.normals[zone], first.nodes.cell_mm)
    return shared_form(first, second, np.eye(4), first.samples, seen, clear, [zone[way] for way in ways])


def off(pose: np.ndarray, part: Prepared) -> float:
    return float(displacement(pose, np.eye(4), part.surface.fragment.mesh.vertices[::20]).max())


@pytest.fixture(scope="module")
def combs() -> tuple[Prepared, Prepared]:
    return comb(1, upward=True), comb(2, upward=False)


@pytest.mark.parametrize(
    ("below", "above", "alike"),
    [(bulge, bulge, True), (None, None, False), (bulge, hollow, False), (bulge, None, False)],
)
def test_only_two_sides_of_a_break_share_a_form(below: Height | None, above: Height | None, alike: bool) -> None:
    """A wave of 0.16 mm peak to valley; plane faces, unrelated ones, and one wave on a plane share none."""
    told = form_of(bar(11, True, height=above).surface, bar(12, False, height=below).surface)
    assert (told > 2.0 * BORNE_OUT) if alike else (told < BORNE_OUT)


def test_rims_are_laid_on_rims(combs: tuple[Prepared, Prepared]) -> None:
    first, second = combs
    away = rigid(Rotation.from_rotvec([0.0, 0.0, np.radians(3.0)]).as_matrix(), np.array([1.8, -1.4, 0.0]))
    pose = away
    for _ in range(2):
        sheet = sheet_of(first.surface, second.surface, inverse(pose))
        assert sheet is not None
        pose = inverse(rim_on_rim(sheet) @ inverse(pose))
    assert off(away, second) > 2.0 and off(pose, second) < 0.8 * SPACING


def test_original_surfaces_find_their_place(combs: tuple[Prepared, Prepared]) -> None:
    fragments = [part.surface.fragment for part in combs]
    found = running_on(fragments[0], fragments[1], rigid(np.eye(3), np.array([0.5, 0.4, 0.0])))
    assert found is not None and found.share > 0.9 and found.slid_mm > 0.5
    assert off(found.a_from_b, combs[1]) < 0.15
    aside = running_on(fragments[0], fragments[1], rigid(np.eye(3), np.array([4.5, 0.0, 0.0])))
    assert aside is None or aside.share < RUNS_ON


def test_faces_are_seated_anew_where_the_rims_lead() -> None:
    """A hollow on a bulge, laid 4 mm aside, meets at another angle there; in its place it must not keep that."""
    def bowl(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(0.012 * (x * x + y * y))

    first, second = bar(21, True, height=bowl).surface, bar(22, False, height=bowl).surface
    aside = settled(first, second, rigid(np.eye(3), np.array([4.0, 2.0, 0.0])))
    points = second.fragment.mesh.vertices[::20]
    assert np.degrees(Rotation.from_matrix(aside[:3, :3]).magnitude()) > 1.0
    laid = laid_by_rims(first, second, aside)
    assert laid is not None
    assert displacement(laid.pose.a_from_b, np.eye(4), points).max() < 0.5 * SPACING


def test_rims_are_asked_where_a_rough_pose_was_aside_but_its_faces_cover_each_other(
    combs: tuple[Prepared, Prepared],
) -> None:
    aside = rigid(np.eye(3), np.array([4.0, 2.0, 0.0]))
    for pose, share, asked in ((np.eye(4), 0.55, True), (aside, 0.55, False), (np.eye(4), 0.3, False)):
        search = Search(*combs)
        search.starts = [Start(0.0, pose, pose, share, 1.0)]
        search._look_at_rims()
        assert bool(search.rims_seen) == bool(search.laid) == asked


def test_machined_faces_of_one_outline_are_not_placed(combs: tuple[Prepared, Prepared]) -> None:
    """Rims and original surfaces agree all round, but plane faces share no form."""
    laid = laid_by_rims(combs[0].surface, combs[1].surface, np.eye(4))
    assert laid is not None and laid.running.share > 0.9
    assert not believable(decided(laid.pose.evidence, 0.0))


def test_what_repeats_itself_when_turned(combs: tuple[Prepared, Prepared]) -> None:
    for size, turns in (((14.0, 14.0), 3), ((20.0, 12.0), 1)):
        sheet = sheet_of(bar(13, True, size).surface, bar(14, False, size).surface, np.eye(4))
        assert sheet is not None and sheet.share > 0.95 and len(turned_alike(sheet)) == turns
    sheet = sheet_of(combs[0].surface, combs[1].surface, np.eye(4))
    assert sheet is not None and turned_alike(sheet) == []


def test_an_oblong_bar_that_fits_either_way_is_told_of() -> None:
    """With an even form, half a turn is as good: the rival is found, named, and the joint is no answer."""
    first, second = bar(15, True, height=even).surface, bar(16, False, height=even).surface
    laid = laid_by_rims(first, second, np.eye(4))
    assert laid is not None and laid.pose.evidence.score > LEAST_SCORE
    best, *rivals = with_rivals(first, second, [laid])
    evidence = decided(best.evidence, max(rival.evidence.score for rival in rivals))
    assert "turned by 180°" in evidence.reason and tied(evidence) and not believable(evidence) and not evidence.good


def test_a_place_slid_along_the_break_that_fits_too_is_told_of(combs: tuple[Prepared, Prepared]) -> None:
    first, second = combs[0].surface, combs[1].surface
    laid = laid_by_rims(first, second, np.eye(4))
    assert laid is not None
    aside = np.eye(4)
    aside[0, 3] = 5.0
    other = replace(laid, pose=replace(laid.pose, a_from_b=laid.pose.a_from_b @ aside))
    best, rival = with_rivals(first, second, [laid, other])
    assert "nearly as far slid along the break" in best.evidence.reason and "°" not in best.evidence.reason


def round_ends(height: Height) -> list[Surface]:
    """A round bar broken across, either end with a height; scanned with noise."""
    ends = []
    for seed, up in ((21, True), (22, False)):
        solid = manifold3d.Manifold.cylinder(8.0, 7.0, 7.0, 64).translate((0.0, 0.0, 0.0 if up else -8.0))
        mesh = solid.refine_to_length(1.3 * SPACING).to_mesh()
        points = np.array(mesh.vert_properties[:, :3], float)
        points[:, 2] += np.clip(1.0 - np.abs(points[:, 2]) / 8.0, 0.0, 1.0) * height(points[:, 0], points[:, 1])
        points += np.random.default_rng(seed).normal(0, NOISE, points.shape)
        noisy = Mesh(points, np.array(mesh.tri_verts, np.int32))
        scan = Scan(f"round {seed}", ("round",), noisy, "mm", True, False, (str(seed),))
        ends.append(prepared(steps.clean(Project(scans=(scan,))).fragments[0], ()).surface)
    return ends


def test_a_round_rim_lets_a_fragment_turn() -> None:
    """An even form is as much alike a quarter turn on: nothing tells which."""
    ends = round_ends(even)
    laid = laid_by_rims(ends[0], ends[1], np.eye(4))
    assert laid is not None and laid.running.lever < ROUND and laid.pose.evidence.score > LEAST_SCORE
    best, *rivals = with_rivals(ends[0], ends[1], [laid])
    evidence = decided(best.evidence, max(rival.evidence.score for rival in rivals))
    assert not believable(evidence) and tied(evidence)
    assert "turned by" in evidence.reason and "the rim is round" in evidence.reason


@pytest.mark.parametrize("levers, is_round", [((0.085, 0.073, 0.064, 0.1002), True), ((0.09, 0.3, 0.25), False)])
def test_a_rim_is_as_round_as_most_poses_find_it(levers: tuple[float, ...], is_round: bool) -> None:
    """Every pose measures the rim anew; the best one may by chance be the one that finds it a little longer."""
    ends = round_ends(bulge)
    laid = laid_by_rims(ends[0], ends[1], np.eye(4))
    assert laid is not None
    found = [replace(laid, running=replace(laid.running, lever=lever)) for lever in levers]
    best = with_rivals(ends[0], ends[1], found)[0]
    assert ("the rim is round" in best.evidence.reason) == is_round


@pytest.mark.parametrize("sides, least, most", [(0, 0.0, 1e-9), (4, 4.0, 5.3)])
def test_a_turn_is_felt_round_a_square_and_not_round_a_circle_of_which_more_is_seen_at_one_side(
    sides: int, least: float, most: float
) -> None:
    """Closed form: none of a circle moves, of a square seen evenly 10 mm times sqrt(4 / pi - 1), or 5.2 mm."""
    angles = np.concatenate([np.linspace(0, 2 * np.pi, 40, endpoint=False), np.linspace(0.2, 1.9, 60)])
    facing = angles if not sides else np.round(angles * sides / (2 * np.pi)) * 2 * np.pi / sides
    normals = np.column_stack([np.cos(facing), np.sin(facing)])
    places = 10.0 * np.column_stack([np.cos(angles), np.sin(angles)])
    if sides:
        places /= np.einsum("ij,ij->i", places, normals)[:, None] / 10.0
    away = places - places.mean(axis=0)
    turn = away[:, 0] * normals[:, 1] - away[:, 1] * normals[:, 0]
    assert least <= _lever(np.column_stack([turn, normals])) <= most


def test_the_form_of_round_faces_tells_their_turn() -> None:
    """From rims laid on each other 40 degrees off: of all turns the form is shared in one."""
    ends = round_ends(bulge)
    off_turn = rigid(Rotation.from_rotvec([0.0, 0.0, np.radians(40.0)]).as_matrix(), np.zeros(3))
    found = turned_best(ends[0], ends[1], off_turn, 7.0)
    assert found is not None and found.told > 2.0 * LEAST_LEAD and found.includes(off_turn)
    angle = np.degrees(np.linalg.norm(Rotation.from_matrix(found.a_from_b[:3, :3]).as_rotvec()))
    assert angle < 8.0 < np.degrees(np.linalg.norm(Rotation.from_matrix(found.other[:3, :3]).as_rotvec()))
    laid = laid_by_rims(ends[0], ends[1], np.eye(4))
    assert laid is not None
    best = with_rivals(ends[0], ends[1], [laid])[0]
    assert believable(decided(best.evidence, 0.0)) and "by a mark on both" in best.evidence.reason
    aside = off_turn @ rigid(np.eye(3), np.array([3.0, 0.0, 0.0]))
    assert not found.includes(aside)
    bare = turned_best(*round_ends(lambda x, y: 0.0 * x), off_turn, 7.0)
    assert bare is None or bare.told < LEAST_LEAD, "plane ends share no form in any turn"


def test_all_patches_of_a_plane_are_one_region(combs: tuple[Prepared, Prepared]) -> None:
    """The tips of a comb's four teeth lie in one plane, y = 20."""
    surface = combs[0].surface
    smooth = smoothed_normals(surface.nodes, 1.5 * surface.nodes.cell_mm)
    regions = planar_regions(surface.nodes, smooth, SPACING, 0.005)
    tips = np.flatnonzero((np.abs(surface.nodes.points[:, 1] - 20.0) < 0.2) & (surface.nodes.normals[:, 1] > 0.9))
    assert len(regions) <= MOST_PLANES
    best = max(regions, key=lambda region: len(np.intersect1d(region, tips)) / len(np.union1d(region, tips)))
    assert len(np.setdiff1d(best, tips)) < 0.05 * len(tips), "nothing else"
    # The rims' normals lean, so that a region ends a node or two before them.
    x = surface.nodes.points[:, 0]
    teeth = [tips[(x[tips] > right - 5.5) & (x[tips] < right + 0.5)] for right in (36.0, 27.0, 18.0, 9.0)]
    assert all(len(np.intersect1d(best, tooth)) > 0.6 * len(tooth) > 20 for tooth in teeth)


def test_what_is_tied_is_left_to_the_person() -> None:
    fragments: tuple[Fragment, ...] = tuple(bar(n, up).surface.fragment for n, up in ((17, True), (18, False)))
    evidence = Evidence(40.0, 38.0, 190.0, 0.95, 0.03, 0.0, 0.2, False, "the same turned by 180°")
    face = FractureFace(0, np.arange(3, dtype=np.int32), 1.0, 1.0, "program")
    joint = Joint(0, 1, face, replace(face, fragment=1), np.eye(4), evidence)
    assert tied(joint.evidence)
    joints, placements = place_fragments(fragments, (joint,), AlignSettings(), silent)
    assert joints == (joint,) and sum(one.part_from_scan is not None for one in placements) == 1
    why = next(one.why for one in placements if one.part_from_scan is None)
    assert why is not None and "more than one position" in why and "turned by 180°" in why
