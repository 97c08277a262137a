"""Chips on scans that are finer than their noise allows to tell surfaces, triangle by triangle."""

from __future__ import annotations

import manifold3d
import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter

from rejoin.core import meshes
from rejoin.core.cleaning import clean_scan
from rejoin.core.fusing import fuse_fragments
from rejoin.core.fusing.chips import chip_fills
from rejoin.core.fusing.coarse import told_mm
from rejoin.core.fusing.covered import covered
from rejoin.core.fusing.ring import Contact, Marked
from rejoin.core.meshes import triangle_centres
from rejoin.core.records import FractureFace, Joint, Mesh, Placement, Scan, Whole
from tests.benchmarks.fusing import outside, true_joints
from tests.core import broken_solids as solids
from tests.makers import make_case


def _fused(radius_mm: float, centre: tuple[float, float, float], step_mm: float, noise_mm: float) -> Whole:
    """The bored block broken across, its lower half without a ball at the side x = 6; only the break is a face."""
    solid, ball = solids.bored_block(), manifold3d.Manifold.sphere(radius_mm, 64).translate(centre)
    halves = solid ^ solids.beyond(0, True, step_mm, 0.0), (solid ^ solids.beyond(0, False, step_mm, 0.37)) - ball
    both = [solids.fragment(body, step_mm, noise_mm, k, f"f{k}") for k, body in enumerate(halves)]
    faces = []
    for index, (one, at) in enumerate(both):
        x, y, z = meshes.triangle_centres(meshes.placed(one.mesh, at.part_from_scan)).T
        outer = (np.abs(x) > 6.0 - step_mm) | (np.abs(y) > 5.0 - step_mm) | (np.hypot(x, y) < 2.5 + step_mm)
        broken = (np.abs(z - solids.wave(x, y)) < 0.15) & ~outer
        faces.append(FractureFace(index, np.flatnonzero(broken).astype(np.int32), 0.0, 1.0, "program"))
    joint = Joint(0, 1, faces[0], faces[1], np.eye(4), None)  # type: ignore[arg-type]
    return fuse_fragments(tuple(f for f, _ in both), tuple(p for _, p in both), (joint,))


@pytest.mark.parametrize("noise_mm", [0.03, 0.006])
def test_a_chip_many_spacings_deep_is_filled_up_to_the_side(noise_mm: float) -> None:
    """It is 6 mm across and 2 deep: 75 and 25 spacings of 0.08 mm; what is near the crack only shows some of it."""
    whole = _fused(3.0, (7.0, 0.5, -1.0), 0.08, noise_mm)
    assert whole.closed and whole.genus == 1 and [fill.kind for fill in whole.fills] == ["chip"] and not whole.notes
    x, y, z = whole.mesh.vertices.T
    over = (np.hypot(y - 0.5, z + 1.0) < 2.5) & (x > 3.0)
    assert (6.0 - x[over]).max() < 4.0 * noise_mm + 0.02


def test_a_chip_is_not_said_to_be_left_where_something_else_crossed() -> None:
    """At the bore triangles of the seam cross at first; sewn a little wider they do not, and the chip is filled."""
    whole = _fused(1.6, (6.2, 0.5, 0.6), 0.1, 0.03)
    assert [fill.kind for fill in whole.fills] == ["chip"] and not whole.notes and whole.crossing_pairs == 0


def _sheet(height: np.ndarray) -> Mesh:
    """A square sheet of points 0.1 mm apart, ``height`` (n, n) mm."""
    n = len(height)
    x, y = (0.1 * axis.ravel() for axis in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    i = np.arange(n * n).reshape(n, n)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    triangles = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]).astype(np.int32)
    return Mesh(np.stack([x, y, height.ravel()], axis=1), triangles)


def test_surfaces_are_told_at_the_scans_own_spacing_unless_it_is_fine_for_its_noise() -> None:
    """A rough casting strays as much as a noisy scan, but in waves: a coarser copy of it would be no smoother."""
    white = np.random.default_rng(1).normal(size=(80, 80))
    waves = gaussian_filter(white, 4.0)
    waves /= waves.std()
    noisy, fine, rough = (_sheet(height) for height in (0.03 * white, 0.01 * white, 0.03 * waves))
    assert told_mm([noisy, noisy], 0.1, 0.03) == pytest.approx(0.21)
    assert told_mm([fine, fine], 0.1, 0.01) == 0.1 == told_mm([noisy, rough], 0.1, 0.03)


def test_what_is_covered_on_a_rough_casting_is_deeper_than_its_roughness() -> None:
    """New surface 0.15 mm over a strip that was given up and faces nothing: a hole's wall, or roughness of 0.1 mm."""
    sheet, other = _sheet(np.zeros((60, 60))), _sheet(np.full((60, 60), -30.0))
    strip = np.abs(sheet.vertices[:, 0] - 3.0) < 0.6
    over = Mesh(sheet.vertices + [0.0, 0.0, 0.15], sheet.triangles)
    none = np.zeros(len(other.vertices), bool)

    def told(noise_mm: float) -> bool:
        wide = max(0.19, 10.0 * noise_mm)
        away = np.full(len(strip), np.inf)
        sides = [Contact(away, strip, np.zeros(0, np.int32), wide), Contact(away, none, np.zeros(0, np.int32), wide)]
        marked = Marked(sides, np.zeros(2 * len(strip), bool), 0.1)
        return covered(over, [sheet, other], [none, none], marked, 0.1) is not None

    assert told(0.01) and not told(0.1)


def test_a_pit_within_the_fracture_is_no_hole_that_was_closed_over() -> None:
    """Part of a fracture face that was not told from it, or a scan hole in it that was closed, shows nowhere."""
    sheet, other = _sheet(np.zeros((60, 60))), _sheet(np.full((60, 60), -30.0))
    aside = np.hypot(*(sheet.vertices[:, :2] - 3.0).T)
    over = Mesh(sheet.vertices + [0.0, 0.0, 0.3], sheet.triangles)
    none, away = np.zeros(len(aside), bool), np.full(len(aside), np.inf)

    def told(broken: npt.NDArray[np.bool_]) -> bool:
        sides = [Contact(away, removed, np.zeros(0, np.int32), 0.3) for removed in (aside < 1.5, none)]
        marked = Marked(sides, np.zeros(2 * len(aside), bool), 0.1)
        return covered(over, [sheet, other], [broken, none], marked, 0.1) is not None

    ring = (aside > 0.8) & (aside < 1.6)
    assert told(none) and told(ring & (sheet.vertices[:, 1] < 3.3)) and not told(ring) and not told(aside < 1.6)


def test_a_fill_is_told_over_the_bottom_of_its_hollow_too() -> None:
    """Where the faces of both fragments meet at the bottom it is no wall; mostly over what is none there is no chip."""
    lid = _sheet(np.zeros((60, 60)))
    aside = np.hypot(lid.vertices[:, 0] - 3.0, lid.vertices[:, 1] - 3.0)
    bowl = Mesh(lid.vertices - np.outer(1.3 * np.clip(1.0 - (aside / 2.5) ** 4, 0.0, 1.0), [0, 0, 1]), lid.triangles)
    side = Contact(aside, aside < 2.5, np.zeros(0, np.int32), 0.3)
    new = np.ones(len(aside), bool)
    over, fills = chip_fills(lid, new, [bowl], Marked([side], (aside < 2.5) & (aside > 1.0), 0.1), 0.1)
    middle = np.flatnonzero(np.hypot(*(triangle_centres(lid)[:, :2] - 3.0).T) < 0.8)
    assert len(fills) == 1 and np.isin(middle, over).all() and fills[0].across_mm > 4.0
    over, fills = chip_fills(lid, new, [bowl], Marked([side], (aside < 2.5) & (aside > 2.45), 0.1), 0.1)
    assert not fills and not len(over)


def test_remains_of_a_wall_that_run_smoothly_into_a_surface_do_not_bend_it() -> None:
    """A thin wall, worn, with a chip at its edge: one surface beside it looked curved, and the fill sank by 1 mm."""
    case = make_case("thin_wall", 4309, chips=3, spacing_mm=0.3, wear_mm=0.15)
    fragments = [clean_scan(Scan(f"f{k}", (), mesh, "mm", True, False, ())) for k, mesh in enumerate(case.fragments)]
    placements = [Placement(np.array(pose), "truth") for pose in case.part_from_scan]
    whole = fuse_fragments(fragments, placements, true_joints(case, fragments))
    filled = whole.mesh.vertices[np.unique(whole.mesh.triangles[whole.filled_triangles])]
    assert len(filled) > 100 and np.percentile(np.abs(outside(filled, case.intact)), 95) < 0.3
